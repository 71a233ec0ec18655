"""A Redis Cluster under load, while masters die, slots move, and what else can be killed is killed:
every event counts once, and the state is that of a run in which nothing happened."""

import random
from collections.abc import Iterator
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path

import pytest

from streamer.cli import main
from streamer.state.keys import Keys
from tests.integration.conftest import MakeStage
from tests.integration.rig import GATEWAYS, RATE_PER_S, REGION, Rig, rig
from tests.integration.test_kills import SEED, MakeRig, killed_under_load
from tests.redis_cluster import Cluster, ClusterNode
from tests.servers import Mosquitto, Redis, WorkerProcess, wait_until
from tests.state.scene import Teller

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(300),
]  # fmt: skip

SPREAD = {"partitions": 12, "redis": {"replicas": 1}}
"""So that each master has some of the partitions."""


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    made = Cluster(timeout_ms=2000)
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.fixture
def make_rig(
    make_stage: MakeStage, cluster: Cluster, redis_server: Redis, tmp_path: Path
) -> Iterator[MakeRig]:
    """Two workers in service on the cluster, and gateways inside or outside of this process."""
    broker = Mosquitto()
    broker.start()

    def make(*, outside: bool = False) -> AbstractContextManager[Rig]:
        cluster.wait_well()
        stage = make_stage(on=broker, store=cluster, **REGION | SPREAD)
        for name in ("worker-1", "worker-2"):
            stage.worker(name)
        return rig(stage, tmp_path, outside=outside, seed=SEED, apart=redis_server.url)

    yield make
    broker.close()


def master_of(made: Rig, cluster: Cluster, gateway: str) -> ClusterNode:
    return cluster.master_of(made.store.keys.gateway(gateway))


def test_workers_killed_at_a_random_moment_under_load(make_rig: MakeRig) -> None:
    killed_under_load("both workers", make_rig, rounds=1)


def _shows(worker: WorkerProcess, line: str) -> bool:
    return line in worker.get("/metrics")[1]


def test_masters_killed_under_load(make_rig: MakeRig, cluster: Cluster) -> None:
    """And each is back as a replica before the next is killed."""
    chance = random.Random(f"{SEED} master")
    with make_rig() as made:
        for number in (1, 2):
            gateway = chance.choice(GATEWAYS)
            master = master_of(made, cluster, gateway)
            made.load(4.0, chance.uniform(0.2, 1.0), master.kill)
            assert made.judge() == number * 4.0 * RATE_PER_S
            assert master_of(made, cluster, gateway) is not master
            master.start()
            cluster.wait_well()
            assert not master.is_master
        none = "streamer_redis_replicas_missing 0.0"
        for worker in made.stage.workers:
            wait_until(partial(_shows, worker, none), "the replicas to be noticed")


def test_slots_moved_under_load(make_rig: MakeRig, cluster: Cluster) -> None:
    """Those of a gateway, of the alerts and of the whole region, few keys at a time."""
    with make_rig() as made:
        keys: Keys = made.store.keys
        moved: dict[str, int] = {}

        def move() -> None:
            for key in (keys.gateway("ridge"), keys.alerts(), keys.meta(), keys.station("QA1KAB")):
                owner = cluster.master_of(key)
                to = next(n for n in cluster.nodes if n is not owner and n.is_master)
                for count in cluster.move_slot(key, to, keys_at_once=1):
                    made.stage.clock.sleep_s(0.02)
                    moved[key] = count
                assert cluster.master_of(key) is to

        made.load(3.0, 0.3, move)
        assert made.judge() == 3.0 * RATE_PER_S
        assert len(moved) == 4
        assert sum(moved.values()) > 10


def test_people_read_order_and_forget_on_a_cluster(
    make_stage: MakeStage, cluster: Cluster, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the commands as they are given, with the address of a cluster."""
    stage = make_stage(store=cluster, **REGION | SPREAD)
    worker, teller = stage.worker(), Teller("ridge")
    stage.say(teller.state(stage.now_ms))
    stage.say(teller.heard(stage.now_ms, "QA1KAB", "o1", to="NET"))
    wait_until(lambda: stage.counted("ridge") == 1, "the event")
    wait_until(lambda: stage.standings("NET") == {"QA1KAB": "in_reach"}, "the roster")
    common = ["--region", str(stage.file), "--redis", cluster.url]

    def told(*words: str) -> str:
        assert main([*words, *common]) == 0, capsys.readouterr()
        return capsys.readouterr().out

    assert "ridge/uhf" in told("where", "QA1KAB")
    assert "QA1KAB" in told("group", "NET")
    assert "ridge" in told("gateway", "ridge")
    assert told("alerts")
    assert told("refused")
    told("duty", "--start", "search", "--kind", "exercise", "--group", "NET", "--by", "ann")
    assert "search" in told("duty")
    assert "own record" in told("forget", "QA1KAB", "--dry-run")
    assert stage.store.station("QA1KAB") is not None
    told("forget", "QA1KAB", "--by", "ann")
    assert stage.store.station("QA1KAB") is None
    assert worker.stop() == 0
