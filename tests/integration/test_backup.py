"""A Redis that is lost and restored from a backup: the state of the backup, what came after it from
the journal, and readers who have already seen what the restored state does not know."""

import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import redis

from streamer.acts.acts import Acts
from streamer.cli import main
from streamer.clock import from_ms
from streamer.contract.duty import DutyKind
from streamer.mqtt.connection import Connection, ConnectionLost, Session
from streamer.mqtt.settings import broker_from_url
from streamer.state.lineage import Lineage
from streamer.worker.put_back import QUIET_S, PutBack
from tests.integration.conftest import MakeStage
from tests.integration.rig import RATE_PER_S, REGION, rig
from tests.integration.stage import Peer, Stage
from tests.servers import Mosquitto, Redis, program, wait_until
from tests.state.scene import START_MS, Bench, Teller, region

pytestmark = [
    pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow, pytest.mark.timeout(120),
]  # fmt: skip

SMALL: dict[str, Any] = {
    "policy": {"linger_s": 0, "starved_after_s": 3600},
    "alerts": {"settle_s": 0, "clear_s": 0},
    "group": [{"name": "NET"}, {"name": "TALK", "pins": ["mill/uhf"]}],
    "gateway": [{"id": g, "repeater": [{"id": "uhf"}]} for g in ("ridge", "lake", "mill")],
}


@pytest.fixture
def store() -> Iterator[Redis]:
    server = Redis(aof=True)
    server.start()
    _soon(server)
    yield server
    server.close()


def _soon(server: Redis) -> None:
    """Redis waits for more replicas before it sends its data (5 s); redis-cli is one to it."""
    with server.client() as client:
        client.config_set("repl-diskless-sync-delay", 0)


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    """One for each test: it is lost in some."""
    server = Mosquitto()
    server.start()
    yield server
    server.close()


# -- as configs/README.md says ---------------------------------------------------------------------


def back_up(server: Redis, file: Path) -> None:
    command = [program("redis-cli"), "-s", str(server.folder / "redis.sock"), "--rdb", str(file)]
    subprocess.run(command, check=True, capture_output=True)


def lose(server: Redis) -> None:
    server.kill()
    shutil.rmtree(server.folder / "appendonlydir")
    (server.folder / "dump.rdb").unlink(missing_ok=True)


def restore(server: Redis, file: Path) -> None:
    """Redis reads an RDB file only with its append-only file off, so it is begun without."""
    shutil.copy(file, server.folder / "dump.rdb")
    once = [program("redis-server"), "--port", "0", "--unixsocket", "once.sock", "--save", ""]
    once += ["--dir", str(server.folder), "--dbfilename", "dump.rdb", "--appendonly", "no"]
    with subprocess.Popen(once, stdout=subprocess.DEVNULL, cwd=server.folder) as process:
        with redis.Redis(unix_socket_path=f"{server.folder}/once.sock") as client:
            wait_until(lambda: _loaded(client), "the backup to be loaded")
            client.config_set("appendonly", "yes")
            wait_until(lambda: _written(client), "the append-only file to be written")
            client.shutdown(nosave=True)
        process.wait(10)
    server.start()


def _loaded(client: "redis.Redis") -> bool:
    try:
        return not client.info("persistence")["loading"]
    except redis.RedisError:
        return False


def _written(client: "redis.Redis") -> bool:
    said: Any = client.info("persistence")
    busy = said["aof_rewrite_in_progress"] or said["aof_rewrite_scheduled"]
    return bool(said["aof_enabled"]) and not busy and said["aof_last_bgrewrite_status"] == "ok"


# -- the state -------------------------------------------------------------------------------------


def everything(client: Any) -> dict[str, Any]:
    """Every key with what it holds."""
    read = {
        "hash": client.hgetall,
        "zset": lambda key: client.zrange(key, 0, -1, withscores=True),
        "list": lambda key: client.lrange(key, 0, -1),
        "set": client.smembers,
        "string": client.get,
    }
    return {key: read[client.type(key)](key) for key in client.keys("*")}


def test_a_restore_alone_gives_the_state_of_the_backup(store: Redis, tmp_path: Path) -> None:
    bench, ridge = Bench(region(), store.url), Teller("ridge")
    worker, client = bench.worker(), store.client()
    worker.store.prepare(START_MS)

    def say(number: int) -> None:
        calls = (f"Q{letter}{number}ABC" for letter in "ABCDEFGH")
        worker.run([ridge.heard(START_MS, call, call, to="NET") for call in calls])
        worker.settle()

    say(1)
    before = everything(client)
    assert len(before) > 10
    back_up(store, tmp_path / "backup.rdb")
    say(2)
    assert everything(client) != before
    lose(store)
    restore(store, tmp_path / "backup.rdb")
    assert everything(client) == before
    client.close()


