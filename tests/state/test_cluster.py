"""The state on a real Redis Cluster of three masters, each with a replica, as configs/ sets it up:
by TLS with certificates on both sides, and with an account that may do only what a worker needs."""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import redis
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import SecretStr
from redis.cluster import ClusterNode
from redis.crc import key_slot
from redis.exceptions import ConnectionError as RedisConnectionError
from redis.exceptions import TryAgainError

from streamer.redis_settings import RedisSettings
from streamer.state.keys import Keys
from streamer.state.running import Running
from streamer.state.scripts import Script, Scripts
from streamer.state.store import Store, StoreMismatch, StoreUnavailable, connect
from tests.redis_cluster import SLOTS
from tests.redis_secured import Certificates, SecuredCluster
from tests.servers import free_port
from tests.state.scene import GROUPS, START_MS, STATIONS, Bench, Teller, region
from tests.state.test_convergence import (
    PATIENT,
    the_plain_reading_agrees,
    the_same_state_comes_about,
)
from tests.state.test_scripts import live_through

pytestmark = [pytest.mark.redis, pytest.mark.slow]
FEW = settings(PATIENT, max_examples=int(os.environ.get("STREAMER_CLUSTER_EXAMPLES", "3")))
MANY = 24
"""Partitions, so that each master has some of them."""


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SecuredCluster]:
    made = SecuredCluster(tmp_path_factory.mktemp("certificates"), "scene")
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.fixture
def store(cluster: SecuredCluster) -> Iterator[Store]:
    cluster.flush()
    with connect(cluster.address()) as client:
        yield Store(client, region(partitions=MANY))


# -- the same as on one server ---------------------------------------------------------------------


@FEW
@given(data=st.data())
def test_any_order_repetition_split_and_crash_gives_the_same_state(
    data: st.DataObject, cluster: SecuredCluster
) -> None:
    the_same_state_comes_about(data, cluster.address(), cluster.flush)


@FEW
@given(data=st.data())
def test_state_agrees_with_the_plain_reading_of_the_rules(
    data: st.DataObject, cluster: SecuredCluster
) -> None:
    the_plain_reading_agrees(data, cluster.address(), cluster.flush)


def test_all_that_the_state_does_is_done(store: Store, cluster: SecuredCluster) -> None:
    """Every script, every act, forgetting and expiry; Redis itself refuses what is not fit."""
    live_through(Bench(store.view, cluster.address()))
    assert store.gateway("ridge").counts["heard"] > 0
    assert len({cluster.master_of(store.keys.due(p)).port for p in store.partitions}) == 3


# -- where keys live -------------------------------------------------------------------------------


def test_a_slot_that_has_moved_is_found(store: Store, cluster: SecuredCluster) -> None:
    """By scripts, plain writes, transactions and reads of a client that knows the old place."""
    store.prepare(START_MS)
    bench = Bench(store.view, cluster.address())
    worker = bench.worker()
    worker.run([Teller("ridge").heard(START_MS, STATIONS[0], "o1", to="NET")])
    for key in (store.keys.group("NET"), store.keys.meta(), store.keys.alerts()):
        owner = cluster.master_of(key)
        other = next(n for n in cluster.nodes if n.is_master and n is not owner)
        for _ in cluster.move_slot(key, other):
            pass
        assert cluster.master_of(key) is other
    store.prepare(START_MS)
    worker.run([Teller("lake").heard(START_MS + 1, STATIONS[0], "o2", to="NET")])
    worker.settle()
    record = worker.store.station(STATIONS[0])
    assert record is not None
    assert record.place.repeater == "lake/uhf"
    store.report("g/NET", "{}", START_MS)
    assert store.alert_owners()
    assert store.book().found
    assert [m.station for m in store.groups(["NET"])[0].members] == [STATIONS[0]]


