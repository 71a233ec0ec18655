"""What a repeater's health is judged by, read from a real Redis."""

import pytest

from streamer.config import RegionView
from streamer.domain.cells import cell_at
from streamer.domain.repeater_health import Elsewhere
from streamer.state.checkup import Checked, Checkup, checkup_from, checkup_text
from streamer.state.hearing import MOST_NEIGHBOURS, Hearings, neighbours
from streamer.state.lookups import sights
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, Teller, moment, region

pytestmark = pytest.mark.redis
MINUTE_MS = 60_000


def sites(**places: tuple[float | None, float | None]) -> RegionView:
    """Repeaters 'NAME/uhf' on one meridian: latitude and range."""
    return region(
        gateway=[
            {
                "id": name,
                "repeater": [
                    {"id": "uhf", **({} if lat is None else {"lat": lat, "lon": 20.0}),
                     **({} if km is None else {"range_km": km})}
                ],
            }
            for name, (lat, km) in places.items()
        ],
        group=[{"name": "NET"}],
    )  # fmt: skip


class TestNeighbours:
    """A degree of latitude at 46 S is 111.15 km (WGS 84, from memory; Karney's formula is used)."""

    def test_those_whose_ranges_meet_the_nearest_first(self) -> None:
        view = sites(
            ridge=(-46.0, 60.0), lake=(-47.0, 52.0), mill=(-47.0, 50.0), near=(-45.9, 1.0),
            wide=(-47.2, None), lost=(None, 100.0),
        )  # fmt: skip
        assert neighbours(view, "ridge/uhf") == ("near/uhf", "lake/uhf", "wide/uhf")
        assert neighbours(view, "lost/uhf") == ()
        assert neighbours(view, "nowhere/uhf") == ()

    def test_no_more_than_so_many(self) -> None:
        view = sites(**{f"g{n:02}": (-46.0 - n / 100, 60.0) for n in range(20)})
        found = neighbours(view, "g00/uhf")
        assert found == tuple(f"g{n:02}/uhf" for n in range(1, MOST_NEIGHBOURS + 1))


class World:
    """Ridge's two repeaters stand at one place, so they are neighbours."""

    def __init__(self, url: str) -> None:
        self.bench = Bench(region(limits={"gateway_lost_after_s": 36_000}), url)
        self.worker = self.bench.worker()
        self.store = self.worker.store
        self.store.prepare(START_MS)
        self.teller, self.count = Teller("ridge"), 0
        self.worker.run([self.teller.state(START_MS)])

    def over(self, station: str, port: str, **more: object) -> int:
        self.count += 1
        ms = self.bench.clock.now_ms()
        self.bench.clock.advance_s(MINUTE_MS / 1000)
        end = {"phase": "end", "duration_s": 30, "sent_at": moment(ms + 30_000), "rssi_dbm": -90.0}
        over = self.teller.heard(ms, station, f"o{self.count}", port, **{**end, **more})
        self.worker.run([over])
        return ms


@pytest.fixture
def world(empty_redis: Redis) -> World:
    return World(empty_redis.url)


def test_what_is_read_of_a_repeater(world: World) -> None:
    times = [world.over(call, "uhf") for call in ("QA1ABC", "QB2DEF", "QA1ABC")]
    world.over("QC3GHI", "vhf")
    now_ms = world.bench.clock.now_ms()
    gathered = Hearings(world.store).of("ridge/uhf", sights(world.store, now_ms), None, now_ms)
    hearing = gathered.hearing
    assert [(o.ms, o.station) for o in hearing.recent] == [
        (times[2], "QA1ABC"), (times[1], "QB2DEF"), (times[0], "QA1ABC"),
    ]  # fmt: skip
    assert gathered.stations == 2
    assert (hearing.last_heard_ms, hearing.reporting) == (times[2], True)
    assert {name: s.overs for name, s in hearing.learned.stations.items()} == {
        "QA1ABC": 2, "QB2DEF": 1,
    }  # fmt: skip
    assert sum(air_ms for _, air_ms in hearing.air) == 90_000
    assert hearing.elsewhere == []  # it has not been silent for long


def test_what_neighbours_heard_while_it_is_silent(world: World) -> None:
    for _ in range(12):
        world.over("QA1ABC", "uhf")
    last_ms = world.over("QB2DEF", "uhf")
    world.bench.clock.advance_s(600)
    where = {"lat": -46.1, "lon": 20.1}
    first_ms = world.over("QA1ABC", "vhf")
    second_ms = world.over("QC3GHI", "vhf", position=where)
    now_ms = world.bench.clock.now_ms()
    hearings, seen = Hearings(world.store), sights(world.store, now_ms)
    gathered = hearings.of("ridge/uhf", seen, None, now_ms)
    cell = cell_at(-46.1, 20.1, world.store.view.learning.cell_resolution)
    a = Elsewhere(first_ms, "QA1ABC", "ridge/vhf", None)
    c = Elsewhere(second_ms, "QC3GHI", "ridge/vhf", cell)
    assert sorted(gathered.hearing.elsewhere, key=lambda over: over.ms) == [a, c]
    assert gathered.hearing.last_heard_ms == last_ms
    # Of 13 overs of QA1ABC 12 were heard here, and two are taken for doubt; the cell is new.
    assert gathered.share(a) == pytest.approx(12 / 15)
    assert gathered.share(c) is None

    # What was known to be later than the state remembers counts.
    later = hearings.of("ridge/uhf", seen, first_ms, now_ms).hearing
    assert (later.last_heard_ms, later.elsewhere) == (first_ms, [])


def test_lines_alone_are_as_in_the_whole(world: World) -> None:
    for call in ("QA1ABC", "QB2DEF", "QC3GHI"):
        world.over(call, "uhf", position={"lat": -46.0, "lon": 20.0})
    now_ms = world.bench.clock.now_ms()
    whole = world.store.learned("ridge/uhf", now_ms)
    (cell,) = whole.cells
    part = world.store.learned_of("ridge/uhf", ["@QB2DEF", cell, "@QZ9ZZZ"], now_ms)
    assert part.cells == whole.cells
    assert part.stations == {"QB2DEF": whole.stations["QB2DEF"]}
    assert world.store.learned_of("ridge/uhf", [], now_ms).stations == {}


def test_a_record_that_cannot_be_read_is_none() -> None:
    made = Checkup(5, 9, {"ridge/uhf": Checked((), None, 3, 2)})
    assert checkup_from(checkup_text(made)) == made
    assert checkup_from("") is None
    assert checkup_from('{"ms": 5}') is None
    assert checkup_from("of a newer program") is None
