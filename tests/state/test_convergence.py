"""The same set of events gives the same state, whatever the order, repetition, split or crashes."""

import json
import os
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from streamer.mqtt.connection import Incoming
from streamer.redis_settings import RedisAddress
from streamer.state.store import connect
from tests.servers import Redis
from tests.state.canonical import canonical, retained_content
from tests.state.scene import (
    GATEWAYS,
    GROUPS,
    PORTS,
    REPEATERS,
    START_MS,
    STATIONS,
    Bench,
    BenchWorker,
    Teller,
    moment,
    region,
)

pytestmark = pytest.mark.redis
EXAMPLES = int(os.environ.get("STREAMER_EXAMPLES", "60"))
PATIENT = settings(
    max_examples=EXAMPLES,
    deadline=None,
    report_multiple_bugs=False,
    phases=[Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
# Few distinct moments, so that ties are common; the last minutes, so that lingering is seen.
moments = st.sampled_from([START_MS - 1000 * s for s in (0, 1, 2, 3, 5, 8, 20, 45, 100, 200, 290)])


@st.composite
def histories(draw: st.DrawFn) -> list[Incoming]:
    """What gateways said, in the order of their sequence numbers, some of it never arriving."""
    tellers = {(g, b): Teller(g, f"01900000000{b}") for g in GATEWAYS for b in range(2)}
    said = []
    for number in range(draw(st.integers(1, 25))):
        teller = tellers[draw(st.sampled_from(GATEWAYS)), draw(st.sampled_from((0, 0, 0, 1)))]
        ms, port = draw(moments), draw(st.sampled_from(PORTS))
        kind = draw(st.sampled_from("hhhhhhhhrrss"))
        if kind == "h":
            more: dict[str, Any] = {"to": draw(st.sampled_from([*GROUPS, "QZ9ZZZ", None]))}
            if draw(st.booleans()):
                more |= {"phase": "end", "duration_s": draw(st.sampled_from([0, 1, 4])),
                         "rssi_dbm": draw(st.sampled_from([-90.5, -101, None])),
                         "ber_pct": draw(st.sampled_from([0.25, 3, None]))}  # fmt: skip
            more["text"] = draw(st.sampled_from([None, None, "out", "hello"]))
            if draw(st.integers(0, 3)) == 0:
                more["position"] = {"lat": -46.5, "lon": draw(st.sampled_from([20.1, 20.2]))}
            caller = draw(st.sampled_from([*STATIONS, "NOBODY"]))
            over = draw(st.sampled_from([f"o{number}", "shared"]))
            said.append(teller.heard(ms, caller, over, port, **more))
        elif kind == "r":
            action = draw(st.sampled_from(["carrying", "released", "sent"]))
            source = draw(st.sampled_from([None, *GATEWAYS]))
            more = {"over": draw(st.sampled_from(["o1", "o2"])), "from_gateway": source}
            said.append(teller.route(ms, draw(st.sampled_from(GROUPS)), action, port, **more))
        else:
            flip = {"up": draw(st.booleans()), "changed_at": moment(draw(moments))}
            lost = [{"id": f"{teller.gateway}/uhf", **flip}]
            said.append(
                teller.state(
                    ms,
                    up=draw(st.booleans()),
                    session=draw(st.integers(0, 2)),
                    repeaters=draw(st.sampled_from([[], lost])),
                    clock_offset_s=draw(st.sampled_from([0.0, 0.0, None])),
                )
            )
    return [m for m in said if draw(st.integers(0, 9))]


@dataclass
class Delivery:
    """How a history reaches the workers."""

    batches: list[list[Incoming]]
    workers: int
    choices: list[int]


@st.composite
def deliveries(draw: st.DrawFn, said: list[Incoming]) -> Delivery:
    order = draw(st.permutations(said)) if said else []
    repeated = [m for m in order for _ in range(draw(st.sampled_from((1, 1, 1, 2))))]
    batches, at = [], 0
    while at < len(repeated):
        size = draw(st.integers(1, 8))
        batches.append(repeated[at : at + size])
        at += size
    choices = draw(st.lists(st.integers(0, 99), min_size=1, max_size=60))
    return Delivery(batches, draw(st.integers(1, 4)), choices)


def finish(bench: Bench, client: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """Let leases end and deadlines pass, then read the result."""
    for _ in range(3):
        bench.clock.advance_s(4)
        bench.worker().settle()
    return canonical(client, "scene"), retained_content(bench.retained)


def begin(bench: Bench) -> BenchWorker:
    """A region that is already in service: groups and gateways are known since its start."""
    worker = bench.worker()
    worker.store.prepare(bench.clock.now_ms())
    worker.settle()
    return worker


def in_order(url: str | RedisAddress, said: Sequence[Incoming]) -> Bench:
    bench = Bench(region(), url)
    worker = begin(bench)
    worker.run(said)
    return bench


def disturbed(url: str | RedisAddress, delivery: Delivery) -> Bench:
    """Workers take turns step by step; one step in ten a worker dies and its batch comes again."""
    bench = Bench(region(), url)
    begin(bench)
    waiting = list(delivery.batches)
    running: dict[int, tuple[Any, list[Incoming], BenchWorker]] = {}
    crashes, turn = 0, 0
    while waiting or running:
        choice = delivery.choices[turn % len(delivery.choices)] + turn
        turn += 1
        slot = choice % delivery.workers
        if slot not in running:
            if waiting:
                batch = waiting.pop(0)
                worker = bench.worker()
                running[slot] = (worker.steps(batch), batch, worker)
            continue
        steps, batch, _ = running[slot]
        if choice % 10 == 7 and crashes < 5:
            crashes += 1
            del running[slot]
            waiting.append(batch)
        elif next(steps, None) is None:
            del running[slot]
    return bench


def expected(
    said: Sequence[Incoming],
) -> tuple[dict[str, str], dict[str, set[str]], dict[str, int]]:
    """Places, members and counts by the plainest reading of the rules (common practice, no
    source): keying to a group checks in, any keying moves, a word checks out, the newest wins."""
    places: dict[str, tuple[Any, str]] = {}
    came: dict[tuple[str, str], int] = {}
    left: dict[tuple[str, str], int] = {}
    seen: dict[str, set[tuple[str, int]]] = defaultdict(set)
    for m in said:
        gateway, kind = m.topic.split("/")[3:]
        e = json.loads(m.payload)
        if kind == "state":
            continue
        seen[gateway].add((e["boot"], e["seq"]))
        if kind != "heard" or e["station"] == "NOBODY":
            continue
        ms = _ms(e["started_at"])
        stamp = (ms, gateway, e["boot"], e["seq"])
        station, to = e["station"], e["to"]
        places[station] = max(places.get(station, (stamp, e["repeater"])), (stamp, e["repeater"]))
        out = (e.get("text") or "").upper() == "OUT"
        if to in GROUPS:
            came[to, station] = max(came.get((to, station), 0), ms)
        if out:
            for group in [to] if to in GROUPS else GROUPS:
                left[group, station] = max(left.get((group, station), 0), ms)
    newest = {s: stamp[0] for s, (stamp, _) in places.items()}
    members: dict[str, set[str]] = {g: set() for g in GROUPS}
    for (group, station), ms in came.items():
        alive = newest[station] + 240_000 > START_MS + 12_000
        if ms > left.get((group, station), 0) and alive:
            members[group].add(station)
    where = {s: repeater for s, (_, repeater) in places.items()}
    return where, members, {g: len(ids) for g, ids in seen.items()}


Knowledge = tuple[dict[str, set[int]], dict[tuple[str, str], list[Any]]]


def expected_knowledge(said: Sequence[Incoming]) -> Knowledge:
    """By station when it was heard, in minutes of 60 s; by repeater and station what its ends told,
    each event once. Common practice, no source."""
    present: dict[str, set[int]] = defaultdict(set)
    ends: dict[tuple[str, str], list[Any]] = defaultdict(list)
    for m in said:
        e = json.loads(m.payload)
        if m.topic.endswith("/heard") and e["station"] != "NOBODY":
            present[e["station"]].add(_ms(e["started_at"]) // 60_000 * 60)
            if e["phase"] == "end":
                ends[e["repeater"], e["station"]].append(e["rssi_dbm"])
    return present, ends


def _ms(text: str) -> int:
    from datetime import datetime

    return round(datetime.fromisoformat(text).timestamp() * 1000)


Address = str | RedisAddress
Empty = Callable[[], object]


def the_same_state_comes_about(data: st.DataObject, url: Address, empty: Empty) -> None:
    """On the Redis of that address, which is emptied first."""
    said = data.draw(histories())
    delivery = data.draw(deliveries(said))
    with connect(url) as client:
        empty()
        plain = finish(in_order(url, said), client)
        empty()
        rough = finish(disturbed(url, delivery), client)
    assert rough[0] == plain[0]
    assert rough[1] == plain[1]


@PATIENT
@given(data=st.data())
def test_any_order_repetition_split_and_crash_gives_the_same_state(
    data: st.DataObject, redis_server: Redis
) -> None:
    with redis_server.client() as client:
        the_same_state_comes_about(data, redis_server.url, client.flushall)


@PATIENT
@given(data=st.data())
def test_state_agrees_with_the_plain_reading_of_the_rules(
    data: st.DataObject, redis_server: Redis
) -> None:
    with redis_server.client() as client:
        the_plain_reading_agrees(data, redis_server.url, client.flushall)


def the_plain_reading_agrees(data: st.DataObject, url: Address, empty: Empty) -> None:
    """On the Redis of that address, which is emptied first."""
    said = data.draw(histories())
    delivery = data.draw(deliveries(said))
    with connect(url) as client:
        empty()
        bench = disturbed(url, delivery)
        finish(bench, client)
    places, members, counts = expected(said)
    store = bench.worker().store
    for station, repeater in places.items():
        record = store.station(station)
        assert record is not None
        assert record.place.repeater == repeater
    for group in GROUPS:
        roster = json.loads(bench.retained[f"net/scene/reach/{group}"])["members"]
        present = {m["station"] for m in roster if m["standing"] not in ("expired", "checked_out")}
        assert present == members[group]
    heard, ends = expected_knowledge(said)
    assert store.presences(list(STATIONS)) == {
        station: tuple(sorted(grains, reverse=True)) for station, grains in heard.items()
    }
    for repeater in REPEATERS:
        found = store.learned(repeater, START_MS).stations
        assert found.keys() == {station for where, station in ends if where == repeater}
        for station, sums in found.items():
            signals = [rssi for rssi in ends[repeater, station] if rssi is not None]
            assert (sums.overs, sums.signals) == (len(ends[repeater, station]), len(signals))
            assert sums.signal_sum == pytest.approx(sum(signals))
    for gateway, count in counts.items():
        kept = store.gateway(gateway).counts
        assert sum(n for tally, n in kept.items() if tally != "duplicate") == count
