"""Settings compared on a recorded day, in parallel.

What a setting does to a group depends on few of its fields. Each piece of work (a group with the
fields that matter to it) is done once, whatever settings have it in common.
"""

import gc
import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final

from streamer.clock import to_ms
from streamer.config import Policy, RegionView
from streamer.lab.alarms import Alarms, Duties, Judge
from streamer.lab.columns import Columns, columns_of
from streamer.lab.day import Day
from streamer.lab.grid import ALERT_FIELDS, LISTS, Setting
from streamer.lab.hindsight import Assumption
from streamer.lab.holding import Rules
from streamer.lab.listeners import Listeners, listeners_of, where_all_were
from streamer.lab.ordered import order_spans
from streamer.lab.outcome import CAUSES, Cause, GroupOutcome, outcome_of
from streamer.lab.pareto import Point
from streamer.lab.truth import Truth
from streamer.state.entries import Act, Entry

_SILENT: Final = (*ALERT_FIELDS, "expire_after_s")
"""The fields of a policy that alerts depend on."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A day made ready for any number of settings."""

    day: Day
    columns: Columns
    listeners: Sequence[Listeners]
    """By number of group."""
    truth: Truth


def prepare(
    day: Day, assumption: Assumption, truth: Truth, settings: Sequence[Setting]
) -> Prepared:
    """Everything that no setting changes."""
    named = {t.repeater for spans in truth.values() for t in spans if t.repeater is not None}
    for view in (day.view, *(setting.view for setting in settings)):
        for group in view.groups.values():
            named |= {*group.pins, *group.bars}
    ordered = {e.subject.partition(" ")[2] for e in day.acts if e.act in (Act.PIN, Act.BAR)}
    columns = columns_of(day, sorted(named | ordered))
    where = where_all_were(columns, assumption, truth)
    numbers = range(len(columns.groups))
    return Prepared(day, columns, [listeners_of(columns, n, where) for n in numbers], truth)


