"""Which gateways and repeaters report. The rules are common practice, no source."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.domain.liveness import GatewayStanding, gateway_sight, merged
from streamer.domain.membership import when_silent_ms
from streamer.domain.model import LiveState, SessionSpan
from tests.domain.make import LAKE, RIDGE, at, live, sights

LOST_AFTER_MS = 90_000


@pytest.mark.parametrize(
    ("now", "expected", "since", "then"),
    [
        (0, GatewayStanding.UP, -500, 90),
        (89.999, GatewayStanding.UP, -500, 90),
        (90, GatewayStanding.SILENT, 0, None),
        (5000, GatewayStanding.SILENT, 0, None),
    ],
)
def test_a_gateway_is_silent_when_its_heartbeat_is_overdue(
    now: float, expected: GatewayStanding, since: float, then: float | None
) -> None:
    sight = gateway_sight(live("ridge", last=0, began=-500), LOST_AFTER_MS, at(now))
    assert sight.standing is expected
    assert sight.since_ms == at(since)
    assert sight.next_ms == (None if then is None else at(then))


def test_its_own_word_that_it_stops_is_believed_at_once_and_for_good() -> None:
    for now in (6, 5000):
        sight = gateway_sight(live("ridge", last=5, taken=6, up=False), LOST_AFTER_MS, at(now))
        assert sight.standing is GatewayStanding.DOWN
        assert sight.since_ms == at(5)
        assert sight.next_ms is None


def test_a_will_is_dated_from_when_it_came() -> None:
    """It was written when the connection was made, long before the connection broke."""
    will = live("ridge", last=5, taken=700, up=False, seq=None)
    assert gateway_sight(will, LOST_AFTER_MS, at(701)).since_ms == at(700)


def test_repeaters_that_the_gateway_calls_down() -> None:
    state = live("ridge", last=50, down=[(RIDGE, 20), ("ridge/vhf", None)])
    assert gateway_sight(state, LOST_AFTER_MS, at(60)).down_repeaters == {
        RIDGE: at(20),
        "ridge/vhf": at(50),  # not said since when: since the heartbeat that says so
    }


def test_of_a_gateway_never_heard_of_nothing_is_known() -> None:
    sight = sights(0).gateway("lake")
    assert (sight.standing, sight.since_ms, sight.state) == (GatewayStanding.NEVER, None, None)


class TestRepeaters:
    def test_one_of_a_gateway_without_heartbeats_counts_as_reporting(self) -> None:
        seen = sights(0).repeater(LAKE)
        assert (seen.reporting, seen.since_ms) == (True, None)

    @pytest.mark.parametrize(
        ("state", "since", "cause", "reason"),
        [
            (live("ridge", last=5, up=False), 5, "ridge", "gateway ridge is down"),
            (live("ridge", last=-90), -90, "ridge", "gateway ridge is not reporting"),
            (live("ridge", last=5, down=[(RIDGE, 3)]), 3, RIDGE, f"repeater {RIDGE} is down"),
        ],
    )
    def test_it_is_dark_with_its_gateway_or_by_itself(
        self, state: LiveState, since: float, cause: str, reason: str
    ) -> None:
        seen = sights(6, state).repeater(RIDGE)
        assert not seen.reporting
        assert (seen.since_ms, seen.cause, seen.reason) == (at(since), cause, reason)

    def test_a_lost_gateway_is_the_cause_even_where_the_repeater_was_down_before(self) -> None:
        state = live("ridge", last=5, up=False, down=[(RIDGE, 3)])
        assert sights(6, state).repeater(RIDGE).cause == "ridge"

    def test_up_since_it_was_first_there_or_the_repeater_came_back(self) -> None:
        flips = {RIDGE: ((at(20), False), (at(30), True))}
        state = live("ridge", last=60, began=10, flips=flips)
        assert sights(60, state).repeater(RIDGE).since_ms == at(30)
        assert sights(60, state).repeater(RIDGE).dark == ((at(20), at(30)),)
        assert sights(60, state).repeater("ridge/vhf").since_ms == at(10)
        assert sights(60, state).repeater("ridge/vhf").dark == ()

    def test_a_goodbye_or_a_long_gap_between_connections_is_dark(self) -> None:
        state = live("ridge", last=300, began=250, earlier=[(0, 40), (100, 130)])
        assert sights(300, state).repeater(RIDGE).dark == ((at(40), at(100)), (at(130), at(250)))
        assert sights(300, state).gateway("ridge").since_ms == at(250)

    def test_a_connection_renewed_without_a_goodbye_is_not_dark(self) -> None:
        spans = (SessionSpan(at(0), at(40), False), SessionSpan(at(50), at(60), False))
        state = replace(live("ridge", last=60), sessions=spans)
        assert sights(60, state).repeater(RIDGE).dark == ()
        assert sights(60, state).gateway("ridge").since_ms == at(0)
        late = (SessionSpan(at(0), at(40), False), SessionSpan(at(131), at(140), False))
        state = replace(live("ridge", last=140), sessions=late)
        assert sights(140, state).repeater(RIDGE).dark == ((at(40), at(131)),)


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=6), st.integers(1, 50))
def test_silence_against_a_count_second_by_second(
    begun: list[tuple[int, int]], needed_s: int
) -> None:
    dark = merged((at(a), at(a + long)) for a, long in begun)
    listened, second = 0, 10
    while listened < needed_s:
        if not any(a <= at(second) < b for a, b in dark):
            listened += 1
        second += 1
    assert when_silent_ms(at(10), needed_s * 1000, dark) == at(second)


def test_who_speaks_of_routes() -> None:
    seen = sights(0, routers=["ridge"])
    assert seen.speaks_of_routes("ridge")
    assert not seen.speaks_of_routes("lake")
