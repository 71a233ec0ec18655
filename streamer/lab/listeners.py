"""Who was there to listen: at each over of a group, how many members within reach of each repeater.

A listener is checked in by the record: it has keyed to the group and has not checked out since;
that it may have expired for the workers is of no matter here. Where it was is the truth where that
is known, else what hindsight assumes. The one who speaks does not listen. None of it depends on
settings, so it is worked out once for all of them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from streamer.domain.membership import is_checked_in
from streamer.lab.columns import Columns
from streamer.lab.hindsight import Assumption, Keyed, There, where_it_was
from streamer.lab.spans import active_at, places_of
from streamer.lab.truth import Truth

Counts = NDArray[np.uint16]

Stretch = tuple[int, int, int, bool]
"""From and until in ms, the number of the repeater a station was at, and whether it was last heard
there too."""


@dataclass(frozen=True, slots=True)
class Listeners:
    """A row an over of the group, a column a repeater: how many members were within reach of it
    other than who spoke. `placed` were last heard there; `elsewhere` were last heard on another."""

    placed: Counts
    elsewhere: Counts


def where_all_were(columns: Columns, assumption: Assumption, truth: Truth) -> list[list[Stretch]]:
    """By number of station."""
    numbers = {name: n for n, name in enumerate(columns.repeaters)}
    found = []
    for station, call in enumerate(columns.stations):
        own = columns.keyings.of(station)
        ms = columns.keyings.ms[own].tolist()
        at = columns.keyings.repeater[own].tolist()
        there: Sequence[There]
        if call in truth:
            there = truth[call]
        else:
            ended = columns.keyings.ended_ms[own].tolist()
            keyed = [
                Keyed(began, end, columns.repeaters[r])
                for began, end, r in zip(ms, ended, at, strict=True)
            ]
            there = where_it_was(keyed, assumption, columns.begin_ms, columns.horizon_ms)
        spans = [
            (t.from_ms, t.until_ms, numbers[t.repeater]) for t in there if t.repeater is not None
        ]
        found.append(list(_stretches(spans, _places(ms, at, columns.horizon_ms))))
    return found


_Place = tuple[int, int, int]
"""From, until, number of a repeater."""


def _places(ms: Sequence[int], at: Sequence[int], horizon_ms: int) -> list[_Place]:
    """Where the station was last heard, and from when until when that was so."""
    found: list[_Place] = []
    for n, (began, repeater) in enumerate(zip(ms, at, strict=True)):
        until_ms = ms[n + 1] if n + 1 < len(ms) else horizon_ms
        if found and found[-1][2] == repeater:
            found[-1] = found[-1][0], until_ms, repeater
        elif until_ms > began:
            found.append((began, until_ms, repeater))
    return found


def _stretches(there: Sequence[_Place], places: Sequence[_Place]) -> Iterator[Stretch]:
    at = 0
    for from_ms, until_ms, repeater in there:
        while at < len(places) and places[at][1] <= from_ms:
            at += 1
        now = at
        while now < len(places) and places[now][0] < until_ms:
            begin_ms, end_ms, heard_at = places[now]
            first, last = max(from_ms, begin_ms), min(until_ms, end_ms)
            if first < last:
                yield first, last, repeater, repeater == heard_at
            now += 1


def checked_in_spans(
    check_ins_ms: Sequence[int], outs_ms: Sequence[int], horizon_ms: int
) -> list[tuple[int, int]]:
    """When somebody was checked in by the record alone; both in order."""
    found: list[tuple[int, int]] = []
    since_ms: int | None = None
    newest_in: int | None = None
    newest_out: int | None = None
    ins, outs = set(check_ins_ms), set(outs_ms)
    for now_ms in sorted(ins | outs):
        newest_in = now_ms if now_ms in ins else newest_in
        newest_out = now_ms if now_ms in outs else newest_out
        if is_checked_in(newest_in, newest_out):
            since_ms = now_ms if since_ms is None else since_ms
        elif since_ms is not None:
            found.append((since_ms, now_ms))
            since_ms = None
    if since_ms is not None:
        found.append((since_ms, horizon_ms))
    return found


def _within(stretches: Sequence[Stretch], spans: Sequence[tuple[int, int]]) -> Iterator[Stretch]:
    """Stretches cut to spans; both in order."""
    at = 0
    for from_ms, until_ms, repeater, placed in stretches:
        while at < len(spans) and spans[at][1] <= from_ms:
            at += 1
        now = at
        while now < len(spans) and spans[now][0] < until_ms:
            yield max(from_ms, spans[now][0]), min(until_ms, spans[now][1]), repeater, placed
            now += 1


def listeners_of(columns: Columns, group: int, where: Sequence[Sequence[Stretch]]) -> Listeners:
    """Of one group, by its number; `where` as `where_all_were`."""
    overs = columns.overs[group]
    pieces: list[Stretch] = []
    speaking: list[tuple[int, int, bool]] = []
    for station in np.unique(overs.station).tolist():
        own = columns.keyings.of(station)
        to_group = columns.keyings.group[own] == group
        check_ins = columns.keyings.ms[own][to_group].tolist()
        outs = columns.outs_ms.get((group, station), ())
        spans = checked_in_spans(check_ins, outs, columns.horizon_ms)
        mine = list(_within(where[station], spans))
        pieces += mine
        speaking += _speaking(mine, np.flatnonzero(overs.station == station), overs.ms)
    count = len(columns.repeaters)
    placed = _counts([p for p in pieces if p[3]], overs.ms, count)
    elsewhere = _counts([p for p in pieces if not p[3]], overs.ms, count)
    for row, repeater, there in speaking:
        (placed if there else elsewhere)[row, repeater] -= 1
    return Listeners(placed, elsewhere)


def _speaking(
    mine: Sequence[Stretch], rows: NDArray[np.int64], ms: NDArray[np.int64]
) -> Iterator[tuple[int, int, bool]]:
    """Where a member itself was counted at its own overs: row, repeater, whether placed."""
    if not mine:
        return
    begins = np.array([m[0] for m in mine], np.int64)
    found = np.searchsorted(begins, ms[rows], "right") - 1
    for row, at in zip(rows.tolist(), found.tolist(), strict=True):
        if at >= 0 and ms[row] < mine[at][1]:
            yield row, mine[at][2], mine[at][3]


def _counts(pieces: Sequence[Stretch], ms: NDArray[np.int64], repeaters: int) -> Counts:
    found = np.zeros((len(ms), repeaters), np.uint16)
    by_repeater = places_of([(r, a, b) for a, b, r, _ in pieces], repeaters)
    for repeater, (begins, ends) in enumerate(by_repeater):
        if len(begins):
            found[:, repeater] = active_at(begins, ends, ms)
    return found