def test_what_came_after_a_backup_under_load_comes_from_the_journal(
    make_stage: MakeStage, broker: Mosquitto, store: Redis, tmp_path: Path
) -> None:
    stage = make_stage(on=broker, store=store, **REGION)
    worker = stage.unstarted_worker("worker-1", "--journal", str(tmp_path / "journal"))
    worker.start()
    with rig(stage, tmp_path, outside=False, seed=7) as made:
        since = from_ms(stage.now_ms).isoformat()
        made.load(1.5, 0.5, lambda: back_up(store, tmp_path / "backup.rdb"))
        wait_until(made._all_counted, "every event to be counted")
        worker.stop()
        lose(store)
        restore(store, tmp_path / "backup.rdb")
        kept = sum(stage.counted(g.name) for g in made.gateways)
        assert 0 < kept < 1.5 * RATE_PER_S  # the rest is missing
        words = ["catch-up", str(stage.file), str(tmp_path / "journal"), "--since", since]
        assert main([*words, "--redis", store.url]) == 0
        worker.start()
        made.load(0.5)
        assert made.judge() == 2 * RATE_PER_S


# -- readers ---------------------------------------------------------------------------------------


class Reader:
    """As the contract says: of a topic the highest version that was ever seen, until it is taken
    back."""

    def __init__(self) -> None:
        self.best: dict[str, Any] = {}

    def read(self, peer: Peer) -> "Reader":
        for topic, payload in list(peer.messages):
            if topic.split("/")[2] not in ("fanout", "reach", "alert", "duty", "maintenance"):
                continue
            said = json.loads(payload) if payload else None
            if said is None:
                self.best.pop(topic, None)
            elif said["version"] > self.best.get(topic, {"version": 0})["version"]:
                self.best[topic] = said
        return self

    def wanted(self, group: str) -> list[str]:
        found = [t for t in self.best if t.endswith(f"/fanout/{group}")]
        return [r["repeater"] for t in found for r in self.best[t]["repeaters"]]

    def standing(self, kind: str) -> list[str]:
        """What is there of alerts, duties or planned work."""
        return [
            topic for topic, said in self.best.items() if topic.split("/")[2] == kind
            and said.get("state") != "cleared" and said.get("ended_at") is None
        ]  # fmt: skip

    def members(self, group: str) -> dict[str, str]:
        found = [t for t in self.best if t.endswith(f"/reach/{group}")]
        return {m["station"]: m["repeater"] for t in found for m in self.best[t]["members"]}


def a_world_that_goes_on(stage: Stage, file: Path) -> None:
    """A backup, and after it another fan-out, an alert and a duty, all of them published."""
    acts = Acts(stage.store, stage.clock)
    ridge, lake = Teller("ridge"), Teller("lake")
    stage.say(*(teller.state(stage.now_ms) for teller in (ridge, lake, Teller("mill"))))
    stage.say(ridge.heard(stage.now_ms - 2000, "QA1ABC", "first", to="NET"))
    known = acts.start_duty("known", DutyKind.EXERCISE, ["TALK"], "alice")
    stage.expect(lambda: stage.wanted("NET"), {"ridge/uhf": ("member",)}, "the first fan-out")
    stage.expect(lambda: stage.places("NET"), {"QA1ABC": "ridge/uhf"}, "the first roster")
    wait_until(lambda: stage.all(f"net/{stage.region}/duty/{known.id}"), "the first duty")
    assert isinstance(stage.redis, Redis)
    back_up(stage.redis, file)
    for step in range(3):  # so that counting alone would not catch up
        teller = (lake, ridge, lake)[step]
        stage.say(teller.heard(stage.now_ms, "QA1ABC", f"later-{step}", to="NET"))
        where = {f"{teller.gateway}/uhf": ("member",)}
        stage.expect(lambda: stage.wanted("NET"), where, "a later fan-out")
    stage.expect(lambda: stage.places("NET"), {"QA1ABC": "lake/uhf"}, "the later roster")
    stage.say(lake.state(stage.now_ms, up=False))
    wait_until(lambda: any("gateway_lost" in name for name in stage.alerts()), "an alert")
    acts.start_maintenance("mill", 3600, "alice")
    duty = acts.start_duty("after the backup", DutyKind.ACTUAL, ["NET"], "alice")
    wait_until(lambda: stage.all(f"net/{stage.region}/duty/{duty.id}"), "the later duty")
    # The gateway that was lost: back, so that the alert is of the past in the restored world.
    stage.say(lake.state(stage.now_ms, up=True, session=1))


