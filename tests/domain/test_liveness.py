"""Which gateways and repeaters report. The rules are common practice, no source."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.config import Policy
from streamer.contract.published import Carriage, Standing
from streamer.domain.fanout import carriage_of
from streamer.domain.liveness import GatewayStanding, Sights, gateway_sight, merged
from streamer.domain.membership import judge, when_silent_ms
from streamer.domain.model import Carrying, FloodSpan, LiveState, SessionSpan
from tests.domain.make import LAKE, RIDGE, at, live, sights, station

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


class TestFloods:
    """While a gateway floods, anybody's over may be among what is refused unread: its heartbeats
    come, and nothing can be said of who is behind it."""

    UP = live("ridge", last=480, began=10)

    @staticmethod
    def seen(now: float, *floods: tuple[float, float, int], state: LiveState = UP) -> Sights:
        return sights(now, state, floods={"ridge": floods}, routers=["ridge"])

    def test_its_repeaters_do_not_report_until_nothing_was_refused_for_the_hold(self) -> None:
        found = self.seen(499.999, (100, 200, 7))
        sight, ridge = found.gateway("ridge"), found.repeater(RIDGE)
        assert (sight.standing, sight.since_ms) == (GatewayStanding.FLOODING, at(100))
        assert sight.next_ms == at(500)  # 200 and the hold of 300
        assert (ridge.reporting, ridge.since_ms, ridge.cause) == (False, at(100), "ridge")
        assert ridge.reason == "gateway ridge floods, much of what it says is refused"
        assert ridge.dark == ()
        over = self.seen(500, (100, 200, 7))
        assert over.gateway("ridge").standing is GatewayStanding.UP
        assert (over.repeater(RIDGE).reporting, over.repeater(RIDGE).since_ms) == (True, at(500))
        assert over.repeater(RIDGE).dark == ((at(100), at(500)),)
        assert over.gateway("ridge").flood == FloodSpan(at(100), at(200), 7)

    def test_a_heartbeat_that_is_due_before_its_end_is_looked_at(self) -> None:
        state = live("ridge", last=150, began=10)
        assert self.seen(160, (100, 155, 7), state=state).gateway("ridge").next_ms == at(240)

    def test_a_second_flood_and_the_first(self) -> None:
        found = self.seen(1000, (100, 200, 7), (900, 990, 1), state=live("ridge", last=990))
        assert found.repeater(RIDGE).since_ms == at(900)
        assert found.repeater(RIDGE).dark == ((at(100), at(500)),)

    def test_nothing_can_be_said_since_the_first_of_two_faults(self) -> None:
        """Lost amid a flood: whoever fell silent after it began cannot be judged."""
        lost = self.seen(300, (100, 200, 7), state=live("ridge", last=150, up=False))
        sight, ridge = lost.gateway("ridge"), lost.repeater(RIDGE)
        assert sight.standing is GatewayStanding.DOWN
        assert (ridge.since_ms, ridge.reason) == (at(100), "gateway ridge is down")
        down = self.seen(300, (100, 200, 7), state=live("ridge", last=250, down=[(RIDGE, 50)]))
        assert (down.repeater(RIDGE).since_ms, down.repeater(RIDGE).cause) == (at(50), RIDGE)

    def test_of_a_gateway_without_heartbeats(self) -> None:
        found = sights(300, floods={"lake": [(100, 200, 7)]})
        assert found.gateway("lake").standing is GatewayStanding.NEVER
        assert not found.repeater(LAKE).reporting
        assert found.repeater(RIDGE).reporting

    def test_a_member_behind_it_is_blind_and_then_not_overdue_for_the_flood(self) -> None:
        """Heard at 90, overdue after 60 s: 10 s before the flood and 50 s after its hold, so at
        550; out of reach after 120 s at 610, worked out by hand."""
        policy = Policy(overdue_after_s=60, out_of_reach_after_s=120, expire_after_s=9000)
        member = station(heard=90, ins=[90])

        def judged(now: float) -> Standing:
            ridge = self.seen(now, (100, 200, 7), state=live("ridge", last=now)).repeater(RIDGE)
            return judge(member, policy, ridge, at(now)).standing

        assert judged(499) is Standing.BLIND
        assert judged(549.9) is Standing.IN_REACH
        assert judged(550) is Standing.OVERDUE
        assert judged(610) is Standing.OUT_OF_REACH

    def test_who_was_overdue_before_it_still_is(self) -> None:
        policy = Policy(overdue_after_s=60, out_of_reach_after_s=120, expire_after_s=9000)
        ridge = self.seen(400, (100, 200, 7)).repeater(RIDGE)
        found = judge(station(heard=30, ins=[30]), policy, ridge, at(400))
        assert (found.standing, found.since_ms) == (Standing.OVERDUE, at(90))

    def test_what_is_carried_there_is_not_known(self) -> None:
        said = Carrying(at(0), False, None, at(0))
        assert carriage_of(RIDGE, said, self.seen(400, (100, 200, 7))) is Carriage.UNKNOWN
        assert carriage_of(RIDGE, said, self.seen(500, (100, 200, 7))) is Carriage.NOT_CARRIED


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
