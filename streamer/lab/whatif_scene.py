"""A recorded day laid out so that many failures can be tried on it quickly.

Each over stands for the time around it: up to halfway to the station's overs before and after, as
far as the station is taken to have been on that over's repeater. So what would have become of an
over is also what would have become of the station in that time.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from streamer.domain.leaving import OLD_FIX_MS
from streamer.lab.day import Day, RecordedOver
from streamer.lab.whatif_ears import Ears, Known

Span = tuple[int, int]
"""From and until in ms; the end is not in it."""
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
_ALWAYS: Final = (-(1 << 60), 1 << 60)


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """What the rules say of the day: where each station was taken to be, as (from, until, repeater)
    in order; when it was a member, by (group, station); when a group's fan-out held a repeater, by
    (group, repeater)."""

    presence: Mapping[str, Sequence[tuple[int, int, str]]]
    members: Mapping[tuple[str, str], Sequence[Span]]
    fanout: Mapping[tuple[str, str], Sequence[Span]]


@dataclass(frozen=True, slots=True)
class Audience:
    """The members of a group on one repeater, against the group's overs of the day (`n` of them).

    `pieces` are overs by their place in the day, each standing for the time around it; in that time
    fell the group's overs from number `first` up to `until`, of which `own` (or -1) is the piece's
    own. `came` says which of the group's overs were heard or sent out there, `local` which were
    heard there from the air.
    """

    pieces: Ints
    first: Ints
    until: Ints
    own: Ints
    came: Bools
    local: Bools

    def listeners(self) -> Ints:
        """How many members could listen to each of the group's overs there, not its speaker."""
        change = np.zeros(len(self.came) + 1, np.int64)
        np.add.at(change, self.first, 1)
        np.add.at(change, self.until, -1)
        count: Ints = np.cumsum(change)[:-1]
        np.add.at(count, self.own[self.own >= 0], -1)
        return count


@dataclass(slots=True)
class _Rows:
    pieces: list[int] = field(default_factory=list)
    first: list[int] = field(default_factory=list)
    until: list[int] = field(default_factory=list)
    own: list[int] = field(default_factory=list)


class Scene:
    """See the module's text. `stations` names the stations; the arrays go by over, as
    `day.overs`."""

    def __init__(self, day: Day, known: Whereabouts, ears: Ears) -> None:
        self.day = day
        self.stations = tuple(sorted({over.station for over in day.overs}))
        number = {station: n for n, station in enumerate(self.stations)}
        self.station_of: Ints = np.array([number[o.station] for o in day.overs], np.int64)
        self.member_ms: Ints = np.zeros(len(day.overs), np.int64)
        """How long each over stands for a member of any group, on a repeater that reported."""
        self.known: list[Known] = [Known(None)] * len(day.overs)
        """Where the station said it was, at most OLD_FIX_MS before or after, and how strong."""
        self.group_overs: dict[str, list[int]] = defaultdict(list)
        self.repeater_overs: dict[str, list[int]] = defaultdict(list)
        for at, over in enumerate(day.overs):
            self.repeater_overs[over.repeater].append(at)
            if over.group:
                self.group_overs[over.group].append(at)
        self._begins = {
            group: [day.overs[at].began_ms for at in overs]
            for group, overs in self.group_overs.items()
        }
        self._rows: dict[tuple[str, str], _Rows] = defaultdict(_Rows)
        self._place(known, ears)
        self.audiences = self._audiences(known)

    def _place(self, known: Whereabouts, ears: Ears) -> None:
        own_groups: dict[str, list[tuple[str, Sequence[Span]]]] = defaultdict(list)
        for (group, station), spans in known.members.items():
            own_groups[station].append((group, spans))
        by_station: dict[str, list[int]] = defaultdict(list)
        for at, over in enumerate(self.day.overs):
            by_station[over.station].append(at)
        for station, overs in by_station.items():
            told = [self.day.overs[at] for at in overs]
            for at, signal in zip(overs, _signals(told, ears), strict=True):
                self.known[at] = signal
            pieces = _pieces(told, known.presence.get(station, ()))
            for at, spans in zip(overs, pieces, strict=True):
                self._attend(at, spans, own_groups[station])

    def _attend(
        self, at: int, spans: Sequence[Span], groups: Sequence[tuple[str, Sequence[Span]]]
    ) -> None:
        """One piece: when in it the station was a member, and which overs fell into that."""
        repeater = self.day.overs[at].repeater
        dark = self.day.dark.get(repeater, ())
        as_member: list[Span] = []
        for group, member in groups:
            both = list(overlaps(spans, member))
            as_member += both
            if group in self._begins:
                for from_ms, until_ms in both:
                    self._listen(at, group, repeater, from_ms, until_ms)
        there_ms = total_ms(as_member)
        if dark and there_ms:
            there_ms -= sum(total_ms(overlaps([span], as_member)) for span in dark)
        self.member_ms[at] = there_ms

    def _listen(self, at: int, group: str, repeater: str, from_ms: int, until_ms: int) -> None:
        begins = self._begins[group]
        first, until = bisect_left(begins, from_ms), bisect_left(begins, until_ms)
        if first == until:
            return
        own = bisect_left(self.group_overs[group], at)
        if not (first <= own < until and self.group_overs[group][own] == at):
            own = -1
        rows = self._rows[group, repeater]
        rows.pieces.append(at)
        rows.first.append(first)
        rows.until.append(until)
        rows.own.append(own)

    def _audiences(self, known: Whereabouts) -> dict[tuple[str, str], Audience]:
        found = {}
        for (group, repeater), rows in sorted(self._rows.items()):
            overs = self.group_overs[group]
            local = np.array(
                [any(h.repeater == repeater for h in self.day.overs[at].heard) for at in overs],
                np.bool_,
            )
            came = local.copy()
            for from_ms, until_ms in known.fanout.get((group, repeater), ()):
                begins = self._begins[group]
                came[bisect_left(begins, from_ms) : bisect_left(begins, until_ms)] = True
            found[group, repeater] = Audience(
                np.array(rows.pieces, np.int64),
                np.array(rows.first, np.int64),
                np.array(rows.until, np.int64),
                np.array(rows.own, np.int64),
                came,
                local,
            )
        return found


