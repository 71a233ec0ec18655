"""Time on the air that fan-outs save, through a worker's own steps, against sums made on paper.

The region has six repeaters, `REPEATERS`. Whether what is counted is what ought to be counted is
worked out beside each test; no source but the words of the issue (sent on the repeaters of the
fan-out, against every repeater of the region's file).
"""

import json
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.exposition import generate_latest
from prometheus_client.parser import text_string_to_metric_families as families

from streamer.mqtt.connection import Incoming
from streamer.state.air import AirSums, hours_of_day
from streamer.state.base import StoreUnavailable
from streamer.state.store import Store
from streamer.worker import air as worker_air
from streamer.worker.air import AirTime, air_time_of
from streamer.worker.batch import Batch
from streamer.worker.merger import Merged, Merger
from streamer.worker.metrics import Metrics
from tests.integration.stage import Stage
from tests.servers import Mosquitto, Redis, wait_until
from tests.state.scene import (
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
SECOND_MS, HOUR_MS = 1000, 3_600_000


def air_of(text: str) -> dict[str, float]:
    """What Prometheus would read. Source of the reading: its own client library."""
    return {
        s.name.removeprefix("streamer_air_"): s.value
        for family in families(text)
        for s in family.samples
        if s.name.startswith("streamer_air_") and s.name.endswith("_total")
    }


class Counting:
    """A worker that counts as the loop does: merged, counted, then looked at."""

    def __init__(self, bench: Bench) -> None:
        self.worker: BenchWorker = bench.worker()
        self.store: Store = self.worker.store
        self.metrics = Metrics()
        self.air = AirTime(self.store, self.metrics)
        self._merger = Merger(self.store)

    def merge(self, messages: Sequence[Incoming]) -> Merged:
        now_ms = self.worker.bench.clock.now_ms()
        batch = Batch()
        for message in messages:
            self.worker.intake.take(message, now_ms, batch)
        assert not batch.refusals
        self._merger.begin(Merged(batch, now_ms))
        merged = self._merger.finish()
        assert merged is not None
        return merged

    def say(self, *messages: Incoming) -> None:
        self.air.count(self.merge(messages))
        self.worker.settle()

    def exposed(self) -> dict[str, float]:
        return air_of(generate_latest(self.metrics.registry).decode())


class Net:
    """The region in service, and what its gateways say."""

    def __init__(self, url: str, workers: int = 1, **changes: Any) -> None:
        self.bench = Bench(region(**changes), url)
        self.workers = [Counting(self.bench) for _ in range(workers)]
        self.tellers = {name: Teller(name) for name in ("ridge", "lake", "mill")}
        self.workers[0].store.prepare(START_MS)
        self.workers[0].worker.settle()

    @property
    def sums(self) -> AirSums:
        return self.workers[0].store.air_sums(hours_of_day(self.bench.clock.now_ms()))

    def end(
        self, station: str, repeater: str, over: str, lasted_s: float, to: str | None = "RESCUE",
        ago_s: float = 0.0, **more: Any,
    ) -> Incoming:  # fmt: skip
        gateway, port = repeater.split("/")
        ended_ms = self.bench.clock.now_ms() - round(ago_s * 1000)
        said = {"to": to, "phase": "end", "duration_s": lasted_s, "sent_at": moment(ended_ms)}
        began_ms = ended_ms - round(lasted_s * 1000)
        return self.tellers[gateway].heard(began_ms, station, over, port, **said, **more)


@pytest.fixture
def net(empty_redis: Redis) -> Net:
    return Net(empty_redis.url)


# -- one over ----------------------------------------------------------------------------------


def test_what_one_over_costs() -> None:
    """10 s heard on a, wanted on a, b and c of five: sent on b and c, 2 x 10 s; flooded on b, c,
    d and e, 4 x 10 s. Heard on d, which nobody wants: sent on a, b and c. Nobody wants it: 0."""
    five = ("a", "b", "c", "d", "e")
    assert air_time_of([10_000], "a", ("a", "b", "c"), five) == AirSums(1, 10_000, 20_000, 40_000)
    assert air_time_of([10_000], "d", ("a", "b", "c"), five) == AirSums(1, 10_000, 30_000, 40_000)
    assert air_time_of([10_000], "a", (), five) == AirSums(1, 10_000, 0, 40_000)
    assert air_time_of([6000, 4000], "a", ("b",), five) == AirSums(2, 10_000, 10_000, 40_000)


def test_what_the_region_file_does_not_name_is_not_saved() -> None:
    """With open_gateways x may be wanted and y may hear: wanted on a and x of a, b, x; heard on y,
    it would go to all three."""
    assert air_time_of([1000], "y", ("a", "x"), ("a", "b")) == AirSums(1, 1000, 2000, 3000)


def test_no_fan_out_costs_more_than_flooding() -> None:
    """Source: the same said by a loop over single repeaters."""
    chance = random.Random(3)
    names = [f"g/{n}" for n in range(8)]
    for _ in range(300):
        everywhere = chance.sample(names, chance.randint(0, 8))
        wanted = chance.sample(names, chance.randint(0, 8))
        heard, lasted_ms = chance.choice(names), chance.randint(1, 60_000)
        carried = flooded = 0
        for name in names:
            if name != heard:
                carried += lasted_ms if name in wanted else 0
                flooded += lasted_ms if name in wanted or name in everywhere else 0
        found = air_time_of([lasted_ms], heard, wanted, everywhere)
        assert (found.carried_ms, found.flooded_ms) == (carried, flooded)
        assert found.carried_ms <= found.flooded_ms


# -- a day on paper ----------------------------------------------------------------------------


def test_a_day_on_paper(net: Net) -> None:
    """RESCUE is pinned to mill/vhf, five repeaters are there beside the one that heard an over.

    over  where      lasts  fan-out when it is counted         carried    flooded
    a     ridge/uhf  2 s    mill/vhf                           1 x 2 =  2 5 x 2 = 10
    b     lake/uhf   6 s    mill/vhf ridge/uhf                 2 x 6 = 12 5 x 6 = 30
    c     ridge/uhf  10 s   lake/uhf mill/vhf ridge/uhf        2 x 10= 20 5 x 10= 50
    d     mill/vhf   4 s    the same (QC3GHI keys at a pin)    2 x 4 =  8 5 x 4 = 20
                     22 s                                           42         110

    Saved: 68 of 110, 61.8 %.
    """
    worker = net.workers[0]
    for station, repeater, over, lasted_s in (
        ("QA1ABC", "ridge/uhf", "a", 2),
        ("QB2DEF", "lake/uhf", "b", 6),
        ("QA1ABC", "ridge/uhf", "c", 10),
        ("QC3GHI", "mill/vhf", "d", 4),
    ):
        net.bench.clock.advance_s(1)
        worker.say(net.end(station, repeater, over, lasted_s))
    assert net.sums == AirSums(4, 22_000, 42_000, 110_000)
    assert net.sums.saved_pct == pytest.approx(61.8, abs=0.02)
    assert worker.exposed() == {
        "addressed_seconds_total": 22,
        "carried_seconds_total": 42,
        "everywhere_seconds_total": 110,
    }


def test_many_overs_in_one_batch_meet_the_same_fan_outs(net: Net) -> None:
    """NET wants nothing yet: 0 carried of 5 x 3 s; RESCUE its pin: 1 x 2 s of 5 x 2 s."""
    net.workers[0].say(
        net.end("QA1ABC", "ridge/uhf", "a", 3, "NET"), net.end("QB2DEF", "lake/uhf", "b", 2)
    )
    assert net.sums == AirSums(2, 5000, 2000, 25_000)


def test_what_is_not_said_to_a_group_costs_nothing(net: Net) -> None:
    """No group, another station, no call sign, the start of an over though it tells a duration, an
    end that tells none."""
    net.workers[0].say(
        net.end("QA1ABC", "ridge/uhf", "a", 3, None),
        net.end("QA1ABC", "ridge/uhf", "b", 3, "QB2DEF"),
        net.end("NOBODY", "ridge/uhf", "c", 3),
        net.tellers["ridge"].heard(
            START_MS - 3000, "QA1ABC", "d", to="RESCUE", duration_s=3, sent_at=moment(START_MS)
        ),
        net.tellers["ridge"].heard(START_MS, "QA1ABC", "e", to="RESCUE", phase="end"),
        net.tellers["ridge"].route(START_MS, "RESCUE", "sent", over="a"),
        net.tellers["lake"].state(START_MS),
    )
    assert net.sums == AirSums()
    assert set(net.workers[0].exposed().values()) == {0}


# -- once --------------------------------------------------------------------------------------


def test_an_over_that_several_repeaters_heard_counts_once(net: Net) -> None:
    """In one batch, and in a later one; another station's over of the same name is another."""
    worker = net.workers[0]
    worker.say(net.end("QA1ABC", "ridge/uhf", "a", 2), net.end("QA1ABC", "lake/uhf", "a", 2))
    assert net.sums == AirSums(1, 2000, 2000, 10_000)
    worker.say(net.end("QA1ABC", "mill/uhf", "a", 2))
    assert net.sums.overs == 1
    worker.say(net.end("QB2DEF", "mill/uhf", "a", 2))
    assert net.sums.overs == 2


def test_what_comes_twice_counts_once(net: Net) -> None:
    """Also to a worker that does not know the over: its number was counted before."""
    said = net.end("QA1ABC", "ridge/uhf", "a", 2)
    net.workers[0].say(said, said)
    net.workers[0].say(said)
    Counting(net.bench).say(said)
    assert net.sums == AirSums(1, 2000, 2000, 10_000)


def test_only_the_newest_overs_are_remembered(net: Net, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of three remembered the first is forgotten with the fourth, and counts again."""
    monkeypatch.setattr(worker_air, "OVERS_KEPT", 3)
    worker = net.workers[0]
    for number in range(4):
        worker.say(net.end("QA1ABC", "ridge/uhf", f"o{number}", 1))
    for number, counted in ((3, 4), (1, 4), (0, 5)):
        worker.say(net.end("QA1ABC", "lake/uhf", f"o{number}", 1))
        assert net.sums.overs == counted


def test_two_workers_add_to_the_same_sums(empty_redis: Redis) -> None:
    """Each over comes to one of them; one is told to both and counts twice, in every sum alike."""
    net = Net(empty_redis.url, workers=2)
    for number in range(6):
        net.workers[number % 2].say(net.end("QA1ABC", "ridge/uhf", f"o{number}", 2, "TALK"))
    # The first finds nobody; from then on ridge/uhf alone is wanted, where each was heard.
    assert net.sums == AirSums(6, 12_000, 0, 60_000)
    net.workers[0].say(net.end("QA1ABC", "ridge/uhf", "shared", 1, "TALK"))
    net.workers[1].say(net.end("QA1ABC", "lake/uhf", "shared", 1, "TALK"))
    assert net.sums == AirSums(8, 14_000, 1000, 70_000)
    exposed = [worker.exposed()["everywhere_seconds_total"] for worker in net.workers]
    assert sum(exposed) == 70


# -- time, bad times ---------------------------------------------------------------------------


def test_an_over_counts_in_the_hour_in_which_it_began(net: Net) -> None:
    """Half an hour ago, told late: judged by the fan-out of now, since no other is known."""
    net.workers[0].say(net.end("QA1ABC", "ridge/uhf", "a", 2, ago_s=1800))
    hour = (START_MS - 1_802_000) // HOUR_MS
    assert net.workers[0].store.air_sums([hour]).overs == 1
    net.bench.clock.advance_s(25 * 3600)
    assert net.sums == AirSums()


def test_a_group_that_no_worker_has_looked_at_is_left_out(empty_redis: Redis) -> None:
    """Its fan-out is not known, which is not the same as empty."""
    bench = Bench(region(), empty_redis.url)
    worker = Counting(bench)
    said: dict[str, Any] = {"to": "RESCUE", "phase": "end", "duration_s": 2}
    said["sent_at"] = moment(START_MS)
    worker.air.count(worker.merge([Teller("ridge").heard(START_MS - 2000, "QA1ABC", "a", **said)]))
    assert worker.store.air_sums(hours_of_day(START_MS)) == AirSums()
    assert set(worker.exposed().values()) == {0}


def test_redis_away_is_told_and_nothing_is_counted() -> None:
    server = Redis()
    server.start()
    net = Net(server.url)
    worker = net.workers[0]
    merged = worker.merge([net.end("QA1ABC", "ridge/uhf", "a", 2)])
    server.close()
    with pytest.raises(StoreUnavailable):
        worker.air.count(merged)
    assert set(worker.exposed().values()) == {0}


def test_a_new_region_file_counts_from_then_on(net: Net) -> None:
    """Two of six repeaters are gone: 3 x 2 s instead of 5 x 2 s."""
    worker = net.workers[0]
    worker.store.view = region(
        gateway=[
            {"id": "ridge", "repeater": [{"id": "uhf"}, {"id": "vhf"}]},
            {"id": "mill", "repeater": [{"id": "uhf"}, {"id": "vhf"}]},
        ],
        group=[{"name": "RESCUE", "pins": ["mill/vhf"]}],
    )
    worker.say(net.end("QA1ABC", "ridge/uhf", "a", 2))
    assert net.sums == AirSums(1, 2000, 2000, 6000)


def test_a_long_random_day_is_the_sum_of_its_overs(empty_redis: Redis) -> None:
    """Source: the fan-out that was published last before each over, as a reader of its topic has
    it, and a plain sum."""
    net, chance = Net(empty_redis.url), random.Random(11)
    expected = [0, 0, 0, 0]
    for number in range(60):
        net.bench.clock.advance_s(chance.choice((1, 3, 20, 70)))
        net.workers[0].worker.settle()
        group, heard = chance.choice(("RESCUE", "NET", "TALK")), chance.choice(REPEATERS)
        text = net.bench.retained.get(f"net/scene/fanout/{group}", '{"repeaters": []}')
        wanted = {entry["repeater"] for entry in json.loads(text)["repeaters"]}
        lasted_s = chance.randint(1, 9)
        net.workers[0].say(net.end(chance.choice(STATIONS), heard, f"o{number}", lasted_s, group))
        others = sum(repeater != heard for repeater in wanted)
        for n, value in enumerate((1, lasted_s, others * lasted_s, 5 * lasted_s)):
            expected[n] += value * (SECOND_MS if n else 1)
    assert net.sums == AirSums(*expected)
    assert 0 < net.sums.carried_ms < net.sums.flooded_ms


# -- in service --------------------------------------------------------------------------------


@pytest.mark.mosquitto
def test_a_worker_in_service_counts(
    tmp_path: Path, mosquitto: Mosquitto, empty_redis: Redis
) -> None:
    """TALK is pinned to lake/uhf, of three repeaters two do not hear: 1 x 4 s of 2 x 4 s."""
    ports = {"ridge": ["uhf"], "lake": ["uhf"], "mill": ["uhf"]}
    gateways = [{"id": g, "repeater": [{"id": p} for p in found]} for g, found in ports.items()]
    content: dict[str, Any] = {"region": "air", "extra_prefixes": ["Q"], "gateway": gateways}
    stage = Stage(tmp_path, mosquitto, empty_redis, **content,
                  group=[{"name": "TALK", "pins": ["lake/uhf"]}])  # fmt: skip
    try:
        worker = stage.worker()
        wait_until(lambda: stage.wanted("TALK"), "the first fan-out")
        now_ms = stage.now_ms
        said: dict[str, Any] = {"phase": "end", "duration_s": 4, "sent_at": moment(now_ms)}
        stage.say(Teller("ridge").heard(now_ms - 4000, "QA1ABC", "a", to="TALK", **said))
        hours = hours_of_day(now_ms)
        wait_until(lambda: stage.store.air_sums(hours).overs, "the over to be counted")
        assert stage.store.air_sums(hours) == AirSums(1, 4000, 4000, 8000)
        status, text = worker.get("/metrics")
        assert status == 200
        assert air_of(text) == {
            "addressed_seconds_total": 4,
            "carried_seconds_total": 4,
            "everywhere_seconds_total": 8,
        }
        assert worker.stop() == 0
    finally:
        stage.close()
