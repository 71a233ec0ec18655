"""kill -9 of the worker at each step of telling about an alert: nobody goes untold, nobody is told
more than twice, and what comes twice has the same id."""

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import tests
from tests.integration.conftest import MakeStage
from tests.integration.dying import STEPS
from tests.integration.listener import Delivery, Listener
from tests.integration.stage import Stage
from tests.servers import WorkerProcess, wait_until
from tests.state.scene import Teller

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(120),
]  # fmt: skip

RIDGE = "gateway_lost.ridge"


@pytest.fixture
def listener() -> Iterator[Listener]:
    made = Listener()
    yield made
    made.close()


def stage_of(make_stage: MakeStage, listener: Listener) -> Stage:
    return make_stage(
        alerts={"settle_s": 0.1, "clear_s": 0.1},
        channel=[{"name": "hook", "type": "webhook", "url": listener.url,
                  "gather_s": 0.1, "pause_s": 0.0, "timeout_s": 1.0}],
        group=[{"name": "NET"}],
        gateway=[{"id": "ridge", "repeater": [{"id": "uhf"}]}],
    )  # fmt: skip


def pid_of(worker: WorkerProcess) -> int:
    assert worker.process is not None
    return worker.process.pid


def runs(worker: WorkerProcess) -> bool:
    return worker.process is not None and worker.process.poll() is None


class Dying(WorkerProcess):
    """A worker that will kill itself at a step, once."""

    step = ""
    mark = Path()

    def command(self) -> list[str]:
        words = super().command()
        at = words.index("worker")
        started = [sys.executable, "-m", "tests.integration.dying", self.step, str(self.mark)]
        return [*started, *words[at:]]

    def environment(self) -> dict[str, str]:
        return {**super().environment(), "PYTHONPATH": str(Path(tests.__file__).parents[1])}


def told_at_most_twice(listener: Listener, turn: str) -> int:
    """How often a turn was told; under one id."""
    wait_until(lambda: bool(listener.of(RIDGE, turn)), f"the {turn} alert to be told", 30)
    told = listener.of(RIDGE, turn)
    assert len(set(told)) == 1, told
    assert len(told) <= 2, told
    return len(told)


@pytest.mark.parametrize("step", STEPS)
def test_a_worker_killed_at_a_step_tells_all_the_same(
    make_stage: MakeStage, listener: Listener, tmp_path: Path, step: str
) -> None:
    stage = stage_of(make_stage, listener)
    worker = Dying(stage.file, f"{stage.region}-worker-1", stage.broker.url, stage.redis.url)
    worker.step, worker.mark = step, tmp_path / "mark"
    stage.workers.append(worker)
    worker.start()
    ridge = Teller("ridge")
    stage.say(ridge.state(stage.now_ms))
    wait_until(lambda: stage.times("ridge"), "the gateway to be known")
    stage.say(ridge.state(stage.now_ms, up=False))
    wait_until(lambda: not runs(worker), f"the worker to die at {step!r}", 30)
    worker.start()
    told_at_most_twice(listener, "opened")
    stage.say(ridge.state(stage.now_ms))
    # What is told on one channel is told in order: now nothing of before can come any more.
    assert told_at_most_twice(listener, "cleared") == 1
    assert told_at_most_twice(listener, "opened") == (2 if step == "answered" else 1)
    assert stage.store.dead_letters("hook") == []


def test_a_worker_killed_while_the_other_side_has_not_answered(
    make_stage: MakeStage, listener: Listener
) -> None:
    stage = stage_of(make_stage, listener)
    worker = stage.worker()
    struck: list[str] = []

    def strike(delivery: Delivery) -> None:
        if not struck:
            struck.append(delivery.id)
            os.kill(pid_of(worker), signal.SIGKILL)

    listener.before_answer = strike
    ridge = Teller("ridge")
    stage.say(ridge.state(stage.now_ms))
    wait_until(lambda: stage.times("ridge"), "the gateway to be known")
    stage.say(ridge.state(stage.now_ms, up=False))
    wait_until(lambda: not runs(worker), "the worker to die", 30)
    worker.start()
    wait_until(lambda: len(listener.of(RIDGE, "opened")) == 2, "it to be told again", 30)
    assert told_at_most_twice(listener, "opened") == 2


def test_another_worker_takes_over_when_the_lease_ends(
    make_stage: MakeStage, listener: Listener
) -> None:
    """The dead one does not come back. Its lease is four timeouts of a second and 20 s."""
    stage = stage_of(make_stage, listener)
    first, second = stage.worker("worker-1"), stage.worker("worker-2")
    workers = {pid_of(first): first, pid_of(second): second}
    struck: list[int] = []

    def strike(_: Delivery) -> None:
        if struck:
            return
        raw = stage.client.hget(stage.store.keys.parcel("hook"), "owner")
        dead = first if str(raw).endswith("worker-1") else second
        struck.append(pid_of(dead))
        os.kill(pid_of(dead), signal.SIGKILL)

    listener.before_answer = strike
    ridge = Teller("ridge")
    stage.say(ridge.state(stage.now_ms))
    wait_until(lambda: stage.times("ridge"), "the gateway to be known")
    stage.say(ridge.state(stage.now_ms, up=False))
    wait_until(lambda: bool(struck) and not runs(workers[struck[0]]), "one to die", 30)
    wait_until(lambda: len(listener.of(RIDGE, "opened")) == 2, "the other to tell it", 60)
    assert told_at_most_twice(listener, "opened") == 2


def test_a_program_that_is_away_is_told_when_it_is_back_and_in_order(
    make_stage: MakeStage, listener: Listener
) -> None:
    stage = stage_of(make_stage, listener)
    stage.worker()
    listener.status = 503
    ridge = Teller("ridge")
    stage.say(ridge.state(stage.now_ms))
    wait_until(lambda: stage.times("ridge"), "the gateway to be known")
    stage.say(ridge.state(stage.now_ms, up=False))
    wait_until(lambda: len(listener.deliveries) >= 2, "it to be tried again", 30)
    stage.say(ridge.state(stage.now_ms))
    wait_until(lambda: stage.alerts() == {}, "the alert to clear")
    assert {d.id for d in listener.deliveries} == {listener.deliveries[0].id}
    listener.deliveries.clear()
    listener.status = 204
    wait_until(lambda: bool(listener.of(RIDGE, "cleared")), "all to be told", 30)
    turns = [n["turn"] for d in listener.deliveries for n in d.notices]
    assert turns == ["opened", "cleared"]


def test_what_is_refused_for_good_is_kept(make_stage: MakeStage, listener: Listener) -> None:
    stage = stage_of(make_stage, listener)
    worker = stage.worker()
    listener.status = 410
    ridge = Teller("ridge")
    stage.say(ridge.state(stage.now_ms))
    wait_until(lambda: stage.times("ridge"), "the gateway to be known")
    stage.say(ridge.state(stage.now_ms, up=False))
    wait_until(lambda: bool(stage.store.dead_letters("hook")), "a dead letter", 30)
    (letter,) = stage.store.dead_letters("hook")
    assert "410" in letter["why"]
    assert len(listener.deliveries) == 1
    wait_until(
        lambda: (
            'streamer_alert_parcels_total{channel="hook",outcome="dead"} 1.0'
            in worker.get("/metrics")[1]
        ),
        "the metric",
    )
