"""The first round after all was dark: gateways have time to be heard before they count as lost."""

from types import SimpleNamespace
from typing import cast

import pytest

from streamer.alerts.case import Case
from streamer.alerts.stored import case_from
from streamer.clock import ManualClock, SystemClock
from streamer.mqtt.connection import Connection
from streamer.mqtt.settings import broker_from_url
from streamer.state.alerting import Ears
from streamer.state.store import Store, connect
from streamer.worker.health import Health
from streamer.worker.loop import Worker
from streamer.worker.metrics import Metrics
from streamer.worker.recording import Recorder
from streamer.worker.region_orders import RegionOrders
from streamer.worker.share import WorkerSettings
from streamer.worker.upkeep import Upkeep
from tests.servers import Mosquitto, Redis
from tests.state.scene import Bench, Teller, region

pytestmark = [pytest.mark.redis, pytest.mark.mosquitto]
LOST_AFTER_MS = 90_000  # of the scene
SETTLE_MS, HOUR_MS = 5000, 3_600_000
LOST = "gateway_lost.ridge"


def case_and_ears(mosquitto: Mosquitto, redis: Redis, *, left_s: float) -> tuple[Case, Ears, int]:
    """What the first round makes of a gateway that was last heard ten minutes ago, when the worker
    was last there `left_s` ago; and when it began."""
    clock, view = SystemClock(), region()
    began_ms = clock.now_ms()
    dark_ms = began_ms - 600_000
    bench = Bench(view, redis.url, ManualClock(dark_ms))
    bench.worker().run([Teller("ridge").state(dark_ms)])
    store = Store(connect(redis.url), view)
    left_ms = began_ms - round(left_s * 1000)
    store.note_ears(Ears("w1", left_ms, began_ms - HOUR_MS, True))
    settings = WorkerSettings("w1", broker_from_url(mosquitto.url))
    worker = Worker(settings, view, store, clock, Metrics(), Health())

    def noticed() -> bool:
        return LOST in store.book().cases or clock.now_ms() > began_ms + 60_000

    worker.run(noticed)
    case = case_from(LOST, store.book().cases[LOST])
    (ears,) = store.ears()
    assert case is not None
    assert case.phase == "pending"
    return case, ears, began_ms


def test_a_gateway_silent_since_before_the_outage_is_given_its_time(
    mosquitto: Mosquitto, empty_redis: Redis
) -> None:
    """Ten minutes without power; agents need more than settle_s to come back."""
    case, ears, began_ms = case_and_ears(mosquitto, empty_redis, left_s=600)
    assert ears.since_ms >= began_ms
    assert case.due_ms >= ears.since_ms + LOST_AFTER_MS


def test_a_worker_that_is_started_again_at_once_goes_on_listening(
    mosquitto: Mosquitto, empty_redis: Redis
) -> None:
    """It would have told of the gateway, had it not been killed."""
    case, ears, began_ms = case_and_ears(mosquitto, empty_redis, left_s=1)
    assert ears.since_ms == began_ms - HOUR_MS
    assert case.due_ms == case.same_ms + SETTLE_MS


def test_a_break_of_the_connection_begins_anew(
    empty_redis: Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What came over it may be lost."""
    store, clock = Store(connect(empty_redis.url), region()), ManualClock(1_800_000_000_000)
    metrics = Metrics()
    upkeep = Upkeep(
        "w1", store, clock, metrics, RegionOrders(store), Recorder(None, store, clock, metrics)
    )
    connection = cast(Connection, SimpleNamespace(session_present=False))
    monkeypatch.setattr(upkeep.put_back, "tick", lambda: None)  # there is nothing to read from
    for _ in range(2):  # when it starts, and when the region file is read again
        upkeep.begin(clock.now_ms())
        upkeep.hears(connection)
        upkeep.tick()
        clock.advance_s(1)
    upkeep.begin(clock.now_ms())
    upkeep.hears(None)
    clock.advance_s(1)
    upkeep.hears(connection)
    upkeep.tick()
    assert [e.since_ms for e in store.ears()] == [clock.now_ms()]
