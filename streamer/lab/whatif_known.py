"""Where everybody was on a recorded day, who was a member, and where groups were carried, by the
rules that `streamer compare` and `streamer load` go by."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from streamer.domain.liveness import merged
from streamer.lab.columns import Columns, columns_of
from streamer.lab.day import Day
from streamer.lab.hindsight import Assumption
from streamer.lab.listeners import Stretch, checked_in_spans, where_all_were
from streamer.lab.load_air import spans_of
from streamer.lab.load_ruled import ruled_spans
from streamer.lab.truth import Truth
from streamer.lab.whatif_scene import Span, Whereabouts


def whereabouts_of(day: Day, assumption: Assumption, truth: Truth) -> Whereabouts:
    """See `Whereabouts`. A member is who keyed to the group and has not checked out since; a group
    was carried where gateways said so, and where a gateway never said what it carries, where the
    day's own region file wants it."""
    told = {t.repeater for spans in truth.values() for t in spans if t.repeater is not None}
    columns = columns_of(day, sorted(told))
    carried: dict[tuple[str, str], list[Span]] = defaultdict(list)
    for span in spans_of(day, ruled_spans(day)):
        carried[span.group, span.repeater].append((span.from_ms, span.until_ms))
    return Whereabouts(
        _presence(columns, assumption, truth),
        _members(columns),
        {key: merged(spans) for key, spans in carried.items()},
    )


def _members(columns: Columns) -> Mapping[tuple[str, str], list[Span]]:
    found = {}
    for group, name in enumerate(columns.groups):
        for station in np.unique(columns.overs[group].station).tolist():
            own = columns.keyings.of(station)
            check_ins = columns.keyings.ms[own][columns.keyings.group[own] == group].tolist()
            outs = columns.outs_ms.get((group, station), ())
            spans = checked_in_spans(check_ins, outs, columns.horizon_ms)
            found[name, columns.stations[station]] = spans
    return found


def _presence(
    columns: Columns, assumption: Assumption, truth: Truth
) -> Mapping[str, list[tuple[int, int, str]]]:
    where = where_all_were(columns, assumption, truth)
    return {
        station: [(a, b, columns.repeaters[r]) for a, b, r in _joined(stretches)]
        for station, stretches in zip(columns.stations, where, strict=True)
    }


def _joined(stretches: Iterable[Stretch]) -> Iterator[tuple[int, int, int]]:
    """Stretches on one repeater that touch, made one: whether it was heard there is no matter."""
    open_: tuple[int, int, int] | None = None
    for from_ms, until_ms, repeater, _ in stretches:
        if open_ is not None and open_[1:] == (from_ms, repeater):
            open_ = open_[0], until_ms, repeater
            continue
        if open_ is not None:
            yield open_
        open_ = from_ms, until_ms, repeater
    if open_ is not None:
        yield open_
