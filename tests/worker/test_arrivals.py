"""A backlog far larger than one batch, through a worker in this process."""

import pytest

from streamer.clock import SystemClock
from streamer.mqtt.connection import Connection, Session
from streamer.mqtt.settings import broker_from_url
from streamer.state.store import Store, connect
from streamer.worker import loop
from streamer.worker.health import Health
from streamer.worker.loop import Worker
from streamer.worker.metrics import Metrics
from streamer.worker.share import SHARE, WorkerSettings, own_session, subscribe_to
from tests.servers import Mosquitto, Redis
from tests.state.scene import Teller, region

pytestmark = [pytest.mark.redis, pytest.mark.mosquitto]
MESSAGES = 400


def test_an_arrival_of_many_batches_is_worked_off_one_by_one(
    mosquitto: Mosquitto, empty_redis: Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once each batch of an arrival took connections of its own, until there were no more."""
    monkeypatch.setattr(loop, "EVENTS_PER_BATCH", 1)
    monkeypatch.setattr(loop, "BEHIND_AT", 1)
    clock, view, broker = SystemClock(), region(), broker_from_url(mosquitto.url)
    waiting = Connection(broker, own_session("w1", None), clock)
    waiting.open()
    subscribe_to(waiting, view.name, SHARE)
    waiting.close()
    teller, now_ms = Teller("ridge"), clock.now_ms()
    sender = Connection(broker, Session("sender", window=MESSAGES), clock)
    sender.open()
    for number in range(MESSAGES):
        said = teller.heard(now_ms - 1000 + number, "QA1ABC", f"o{number}", to="TALK")
        sender.publish(said.topic, said.payload)
    while sender.room < MESSAGES:
        sender.wait_for_answers(0.05)
        sender.answers()
    sender.close()

    store = Store(connect(empty_redis.url), view)
    worker = Worker(WorkerSettings("w1", broker), view, store, clock, Metrics(), Health())
    end_ms = now_ms + 60_000

    def counted() -> bool:
        done = store.gateway("ridge").counts.get("heard", 0) == MESSAGES
        return done or clock.now_ms() > end_ms

    worker.run(counted)
    assert store.gateway("ridge").counts == {"heard": MESSAGES}
    with empty_redis.client() as client:
        assert int(client.info("clients")["connected_clients"]) < 20
    record = store.station("QA1ABC")
    assert record is not None
    assert record.place.ms == now_ms - 1000 + MESSAGES - 1