@pytest.mark.parametrize("broker_too", [False, True], ids=["store lost", "broker lost too"])
def test_readers_follow_a_store_that_was_put_back(
    broker_too: bool, make_stage: MakeStage, broker: Mosquitto, store: Redis, tmp_path: Path
) -> None:
    stage = make_stage(on=broker, store=store, **SMALL)
    worker = stage.worker()
    a_world_that_goes_on(stage, tmp_path / "backup.rdb")
    stage.quiet()
    worker.stop()
    reader = Reader().read(stage.reader)
    assert reader.wanted("NET") == ["lake/uhf"]
    assert len(reader.standing("duty")) == 2
    lose(store)
    if broker_too:
        broker.kill()
        for file in (broker.folder / "data").iterdir():
            file.unlink()
        broker.start()
    restore(store, tmp_path / "backup.rdb")
    again = stage.peer("again", f"net/{stage.region}/#")
    worker.start()
    wait_until(lambda: worker.says("the store may have been put back: everything is said anew"),
               "the worker to notice")  # fmt: skip
    wait_until(lambda: reader.read(again).wanted("NET") == ["ridge/uhf"], "the fan-out of then")
    wait_until(lambda: reader.read(again).members("NET") == {"QA1ABC": "ridge/uhf"}, "the roster")
    assert reader.wanted("TALK") == ["mill/uhf"]
    if not broker_too:  # else who connects again finds nothing retained of them
        wait_until(lambda: len(reader.read(again).standing("duty")) == 1, "one duty")
        wait_until(lambda: not reader.read(again).standing("maintenance"), "no planned work")
        wait_until(lambda: not reader.read(again).standing("alert"), "no alert")
    fresh = stage.peer("fresh", f"net/{stage.region}/#")
    wait_until(lambda: Reader().read(fresh).wanted("NET") == ["ridge/uhf"], "what is retained")
    wait_until(lambda: len(Reader().read(fresh).standing("duty")) == 1, "the duty that was known")


def test_an_empty_store_is_told_to_readers_too(
    make_stage: MakeStage, broker: Mosquitto, store: Redis
) -> None:
    """Pins alone, until somebody is heard or the journal is fed in: no member is known."""
    stage = make_stage(on=broker, store=store, **SMALL)
    worker, ridge = stage.worker(), Teller("ridge")
    stage.say(ridge.heard(stage.now_ms, "QA1ABC", "first", to="TALK"))
    both = {"mill/uhf": ("pin",), "ridge/uhf": ("member",)}
    stage.expect(lambda: stage.wanted("TALK"), both, "a member")
    worker.stop()
    reader = Reader().read(stage.reader)
    lose(store)
    store.start()
    worker.start()
    wait_until(lambda: reader.read(stage.reader).wanted("TALK") == ["mill/uhf"], "the pin alone")
    wait_until(lambda: reader.read(stage.reader).wanted("NET") == [], "nobody")


def test_a_store_that_stayed_is_not_looked_into(
    make_stage: MakeStage, broker: Mosquitto, store: Redis
) -> None:
    """Whichever worker looks, and however often."""
    stage = make_stage(on=broker, store=store, **SMALL)
    stage.worker()
    lineage = Lineage(stage.client, stage.view)
    wait_until(lambda: lineage.known_servers() == lineage.servers(), "the server to be known")
    connection = Connection(broker_from_url(broker.url), Session("other"), stage.clock)
    connection.open()
    looking = PutBack(stage.store, stage.clock)
    looking.use(connection)
    looking.tick()
    assert not looking.reads
    stage.client.hset(stage.store.keys.meta(), "servers", "another")
    looking.use(None)
    looking.tick()
    assert not looking.reads
    looking.use(connection)
    looking.tick()
    assert looking.reads
    connection.close()


@pytest.mark.parametrize("at_the_end", [False, True])
def test_a_broker_that_dies_while_it_is_read_is_a_connection_lost(
    at_the_end: bool, make_stage: MakeStage, broker: Mosquitto, store: Redis
) -> None:
    """And nothing worse: the worker comes back."""
    stage = make_stage(on=broker, store=store, **SMALL)
    connection = Connection(broker_from_url(broker.url), Session("other"), stage.clock)
    connection.open()
    looking = PutBack(stage.store, stage.clock)
    looking.use(connection)
    if at_the_end:
        looking.tick()
        assert looking.reads
        stage.clock.sleep_s(QUIET_S + 0.1)
    broker.kill()
    with pytest.raises(ConnectionLost):
        looking.tick()
    connection.close()


def test_a_redis_that_does_not_tell_its_id_is_worked_with(
    make_stage: MakeStage, store: Redis
) -> None:
    """As hosted ones may."""
    stage = make_stage(store=store, **SMALL)
    stage.client.acl_setuser(
        "mute", enabled=True, nopass=True, keys=["*"], commands=["+@all", "-info"]
    )
    client = redis.Redis(
        unix_socket_path=f"{store.folder}/redis.sock", username="mute", password="any",
        decode_responses=True,
    )  # fmt: skip
    with client:
        assert Lineage(client, stage.view).servers() is None
    assert Lineage(stage.client, stage.view).servers() is not None
