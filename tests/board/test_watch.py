"""The thread that keeps the picture, with a real broker and a real Redis that go and come back."""

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from streamer.board.app import MADE_WITHIN_MS, create_app
from streamer.board.picture import Picture
from streamer.board.settings import BoardSettings
from streamer.board.watch import Watch
from streamer.clock import ManualClock, SystemClock, from_ms
from streamer.contract.common import Message
from streamer.contract.published import Beat, WorkerState
from streamer.contract.topics import (
    alert_topic,
    beat_topic,
    fanout_topic,
    maintenance_topic,
    worker_topic,
)
from streamer.mqtt.connection import Connection, Session
from streamer.mqtt.settings import broker_from_url
from streamer.state.store import connect
from tests.board.desk import Asker
from tests.board.seen import Seen
from tests.board.test_picture import REGION, alert, fanout
from tests.servers import Mosquitto, Redis, wait_until
from tests.state.scene import region

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis]
CLOCK = SystemClock()


class Post:
    """Says at the broker what a worker would."""

    def __init__(self, broker: Mosquitto) -> None:
        self._broker = broker

    def publish(self, topic: str, message: Message | None) -> None:
        settings = broker_from_url(self._broker.url)
        connection = Connection(settings, Session("post", window=10), CLOCK)
        connection.open()
        payload = message.model_dump_json().encode() if message is not None else b""
        connection.publish(topic, payload, retain=True)
        answers: list[Any] = []
        while not answers:
            connection.poll(1.0)
            answers = connection.answers()
        connection.close()

    def worker_speaks(self) -> None:
        said = WorkerState(
            region=REGION, name="w-1", up=True, at=from_ms(CLOCK.now_ms()), next_within_s=60,
        )  # fmt: skip
        self.publish(worker_topic(REGION, "w-1"), said)


class Scene:
    def __init__(self, broker: Mosquitto, redis: Redis) -> None:
        self.broker, self.redis, self.post = broker, redis, Post(broker)
        self.seen = Seen(redis.url)
        self.seen.bench.clock.advance_s((CLOCK.now_ms() - self.seen.now_ms) / 1000)
        self.picture = Picture(region(), CLOCK.now_ms())
        self.watch = Watch(
            self.picture, broker_from_url(broker.url), connect(redis.url, 1.0), CLOCK, "board-test"
        )

    def rows(self, table: str) -> Any:
        self.picture.tables.settle()
        return json.loads(self.picture.tables.document(table))["rows"]

    def head(self) -> Any:
        """Empty before the first turn."""
        return self.rows("head").get("head", {})

    def turn_until(self, table: str, *names: str) -> None:
        """Without the thread, turn by turn."""

        def there() -> bool:
            self.watch.turn()
            return set(self.rows(table)) == set(names)

        wait_until(there, f"{table}: {names}")

    def await_rows(self, table: str, *names: str) -> None:
        wait_until(lambda: set(self.rows(table)) == set(names), f"{table}: {names}")


@pytest.fixture
def own_redis() -> Iterator[Redis]:
    server = Redis(aof=True)
    server.start()
    yield server
    server.close()


@pytest.fixture
def scene(mosquitto: Mosquitto, own_redis: Redis) -> Iterator[Scene]:
    made = Scene(mosquitto, own_redis)
    yield made
    made.watch.stop()


def test_what_is_published_is_shown_and_goes_when_it_is_taken_back(scene: Scene) -> None:
    scene.post.publish(fanout_topic(REGION, "TALK"), fanout(1, "ridge/uhf"))
    scene.watch.start()
    scene.await_rows("fanout/TALK", "ridge/uhf")
    scene.post.publish(fanout_topic(REGION, "TALK"), fanout(2, "ridge/uhf", "lake/uhf"))
    scene.await_rows("fanout/TALK", "ridge/uhf", "lake/uhf")
    scene.post.publish(alert_topic(REGION, "a-1"), alert(1))
    scene.await_rows("alerts", "a-1")
    scene.post.publish(alert_topic(REGION, "a-1"), None)
    scene.await_rows("alerts")


