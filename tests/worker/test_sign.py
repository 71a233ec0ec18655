"""A worker's sign of life: on a real broker while it lives, freezes, dies, stops and leaves."""

import argparse
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from streamer.clock import SystemClock, to_ms
from streamer.contract.common import NAME_PATTERN
from streamer.contract.published import WorkerState
from streamer.contract.topics import worker_topic
from streamer.mqtt.follower import Follower
from streamer.mqtt.settings import broker_from_url
from streamer.worker.command import add_arguments, main
from streamer.worker.sign import check_name, default_name, name_for
from tests.reading.conftest import REGION
from tests.servers import Mosquitto, Redis, WorkerProcess, wait_until

NAME = "worker-1"
TOPIC = worker_topic("scene", NAME)


class Watcher:
    """Reads the worker's topic."""

    def __init__(self, broker: Mosquitto) -> None:
        self._follower = Follower(broker_from_url(broker.url), "watcher", [TOPIC], SystemClock())
        self._follower.open()
        self.said: list[WorkerState | None] = []

    def poll(self) -> None:
        for message in self._follower.poll(0.05):
            text = message.payload
            self.said.append(WorkerState.model_validate_json(text) if text else None)

    def wait_for(self, *ups: bool | None) -> None:
        """Until the newest words are these: up, down (False) or removed (None)."""

        def are_there() -> bool:
            self.poll()
            return [s and s.up for s in self.said[-len(ups) :]] == list(ups)

        wait_until(are_there, f"the worker to say {ups}")

    def close(self) -> None:
        self._follower.close()


@pytest.fixture
def worker(mosquitto: Mosquitto, empty_redis: Redis) -> Iterator[WorkerProcess]:
    process = WorkerProcess(REGION, NAME, mosquitto.url, empty_redis.url)
    process.start()
    yield process
    process.close()


@pytest.fixture
def watcher(mosquitto: Mosquitto) -> Iterator[Watcher]:
    made = Watcher(mosquitto)
    yield made
    made.close()


@pytest.mark.mosquitto
@pytest.mark.redis
def test_it_speaks_again_and_again_until_it_is_stopped(
    worker: WorkerProcess, watcher: Watcher, mosquitto: Mosquitto
) -> None:
    watcher.wait_for(True, True, True)
    first, second = watcher.said[-2:]
    assert first is not None
    assert second is not None
    assert (first.name, first.region, first.waiting) == (NAME, "scene", 0)
    assert first.next_within_s is not None
    # A promise it keeps by its own clock; the test waits for no moment of its own.
    assert 0 < to_ms(second.at) - to_ms(first.at) < 1000 * first.next_within_s
    assert worker.stop() == 0
    watcher.wait_for(True, False)
    later = Watcher(mosquitto)  # it is retained
    later.wait_for(False)
    later.close()


@pytest.mark.mosquitto
@pytest.mark.redis
def test_a_killed_worker_is_down_by_its_will_and_up_again_when_it_returns(
    worker: WorkerProcess, watcher: Watcher
) -> None:
    watcher.wait_for(True)
    worker.kill()
    watcher.wait_for(True, False)
    worker.start()
    watcher.wait_for(False, True)


@pytest.mark.mosquitto
@pytest.mark.redis
def test_a_worker_without_redis_is_silent(mosquitto: Mosquitto, watcher: Watcher) -> None:
    """It lives, but what it holds is not worked in: the picture is getting old."""
    redis = Redis()
    redis.start()
    worker = WorkerProcess(REGION, NAME, mosquitto.url, redis.url)
    worker.start()
    try:
        watcher.wait_for(True)
        redis.kill()
        wait_until(lambda: worker.says("redis does not answer: holding"), "it to notice")
        watcher.poll()
        known = len(watcher.said)
        before = worker.log().count("redis does not answer")
        wait_until(
            lambda: worker.log().count("redis does not answer") > before + 4, "more vain tries"
        )
        watcher.poll()
        assert len(watcher.said) == known
    finally:
        worker.close()
        redis.close()


@pytest.mark.mosquitto
@pytest.mark.redis
def test_one_that_leaves_for_good_is_forgotten(
    worker: WorkerProcess, watcher: Watcher, mosquitto: Mosquitto, empty_redis: Redis
) -> None:
    watcher.wait_for(True)
    assert worker.stop() == 0
    leaving = WorkerProcess(REGION, NAME, mosquitto.url, empty_redis.url, "--drain")
    leaving.launch()
    try:
        assert leaving.process is not None
        assert leaving.process.wait(30) == 0, leaving.log()
        watcher.wait_for(False, None)
    finally:
        leaving.close()


# -- names ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("ridge", "worker-ridge"),
        ("Ridge.Example", "worker-ridge-example"),
        ("a" * 25, "worker-" + "a" * 25),
        ("über+host/#", "worker--ber-host--"),
    ],
)
def test_a_machines_name_is_made_safe(host: str, name: str) -> None:
    assert name_for(host) == name
    check_name(name)


def test_long_names_stay_apart() -> None:
    one, two = (name_for("node-of-a-very-long-cluster-name-" + n) for n in "12")
    assert one != two
    for name in (one, two, default_name()):
        assert re.fullmatch(NAME_PATTERN, name)


@pytest.mark.parametrize("name", ["", "Worker", "a/b", "+", "a b", "-a", "x" * 33, "node.example"])
def test_other_names_are_refused(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    assert main(parser.parse_args([str(Path(REGION)), f"--name={name}"])) == 2
    said = capsys.readouterr().err
    assert f"--name {name!r}: must be 1 to 32 of a-z, 0-9, _ and -" in said
