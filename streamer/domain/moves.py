"""How stations move between repeaters, and where one is likely to be heard next. Pure.

A station between two repeaters is heard now by the one and now by the other: that is one place, not
moves. It shows by its coming back within `SWING_MS`, or by overs that both repeaters heard.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from streamer.domain.model import StationRecord, Stay
from streamer.domain.stays import Move, counted, stays_of

SWING_MS: Final = 15 * 60_000
"""Back within so long it had not gone anywhere; a stay that lasted longer was a place of its own.
Common practice, no source: nobody drives out of a repeater's range and back in less."""
ONE_DRIVE_MS: Final = 2 * 3_600_000
"""A station heard elsewhere after a longer silence may have gone by any way: no move is counted."""
OWN_WEIGHT: Final = 4
"""What a station did itself counts so many times more for it than what others did."""

Counts = Mapping[str, Mapping[str, int]]
"""How many moves were made: from repeater -> to repeater -> number."""
Both = frozenset[tuple[int, str, str]]
"""Overs that two repeaters heard: when they count as heard, and the two in alphabetical order."""


@dataclass(frozen=True, slots=True)
class Visit:
    """A station in one place: on one repeater, or between two (an overlap).

    `repeaters` are in alphabetical order; `first` and `last` those that heard it first and last. In
    an overlap it changed the repeater `changes` times within `swung_ms`, first and last change
    included.
    """

    repeaters: tuple[str, ...]
    arrived_ms: int
    last_ms: int
    first: str
    last: str
    changes: int = 0
    swung_ms: int = 0

    @property
    def reason(self) -> str | None:
        """In words why it is one place; None for a visit to one repeater."""
        if len(self.repeaters) < 2:
            return None
        many = "1 change" if self.changes == 1 else f"{self.changes} changes"
        seconds = self.swung_ms / 1000
        took = f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"
        are = "is one place, not a move" if self.changes == 1 else "are one place, not moves"
        return f"between {' and '.join(self.repeaters)}: {many} in {took} {are}"


@dataclass(frozen=True, slots=True)
class Next:
    """Where a station may be heard next, by the moves that were made away from `away_from`.

    `share` is no more than the moves allow: it counts one move more, to a place not seen yet.
    """

    repeater: str
    away_from: str
    share: float
    moves: int
    of_moves: int
    own_moves: int
    own_of_moves: int

    @property
    def reason(self) -> str:
        """In words."""
        moves = "1 move" if self.of_moves == 1 else f"{self.of_moves} moves"
        text = f"{self.moves} of {moves} away from {self.away_from} went to {self.repeater}"
        if not self.own_of_moves:
            return text
        return f"{text}, of its own {self.own_moves} of {self.own_of_moves}"


def heard_by_two(record: StationRecord) -> Both:
    """The kept overs that more than one repeater heard."""
    heard: dict[str, set[str]] = {}
    for entry in record.path:
        heard.setdefault(entry.over, set()).add(entry.repeater)
    return frozenset(
        (entry.ms, a, b)
        for entry in counted(record)
        for a, b in combinations(sorted(heard[entry.over]), 2)
    )


def visits_of(record: StationRecord, expire_ms: int) -> tuple[Visit, ...]:
    """The visits of a station's kept overs, newest first."""
    return collapsed(stays_of(record, expire_ms), heard_by_two(record))


def collapsed(stays: Sequence[Stay], both: Both = frozenset()) -> tuple[Visit, ...]:
    """Visits made of stays, both newest first: what swings between two repeaters is one.

    Every stay is in exactly one visit, in order. Stays longer than `SWING_MS` remain visits of
    their own: who drives through an overlap has been on this side of it, then on that.
    """
    in_order = stays[::-1]
    visits: list[Visit] = []
    run: list[Stay] = []
    for at, stay in enumerate(in_order):
        if run and not (_swings(in_order, at - 1, both) and _same_pair(run, stay)):
            visits += _visits_of_run(run)
            run = []
        run.append(stay)
    visits += _visits_of_run(run)
    return tuple(visits[::-1])


def _pair(a: Stay, b: Stay) -> tuple[str, ...]:
    return tuple(sorted({a.repeater, b.repeater}))


