"""The clock offset against the formula of RFC 5905, section 8, written out anew here."""

import json
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.agent.clock_offset import FILTER_SIZE, Exchange, OffsetFilter
from streamer.agent.intake import ClockWatch, Intake
from streamer.agent.logs import Log
from streamer.agent.spool import Spool
from streamer.clock import ManualClock, ShiftedClock, SystemClock, from_ms
from streamer.contract.events import Heard, State
from streamer.contract.replies import AckReply, TimeReply
from streamer.contract.topics import Kind
from streamer.mqtt.connection import Incoming
from streamer.mqtt.settings import BrokerSettings

from .tools import GATEWAY, REGION, Broker, Listen, StartAgent, heard, settings_for, until


def exchange(true_offset_ms: int, t1: int, there: int, thinking: int, back: int) -> Exchange:
    """An exchange as it would be seen with these true delays (ms)."""
    t2 = t1 + true_offset_ms + there
    t3 = t2 + thinking
    return Exchange(t1, t2, t3, t3 - true_offset_ms + back)


def test_the_formula_of_rfc_5905() -> None:
    # theta = ((T2 - T1) + (T3 - T4)) / 2, delta = (T4 - T1) - (T3 - T2): worked by hand.
    one = Exchange(t1_ms=1_000, t2_ms=8_050, t3_ms=8_060, t4_ms=1_100)
    assert one.offset_s == pytest.approx(((8.050 - 1.0) + (8.060 - 1.1)) / 2)
    assert one.delay_s == pytest.approx((1.1 - 1.0) - (8.060 - 8.050))


delays = st.integers(min_value=0, max_value=60_000)
times = st.integers(min_value=0, max_value=2_000_000_000_000)


@given(st.integers(-86_400_000, 86_400_000), times, delays, delays, delays)
def test_the_error_is_at_most_half_the_round_trip(
    true_ms: int, t1: int, there: int, thinking: int, back: int
) -> None:
    # RFC 5905, appendix A / section 4: the true offset lies within theta +- delta / 2.
    one = exchange(true_ms, t1, there, thinking, back)
    assert one.delay_s == pytest.approx((there + back) / 1000)
    assert abs(one.offset_s - true_ms / 1000) <= one.delay_s / 2 + 1e-9


@given(st.lists(st.tuples(delays, delays), min_size=1, max_size=20))
def test_the_least_round_trip_of_the_last_eight_is_believed(
    trips: list[tuple[int, int]],
) -> None:
    offsets = OffsetFilter()
    for number, (there, back) in enumerate(trips):
        assert offsets.add(exchange(7000, number * 1000, there, 5, back))
    best = offsets.best
    assert best is not None
    assert best.delay_s == min(there + back for there, back in trips[-FILTER_SIZE:]) / 1000


def test_an_impossible_exchange_is_refused() -> None:
    offsets = OffsetFilter()
    assert not offsets.add(
        Exchange(1000, 5000, 5200, 1100)
    )  # the server thought longer than it took
    assert not offsets.add(Exchange(1000, 5000, 5000, 900))
    assert offsets.offset_s is None


def test_a_clock_that_is_set_makes_the_offset_unknown() -> None:
    clock = ManualClock()
    watch = ClockWatch(clock, Log(clock))
    watch.now()
    assert watch.add(exchange(7000, clock.now_ms(), 10, 0, 10))
    clock.advance_s(100)
    assert watch.now()[1] == pytest.approx(7.0)
    shifted = ShiftedClock(clock, 0)
    watch = ClockWatch(shifted, Log(clock))
    watch.now()
    watch.add(exchange(7000, clock.now_ms(), 10, 0, 10))
    shifted._shift_ms = 900  # less than the 1 s that counts as a step
    assert watch.now()[1] == pytest.approx(7.0)
    shifted._shift_ms = -3000
    assert watch.now()[1] is None
    assert watch.steps == 1
    assert watch.now()[1] is None
    assert watch.steps == 1


def time_server(message: Incoming) -> tuple[str, bytes] | None:
    """A tiny server: answers heartbeats with its own times, as the workers will."""
    state = State.model_validate_json(message.payload)
    if state.seq is None:
        return None
    now = from_ms(SystemClock().now_ms())
    reply = TimeReply(
        boot=state.boot,
        session=state.session,
        seq=state.seq,
        agent_sent_at=state.sent_at,
        received_at=now,
        replied_at=now,
    )
    return f"net/{REGION}/reply/{GATEWAY}", reply.model_dump_json().encode()


