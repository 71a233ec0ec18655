"""Where everybody was on a recorded day, who was a member, and where groups were carried, by the
rules that settings are compared by (`streamer.lab.listeners`, `streamer.lab.outcome`)."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from streamer.lab.columns import Columns, columns_of
from streamer.lab.day import Day
from streamer.lab.hindsight import Assumption
from streamer.lab.holding import Rules, Walk
from streamer.lab.listeners import Stretch, checked_in_spans, where_all_were
from streamer.lab.ordered import order_spans
from streamer.lab.outcome import fan_outs
from streamer.lab.spans import Span as Held
from streamer.lab.truth import Truth
from streamer.lab.whatif_scene import Span, Whereabouts


def whereabouts_of(day: Day, assumption: Assumption, truth: Truth) -> Whereabouts:
    """See `Whereabouts`. A member is who keyed to the group and has not checked out since; a group
    is carried where the day's own region file wants it."""
    columns = columns_of(day, sorted(_spoken_of(day, truth)))
    members: dict[tuple[str, str], Sequence[Span]] = {}
    fanout: dict[tuple[str, str], Sequence[Span]] = {}
    for group, name in enumerate(columns.groups):
        rules = Rules.of(day.view, name)
        walk = Walk(rules, columns.repeaters, columns.horizon_ms)
        held: list[Held] = []
        for station in np.unique(columns.overs[group].station).tolist():
            own, outs = columns.keyings.of(station), columns.outs_ms.get((group, station), ())
            ms = columns.keyings.ms[own]
            to_group = columns.keyings.group[own] == group
            spans = checked_in_spans(ms[to_group].tolist(), outs, columns.horizon_ms)
            members[name, columns.stations[station]] = spans
            at = columns.keyings.repeater[own].tolist()
            held += walk.of(ms.tolist(), at, to_group.tolist(), outs).held
        orders = order_spans(day.view.groups[name], day.acts, day.begin_ms, columns.horizon_ms)
        for repeater, one in zip(columns.repeaters, fan_outs(columns, held, orders), strict=True):
            begins, ends = one.carried.begins.tolist(), one.carried.ends.tolist()
            fanout[name, repeater] = list(zip(begins, ends, strict=True))
    return Whereabouts(_presence(columns, assumption, truth), members, fanout)


def _spoken_of(day: Day, truth: Truth) -> Iterator[str]:
    """Repeaters that orders and the truth name, whether or not anything was heard there."""
    for group in day.view.groups.values():
        yield from (*group.pins, *group.bars)
    for entry in day.acts:
        repeater = entry.subject.partition(" ")[2]
        if "/" in repeater:
            yield repeater
    yield from (t.repeater for told in truth.values() for t in told if t.repeater is not None)


def _presence(
    columns: Columns, assumption: Assumption, truth: Truth
) -> dict[str, list[tuple[int, int, str]]]:
    found: dict[str, list[tuple[int, int, str]]] = defaultdict(list)
    where = where_all_were(columns, assumption, truth)
    for station, stretches in zip(columns.stations, where, strict=True):
        for from_ms, until_ms, repeater in _joined(stretches):
            found[station].append((from_ms, until_ms, columns.repeaters[repeater]))
    return found


def _joined(stretches: Iterable[Stretch]) -> Iterator[tuple[int, int, int]]:
    """Stretches on one repeater that touch, made one: whether it was heard there is no matter."""
    open_: tuple[int, int, int] | None = None
    for from_ms, until_ms, repeater, _ in stretches:
        if open_ is not None and open_[1:] == (from_ms, repeater):
            from_ms = open_[0]
        elif open_ is not None:
            yield open_
        open_ = from_ms, until_ms, repeater
    if open_ is not None:
        yield open_
