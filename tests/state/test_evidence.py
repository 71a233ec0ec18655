"""What the law of silence is told by the state: enough, not too much, and nothing read twice."""

from dataclasses import replace
from typing import Any

import pytest

from streamer.domain.membership import when_silent_ms
from streamer.domain.model import GroupSnapshot, Summary
from streamer.domain.outlook import Signs
from streamer.domain.verdict import Silences, Verdict
from streamer.state import evidence, keys
from streamer.state.evidence import SAMPLE, SETTLED_MS, Evidence
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis
MINUTE_MS = 60_000
DAY_MS = 86_400_000
LEARNED = {
    "overdue_soonest_s": 300,
    "out_of_reach_soonest_s": 480,
    "overdue_after_s": 7200,
    "out_of_reach_after_s": 10_800,
    "expire_after_s": 14_400,
    "late_after_s": 60 * 86_400,
}


class World:
    """A region whose stations have keyed to NET; `signs` are what was asked of the watcher."""

    def __init__(self, url: str, **changes: Any) -> None:
        self.bench = Bench(region(policy=LEARNED, **changes), url)
        self.worker: BenchWorker = self.bench.worker()
        self.store = self.worker.store
        self.client = self.store._client
        self.client.flushall()
        self.ridge = Teller("ridge")
        self.evidence = Evidence(self.store)

    def hear(self, station: str, *minutes: float, **more: Any) -> None:
        """Minutes before now, oldest first."""
        self.worker.run(
            [
                self.ridge.heard(
                    self.bench.clock.now_ms() - round(m * MINUTE_MS), station,
                    f"{station}{self.ridge.seq}", to="NET", **more,
                )
                for m in minutes
            ]
        )  # fmt: skip

    def group(self) -> GroupSnapshot:
        return self.store.groups(["NET"])[0]

    def member(self, station: str) -> Summary:
        return next(s for s in self.group().members if s.station == station)

    def silences(self, duties: Any = ()) -> Silences:
        ask = self.evidence.silences(self.group(), duties, self.bench.clock.now_ms())
        assert ask is not None
        return ask()

    def verdict(self, station: str) -> Verdict:
        start_ms = self.member(station).place.ms
        silence_s = (self.bench.clock.now_ms() - start_ms) / 1000
        return self.silences().verdict(
            station, start_ms, silence_s, (),
            lambda s: when_silent_ms(start_ms, round(s * 1000), ()),
        )  # fmt: skip

    def commands(self, name: str) -> int:
        """How often it was given since the last time."""
        stats: Any = self.client.info("commandstats")
        self.client.config_resetstat()
        return int(stats.get(f"cmdstat_{name}", {}).get("calls", 0))


@pytest.fixture
def world(redis_server: Redis) -> World:
    return World(redis_server.url)


OFTEN = range(200, 20, -3)


def test_nothing_is_asked_where_nothing_is_learned(redis_server: Redis) -> None:
    world = World(redis_server.url, learning={"enabled": False})
    world.hear("QA1ABC", 5)
    assert world.evidence.silences(world.group(), (), START_MS) is None


def test_who_keys_often_is_missed_before_one_of_whom_little_is_known(world: World) -> None:
    world.hear("QA1ABC", *OFTEN)
    world.hear("QB2DEF", 21)
    known, unknown = world.verdict("QA1ABC"), world.verdict("QB2DEF")
    assert known.newest is not None
    assert unknown.newest is not None
    assert known.overdue_s < unknown.overdue_s
    assert known.lost_s < unknown.lost_s
    assert known.newest.pauses > 4 > unknown.newest.pauses


