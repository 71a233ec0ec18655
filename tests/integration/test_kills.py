"""kill -9 at random moments: every event that a gateway recorded counts once, and the state is
that of a run in which nothing happened."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.integration.conftest import MakeStage
from tests.integration.rig import REGION, OutsideGateway, Rig, rig
from tests.servers import Mosquitto, Redis, Server

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(300),
]  # fmt: skip

ROUNDS = 4
LOAD_S = 3.0
SEED = 20_260_101


def restarted(*servers: Server) -> Callable[[], None]:
    """Kills all of them, then starts each on what it left."""

    def strike() -> None:
        for server in servers:
            server.kill()
        for server in servers:
            server.start()

    return strike


def rounds(
    made: Rig, chance: random.Random, strike: Callable[[random.Random], Callable[[], None]]
) -> None:
    for _ in range(ROUNDS):
        at_s = chance.uniform(0.3, LOAD_S - 0.3)
        made.load(LOAD_S, [(at_s, strike(chance))])
        assert made.judge() > 0


@pytest.mark.parametrize("kind", ["one worker", "both workers", "broker", "redis", "agent"])
def test_kills(kind: str, make_stage: MakeStage, tmp_path: Path) -> None:
    chance = random.Random(f"{SEED} {kind}")
    broker, store = Mosquitto(), Redis(aof=True)
    try:
        broker.start()
        store.start()
        stage = make_stage(on=broker, store=store, **REGION)
        workers = [stage.worker(name) for name in ("worker-1", "worker-2")]
        with rig(
            stage, tmp_path, broker, store, outside=kind == "agent", seed=SEED
        ) as made:
            def strike(chance: random.Random) -> Callable[[], None]:
                if kind == "one worker":
                    return restarted(chance.choice(workers))
                if kind == "both workers":
                    return restarted(*workers)
                if kind == "broker":
                    return restarted(broker)
                if kind == "redis":
                    return restarted(store)
                gateway = chance.choice(made.gateways)
                assert isinstance(gateway, OutsideGateway)

                def kill_agent() -> None:
                    gateway.kill()
                    gateway.start()

                return kill_agent

            rounds(made, chance, strike)
    finally:
        store.close()
        broker.close()