def test_while_a_slot_moves_its_calls_are_done_or_wait(
    store: Store, cluster: SecuredCluster
) -> None:
    """Either a script is done with all its keys or with none, wherever they are just now."""
    bench = Bench(store.view, cluster.address())
    worker = bench.worker()
    worker.store.prepare(START_MS)
    key = store.keys.station(STATIONS[0])
    tellers = {g: Teller(g) for g in ("ridge", "lake")}
    worker.run([t.heard(START_MS, STATIONS[0], "o1", to="NET") for t in tellers.values()])
    owner = cluster.master_of(key)
    other = next(n for n in cluster.nodes if n.is_master and n is not owner)
    refused, done, why = 0, 0, set()
    waiting: list[Any] = []
    for number, _ in enumerate(cluster.move_slot(key, other, keys_at_once=1), 2):
        said = [tellers["ridge"].heard(START_MS + number, STATIONS[0], f"o{number}", to="NET")]
        try:
            worker.run(waiting + said)
            done += 1
            waiting = []
        except StoreUnavailable as error:
            why.add(type(error.__cause__))
            refused += 1
            waiting += said
    worker.run(waiting)
    worker.settle()
    assert refused + done >= 2  # there were several keys to move
    assert why <= {TryAgainError}
    counts = worker.store.gateway("ridge").counts
    assert sum(n for tally, n in counts.items() if tally != "duplicate") == refused + done + 1
    record = worker.store.station(STATIONS[0])
    assert record is not None
    assert record.place.ms == START_MS + refused + done + 1


def test_scripts_are_known_on_every_node(store: Store, cluster: SecuredCluster) -> None:
    for node in cluster.nodes:
        node.does("SCRIPT FLUSH")
    store.wake([f"g/{name}" for name in GROUPS], START_MS)
    claims = [c for p in store.partitions for c in store.claim_due(p, START_MS)]
    assert {claim.subject for claim in claims} == {f"g/{name}" for name in GROUPS}