class TestPresences:
    def test_they_are_read_once_for_each_revision(self, world: World) -> None:
        for name in ("QA1ABC", "QB2DEF", "QC3GHI"):
            world.hear(name, 30, 20, 10)
        snapshot = world.group()
        ask = world.evidence.silences(snapshot, (), START_MS)
        world.commands("hget")
        assert ask is not None
        assert world.commands("hget") == 0  # not before somebody asks
        ask()
        assert world.commands("hget") == 3
        ask()
        world.silences()
        world.verdict("QA1ABC")
        assert world.commands("hget") == 0
        world.hear("QB2DEF", 5)
        world.commands("hget")
        world.silences()
        assert world.commands("hget") == 1

    def test_one_that_came_late_is_read(self, world: World) -> None:
        """Though the record has newer ones only: it is no longer than 16 overs."""
        world.hear("QA1ABC", *OFTEN)
        world.verdict("QA1ABC")
        before = world.store.presences(["QA1ABC"])["QA1ABC"]
        world.hear("QA1ABC", 199)
        world.commands("hget")
        world.verdict("QA1ABC")
        assert world.commands("hget") >= 1
        after = world.evidence._presence(world.member("QA1ABC"))
        assert set(after) - set(before) == {(START_MS - 199 * MINUTE_MS) // 1000}

    def test_another_region_file_reads_them_anew(self, world: World) -> None:
        world.hear("QA1ABC", 30, 20)
        world.silences()
        world.commands("hget")
        world.store.view = region(policy=LEARNED, learning={"station_dbm": 40})
        world.silences()
        assert world.commands("hget") == 1

    def test_few_stand_for_many(self, world: World) -> None:
        names = [f"Q{letter}{n}ABC" for letter in "ABCDEFGHIJ" for n in range(8)]
        for name in names:
            world.hear(name, 30)
        assert len(names) > SAMPLE
        world.commands("hget")
        silences = world.silences()
        assert world.commands("hget") == len(names)  # all have been silent for half an hour
        first = silences._sample
        assert set(first) < set(names)
        assert len(first) == SAMPLE
        world.hear(names[0], 5)
        assert world.silences()._sample == first

    def test_who_has_long_gone_does_not_stand_for_the_group(self, world: World) -> None:
        """Twice 4 h: who was a member at the oldest look that is asked about is in it."""
        world.hear("QA1ABC", 481)
        world.hear("QB2DEF", 479)
        assert world.silences()._sample == ("QB2DEF",)

    def test_nobody_is_judged_anew_because_another_expires(self, world: World) -> None:
        """QA1ABC was out of reach after some 40 minutes; what was usual then stays so."""
        world.hear("QA1ABC", *range(160, 130, -2))
        for n, name in enumerate(("QB2DEF", "QC3GHI", "QD4JKL")):
            world.hear(name, *range(239, 205 + n, -3))
        before = world.verdict("QA1ABC")
        assert before.lost_s < 7200
        world.bench.clock.advance_s(37 * 60)  # they expire at 240 min
        world.evidence = Evidence(world.store)
        assert world.verdict("QA1ABC") == before

    def test_what_is_kept_is_bounded(self, world: World, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(evidence, "MOST_KEPT", 2)
        for name in ("QA1ABC", "QB2DEF", "QC3GHI"):
            world.hear(name, 30, 20)
            world.verdict(name)
        assert len(world.evidence._presences) <= 3
        assert len(world.evidence._signs) <= 2


class TestSigns:
    def signs(self, world: World, summary: Summary) -> Signs:
        found = world.evidence._signs_of(summary)
        assert found is not None
        return found

    def test_they_are_read_once_for_each_revision(self, world: World) -> None:
        world.hear("QA1ABC", 30, 20, rssi_dbm=-101.5)
        summary = world.member("QA1ABC")
        first = self.signs(world, summary)
        world.commands("hgetall")
        world.commands("hget")
        assert self.signs(world, summary) is first
        assert world.commands("hgetall") == 0
        assert [e.ms for e in first.path] == [START_MS - 20 * MINUTE_MS, START_MS - 30 * MINUTE_MS]

    def test_only_up_to_what_the_group_knows(self, world: World) -> None:
        """A group may be looked at before it was told of the newest over."""
        world.hear("QA1ABC", 30, 20)
        summary = world.member("QA1ABC")
        world.hear("QA1ABC", 5)
        assert [e.ms for e in self.signs(world, summary).path] == [
            START_MS - 20 * MINUTE_MS, START_MS - 30 * MINUTE_MS,
        ]  # fmt: skip
        assert self.signs(world, world.member("QA1ABC")).path[0].ms == START_MS - 5 * MINUTE_MS

    def test_one_that_was_forgotten(self, world: World) -> None:
        world.hear("QA1ABC", 30)
        summary = replace(world.member("QA1ABC"), station="QZ9ZZZ")
        assert world.evidence._signs_of(summary) is None


class TestCoverage:
    """A station drives out of what ridge/uhf hears, as was learned in an earlier epoch."""

    def teach(self, world: World, at_ms: int, near_dbm: float, far_dbm: float) -> None:
        overs = []
        for lat, level in ((-46.0, near_dbm), (-46.15, far_dbm)):
            overs += [
                world.ridge.heard(
                    at_ms - n * MINUTE_MS, "QC3GHI", f"t{lat}{at_ms}{n}", phase="end",
                    duration_s=3, rssi_dbm=level,
                    position={"lat": lat, "lon": 20.0},
                )
                for n in range(30)
            ]  # fmt: skip
        world.worker.run(overs)

    def drive(self, world: World) -> None:
        world.hear(
            "QA1ABC", 26, 23, 20, rssi_dbm=-104, phase="end", duration_s=2,
            position={"lat": -46.0, "lon": 20.0, "speed_mps": 14.0, "course_deg": 180.0},
        )  # fmt: skip

    def decades(self, world: World) -> float:
        newest = world.verdict("QA1ABC").newest
        assert newest is not None
        return newest.outlook.decades

    def test_of_an_epoch_that_is_over_it_counts(self, world: World) -> None:
        epoch_ms = START_MS // keys.EPOCH_MS * keys.EPOCH_MS
        world.bench.clock.advance_s((epoch_ms + SETTLED_MS + keys.EPOCH_MS - START_MS) / 1000)
        self.teach(world, epoch_ms + DAY_MS, -80, -118)
        self.drive(world)
        told = self.decades(world)
        assert told > 0.5
        newest = world.verdict("QA1ABC").newest
        assert newest is not None
        assert "it was moving 180 at 50 km/h" in newest.outlook.reasons[0]
        # A second sooner the epoch was not yet taken to be settled.
        world.bench.clock.advance_s(-1)
        assert self.decades(world) < told

    def test_of_the_running_one_it_does_not(self, world: World) -> None:
        """Else what is judged of a look would depend on what was heard since."""
        self.drive(world)
        before = world.verdict("QA1ABC")
        self.teach(world, START_MS - 3_600_000, -80, -118)
        world.evidence = Evidence(world.store)
        assert world.verdict("QA1ABC") == before