def test_a_broker_that_goes_and_comes_back(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("streamer.board.watch.SWEEP_S", 0.5)
    scene.post.publish(alert_topic(REGION, "a-1"), alert(1))
    scene.post.publish(alert_topic(REGION, "a-2"), alert(1, name="a-2"))
    scene.post.worker_speaks()
    scene.watch.start()
    scene.await_rows("alerts", "a-1", "a-2")
    wait_until(lambda: scene.head().get("stale_since", "") is None, "a fresh picture")
    scene.broker.kill()
    wait_until(lambda: scene.head()["broker"] == "away", "the loss to be told")
    head = scene.head()
    assert head["stale_since"] is not None
    assert "no connection to the broker" in head["notes"][0]
    scene.broker.start()
    wait_until(lambda: scene.head()["broker"] == "connected", "the connection")
    wait_until(lambda: scene.head().get("stale_since", "") is None, "a fresh picture")


def test_an_alert_that_cleared_meanwhile_is_swept(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("streamer.board.watch.SWEEP_S", 0.5)
    for name in ("a-1", "a-2"):
        scene.post.publish(alert_topic(REGION, name), alert(1, name=name))
    scene.turn_until("alerts", "a-1", "a-2")
    scene.watch._follower.close()  # the next turn connects anew
    scene.post.publish(alert_topic(REGION, "a-1"), None)
    scene.turn_until("alerts", "a-2")


def test_planned_work_that_the_broker_has_forgotten_stays(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Redis has one of two."""
    monkeypatch.setattr("streamer.board.watch.SWEEP_S", 0.5)
    kept = scene.seen.acts.start_maintenance("ridge", 600, "desk")
    gone = kept.model_copy(update={"id": "work-gone"})
    for work in (kept, gone):
        scene.post.publish(maintenance_topic(REGION, work.id), work)
    scene.turn_until("maintenance", kept.id, gone.id)
    scene.watch._follower.close()  # the next turn connects anew
    for work in (kept, gone):
        scene.post.publish(maintenance_topic(REGION, work.id), None)
    scene.turn_until("maintenance", kept.id)


def test_a_beat_that_stays_away_is_missed(scene: Scene) -> None:
    """By the real clock: the retained one of an hour ago is no sign of life."""
    ago = from_ms(CLOCK.now_ms() - 3_600_000)
    said = Beat(region=REGION, version=1, at=ago, next_within_s=60, open=0, acknowledged=0)
    scene.post.publish(beat_topic(REGION), said)
    scene.watch.start()
    wait_until(lambda: scene.head().get("alerts_silent_since") is not None, "the silence")
    newer = said.model_copy(update={"version": 2, "at": from_ms(CLOCK.now_ms())})
    scene.post.publish(beat_topic(REGION), newer)
    wait_until(lambda: scene.head()["alerts_silent_since"] is None, "the beat")


def test_a_redis_that_goes_and_comes_back(scene: Scene) -> None:
    ridge = scene.seen.tellers["ridge"]
    scene.seen.say(ridge.state(scene.seen.now_ms))
    scene.post.worker_speaks()
    scene.watch.start()
    wait_until(lambda: scene.rows("gateways").get("ridge", {}).get("standing") == "up", "ridge up")
    wait_until(lambda: scene.head().get("stale_since", "") is None, "a fresh picture")
    scene.redis.kill()
    wait_until(lambda: scene.head()["redis"] == "away", "the loss to be told")
    assert scene.head()["stale_since"] is not None
    assert scene.rows("gateways")["ridge"]["standing"] == "up"  # as it was
    scene.redis.start()
    wait_until(lambda: scene.head()["redis"] == "answers", "Redis to be back")
    wait_until(lambda: scene.head().get("stale_since", "") is None, "a fresh picture")


def test_another_region_file_is_taken_over(scene: Scene) -> None:
    scene.post.publish(fanout_topic(REGION, "TALK"), fanout(1, "ridge/uhf"))
    scene.watch.start()
    scene.await_rows("fanout/TALK", "ridge/uhf")
    groups = [{"name": "NET"}, {"name": "FRESH"}]
    scene.watch.reload(region(group=groups))
    scene.await_rows("groups", "NET", "FRESH")
    assert "fanout/TALK" not in scene.picture.tables.names


def test_an_error_of_ours_does_not_end_the_thread(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("streamer.board.watch.LOOK_S", 0.05)
    whole = scene.picture.make
    failures: list[int] = []

    def broken(now_ms: int) -> None:
        if len(failures) < 3:
            failures.append(now_ms)
            raise RuntimeError("a fault of ours")
        whole(now_ms)

    monkeypatch.setattr(scene.picture, "make", broken)
    scene.post.publish(fanout_topic(REGION, "TALK"), fanout(1, "ridge/uhf"))
    scene.watch.start()
    scene.await_rows("fanout/TALK", "ridge/uhf")
    assert len(failures) == 3
    assert scene.watch.alive
    scene.watch.stop()
    assert not scene.watch.alive


def test_a_picture_that_is_never_made_again_shows_its_age(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The thread lives, and each of its turns fails, from the first on."""
    monkeypatch.setattr("streamer.board.watch.LOOK_S", 0.01)
    whole, failures = scene.picture.make, []

    def broken(now_ms: int) -> None:
        failures.append(now_ms)
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr(scene.picture, "make", broken)
    scene.watch.start()
    wait_until(lambda: len(failures) > 5, "turns that fail")
    tables = scene.picture.tables
    made_ms = tables.made_ms
    assert made_ms is not None
    assert made_ms <= failures[0]
    clock = ManualClock(made_ms + MADE_WITHIN_MS)
    settings = BoardSettings(region=Path("r"))
    app = create_app(settings, scene.picture, scene.seen.client, clock, scene.watch)
    with asyncio.Runner() as runner:
        asker = Asker(app, runner)
        assert asker.get("/healthz").json() == {"status": "ok"}
        clock.advance_s(0.001)
        said = asker.get("/healthz")
        assert (said.status_code, said.json()) == (503, {"status": "failing"})
        assert scene.watch.alive
        monkeypatch.setattr(scene.picture, "make", whole)
        wait_until(lambda: (tables.made_ms or 0) > failures[-1], "a turn that succeeds")
        assert asker.get("/healthz").status_code == 200
