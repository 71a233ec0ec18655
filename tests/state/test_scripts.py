"""The scripts are fit for Redis Cluster and give the same on every server."""

import re
import string
from collections.abc import Iterator
from importlib import resources
from itertools import pairwise
from typing import Any

import pytest
import redis
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from redis.crc import key_slot

from streamer.acts.acts import Acts
from streamer.contract.duty import DutyKind
from streamer.contract.published import OrderKind
from streamer.forget.name import Name
from streamer.forget.state import StateForgetting
from streamer.state.alerting import Decided, Waiting
from streamer.state.keys import ALERTS, REGION, Keys
from streamer.state.scripts import Script, Scripts
from streamer.state.store import Store, connect
from tests.redis_cluster import ClusterNode
from tests.servers import Redis, wait_until
from tests.state.scene import (
    GATEWAYS,
    GROUPS,
    START_MS,
    STATIONS,
    Bench,
    BenchWorker,
    Teller,
    region,
)

pytestmark = pytest.mark.redis


def order_everything(bench: Bench, worker: BenchWorker) -> None:
    acts = Acts(worker.store, bench.clock)
    worker.run([Teller("mill", boot="0190000000000002").heard(
        bench.clock.now_ms(), STATIONS[0], "last", to="NET"
    )])  # fmt: skip
    duty = acts.start_duty("search", DutyKind.EXERCISE, ["NET"], "desk")
    acts.start_roll_call("NET", "desk")
    acts.answered("NET", STATIONS[0], "desk")
    acts.end_roll_call("NET", "desk")
    acts.order("NET", "lake/uhf", OrderKind.PIN, 60, "desk")
    acts.lift("NET", "lake/uhf", "desk")
    acts.check_out("NET", STATIONS[0], "desk")
    acts.accept_call("NOBODY1", "desk")
    worker.settle()
    for alert_id in sorted(worker.store.all_alerts())[:1]:
        acts.acknowledge(alert_id, "desk")
    acts.end_duty(duty.id, "desk")
    work = acts.start_maintenance("lake", 60, "desk")
    acts.end_maintenance(work.id, "desk")
    worker.settle()
    tell_a_channel(worker.store, bench.clock.now_ms())


def tell_a_channel(store: Store, now_ms: int) -> None:
    store.commit_cases(Decided({}, waiting=[Waiting("hook", now_ms, "{}")]), now_ms)
    parcel = store.take_parcel("hook", "w1", now_ms=now_ms, lease_ms=1000, pause_ms=0, begin=True)
    assert parcel is not None
    store.parcel_later("hook", parcel, now_ms, now_ms, "away")
    store.parcel_dead("hook", parcel, now_ms, "gone")
    store.commit_cases(Decided({}, waiting=[Waiting("hook", now_ms, "{}")]), now_ms)
    shared = store.take_parcel("hook", "w1", now_ms=now_ms, lease_ms=1000, pause_ms=0, begin=True)
    assert shared is not None
    store.parcel_shared("hook", shared, now_ms, ["hook#1"])
    assert store.first_to("hook", "beat", 1)
    assert store.first_to("hook", "beat", 2)


def live_through(bench: Bench) -> None:
    """A little of everything, so that each script runs and takes each of its ways."""
    worker = bench.worker()
    worker.store.prepare(bench.clock.now_ms())
    worker.settle()
    tellers = [Teller(g) for g in GATEWAYS]
    for n in range(12):
        now_ms = bench.clock.now_ms()
        said = []
        for teller in tellers:
            caller = STATIONS[n % len(STATIONS)]
            to = [*GROUPS, None][n % 4]
            text = "OUT" if n % 5 == 4 else None
            long: dict[str, Any] = {"phase": "end", "duration_s": 9, "rssi_dbm": -90}
            long["position"] = {"lat": -46.5, "lon": 20 + n}
            said += [
                teller.heard(now_ms, caller, f"o{n}-{teller.gateway}", to=to, text=text, **long),
                teller.heard(now_ms, f"NOBODY{n}", f"x{n}", to=to),
                teller.route(now_ms, GROUPS[n % 3], "carrying"),
                teller.route(now_ms, "NET", "sent", over=f"o{n}", from_gateway="lake"),
                teller.route(now_ms, "NET", "sent", over=f"o{n}", from_gateway="ridge"),
                teller.state(now_ms, up=n % 4 != 3, clock_offset_s=9.0),
            ]
        teller.seq += n % 2  # a hole
        said.append(tellers[0].heard(now_ms + 99_000, STATIONS[0], f"f{n}"))  # from the future
        worker.run([*said, *said[:3]])
        worker.store.refuse([(r.reason, r.model_dump_json()) for r in worker.refusals])
        bench.clock.advance_s(20)
        worker.settle()
    order_everything(bench, worker)
    client = connect(bench.url)
    forgetting = StateForgetting(client, bench.view, Name(STATIONS[0], bench.view))
    while forgetting.forget(bench.clock.now_ms()):
        worker.settle()
    client.close()
    bench.clock.advance_s(worker.store.forget_ms / 1000)
    worker.settle()
    worker.store.forget_expired(bench.clock.now_ms() + 400 * 86_400_000)