@pytest.mark.mosquitto
@pytest.mark.parametrize("shift_s", [7.0, -7.0])
def test_a_gateway_whose_clock_is_7_s_off(
    broker: Broker,
    listen: Listen,
    start_agent: StartAgent,
    tmp_path: Path,
    shift_s: float,
) -> None:
    server = listen(broker.settings, f"net/{REGION}/gw/+/state", name="server")
    events = listen(broker.settings)
    server.answer = time_server
    agent = start_agent(
        settings_for(tmp_path, broker.settings), ShiftedClock(SystemClock(), shift_s)
    )
    until(lambda: agent.status().clock_offset_s is not None, "an offset")
    status = agent.status()
    assert status.clock_offset_s is not None
    assert status.round_trip_s is not None
    # Both sides read the same clock here, so the true offset is known: minus the shift.
    assert abs(status.clock_offset_s + shift_s) <= status.round_trip_s / 2 + 0.001
    before = SystemClock().now_ms()
    agent.submit(heard(1))
    after = SystemClock().now_ms()
    until(events.events, "the event")
    event = events.events()[0]
    parsed = Heard.model_validate_json(json.dumps(event))
    assert parsed.clock_offset_s is not None
    corrected = parsed.sent_at + timedelta(seconds=parsed.clock_offset_s)
    slack = timedelta(seconds=status.round_trip_s / 2 + 0.002)
    assert from_ms(before) - slack <= corrected <= from_ms(after) + slack


@pytest.mark.mosquitto
def test_answers_to_nothing_change_nothing(
    broker: Broker,
    listen: Listen,
    start_agent: StartAgent,
    tmp_path: Path,
) -> None:
    other = listen(broker.settings, f"net/{REGION}/gw/+/state", name="server")
    agent = start_agent(settings_for(tmp_path, broker.settings))
    until(lambda: agent.connected, "a connection")
    now_ms = SystemClock().now_ms()
    now = from_ms(now_ms)
    for boot, session, seq in (
        ("0" * 32, 1, 1),
        (agent.status().boot, 9, 1),
        (agent.status().boot, 1, 1),  # our heartbeat, but not its time
    ):
        reply = TimeReply(
            boot=boot,
            session=session,
            seq=seq,
            agent_sent_at=from_ms(now_ms - 3_600_000),  # surely not that of the heartbeat
            received_at=now,
            replied_at=now,
        )
        other.publish(f"net/{REGION}/reply/{GATEWAY}", reply.model_dump_json().encode())
    other.publish(f"net/{REGION}/reply/{GATEWAY}", b"\xff not JSON")
    other.publish(f"net/{REGION}/gw/{GATEWAY}/state", b"")
    other.publish(f"net/{REGION}/reply/{GATEWAY}", ack().encode())
    until(lambda: agent.status().replies == 1, "the reply behind them")
    assert agent.status().clock_offset_s is None


def ack() -> str:
    return AckReply(
        station="QA1ABC",
        group="NET-1",
        repeater="ridge/uhf",
        text="QA1ABC IN NET-1",
        at=from_ms(1_767_225_600_000),
    ).model_dump_json()


def test_the_end_of_an_over_is_corrected_as_its_start(tmp_path: Path) -> None:
    """Else one over would begin at two times."""
    clock = ManualClock()
    spool = Spool(":memory:", clock.now_ms())
    watch = ClockWatch(clock, Log(clock))
    settings = settings_for(tmp_path, BrokerSettings())
    intake = Intake(settings, spool, watch, Log(clock), lambda *_: [])
    start = {"repeater": "uhf", "station": "QA1ABC", "phase": "start"}
    intake.objects([{**start, "over": "a1"}])
    assert watch.add(Exchange(0, 7000, 7000, 0))
    intake.objects([{**start, "over": "a2"}])
    ends = [{**start, "over": over, "phase": "end", "duration_s": 2} for over in ("a1", "a2")]
    intake.objects(ends)
    sent = [json.loads(row.payload) for row in spool.after(Kind.HEARD, 0, 10)]
    assert [e.get("clock_offset_s") for e in sent] == [None, 7.0, None, 7.0]
    spool.close()
