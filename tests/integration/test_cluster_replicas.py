"""What is acknowledged or published stands in replicas too: shown by what is left when a master
dies with what only it knew."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from streamer.redis_settings import REDIS_PASSWORD_VARIABLE
from tests.integration.conftest import MakeStage
from tests.integration.rig import RATE_PER_S, REGION, rig
from tests.integration.stage import Stage
from tests.integration.test_kills import SEED
from tests.redis_cluster import Cluster, ClusterNode, Node
from tests.redis_secured import WORDS, SecuredWatched
from tests.servers import Mosquitto, Redis, WorkerProcess, wait_until
from tests.state.scene import Teller

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(200),
]  # fmt: skip

REGION_OF_ONE: dict[str, Any] = {
    "group": [{"name": "NET"}],
    "gateway": [{"id": "ridge", "repeater": [{"id": "uhf"}]}],
}
EVENTS = 50


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    """Slow to take a node for dead, so that much can be done before."""
    made = Cluster(timeout_ms=3000)
    try:
        made.start()
        yield made
    finally:
        made.close()


def speak(stage: Stage, teller: Teller, count: int) -> None:
    for _ in range(count):
        number = teller.seq + 1
        stage.say(teller.heard(stage.now_ms, "QA1ABC", f"o{number}", to="NET"))
    stage.taken()


def counted_at(node: Node, stage: Stage) -> int:
    """Events of the gateway that this node knows, whoever else does."""
    with node.client() as client:
        found = client.hgetall(stage.store.keys.gateway("ridge"))
    return sum(int(n) for name, n in found.items() if name == "n:heard")


def figure(worker: WorkerProcess, name: str) -> float:
    lines = worker.get("/metrics")[1].splitlines()
    return next((float(line.split(" ")[1]) for line in lines if line.startswith(f"{name} ")), -1)


def cut_off(master: Node, replica: Node) -> None:
    """The replica hangs, and nothing more is sent to it."""
    replica.freeze()
    with master.client() as client:
        client.execute_command("CLIENT", "KILL", "TYPE", "replica")


@pytest.mark.parametrize("replicas", [0, 1])
def test_events_that_only_a_dead_master_had(
    replicas: int, make_stage: MakeStage, cluster: Cluster
) -> None:
    """Without waiting they were acknowledged and are gone; with it they come again from the
    broker. The worker is killed too, so nothing is left in its memory."""
    settings = {"redis": {"replicas": replicas, "replicas_wait_s": 0.2}}
    stage = make_stage(store=cluster, **REGION_OF_ONE, **settings)
    worker, teller = stage.worker(), Teller("ridge")
    speak(stage, teller, 1)
    wait_until(lambda: stage.counted("ridge") == 1, "the first event")
    wait_until(lambda: figure(worker, "streamer_messages_total") == 1, "its acknowledgement")
    key = stage.store.keys.gateway("ridge")
    master = cluster.master_of(key)
    replica = cluster.replica_of(master)
    cut_off(master, replica)
    speak(stage, teller, EVENTS)
    wait_until(lambda: counted_at(master, stage) == 1 + EVENTS, "the master to have them")
    if not replicas:
        stage.quiet()  # what is said last is answered last: all of it is acknowledged
    worker.kill()
    master.kill()
    replica.thaw()
    wait_until(lambda: cluster.master_of(key) is replica, "the replica to take over")
    assert counted_at(replica, stage) == 1
    worker.start()
    stage.quiet()
    kept = EVENTS if replicas else 0
    stage.expect(lambda: stage.counted("ridge"), 1 + kept, "events that are not lost")
    speak(stage, teller, 1)  # a hole in the numbers is seen with what comes after it
    stage.expect(lambda: stage.counted("ridge"), 2 + kept, "the next event")
    assert stage.store.gateway("ridge").missing == EVENTS - kept
    master.start()
    cluster.wait_well()


def test_a_replica_that_the_majority_has_declared_dead_is_not_waited_for(
    make_stage: MakeStage, cluster: Cluster
) -> None:
    """Long before the grace has passed."""
    settings = {"redis": {"replicas": 1, "replicas_grace_s": 3600}}
    stage = make_stage(store=cluster, **REGION_OF_ONE, **settings)
    worker, teller = stage.worker(), Teller("ridge")
    speak(stage, teller, 1)
    wait_until(lambda: figure(worker, "streamer_messages_total") == 1, "an acknowledgement")
    assert figure(worker, "streamer_redis_replicas_missing") == 0
    master = cluster.master_of(stage.store.keys.gateway("ridge"))
    replica = cluster.replica_of(master)
    replica.kill()
    speak(stage, teller, EVENTS)
    wait_until(lambda: figure(worker, "streamer_messages_total") == 1 + EVENTS, "the others", 30)
    assert _is_dead(master, replica)
    assert worker.says("too few replicas: holding")
    wait_until(lambda: worker.says("redis without its replicas"), "word of it")
    assert figure(worker, "streamer_redis_replicas_missing") == 1
    said = json.loads(worker.get("/healthz")[1])["redis"]
    assert said == f"answers; {master.address}: 0 of 1 replicas, written to without the others"
    replica.start()
    cluster.wait_well()
    wait_until(lambda: worker.says("redis has its replicas again"), "word of that", 30)
    assert figure(worker, "streamer_redis_replicas_missing") == 0


def _is_dead(asked: ClusterNode, node: ClusterNode) -> bool:
    flags = [str(one["flags"]) for name, one in asked.does("CLUSTER NODES").items()
             if name.startswith(node.address)]  # fmt: skip
    return any("fail" in text.split(",") for text in flags)


def test_a_replica_that_hangs_is_waited_for_as_long_as_the_grace_lasts(
    make_stage: MakeStage,
) -> None:
    """Of one server, of which nobody says who is dead."""
    master = Node()
    replica = Node("--replicaof", "127.0.0.1", str(master.port))
    try:
        master.start()
        replica.start()
        settings = {"redis": {"replicas": 1, "replicas_wait_s": 0.2, "replicas_grace_s": 2}}
        stage = make_stage(store=master, **REGION_OF_ONE, **settings)
        worker, teller = stage.worker(), Teller("ridge")
        speak(stage, teller, 1)
        wait_until(lambda: figure(worker, "streamer_messages_total") == 1, "an acknowledgement")
        replica.freeze()
        speak(stage, teller, EVENTS)
        wait_until(lambda: worker.says("too few replicas: holding"), "the worker to hold")
        wait_until(lambda: figure(worker, "streamer_messages_total") == 1 + EVENTS, "the others")
        assert stage.counted("ridge") == 1 + EVENTS
        assert figure(worker, "streamer_redis_replicas_missing") == 1
    finally:
        replica.thaw()
        replica.close()
        master.close()


def test_a_master_that_sentinels_replace_under_load(
    make_stage: MakeStage,
    redis_server: Redis,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All as configs/ sets it up: accounts, and TLS with certificates on both sides."""
    (tmp_path / "certificates").mkdir()
    watched, broker = SecuredWatched(tmp_path / "certificates", "watched"), Mosquitto()
    monkeypatch.setenv(REDIS_PASSWORD_VARIABLE, WORDS["streamer"])
    try:
        watched.start()
        broker.start()
        files = watched.certificates.settings().model_dump(mode="json", exclude_none=True)
        settings = {"redis": {**files, "replicas": 1, "replicas_grace_s": 2}}
        content = REGION | settings | {"region": "watched", "redis_url": watched.url}
        stage = make_stage(on=broker, store=watched, **content)
        for name in ("worker-1", "worker-2"):
            stage.worker(name)
        with rig(stage, tmp_path, outside=False, seed=SEED, apart=redis_server.url) as made:
            made.load(3.0, 1.0, watched.master.kill)
            assert made.judge() == 3.0 * RATE_PER_S
            admin: Any = watched.replica.admin
            assert admin.execute_command("ROLE")[0] == "master"
            said = [worker.log() for worker in stage.workers]
            assert not any("own-word" in text for text in said)
    finally:
        broker.close()
        watched.close()