@pytest.fixture
def bench(empty_redis: Redis) -> Bench:
    view = region(limits={"quarantine_size": 2, "gateway_lost_after_s": 30, "refused_size": 5})
    return Bench(view, empty_redis.url)


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Script, list[str]]]:
    made: list[tuple[Script, list[str]]] = []
    plain, plain_start = Scripts.run, Scripts.start

    def run(self: Scripts, script: Script, keys: Any, arguments: Any) -> Any:
        made.append((script, list(keys)))
        return plain(self, script, keys, arguments)

    def start(self: Scripts, calls: Any) -> Any:
        made.extend((call.script, list(call.keys)) for call in calls)
        return plain_start(self, calls)

    monkeypatch.setattr(Scripts, "run", run)
    monkeypatch.setattr(Scripts, "start", start)
    return made


def test_the_keys_of_every_call_share_one_slot(
    bench: Bench, calls: list[tuple[Script, list[str]]]
) -> None:
    """Source: redis-py's key_slot, which is CRC-16 by the Redis Cluster specification."""
    live_through(bench)
    assert {script for script, _ in calls} == set(Script)
    for script, keys in calls:
        assert keys, script
        assert len({key_slot(key.encode()) for key in keys}) == 1, (script, keys)


def test_every_key_that_a_script_touches_is_declared(bench: Bench) -> None:
    """Source: Redis itself, whose MONITOR tells what each script did, under the address 'lua'."""
    with connect(bench.url) as client, client.monitor() as monitor:
        for text in Scripts(client)._texts.values():
            client.script_load(text)  # so that all calls are EVALSHA, whose words hold no blanks
        live_through(bench)
        client.ping()
        declared: set[str] = set()
        touched = 0
        while (said := monitor.next_command())["command"] != "PING":
            words = said["command"].split(" ")
            if said["client_type"] != "lua":
                assert words[0] != "EVAL"
                if words[0] == "EVALSHA":
                    declared = set(words[3 : 3 + int(words[2])])
                continue
            touched += 1
            assert words[1] in declared, words[:2]
    assert touched > 1000


@pytest.fixture
def node() -> Iterator[ClusterNode]:
    """One node that holds all slots: it refuses whatever is not fit for a cluster."""
    server = ClusterNode()
    server.start()
    yield server
    server.close()


def test_a_node_of_a_cluster_takes_all_of_it(node: ClusterNode) -> None:
    """Source: Redis itself in cluster mode, which refuses calls over several slots (CROSSSLOT) and
    scripts that touch keys of another one."""
    with node.client() as client:
        client.execute_command("CLUSTER", "ADDSLOTSRANGE", "0", "16383")
        wait_until(
            lambda: client.execute_command("CLUSTER INFO")["cluster_state"] == "ok", "the cluster"
        )
        with pytest.raises(redis.ResponseError, match="slot"):
            client.eval("return redis.call('GET', KEYS[1])", 2, "a", "b")
        bench = Bench(region(), node.url)
        live_through(bench)
        assert bench.worker().store.gateway("ridge").counts["heard"] > 0
        slots = {key_slot(str(k).encode()) for k in client.scan_iter("*")}
    keys = bench.worker().store.keys
    tags = [*range(keys.partitions), ALERTS, REGION]
    assert slots <= {key_slot(keys.out(tag).encode()) for tag in tags}


