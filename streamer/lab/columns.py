"""A recorded day as columns of numbers: quick to sum up, small, and shared by forked processes.

A million overs as objects would be copied by each process that merely looks at them.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from streamer.clock import to_ms
from streamer.config import RegionView
from streamer.domain.check_out_words import CheckOutWords
from streamer.domain.model import Fix
from streamer.lab.day import Day, RecordedOver
from streamer.state.entries import Act, Entry

Times = NDArray[np.int64]
Numbers = NDArray[np.int32]
NO_GROUP: Final = -1


def by_gateway(repeater: str) -> tuple[str, str]:
    """Repeaters in the order in which the state settles a tie between two of one moment."""
    return repeater.partition("/")[0], repeater


@dataclass(frozen=True, slots=True)
class Keyings:
    """All overs of all stations: by station, then by time, then by repeater."""

    ms: Times
    ended_ms: Times
    repeater: Numbers
    group: Numbers
    """NO_GROUP where it was to none."""
    begins: NDArray[np.int64]
    """Where each station's keyings begin, and the end of the last."""

    def of(self, station: int) -> slice:
        return slice(int(self.begins[station]), int(self.begins[station + 1]))


Floats = NDArray[np.float64]


def known(value: float) -> float | None:
    """A number of a column; NaN stands for what nobody told."""
    return None if math.isnan(value) else float(value)


@dataclass(frozen=True, slots=True)
class Signals:
    """What came with the overs, in the order of the keyings; NaN where nobody told. `fixes` has
    rows of time in ms, latitude, longitude, speed and course, as `Fix`."""

    rssi_dbm: Floats
    ber_pct: Floats
    fixes: Floats
    fix_at: NDArray[np.int64]
    """The keyings that the fixes came with, in order."""

    def fix(self, keying: int, first: int) -> Fix | None:
        """The newest of a station's keyings, from its `first` to `keying`."""
        row = int(np.searchsorted(self.fix_at, keying, "right")) - 1
        if row < 0 or self.fix_at[row] < first:
            return None
        at_ms, lat, lon, speed, course = self.fixes[row].tolist()
        return Fix(round(at_ms), lat, lon, known(speed), known(course))


@dataclass(frozen=True, slots=True)
class GroupOvers:
    """The overs of one group, in order of time. `heard` has a row an over, a column a repeater."""

    ms: Times
    duration_ms: Times
    station: Numbers
    heard: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Columns:
    """Names by number, and the numbers. `outs_ms`: when a station (second) checked out of a group
    (first), by an over, by a word to all, or by hand; in order."""

    begin_ms: int
    end_ms: int
    stations: tuple[str, ...]
    repeaters: tuple[str, ...]
    groups: tuple[str, ...]
    keyings: Keyings
    signals: Signals
    overs: tuple[GroupOvers, ...]
    outs_ms: Mapping[tuple[int, int], Sequence[int]]

    @property
    def horizon_ms(self) -> int:
        """Just after the end: nothing counts from then on."""
        return self.end_ms + 1