def total_ms(spans: Iterable[Span]) -> int:
    """The time that spans hold, those that overlap counted once."""
    total, reached_ms = 0, _ALWAYS[0]
    for from_ms, until_ms in sorted(spans):
        total += max(0, until_ms - max(from_ms, reached_ms))
        reached_ms = max(reached_ms, until_ms)
    return total


def overlaps(some: Sequence[Span], others: Sequence[Span]) -> Iterator[Span]:
    """The times that are in both; each given in order and without overlaps of its own."""
    for from_ms, until_ms in some:
        start = bisect_left(others, from_ms, key=lambda span: span[1])
        for begin_ms, end_ms in others[start:]:
            if begin_ms >= until_ms:
                break
            if max(from_ms, begin_ms) < min(until_ms, end_ms):
                yield max(from_ms, begin_ms), min(until_ms, end_ms)


def _pieces(
    overs: Sequence[RecordedOver], presence: Sequence[tuple[int, int, str]]
) -> Iterator[list[Span]]:
    """The time that each over of one station stands for: see the module's text."""
    by_repeater: dict[str, list[Span]] = defaultdict(list)
    for from_ms, until_ms, repeater in presence:
        by_repeater[repeater].append((from_ms, until_ms))
    halves = [(min(a.ended_ms, b.began_ms) + b.began_ms) // 2 for a, b in pairwise(overs)]
    edges = [_ALWAYS[0], *halves, _ALWAYS[1]]
    for at, over in enumerate(overs):
        around = [(edges[at], edges[at + 1])]
        yield list(overlaps(around, by_repeater.get(over.repeater, ())))


def _signals(overs: Sequence[RecordedOver], ears: Ears) -> Iterator[Known]:
    """What is known of the signals of one station's overs."""
    cells = list(_cells(overs, ears))
    stronger_db = ears.stronger_db(overs, cells)
    for over, cell in zip(overs, cells, strict=True):
        heard = [h.rssi_dbm for h in over.heard if h.rssi_dbm is not None]
        yield Known(cell, stronger_db, round(max(heard)) if heard else None)


def _cells(overs: Sequence[RecordedOver], ears: Ears) -> Iterator[str | None]:
    """Where a station was at each of its overs: as it said nearest in time."""
    fixes = sorted(
        {fix.at_ms: fix for over in overs if (fix := over.fix) is not None}.items(),
    )
    times = [at_ms for at_ms, _ in fixes]
    for over in overs:
        fix = over.fix
        if fix is None or abs(fix.at_ms - over.began_ms) > OLD_FIX_MS:
            at = bisect_left(times, over.began_ms)
            near = [known for _, known in fixes[max(0, at - 1) : at + 1]]
            fix = min(near, key=lambda f: abs(f.at_ms - over.began_ms), default=None)
        if fix is None or abs(fix.at_ms - over.began_ms) > OLD_FIX_MS:
            yield None
        else:
            yield ears.cell_of(fix.lat, fix.lon)