def _swings(in_order: Sequence[Stay], at: int, both: Both) -> bool:
    """Whether the change from stay `at` to the next is none of place."""
    here, there = in_order[at], in_order[at + 1]
    if here.repeater == there.repeater:
        return False  # a long silence
    threes = [in_order[n : n + 3] for n in (at - 1, at) if n >= 0]
    if any(
        len(three) == 3
        and three[0].repeater == three[2].repeater
        and three[2].arrived_ms - three[0].last_ms <= SWING_MS
        for three in threes
    ):
        return True
    a, b = _pair(here, there)
    if there.arrived_ms - here.last_ms > SWING_MS:
        return False
    return (here.last_ms, a, b) in both and (there.arrived_ms, a, b) in both


def _same_pair(run: Sequence[Stay], stay: Stay) -> bool:
    return len(run) == 1 or _pair(run[-1], stay) == _pair(run[-2], run[-1])


def _is_long(stay: Stay) -> bool:
    return stay.last_ms - stay.arrived_ms > SWING_MS


def _visits_of_run(run: Sequence[Stay]) -> list[Visit]:
    """Of stays in order that swing between two repeaters, or of a single one."""
    visits = []
    begin = 0
    for at, stay in enumerate(run):
        if len(run) == 1 or _is_long(stay):
            visits.append(
                Visit((stay.repeater,), stay.arrived_ms, stay.last_ms, stay.repeater, stay.repeater)
            )
            begin = at + 1
        elif at + 1 == len(run) or _is_long(run[at + 1]):
            visits.append(_overlap(run, begin, at))
    return visits


def _overlap(run: Sequence[Stay], begin: int, end: int) -> Visit:
    """Of the stays from `begin` to `end`; the changes to and from those beside them count."""
    before, after = max(0, begin - 1), min(len(run) - 1, end + 1)
    first, last = run[begin], run[end]
    return Visit(
        _pair(run[0], run[1]), first.arrived_ms, last.last_ms, first.repeater, last.repeater,
        after - before, run[after].arrived_ms - run[before].last_ms,
    )  # fmt: skip


def transitions(visits: Sequence[Visit]) -> tuple[Move, ...]:
    """The moves between visits, both newest first. An overlap is no move from either of its
    repeaters or to them; through an overlap it is one, when the station has come out beyond."""
    moves: list[Move] = []
    before: Visit | None = None
    where: set[str] = set()
    for visit in visits[::-1]:
        there = set(visit.repeaters)
        if before is None or visit.arrived_ms - before.last_ms > ONE_DRIVE_MS:
            where = there
        elif where & there:
            where = where & there
        else:
            origin = before.last if before.last not in there else min(where)
            moves.append(Move(visit.arrived_ms, origin, visit.first, before.last_ms))
            where = there
        before = visit
    return tuple(moves[::-1])


def counts_of(moves: Iterable[Move]) -> Counts:
    """How many of the moves went from where to where."""
    counts: dict[str, Counter[str]] = {}
    for move in moves:
        counts.setdefault(move.from_repeater, Counter())[move.to_repeater] += 1
    return counts


def counts_from(records: Iterable[StationRecord], expire_ms: int) -> Counts:
    """How many moves several stations made by their kept overs."""
    return counts_of(
        move for record in records for move in transitions(visits_of(record, expire_ms))
    )


def likely_next(everybody: Counts, repeater: str, own: Counts | None = None) -> tuple[Next, ...]:
    """Where a station that is on `repeater` is likely to be heard next, the likeliest first, and at
    equal odds in alphabetical order. `everybody` includes the station, `own` is it alone."""
    others, mine = everybody.get(repeater, {}), (own or {}).get(repeater, {})
    weights = {
        name: others.get(name, 0) + OWN_WEIGHT * mine.get(name, 0)
        for name in sorted({*others, *mine})
    }
    total = sum(weights.values()) + 1
    found = [
        Next(
            name, repeater, weight / total, others.get(name, 0), sum(others.values()),
            mine.get(name, 0), sum(mine.values()),
        )
        for name, weight in weights.items()
        if weight > 0
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda n: (-n.share, n.repeater)))


def next_repeater(everybody: Counts, repeater: str, own: Counts | None = None) -> Next | None:
    """The likeliest; None if nobody was ever heard to move away from there."""
    found = likely_next(everybody, repeater, own)
    return found[0] if found else None
