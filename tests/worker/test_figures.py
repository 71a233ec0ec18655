"""The region's figures: every worker tells the same, whoever has worked them out."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from prometheus_client import generate_latest
from prometheus_client.parser import text_string_to_metric_families as families

from streamer.clock import ManualClock
from streamer.config import RegionView
from streamer.state.shapes import OutMessage
from streamer.state.store import Store, connect
from streamer.worker.figures import ROUND, RegionFigures
from streamer.worker.metrics import Metrics
from tests.servers import Redis
from tests.state.scene import GATEWAYS, REPEATERS, START_MS, Bench, Teller, region

pytestmark = pytest.mark.redis
Series = dict[tuple[str, ...], float]


@dataclass
class Onlooker:
    """A worker that has worked nothing out itself."""

    store: Store
    clock: ManualClock
    metrics: Metrics = field(default_factory=Metrics)

    def __post_init__(self) -> None:
        self.figures = RegionFigures(self.store, self.metrics)

    def look(self, rounds: int = 1) -> None:
        for _ in range(rounds * self.figures.parts):
            self.clock.advance_s(1)
            self.figures.tick(self.clock.now_ms())

    def series(self, name: str) -> Series:
        """Values by the values of the labels, those in the order of their names."""
        text = generate_latest(self.metrics.registry).decode()
        return {
            tuple(value for _, value in sorted(sample.labels.items())): sample.value
            for family in families(text)
            for sample in family.samples
            if sample.name == name
        }

    def one(self, name: str) -> float:
        return self.series(name)[()]


class World:
    def __init__(self, store: Redis) -> None:
        self.bench = Bench(region(), store.url, ManualClock(START_MS))
        self.worker = self.bench.worker()
        self.worker.store.prepare(START_MS)
        self.onlooker = Onlooker(Store(connect(store.url), self.bench.view), self.bench.clock)
        self.tellers = {name: Teller(name) for name in GATEWAYS}
        self.run(*(t.state(START_MS, clock_offset_s=0.25) for t in self.tellers.values()))

    def run(self, *messages: Any) -> None:
        self.worker.run(list(messages))
        self.worker.settle()

    @property
    def now_ms(self) -> int:
        return self.bench.clock.now_ms()


@pytest.fixture
def world(empty_redis: Redis) -> Iterator[World]:
    made = World(empty_redis)
    yield made
    for store in (made.worker.store, made.onlooker.store):
        store._client.close()


def test_groups_are_told_as_they_were_published(world: World) -> None:
    ridge, lake, now_ms = world.tellers["ridge"], world.tellers["lake"], START_MS
    world.run(
        ridge.heard(now_ms, "QA1ABC", "o1", to="NET"),
        lake.heard(now_ms, "QB2DEF", "o2", to="NET"),
        ridge.route(now_ms, "NET", "carrying"),
        ridge.route(now_ms, "TALK", "carrying", "vhf"),
    )
    world.onlooker.look()
    members = world.onlooker.series("streamer_group_members")
    standings = ("blind", "in_reach", "out_of_reach", "overdue")
    assert members == {
        (group, s): 2.0 if (group, s) == ("NET", "in_reach") else 0.0
        for group in ("NET", "RESCUE", "TALK")
        for s in standings
    }
    # By hand: two members on ridge/uhf (says it carries) and lake/uhf (its gateway says nothing of
    # routes); RESCUE has its pin alone, TALK nobody and a repeater that carries it all the same.
    carriage = world.onlooker.series("streamer_fanout_repeaters")
    there = {key: n for key, n in carriage.items() if n}
    assert there == {
        ("carried", "NET"): 1.0,
        ("unknown", "NET"): 1.0,
        ("unknown", "RESCUE"): 1.0,
    }
    idle = world.onlooker.series("streamer_idle_repeaters")
    assert idle == {("NET",): 0.0, ("RESCUE",): 0.0, ("TALK",): 1.0}
    world.run(ridge.route(now_ms, "TALK", "released", "vhf"))
    world.onlooker.look()
    assert world.onlooker.series("streamer_idle_repeaters")[("TALK",)] == 0.0


def test_gateways_are_told_as_they_stand(world: World) -> None:
    onlooker, ridge = world.onlooker, world.tellers["ridge"]
    repeaters = [{"id": "ridge/uhf", "up": True}, {"id": "ridge/vhf", "up": False}]
    world.run(
        ridge.state(world.now_ms, clock_offset_s=-1.5, repeaters=repeaters),
        world.tellers["lake"].state(world.now_ms, up=False),
    )
    onlooker.look()
    up = onlooker.series("streamer_gateway_up")
    assert up == {("ridge",): 1.0, ("lake",): 0.0, ("mill",): 1.0}
    hears = onlooker.series("streamer_repeater_up")
    assert {r for (r,), n in hears.items() if n} == {"ridge/uhf", "mill/uhf", "mill/vhf"}
    assert set(hears) == {(r,) for r in REPEATERS}
    offsets = onlooker.series("streamer_gateway_clock_offset_seconds")
    assert offsets[("ridge",)] == -1.5
    world.bench.clock.advance_s(91)  # gateway_lost_after_s = 90: by the clock alone
    onlooker.look()
    assert not any(onlooker.series("streamer_gateway_up").values())


def test_holes_are_told_within_a_round_of_all_gateways(world: World) -> None:
    mill = world.tellers["mill"]
    first, _lost, third = (mill.heard(world.now_ms, "QA1ABC", f"o{n}", to="NET") for n in range(3))
    world.run(first, third)
    world.onlooker.look(ROUND)
    missing = world.onlooker.series("streamer_gateway_events_missing")
    assert missing == {("ridge",): 0.0, ("lake",): 0.0, ("mill",): 1.0}


def test_what_the_region_file_no_longer_names_is_told_no_more(world: World) -> None:
    world.onlooker.look(ROUND)
    view: RegionView = region(
        group=[{"name": "NET"}], gateway=[{"id": "mill", "repeater": [{"id": "uhf"}]}]
    )
    world.onlooker.store.view = view
    world.onlooker.look(ROUND)
    told = {
        name: {labels[-1] for labels in world.onlooker.series(name)}
        for name in ("streamer_gateway_up", "streamer_gateway_events_missing",
                     "streamer_repeater_up", "streamer_idle_repeaters")
    }  # fmt: skip
    assert told == {
        "streamer_gateway_up": {"mill"},
        "streamer_gateway_events_missing": {"mill"},
        "streamer_repeater_up": {"mill/uhf"},
        "streamer_idle_repeaters": {"NET"},
    }
    assert {g for g, _ in world.onlooker.series("streamer_group_members")} == {"NET"}


def test_a_counter_is_there_before_it_counts(world: World) -> None:
    """To Prometheus a counter that appears with its first count has not grown."""
    world.onlooker.look()
    floods = world.onlooker.series("streamer_flooded_total")
    assert floods == {(name,): 0.0 for name in GATEWAYS}
    assert world.onlooker.series("streamer_refused_total")[("late",)] == 0.0


def test_beats_that_do_not_come_are_counted(world: World) -> None:
    onlooker = world.onlooker
    every_s = world.bench.view.region.alerts.beat_s
    onlooker.look()
    assert onlooker.one("streamer_beats_missing") == 0.0
    topic = f"net/{world.bench.view.name}/beat"
    made_ms = world.now_ms
    beat = OutMessage(topic, str(made_ms), f'{{"next_within_s": {every_s}}}', True)
    partition = world.worker.store.keys.published("alerts")
    world.worker.store._client.hset(partition, topic, beat.content())
    for beats in (0, 1, 2, 3):
        world.bench.clock.advance_s((made_ms - world.now_ms) / 1000 + (beats + 0.5) * every_s)
        for _ in range(onlooker.figures.parts):
            onlooker.figures.tick(world.now_ms)
        assert onlooker.one("streamer_beats_missing") == beats


def test_redis_is_told_of_as_it_tells_of_itself(empty_redis: Redis) -> None:
    """Source: the server's own answer to CONFIG GET and INFO."""
    with empty_redis.client() as client:
        client.config_set("maxmemory", 200_000_000)
        try:
            onlooker = Onlooker(Store(connect(empty_redis.url), region()), ManualClock(START_MS))
            onlooker.look()
            assert onlooker.one("streamer_redis_memory_limit_bytes") == 200_000_000
            used = onlooker.one("streamer_redis_memory_bytes")
            assert 0.5 < used / client.info("memory")["used_memory"] < 2
            assert onlooker.one("streamer_redis_durable") == 0.0  # this one keeps nothing on disk
            client.config_set("maxmemory", 0)
            onlooker.look()
            whole = client.info("memory")["total_system_memory"]
            assert onlooker.one("streamer_redis_memory_limit_bytes") == whole
        finally:
            client.config_set("maxmemory", 0)
            onlooker.store._client.close()


def test_a_redis_that_keeps_its_writes_is_durable() -> None:
    server = Redis(aof=True)
    server.start()
    try:
        onlooker = Onlooker(Store(connect(server.url), region()), ManualClock(START_MS))
        onlooker.look()
        assert onlooker.one("streamer_redis_durable") == 1.0
        onlooker.store._client.close()
    finally:
        server.close()


def test_a_redis_that_may_not_be_asked_is_not_known(empty_redis: Redis) -> None:
    with empty_redis.client() as client:
        client.execute_command("ACL", "SETUSER", "mute", "on", ">x", "~*", "+@all", "-info")
        try:
            url = empty_redis.url.replace("unix://", "unix://mute:x@")
            onlooker = Onlooker(Store(connect(url), region()), ManualClock(START_MS))
            onlooker.look()
            assert math.isnan(onlooker.one("streamer_redis_memory_bytes"))  # and nothing failed
            onlooker.store._client.close()
        finally:
            client.execute_command("ACL", "DELUSER", "mute")
