"""What is remembered of members is what would be worked out anew."""

import random
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from streamer.domain.fanout import Holds, work_out
from streamer.domain.membership import departures, judge, member_since_ms
from streamer.domain.memory import Memory
from tests.domain.make import POLICY, at, group, sight, sights, station

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