class TestKeys:
    @given(st.text(string.ascii_uppercase + string.digits + "-_/", min_size=1), st.integers(1, 256))
    def test_all_keys_of_a_partition_share_its_slot(self, name: str, partitions: int) -> None:
        keys = Keys("scene", partitions)
        partition = keys.partition_of(name)
        assert 0 <= partition < partitions
        own = [keys.station(name), keys.group(name), keys.sent(name), keys.gateway(name)]
        own += [
            keys.log(partition),
            keys.quarantine(name),
            keys.holes(name),
            keys.due(partition),
            keys.tell(partition),
        ]
        own += [keys.live(partition), keys.out(partition), keys.published(partition)]
        assert len(set(own)) == len(own)
        assert len({key_slot(key.encode()) for key in own}) == 1

    @given(st.text(string.ascii_lowercase + string.digits + "-", min_size=1), st.integers(1, 256))
    def test_what_a_gateway_heard_shares_its_slot(self, name: str, partitions: int) -> None:
        keys = Keys("scene", partitions)
        own = [keys.gateway(name), keys.history(name, 1), keys.heard(f"{name}/uhf")]
        own.append(keys.learned(f"{name}/uhf", 1))
        assert len({key_slot(key.encode()) for key in own}) == 1

    def test_alerts_and_the_region_have_a_slot_each(self) -> None:
        keys = Keys("scene", 4)
        alerts = [keys.alerts(), keys.found(), keys.out(ALERTS), keys.published(ALERTS)]
        alerts += [keys.gone(ALERTS), keys.cases(), keys.maintenance(), keys.due(ALERTS)]
        alerts += [keys.senders()]
        alerts += [keys.waiting("x"), keys.parcel("x"), keys.dead_letters("x"), keys.rosters()]
        alerts += [keys.duties(), keys.log(ALERTS)]
        whole = [keys.refused(), keys.refusals(), keys.meta(), keys.workers(), keys.ears()]
        whole += [keys.calls(), keys.log(REGION)]
        assert len({key_slot(k.encode()) for k in alerts}) == 1
        assert len({key_slot(k.encode()) for k in whole}) == 1

    def test_regions_do_not_share_keys(self) -> None:
        assert Keys("scene", 4).group("NET") != Keys("other", 4).group("NET")


def script_text(name: str) -> str:
    return resources.files("streamer.state").joinpath(f"lua/{name}.lua").read_text("utf-8")


# Between bytes 0x5b and 0x60 and above 0x7f the order of most languages differs from that of bytes.
words = st.text(st.characters(blacklist_categories=["Cs"]), max_size=6)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words, words)
@example("a", "B")
@example("boot-2", "boot2")
@example("é", "f")
@example("ab", "a")
def test_the_order_of_texts_is_that_of_their_bytes(redis_server: Redis, a: str, b: str) -> None:
    code = f"{script_text('common')}\nreturn {{bytes_less(ARGV[1], ARGV[2]) and 1 or 0}}"
    with redis_server.client() as client:
        assert client.eval(code, 0, a, b) == [int(a.encode() < b.encode())]


@given(st.lists(words, min_size=2, max_size=6))
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_of_two_stamps_of_one_moment_exactly_one_is_newer(
    redis_server: Redis, ties: list[str]
) -> None:
    code = (
        f"{script_text('common')}\n"
        "local a, b = ARGV[1], ARGV[2]\n"
        "return {newer(5, a, 5, b) and 1 or 0, newer(5, b, 5, a) and 1 or 0}"
    )
    with redis_server.client() as client:
        for a, b in pairwise(ties):
            assert client.eval(code, 0, a, b) == [
                int(a.encode() > b.encode()),
                int(b.encode() > a.encode()),
            ]


@pytest.mark.parametrize("script", [*Script, "common"])
def test_no_script_leaves_an_order_to_the_language_of_the_server(script: str) -> None:
    """Lua's own comparison of texts goes by strcoll, whose result depends on the locale. Sorting
    without an order of ours would use it; what is iterated by pairs() comes in any order, so
    nothing made of it may depend on the turn (the convergence tests watch over that)."""
    code = re.sub(r"--.*", "", script_text(script))
    assert not re.search(r"table\.sort\(\s*\w+\s*\)", code)
    assert "redis.call('TIME'" not in code
    assert "math.random" not in code


def test_a_server_that_has_lost_the_scripts_is_given_them_again(empty_redis: Redis) -> None:
    client = connect(empty_redis.url)
    store = Store(client, region())
    for _ in range(2):
        client.script_flush()
        store.wake(["g/NET"], START_MS)
    assert store.claim_due(store.keys.partition_of("NET"), START_MS)
    client.close()