def test_calls_of_several_nodes_are_sent_at_once(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[int] = []
    plain = Running._send_to

    def send_to(self: Running, place: Any, numbers: Any, asking: bool) -> None:
        sent.append(len(numbers))
        plain(self, place, numbers, asking)

    stations = [f"QA{n}ABC" for n in range(10)]
    store.apply_stations({station: [] for station in stations}, START_MS)  # nodes know the script
    monkeypatch.setattr(Running, "_send_to", send_to)
    store.apply_stations({station: [] for station in stations}, START_MS)
    assert len(sent) == 3
    assert sum(sent) == len({store.keys.partition_of(station) for station in stations})


# -- what is checked at the start ------------------------------------------------------------------


def test_every_master_is_asked_whether_it_throws_keys_away(
    store: Store, cluster: SecuredCluster
) -> None:
    node = cluster.master_of(store.keys.meta())
    other = next(n for n in cluster.nodes if n.is_master and n is not node)
    other.does("CONFIG SET maxmemory-policy allkeys-lru")
    try:
        with pytest.raises(StoreMismatch, match=f"allkeys-lru .*{other.port}"):
            store.prepare(START_MS)
    finally:
        other.does("CONFIG SET maxmemory-policy noeviction")
    store.prepare(START_MS)


def test_it_is_said_when_masters_have_nothing_to_do(cluster: SecuredCluster) -> None:
    """Slots as redis-py's key_slot counts them: CRC-16 by the Redis Cluster specification."""
    with connect(cluster.address()) as client:
        assert Store(client, region(partitions=MANY)).advice() == []
        (advice,) = Store(client, region(partitions=1)).advice()
    assert advice.startswith("the 1 partitions of region scene lie on 1 of 3 masters: ")
    owners = {}
    for number in range(MANY):
        key = Keys("scene", MANY).due(number)
        assert key_slot(key.encode()) == key_slot(f"{{scene:{number}}}".encode())
        owners[number] = cluster.master_of(key).port
    least = next(n for n in range(1, MANY) if len({owners[i] for i in range(n)}) == 3)
    assert f"partitions = {least} would use all" in advice


def test_it_is_said_when_replicas_are_missing_at_the_start(cluster: SecuredCluster) -> None:
    with connect(cluster.address(replicas=2)) as client:
        advice = Store(client, region(partitions=MANY)).advice()
    assert len(advice) == 3
    assert all("has 1 replicas, redis.replicas asks for 2" in text for text in advice)


# -- nodes that are not there ----------------------------------------------------------------------


def test_nothing_is_asked_before_it_is_needed_and_the_next_address_is_tried(
    cluster: SecuredCluster,
) -> None:
    nobody = f"127.0.0.1:{free_port()}"
    with connect(f"redis+cluster://{nobody}") as client:
        store = Store(client, region())
        asked = (
            store.ping,
            lambda: store.prepare(START_MS),
            lambda: store.groups(["NET"]),
            lambda: store.wake(["g/NET"], START_MS),
            store.advice,
        )
        for ask in asked:
            with pytest.raises(StoreUnavailable, match="Redis"):
                ask()
    hosts = (("127.0.0.1", free_port()), ("127.0.0.1", cluster.nodes[4].port))
    with connect(replace(cluster.address(), hosts=hosts)) as client:
        Store(client, region()).wake(["g/NET"], START_MS)


def test_a_client_whose_nodes_have_all_gone_asks_those_of_its_address(
    cluster: SecuredCluster,
) -> None:
    """Such as after all have been given other addresses."""
    with connect(cluster.address()) as client:
        store: Any = Store(client, region())
        store.ping()
        manager = store._client.nodes_manager
        assert {node.port for node in manager.startup_nodes.values()} == {
            node.port for node in cluster.nodes
        }
        node: Any = ClusterNode
        gone = node("127.0.0.1", free_port(), "primary")
        manager.nodes_cache = {gone.name: gone}
        manager.slots_cache = {slot: [gone] for slot in range(SLOTS)}
        given = [f"{host}:{port}" for host, port in cluster.address().hosts]
        manager.startup_nodes = {n: manager.startup_nodes[n] for n in given} | {gone.name: gone}
        store.wake(["g/NET"], START_MS)
        assert gone.name not in manager.nodes_cache


def test_what_was_sent_and_not_answered_is_not_done_twice(
    store: Store, cluster: SecuredCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its caller must know: a word that was already written would seem to be somebody else's."""
    asked: list[Script] = []
    plain = Scripts.start

    def start(self: Scripts, calls: Any) -> Running:
        running = plain(self, calls)
        asked.extend(call.script for call in calls)
        for part in running._parts:
            part._connection.disconnect()
        return running

    store.ping()
    monkeypatch.setattr(Scripts, "start", start)
    monkeypatch.setattr(Running, "_take", lambda *_: (_ for _ in ()).throw(RedisConnectionError()))
    with pytest.raises(StoreUnavailable):
        store.wake(["g/NET"], START_MS)
    assert asked == [Script.WAKE]


# -- what others may not do ------------------------------------------------------------------------


def test_the_account_reaches_no_other_keys_and_no_other_commands(
    store: Store, cluster: SecuredCluster
) -> None:
    """Source: redis.conf of Redis 7.0, "ACL"."""
    client: Any = store._client
    store.ping()
    owner = cluster.master_of(store.keys.meta())
    refused = (
        ("GET", "other"), ("SET", "{other:region}:meta", "1"), ("HGETALL", "{other:0}:live"),
        ("EVAL", "return redis.call('HGET', KEYS[1], 'a')", 1, "{other:0}:live"),
        ("EVAL", "return redis.call('FLUSHALL')", 1, store.keys.meta()),
        ("FLUSHALL",), ("CONFIG SET", "maxmemory-policy", "allkeys-lru"), ("KEYS", "*"),
        ("ACL LIST",), ("SHUTDOWN",), ("CLUSTER RESET",), ("REPLICAOF", "NO", "ONE"),
        ("SAVE",), ("MONITOR",),
    )  # fmt: skip
    node = client.get_node("127.0.0.1", owner.port)
    for words in refused:
        with pytest.raises(redis.RedisError, match=r"(?i)permission|NOPERM|can't (access|run)"):
            client.execute_command(*words, target_nodes=node)
    assert store.accepted() == {}


@pytest.mark.parametrize("what", ["no certificate", "another authority", "no user", "no password"])
def test_who_is_not_known_is_not_let_in(what: str, cluster: SecuredCluster, tmp_path: Path) -> None:
    good = cluster.address()
    others = Certificates(tmp_path)
    nobody = RedisSettings(ca_file=good.settings.ca_file)
    every: dict[str, dict[str, Any]] = {
        "no certificate": {"settings": nobody},
        "another authority": {"settings": others.settings()},
        "no user": {"user": None},
        "no password": {"password": SecretStr("hidden-word")},
    }
    address = replace(good, **every[what])
    with connect(address) as client, pytest.raises(StoreUnavailable) as caught:
        Store(client, region()).ping()
    said = f"{caught.value} {caught.value.__cause__!r} {address!r} {good!r}"
    assert "hidden-word" not in said
    assert "own-word" not in said
