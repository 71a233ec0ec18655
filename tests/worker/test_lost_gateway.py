"""Members last heard behind a gateway that is lost. While it stays so for longer than a membership
lasts, its alert tells of them; when the region file has dropped it, its alert ends with the reason
and they are watched by silence alone. The times are worked out by hand from the scene's policy:
overdue after 60 s, out of reach after 120 s, expired after 240 s, a gateway lost after 90 s."""

from collections.abc import Iterator

import pytest

from streamer.contract.published import Alert, AlertState, Carriage, Severity, Standing
from streamer.domain.group_now import look_at_group
from streamer.state.lookups import sights
from tests.servers import Redis
from tests.state.scene import GATEWAYS, PORTS, START_MS, Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis
LOST, MEMBER = "gateway_lost.ridge", "member.TALK.QA1ABC"


@pytest.fixture
def worker(empty_redis: Redis) -> Iterator[BenchWorker]:
    """QA1ABC is a member of TALK, last heard on ridge, which has signed off ten seconds later."""
    bench = Bench(region(), empty_redis.url)
    worker = bench.worker()
    worker.store.prepare(START_MS)
    ridge, mill = Teller("ridge"), Teller("mill")
    ports = [{"id": "ridge/uhf", "up": True}]
    worker.run([ridge.state(START_MS, repeaters=ports), mill.state(START_MS)])
    worker.run([ridge.route(START_MS, "TALK", "carrying")])
    worker.run([ridge.heard(START_MS, "QA1ABC", "o1", to="TALK")])
    bench.clock.advance_s(10)
    worker.run([ridge.state(START_MS + 10_000, up=False, repeaters=ports)])
    worker.settle()
    assert alerts(worker)[LOST].affects == ("QA1ABC",)
    yield worker
    bench.client.close()


def alerts(worker: BenchWorker) -> dict[str, Alert]:
    found = worker.store.all_alerts()
    return {i: Alert.model_validate_json(text) for i, text in found.items()}


def last_words(worker: BenchWorker) -> dict[str, str | None]:
    said = [Alert.model_validate_json(text) for topic, text in worker.bench.passing
            if "/alert/" in topic]  # fmt: skip
    return {a.id: a.cleared_because for a in said if a.state is AlertState.CLEARED}


def drop_ridge(worker: BenchWorker) -> None:
    """As a worker does when it is told to read the region file again."""
    gateways = [{"id": g, "repeater": [{"id": p} for p in PORTS]} for g in GATEWAYS if g != "ridge"]
    worker.store.view = region(gateway=gateways)
    worker.store.prepare(worker.bench.clock.now_ms())
    worker.settle()


def later(worker: BenchWorker, seconds: float) -> None:
    worker.bench.clock.advance_s(seconds)
    worker.settle()


# -- lost for longer than a membership lasts -------------------------------------------------------


def test_who_expires_behind_it_is_named_by_its_alert(worker: BenchWorker) -> None:
    later(worker, 229.999)  # 239.999 s after the over
    before = alerts(worker)[LOST]
    assert (before.severity, before.affects) == (Severity.CRITICAL, ("QA1ABC",))
    later(worker, 0.001)
    later(worker, 2)  # the gateway is told a second later that its group counts it no more
    assert worker.store.places_behind("ridge") == []
    assert MEMBER not in alerts(worker)
    after = alerts(worker)[LOST]
    assert (after.severity, after.affects) == (Severity.CRITICAL, ("QA1ABC",))
    assert after.reasons[-1] == "never heard again, and no longer counted as members: QA1ABC"
    assert [h.id for h in after.held] == [MEMBER]


def test_who_was_heard_by_another_gateway_meanwhile_is_not(worker: BenchWorker) -> None:
    later(worker, 200)
    mill = Teller("mill", boot="0190000000000002")
    now_ms = worker.bench.clock.now_ms()
    worker.run([mill.state(now_ms), mill.heard(now_ms, "QA1ABC", "o2", to="TALK")])
    later(worker, 40)
    after = alerts(worker)[LOST]
    assert (after.severity, after.affects, after.held) == (Severity.WARNING, (), ())


# -- dropped from the region file ------------------------------------------------------------------


def test_its_alert_ends_and_says_that_it_was_taken_out(worker: BenchWorker) -> None:
    later(worker, 5)
    drop_ridge(worker)
    assert LOST not in alerts(worker)
    assert last_words(worker)[LOST] == (
        "taken out of the region file; who was last heard behind it is judged by silence alone"
    )


def test_who_was_last_heard_there_is_judged_by_silence_alone(worker: BenchWorker) -> None:
    later(worker, 5)
    drop_ridge(worker)
    later(worker, 44.999)  # 59.999 s after the over
    assert MEMBER not in alerts(worker)
    later(worker, 0.001)
    assert alerts(worker)[MEMBER].kind == "member_overdue"
    later(worker, 60)
    assert alerts(worker)[MEMBER].kind == "member_out_of_reach"


def test_who_was_blind_for_long_is_told_of_at_once(worker: BenchWorker) -> None:
    later(worker, 190)  # 200 s after the over, expired after 240
    assert MEMBER not in alerts(worker)
    drop_ridge(worker)
    assert alerts(worker)[MEMBER].kind == "member_out_of_reach"


def test_nothing_is_said_of_what_it_carried(worker: BenchWorker) -> None:
    """Neither that the group is wanted there and not carried, nor that it is carried for nobody."""
    drop_ridge(worker)
    later(worker, 20)  # starved_after_s is 5
    store, now_ms = worker.store, worker.bench.clock.now_ms()
    (snapshot,) = store.groups(["TALK"])
    now = look_at_group(store.view, snapshot, sights(store, now_ms), now_ms)
    assert [(w.repeater, w.carriage) for w in now.fanout.wanted] == [
        ("ridge/uhf", Carriage.UNKNOWN)
    ]
    assert not [i for i in alerts(worker) if i.startswith("repeater_starved")]
    later(worker, 400)  # expired, and lingered for long enough
    now_ms = worker.bench.clock.now_ms()
    (snapshot,) = store.groups(["TALK"])
    now = look_at_group(store.view, snapshot, sights(store, now_ms), now_ms)
    assert [j.standing for _, j in now.judged] == [Standing.EXPIRED]
    assert now.fanout.idle == ()


def test_with_open_gateways_it_is_a_gateway_all_the_same(worker: BenchWorker) -> None:
    worker.store.view = region(gateway=[], open_gateways=True)
    seen = sights(worker.store, worker.bench.clock.now_ms())
    assert not seen.repeater("ridge/uhf").reporting
