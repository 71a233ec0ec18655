"""kill -9 at random moments: every event that a gateway recorded counts once, and the state is
that of a run in which nothing happened."""

import os
import random
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol, cast

import pytest

from streamer.clock import SystemClock
from tests.integration.conftest import MakeStage
from tests.integration.rig import RATE_PER_S, REGION, OutsideGateway, Rig, rig
from tests.servers import Mosquitto, Redis, wait_until

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(300),
]  # fmt: skip

ROUNDS = 4
LOAD_S = 3.0
SEED = int(os.environ.get("STREAMER_KILL_SEED", "20260101"))
"""Decides who is killed when, and what the gateways say."""


class Server(Protocol):
    """What can be killed and started again."""

    def kill(self) -> None: ...
    def launch(self) -> None: ...
    def answers(self) -> bool: ...


def restarted(victims: Sequence[Server], away_s: float) -> Callable[[], None]:
    """Kills all of them, then starts each on what it left, all at once: while one waits for another
    to answer, it falls behind by more than the state keeps open holes for."""

    def strike() -> None:
        for victim in victims:
            victim.kill()
        SystemClock().sleep_s(away_s)  # so long the others are without them
        for victim in victims:
            victim.launch()
        for victim in victims:
            wait_until(victim.answers, "a victim to answer again")

    return strike


MakeRig = Callable[..., AbstractContextManager[Rig]]


@pytest.fixture
def make_rig(make_stage: MakeStage, servers: tuple[Mosquitto, Redis], tmp_path: Path) -> MakeRig:
    """Two workers in service, and gateways inside or outside of this process."""

    def make(*, outside: bool = False) -> AbstractContextManager[Rig]:
        broker, store = servers
        stage = make_stage(on=broker, store=store, **REGION)
        for name in ("worker-1", "worker-2"):
            stage.worker(name)
        return rig(stage, tmp_path, outside=outside, seed=SEED)

    return make


def victims_of(kind: str, made: Rig, chance: random.Random) -> list[Server]:
    if kind == "agent":
        gateway = chance.choice(made.gateways)
        assert isinstance(gateway, OutsideGateway)
        return [gateway]
    workers, stage = made.stage.workers, made.stage
    victims: dict[str, list[Server]] = {
        "one worker": [chance.choice(workers)],
        "both workers": [*workers],
        "broker": [stage.broker],
        "redis": [cast("Redis", stage.redis)],  # a cluster is not killed whole
    }
    return victims[kind]


def killed_under_load(kind: str, make_rig: MakeRig, rounds: int = ROUNDS) -> None:
    """At random moments, so many times."""
    chance = random.Random(f"{SEED} {kind}")
    with make_rig(outside=kind == "agent") as made:
        for number in range(1, rounds + 1):
            at_s, away_s = chance.uniform(0.2, LOAD_S - 0.2), chance.uniform(0.0, 0.5)
            made.load(LOAD_S, at_s, restarted(victims_of(kind, made, chance), away_s))
            assert made.judge() == number * LOAD_S * RATE_PER_S


@pytest.mark.parametrize("kind", ["one worker", "both workers", "broker", "redis", "agent"])
def test_killed_at_random_moments_under_load(kind: str, make_rig: MakeRig) -> None:
    killed_under_load(kind, make_rig)


def test_a_broker_that_is_back_long_before_its_workers(make_rig: MakeRig) -> None:
    """It has forgotten their share (Mosquitto 2.0.11, measured), so that it throws away what the
    agents send meanwhile."""
    with make_rig() as made:
        broker, workers, agents = made.stage.broker, made.stage.workers, made.inside

        def strike() -> None:
            for server in (*workers, broker):
                server.kill()
            broker.start()

        made.load(1.0, 0.5, strike)
        wait_until(lambda: all(a.connected for a in agents), "the agents to be back")
        made.load(0.5)
        wait_until(lambda: any(a.status().unheard for a in agents), "events thrown away")
        for worker in workers:
            worker.start()
        assert made.judge() == 1.5 * RATE_PER_S


def test_a_broker_that_lost_all_it_knew_is_told_again(make_rig: MakeRig) -> None:
    """Nothing changes any more, so nothing would be published anew for its own sake."""
    with make_rig() as made:
        broker = made.stage.broker
        made.load(1.0)
        made.judge()
        broker.kill()
        for file in (broker.folder / "data").iterdir():
            file.unlink()
        broker.start()
        wait_until(made.told, "the broker to hold the newest messages", 30)
