"""What is remembered of members is what would be worked out anew."""

import random
from collections.abc import Sequence
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from streamer.config import Learning
from streamer.domain.fanout import Holds, work_out
from streamer.domain.membership import Judgement, departures, judge, member_since_ms
from streamer.domain.memory import Memory
from streamer.domain.verdict import Silences
from tests.domain.make import POLICY, T0_MS, at, group, sight, sights, station

moments = st.integers(0, 400)


@given(st.lists(st.tuples(moments, st.integers(0, 3), st.booleans()), max_size=40), st.randoms())
def test_a_memory_never_changes_an_answer(
    looks: list[tuple[int, int, bool]], dice: random.Random
) -> None:
    """Compared with judging anew each time, the clock going to and fro."""
    memory = Memory(most=3)
    summaries = [
        station(heard=heard, ins=[0], out=out)
        for heard, out in ((0, None), (50, None), (50, 30), (90, 90))
    ]
    for second, which, up in looks:
        seen = sight(up=up, since=dice.choice([None, 10, 70]), dark=[(20, 40)])
        summary = summaries[which]
        expected = judge(summary, POLICY, seen, at(second))
        assert memory.look("TALK", summary, POLICY, seen, at(second)) == expected
        left = tuple(departures(summary, POLICY, expected)), member_since_ms(summary, POLICY)
        assert memory.left("TALK", summary, POLICY, expected) == left


def test_a_fanout_is_the_same_with_and_without() -> None:
    memory, summary = Memory(), station(ins=[0])
    snapshot, seen = group(summary), sights(10)
    for second in (0, 30, 70, 130, 250, 300):
        judged = [(summary, judge(summary, POLICY, sight(), at(second)))]
        options: dict[str, Any] = {
            "holds": Holds({}, frozenset()),
            "sights": seen,
            "now_ms": at(second),
        }
        remembered = [(summary, memory.look(snapshot.group, summary, POLICY, sight(), at(second)))]
        with_it = work_out(snapshot, remembered, POLICY, memory=memory, **options)
        assert with_it == work_out(snapshot, judged, POLICY, **options)


# -- with what is learned ------------------------------------------------------------------------

LEARNED = POLICY.model_copy(
    update={
        "overdue_phi": 1.0,
        "out_of_reach_phi": 2.0,
        "overdue_soonest_s": 60.0,
        "out_of_reach_soonest_s": 100.0,
        "overdue_after_s": 3000.0,
        "out_of_reach_after_s": 4000.0,
        "expire_after_s": 5000.0,
    }
)
Steps = Sequence[int]
grains = st.lists(st.integers(1, 15), max_size=30)


def silences_of(own: Steps, others: Sequence[Steps]) -> Silences:
    """What was heard, in minutes from each to the one before."""
    presences = {}
    for n, steps in enumerate([own, *others]):
        found = [T0_MS // 1000 + 900 * n]  # the others are heard later too
        for step in steps:
            found.append(found[-1] - 60 * step)
        presences["QA1ABC" if n == 0 else f"QB{n}DEF"] = tuple(found)
    return Silences(LEARNED, Learning(), presences.__getitem__, presences)


def plainly(judged: Judgement) -> tuple[Any, ...]:
    return judged.standing, judged.reasons, judged.next_ms, judged.since_ms


cases = st.tuples(grains, st.lists(grains, max_size=3))


@settings(max_examples=60)
@given(
    cases, st.lists(st.tuples(st.integers(0, 5100), st.booleans()), min_size=1, max_size=25),
    st.randoms(),
)  # fmt: skip
def test_nor_where_it_was_learned(
    case: tuple[Steps, Sequence[Steps]], looks: list[tuple[int, bool]], dice: random.Random
) -> None:
    memory, summary, known = Memory(most=3), station(ins=[0]), silences_of(*case)
    for second, up in looks:
        seen = sight(
            up=up, since=dice.choice([None, 10, 700]), dark=dice.choice([[], [(200, 400)]])
        )
        expected = judge(summary, LEARNED, seen, at(second), lambda: known)
        found = memory.look("TALK", summary, LEARNED, seen, at(second), lambda: known)
        assert plainly(found) == plainly(expected)


@settings(max_examples=60)
@given(cases, st.lists(st.tuples(st.integers(20, 300), st.integers(1, 900)), max_size=2))
def test_a_judgement_changes_only_when_it_is_to_be_looked_at(
    case: tuple[Steps, Sequence[Steps]], gaps: list[tuple[int, int]]
) -> None:
    summary, known = station(ins=[0]), silences_of(*case)
    dark, end = [], 0
    for after, length in gaps:
        dark.append((end + after, end + after + length))
        end = dark[-1][1]
    seen = sight(dark=[(float(a), float(b)) for a, b in dark])
    now_ms = at(0)
    for _ in range(200):
        judged = judge(summary, LEARNED, seen, now_ms, lambda: known)
        next_ms = judged.next_ms
        if next_ms is None:
            break
        assert next_ms > now_ms
        for between_ms in (now_ms + 1, (now_ms + next_ms) // 2, next_ms - 1):
            if now_ms < between_ms < next_ms:
                between = judge(summary, LEARNED, seen, between_ms, lambda: known)
                assert plainly(between) == plainly(judged)
        now_ms = next_ms
    assert now_ms == at(5000)  # it has expired
