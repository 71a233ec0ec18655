"""Moves and overlaps: cases thought out by hand (common practice, no source), and what must hold of
any stays."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.domain.model import PathEntry, Place, StationRecord, Stay
from streamer.domain.moves import (
    ONE_DRIVE_MS,
    SWING_MS,
    Next,
    Visit,
    collapsed,
    counts_from,
    counts_of,
    heard_by_two,
    likely_next,
    next_repeater,
    transitions,
    visits_of,
)
from streamer.domain.stays import Move, moves_of, stays_of

MINUTE_MS = 60_000
EXPIRE_MS = 4 * 3_600_000
A, B, C, D = "ridge/uhf", "lake/uhf", "mill/uhf", "pass/uhf"


def record(*heard: tuple[float, str]) -> StationRecord:
    """(minute, repeaters) oldest first; several repeaters, apart by blanks, heard one over."""
    path = []
    for number, (minute, repeaters) in enumerate(heard):
        for order, repeater in enumerate(repeaters.split()):
            # As the station script orders equal times: the first of an over's entries counts.
            path.append((-round(minute * MINUTE_MS), order, repeater, f"o{number}"))
    path.sort()
    entries = tuple(PathEntry(-ms, repeater, over, 0) for ms, _, repeater, over in path)
    first = entries[0]
    place = Place(first.ms, first.repeater.split("/")[0], first.repeater, first.over)
    return StationRecord("QA1ABC", 1, 0, place, None, entries, {}, {})


def visits(*heard: tuple[float, str]) -> list[tuple[float, tuple[str, ...], int]]:
    """Oldest first: the minute of arrival, repeaters, changes."""
    found = visits_of(record(*heard), EXPIRE_MS)
    return [(v.arrived_ms / MINUTE_MS, v.repeaters, v.changes) for v in found[::-1]]


def moves(*heard: tuple[float, str]) -> list[tuple[float, str, str]]:
    found = transitions(visits_of(record(*heard), EXPIRE_MS))
    return [(m.at_ms / MINUTE_MS, m.from_repeater, m.to_repeater) for m in found[::-1]]


BETWEEN = tuple(sorted((A, B)))


class TestOverlap:
    def test_now_the_one_now_the_other(self) -> None:
        swinging = [(n * 20 / 7, (A, B)[n % 2]) for n in range(8)]
        (visit,) = visits_of(record(*swinging), EXPIRE_MS)
        assert visit == Visit(BETWEEN, 0, 20 * MINUTE_MS, A, B, 7, 20 * MINUTE_MS)
        assert visit.reason == (
            "between lake/uhf and ridge/uhf: 7 changes in 20 min are one place, not moves"
        )
        assert moves(*swinging) == []

    def test_there_and_back_at_once(self) -> None:
        assert visits((0, A), (5, B), (10, A)) == [(0, BETWEEN, 2)]

    def test_there_and_back_after_a_while_are_moves(self) -> None:
        least = SWING_MS / MINUTE_MS
        assert moves((0, A), (10, B), (least, A)) == []
        heard = ((0, A), (10, B), (16, A))
        assert visits(*heard) == [(0, (A,), 0), (10, (B,), 0), (16, (A,), 0)]
        assert moves(*heard) == [(10, A, B), (16, B, A)]
        assert visits_of(record(*heard), EXPIRE_MS)[0].reason is None

    def test_one_move_is_no_overlap(self) -> None:
        assert visits((0, A), (1, B)) == [(0, (A,), 0), (1, (B,), 0)]
        assert moves((0, A), (1, B)) == [(1, A, B)]

    def test_heard_by_both_before_and_after_the_change(self) -> None:
        """Which of the two counts is chance."""
        assert visits((0, f"{A} {B}"), (5, f"{B} {A}")) == [(0, BETWEEN, 1)]
        found = visits_of(record((0, f"{A} {B}"), (5, f"{B} {A}")), EXPIRE_MS)
        assert found[0].reason == (
            "between lake/uhf and ridge/uhf: 1 change in 5 min is one place, not a move"
        )

    def test_heard_by_both_on_the_way(self) -> None:
        """On this side, by both, on that side: a move like any other."""
        assert moves((0, A), (5, f"{A} {B}"), (10, B)) == [(10, A, B)]
        assert moves((0, A), (5, f"{B} {A}"), (10, B)) == [(5, A, B)]

    def test_three_repeaters_are_two_overlaps(self) -> None:
        heard = ((0, A), (2, B), (4, A), (6, C), (8, A))
        assert visits(*heard) == [(0, BETWEEN, 2), (6, tuple(sorted((A, C))), 1)]
        assert moves(*heard) == []

    def test_a_long_stay_is_a_place_of_its_own(self) -> None:
        """An hour on this side, through the overlap, an hour on that side."""
        heard = (
            (0, A), (30, A), (60, A),
            (62, B), (64, A), (66, B), (68, A),
            (70, B), (100, B), (130, B),
        )  # fmt: skip
        assert visits(*heard) == [(0, (A,), 0), (62, BETWEEN, 5), (70, (B,), 0)]
        assert moves(*heard) == [(70, A, B)]
        overlap = visits_of(record(*heard), EXPIRE_MS)[1]
        assert overlap.reason == (
            "between lake/uhf and ridge/uhf: 5 changes in 10 min are one place, not moves"
        )

    def test_a_look_over_the_edge(self) -> None:
        """Long here, one over there, long here again: it was never away."""
        heard = ((0, A), (30, A), (35, B), (40, A), (70, A))
        assert visits(*heard) == [(0, (A,), 0), (35, BETWEEN, 2), (40, (A,), 0)]
        assert moves(*heard) == []

    def test_into_an_overlap_and_out_of_it(self) -> None:
        assert moves((0, C), (20, A), (22, B), (24, A), (26, B), (50, D)) == [
            (20, C, A),
            (50, B, D),
        ]

    def test_out_of_an_overlap_to_one_side_is_no_move(self) -> None:
        assert moves((0, A), (2, B), (4, A), (40, B), (60, B)) == []
        assert moves((0, A), (2, B), (4, A), (6, B), (40, B), (60, B)) == []

    def test_a_long_silence_is_no_move(self) -> None:
        least = ONE_DRIVE_MS / MINUTE_MS
        assert moves((0, A), (least, B)) == [(least, A, B)]
        assert moves((0, A), (least + 0.01, B)) == []

    def test_nothing_heard_is_no_visit(self) -> None:
        assert collapsed(()) == ()
        assert transitions(()) == ()

    def test_the_overs_that_two_heard(self) -> None:
        known = record((0, A), (1, f"{A} {B}"), (2, f"{C} {A} {B}"))
        assert heard_by_two(known) == {
            (1 * MINUTE_MS, *BETWEEN),
            *((2 * MINUTE_MS, *pair) for pair in ((B, C), BETWEEN, tuple(sorted((A, C))))),
        }


class TestNext:
    EVERYBODY = counts_of(
        Move(n, frm, to, 0)
        for n, (frm, to) in enumerate([(A, B)] * 5 + [(A, C)] * 2 + [(B, A)] * 3)
    )

    def test_the_counts(self) -> None:
        assert self.EVERYBODY == {A: {B: 5, C: 2}, B: {A: 3}}

    def test_by_what_everybody_did(self) -> None:
        found = next_repeater(self.EVERYBODY, A)
        assert found == Next(B, A, 5 / 8, 5, 7, 0, 0)
        assert found.reason == "5 of 7 moves away from ridge/uhf went to lake/uhf"
        assert [n.repeater for n in likely_next(self.EVERYBODY, A)] == [B, C]

    def test_what_it_did_itself_weighs_more(self) -> None:
        """5 against 2 + 4 x 2, of 5 + 10 + 1."""
        own = {A: {C: 2}}
        found = next_repeater(self.EVERYBODY, A, own)
        assert found == Next(C, A, 10 / 16, 2, 7, 2, 2)
        assert found.reason == (
            "2 of 7 moves away from ridge/uhf went to mill/uhf, of its own 2 of 2"
        )

    def test_few_moves_promise_little(self) -> None:
        (only,) = likely_next({A: {B: 1}}, A)
        assert only.share == 0.5
        assert only.reason == "1 of 1 move away from ridge/uhf went to lake/uhf"

    def test_at_equal_odds_the_order_is_fixed(self) -> None:
        for names in ((B, C, D), (D, C, B)):
            found = likely_next({A: dict.fromkeys(names, 1)}, A)
            assert [n.repeater for n in found] == [B, C, D]

    def test_nobody_ever_left(self) -> None:
        assert next_repeater(self.EVERYBODY, D) is None
        assert next_repeater({}, A, {}) is None

    def test_of_several_stations(self) -> None:
        drive = record((0, A), (30, B), (60, C))
        swinging = record((0, A), (2, B), (4, A), (6, B))
        assert counts_from([drive, drive, swinging], EXPIRE_MS) == {A: {B: 2}, B: {C: 2}}


# -- what must hold of anything heard -------------------------------------------------------------

heard_anything = st.lists(
    st.tuples(
        st.integers(0, 40),
        st.lists(st.sampled_from((A, B, C)), min_size=1, max_size=3, unique=True),
    ),
    min_size=1,
    max_size=16,
).map(
    lambda steps: record(
        *(
            (sum(gap for gap, _ in steps[: n + 1]), " ".join(repeaters))
            for n, (_, repeaters) in enumerate(steps)
        )
    )
)


@given(heard_anything, st.sampled_from([60 * MINUTE_MS, EXPIRE_MS]))
def test_no_stay_is_lost_and_none_is_in_two_visits(known: StationRecord, expire_ms: int) -> None:
    stays = stays_of(known, expire_ms)
    found = visits_of(known, expire_ms)
    assert (found[-1].arrived_ms, found[0].last_ms) == (stays[-1].arrived_ms, stays[0].last_ms)
    rest = list(stays)
    for visit in found:
        inside: list[Stay] = []
        while rest and rest[0].arrived_ms >= visit.arrived_ms and len(inside) <= visit.changes:
            if rest[0].last_ms > visit.last_ms or rest[0].repeater not in visit.repeaters:
                break
            inside.append(rest.pop(0))
        assert inside
        assert (visit.last, visit.first) == (inside[0].repeater, inside[-1].repeater)
        assert (visit.arrived_ms, visit.last_ms) == (inside[-1].arrived_ms, inside[0].last_ms)
    assert rest == []
    for later, earlier in pairwise(found):
        assert earlier.last_ms <= later.arrived_ms


@given(heard_anything)
def test_no_move_within_an_overlap(known: StationRecord) -> None:
    found = visits_of(known, EXPIRE_MS)
    for move in transitions(found):
        assert move.from_repeater != move.to_repeater
        (here,) = [v for v in found if v.arrived_ms == move.at_ms and v.first == move.to_repeater][
            -1:
        ]
        assert move.from_repeater not in here.repeaters
        assert not [v for v in found if v.arrived_ms < move.at_ms < v.last_ms]


@given(heard_anything)
def test_an_overlap_is_of_two_and_says_why(known: StationRecord) -> None:
    for visit in visits_of(known, EXPIRE_MS):
        assert len(visit.repeaters) in (1, 2)
        assert (visit.reason is None) == (len(visit.repeaters) == 1)
        assert list(visit.repeaters) == sorted(set(visit.repeaters))


@given(
    st.lists(st.tuples(st.integers(1, 100), st.sampled_from((A, B, C, D))), min_size=1, max_size=16)
)
def test_where_nothing_swings_every_move_counts(steps: list[tuple[int, str]]) -> None:
    """Each stay longer than a swing and followed within a drive's time."""
    stays: list[Stay] = []
    at_ms = 0
    for minutes, repeater in steps:
        if stays and stays[-1].repeater == repeater:
            continue
        last_ms = at_ms + SWING_MS + minutes * MINUTE_MS
        stays.append(Stay(repeater, at_ms, last_ms, None))
        at_ms = last_ms + MINUTE_MS
    newest_first = stays[::-1]
    assert transitions(collapsed(newest_first)) == moves_of(newest_first)


@pytest.mark.parametrize("n", [2, 5, 16])
def test_a_path_of_equal_times_is_no_trouble(n: int) -> None:
    known = record(*((0, (A, B)[i % 2]) for i in range(n)))
    assert len(visits_of(known, EXPIRE_MS)) <= n