@dataclass(frozen=True, slots=True)
class SettingOutcome:
    """What a setting would have done, by group."""

    setting: Setting
    groups: Mapping[str, GroupOutcome]
    alarms: Mapping[str, Alarms]

    @property
    def carried_s(self) -> float:
        return sum(sum(g.carried_ms) for g in self.groups.values()) / 1000

    @property
    def wasted_s(self) -> float:
        return sum(sum(g.wasted_ms) for g in self.groups.values()) / 1000

    @property
    def on_pins_s(self) -> float:
        return sum(sum(g.on_pins_ms) for g in self.groups.values()) / 1000

    @property
    def missed(self) -> int:
        return sum(sum(g.missed) for g in self.groups.values())

    @property
    def missed_by_cause(self) -> dict[Cause, int]:
        return {
            cause: sum(g.missed[n] for g in self.groups.values()) for n, cause in enumerate(CAUSES)
        }

    @property
    def moves(self) -> int:
        return sum(g.moves for g in self.groups.values())

    @property
    def changes(self) -> int:
        return sum(g.changes for g in self.groups.values())

    @property
    def all_alarms(self) -> Alarms:
        found = Alarms()
        for alarms in self.alarms.values():
            found.raised += alarms.raised
            found.out_of_reach += alarms.out_of_reach
            found.judged += alarms.judged
            found.false += alarms.false
            found.losses += alarms.losses
        return found

    def point(self, *, truth: bool) -> Point:
        """What is to be small; see `Point`."""
        return Point(self.wasted_s, self.missed, self.all_alarms.false if truth else 0)


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of work: of two with one key only one is done."""

    key: tuple[Any, ...]
    group: int
    weight: int
    view: RegionView = field(compare=False)


def compare(
    prepared: Prepared,
    settings: Sequence[Setting],
    processes: int,
    on_done: Callable[[int, int], None] = lambda done, of: None,
) -> list[SettingOutcome]:
    """In the order of the settings; on so many processes, in this one if it is one. `on_done` is
    told how many pieces of work are done, of how many."""
    columns = prepared.columns
    pieces: dict[tuple[Any, ...], Piece] = {}
    for setting in settings:
        for number in range(len(columns.groups)):
            for piece in pieces_of(prepared, setting.view, number):
                pieces.setdefault(piece.key, piece)
    # The longest first, so that no process is left alone with it in the end.
    todo = sorted(pieces.values(), key=lambda piece: -piece.weight)
    found: dict[tuple[Any, ...], Any] = {}
    for key, result in _done(prepared, todo, processes):
        found[key] = result
        on_done(len(found), len(todo))
    return [_outcome(prepared, setting, found) for setting in settings]


def _outcome(
    prepared: Prepared, setting: Setting, found: Mapping[tuple[Any, ...], Any]
) -> SettingOutcome:
    groups, alarms = {}, {}
    for number, name in enumerate(prepared.columns.groups):
        carrying, silent = pieces_of(prepared, setting.view, number)
        groups[name], alarms[name] = found[carrying.key], found[silent.key]
    return SettingOutcome(setting, groups, alarms)


def pieces_of(prepared: Prepared, view: RegionView, number: int) -> tuple[Piece, Piece]:
    """The fan-out of a group, and the alerts of its members."""
    name = prepared.columns.groups[number]
    policy, group, overs = view.policies[name], view.groups[name], prepared.columns.overs[number]
    rules = Rules.of(view, name)
    held = (rules.stay_expire_ms, rules.forget_ms, policy.linger_s, policy.expire_after_s)
    lists = tuple(frozenset(getattr(group, name)) for name in LISTS)
    silent = tuple(getattr(policy, field) for field in _SILENT)
    count = len(overs.ms)
    return (
        Piece(("fan-out", number, *held, *lists), number, count, view),
        Piece(("alerts", number, *silent), number, 5 * count, view),
    )


def _work(prepared: Prepared, piece: Piece) -> GroupOutcome | Alarms:
    day, columns, view = prepared.day, prepared.columns, piece.view
    name = columns.groups[piece.group]
    if piece.key[0] == "fan-out":
        orders, own = (
            order_spans(v.groups[name], day.acts, columns.begin_ms, columns.horizon_ms)
            for v in (view, day.view)
        )
        listeners = prepared.listeners[piece.group]
        return outcome_of(columns, piece.group, Rules.of(view, name), orders, listeners, own)
    duties = duties_of(day.acts, name, columns.begin_ms)
    policy: Policy = view.policies[name]
    judge = Judge(columns, piece.group, policy, view.learning, day.dark, duties)
    return judge.alarms(prepared.truth)


_shared: Prepared | None = None
"""What forked processes find: handing it over would take longer than working on it."""


def _work_shared(piece: Piece) -> tuple[tuple[Any, ...], GroupOutcome | Alarms]:
    assert _shared is not None
    return piece.key, _work(_shared, piece)


def _done(
    prepared: Prepared, todo: Sequence[Piece], processes: int
) -> Iterator[tuple[tuple[Any, ...], Any]]:
    if processes <= 1 or len(todo) <= 1:
        for piece in todo:
            yield piece.key, _work(prepared, piece)
        return
    global _shared  # noqa: PLW0603 - see there
    _shared = prepared
    try:
        with _frozen(), multiprocessing.get_context("fork").Pool(processes) as pool:
            yield from pool.imap_unordered(_work_shared, todo)
    finally:
        _shared = None


@contextmanager
def _frozen() -> Iterator[None]:
    """What is there before the fork is left alone by the collector: looking through it would copy
    all of it into each process."""
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def duties_of(acts: Iterable[Entry], group: str, begin_ms: int) -> Duties:
    """When the newest running duty of a group changed, by what people ordered."""
    running: dict[str, int] = {}
    found: list[tuple[int, float | None]] = [(begin_ms, None)]
    for entry in sorted(acts, key=lambda entry: to_ms(entry.at)):
        at_ms = to_ms(entry.at)
        if entry.act is Act.START_DUTY and group in entry.details.get("groups", ()):
            running[entry.subject] = at_ms
        elif entry.act is not Act.END_DUTY or running.pop(entry.subject, None) is None:
            continue
        newest = max(running.values(), default=None)
        found.append((at_ms, None if newest is None else newest / 1000))
    return found


def dates_of(day: Day) -> int:
    """How many days, by UTC dates, the recording touches."""
    return day.end_ms // 86_400_000 - day.begin_ms // 86_400_000 + 1