def columns_of(day: Day, more_repeaters: Sequence[str] = ()) -> Columns:
    """The overs of a day. `more_repeaters` are those spoken of elsewhere (pins, bars, truth)."""
    named = {h.repeater for over in day.overs for h in over.heard}
    repeaters = tuple(sorted({*day.view.sites, *named, *more_repeaters}, key=by_gateway))
    stations = tuple(sorted({over.station for over in day.overs}))
    groups = tuple(day.view.groups)
    numbers = _Numbers(
        {name: n for n, name in enumerate(stations)},
        {name: n for n, name in enumerate(repeaters)},
        {name: n for n, name in enumerate(groups)},
    )
    of_group: dict[str, list[RecordedOver]] = {name: [] for name in groups}
    for over in day.overs:
        if over.group:
            of_group[over.group].append(over)
    return Columns(
        day.begin_ms, day.end_ms, stations, repeaters, groups,
        *numbers.keyings(day.overs),
        tuple(numbers.of_group(of_group[name]) for name in groups),
        numbers.outs_ms(day.overs, day.acts, day.view),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Numbers:
    station: Mapping[str, int]
    repeater: Mapping[str, int]
    group: Mapping[str, int]

    def keyings(self, overs: Sequence[RecordedOver]) -> tuple[Keyings, Signals]:
        count = len(overs)
        station = np.fromiter((self.station[o.station] for o in overs), np.int32, count)
        ms = np.fromiter((o.began_ms for o in overs), np.int64, count)
        ended = np.fromiter((o.ended_ms for o in overs), np.int64, count)
        repeater = np.fromiter((self.repeater[o.repeater] for o in overs), np.int32, count)
        group = np.fromiter((self.group.get(o.group, NO_GROUP) for o in overs), np.int32, count)
        order = np.lexsort((repeater, ms, station))
        begins = np.searchsorted(station[order], np.arange(len(self.station) + 1))
        keyings = Keyings(
            ms[order], ended[order], repeater[order], group[order], begins.astype(np.int64)
        )
        return keyings, _signals(overs, order)

    def of_group(self, overs: Sequence[RecordedOver]) -> GroupOvers:
        """`overs` by time, as a day has them."""
        count = len(overs)
        ms = np.fromiter((o.began_ms for o in overs), np.int64, count)
        ended = np.fromiter((o.ended_ms for o in overs), np.int64, count)
        station = np.fromiter((self.station[o.station] for o in overs), np.int32, count)
        heard = np.zeros((count, len(self.repeater)), np.bool_)
        for row, over in enumerate(overs):
            for hearing in over.heard:
                heard[row, self.repeater[hearing.repeater]] = True
        return GroupOvers(ms, ended - ms, station, heard)

    def outs_ms(
        self, overs: Sequence[RecordedOver], acts: Sequence[Entry], view: RegionView
    ) -> dict[tuple[int, int], list[int]]:
        """As `check_outs_ms`, by numbers, of stations that were heard."""
        return {
            (self.group[group], self.station[station]): times
            for (group, station), times in check_outs_ms(overs, acts, view).items()
            if station in self.station
        }


def check_outs_ms(
    overs: Iterable[RecordedOver], acts: Iterable[Entry], view: RegionView
) -> dict[tuple[str, str], list[int]]:
    """By group and station, when it checked out, in order: by an over, by a word to all, by hand.
    A check-out by an over counts when the over has ended, as in the state."""
    words = CheckOutWords(view)
    found: dict[tuple[str, str], set[int]] = defaultdict(set)
    for over in overs:
        if over.out_group:
            found[over.out_group, over.station].add(over.ended_ms)
        elif over.out_word:
            for group in view.groups:
                if words.said(over.out_word, group)[0]:
                    found[group, over.station].add(over.ended_ms)
    for entry in acts:
        if entry.act is Act.CHECK_OUT:
            group, _, station = entry.subject.partition(" ")
            if group in view.groups:
                found[group, station].add(to_ms(entry.at))
    return {key: sorted(times) for key, times in found.items()}


def _signals(overs: Sequence[RecordedOver], order: NDArray[np.int64]) -> Signals:
    """`order` are the numbers of the overs in the order of the keyings."""
    count = len(overs)
    rssi = np.fromiter((_number(o.heard[0].rssi_dbm) for o in overs), np.float64, count)
    ber = np.fromiter((_number(o.heard[0].ber_pct) for o in overs), np.float64, count)
    fixed = np.fromiter((o.fix is not None for o in overs), np.bool_, count)
    at = np.flatnonzero(fixed[order])
    fixes = [_row(overs[n].fix) for n in order[at].tolist()]
    return Signals(rssi[order], ber[order], np.array(fixes, np.float64).reshape(-1, 5), at)


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _row(fix: Fix | None) -> tuple[float, float, float, float, float]:
    assert fix is not None
    return fix.at_ms, fix.lat, fix.lon, _number(fix.speed_mps), _number(fix.course_deg)
