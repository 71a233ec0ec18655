"""What is learned of stations and repeaters: the scripts against Python's sets and sums."""

import random
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import h3
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from streamer.domain.model import HeardOver, Sums
from streamer.mqtt.connection import Incoming
from streamer.state import keys as k
from streamer.state import lookups
from streamer.state.learned import learned_from, weight
from streamer.state.records import presence_from
from streamer.state.shapes import Claim, GatewayBatch, Keying, Outcome
from streamer.state.store import Store, connect
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake
from tests.servers import Redis
from tests.state.canonical import canonical
from tests.state.scene import REPEATERS, START_MS, STATIONS, Teller, moment, region

pytestmark = pytest.mark.redis
REAL = settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
NAME = "QA1ABC"
YEAR = {"policy": {"late_after_s": 366 * 24 * 3600}}
DAY_MS = 24 * k.HOUR_MS


class World:
    """A store and a worker's intake."""

    def __init__(self, url: str, **changes: Any) -> None:
        self.client = connect(url)
        self.client.flushall()
        self.view = region(**(YEAR | changes))
        self.store = Store(self.client, self.view)
        self.intake = Intake(self.view)

    def take(self, messages: Sequence[Incoming], now_ms: int = START_MS) -> Batch:
        batch = Batch()
        for message in messages:
            self.intake.take(message, now_ms, batch)
        assert batch.refusals == []
        self.store.apply_gateways(batch.gateways, now_ms)
        self.store.apply_stations(batch.keyings, now_ms)
        return batch

    def sheet(self, repeater: str = "ridge/uhf", ms: int = START_MS) -> dict[str, str]:
        key = self.store.keys.learned(repeater, ms // k.EPOCH_MS)
        return {str(f): str(t) for f, t in self.client.hgetall(key).items()}


@pytest.fixture
def world(empty_redis: Redis) -> Iterator[World]:
    made = World(empty_redis.url)
    yield made
    made.client.close()


# -- presence ----------------------------------------------------------------------------------


def keying(ms: int, seq: int = 1) -> Keying:
    return Keying(
        NAME, ms, f"ridge boot0001 {seq:016d}", "ridge/uhf", f"o{seq}", None, None, "", "", "", ms
    )


def grains(said: Sequence[Keying], grain_s: int) -> tuple[int, ...]:
    """By the plainest reading of the rules; common practice, no source."""
    found = {s.ms // 1000 // grain_s * grain_s for s in said if s.repeater}
    return tuple(sorted(found, reverse=True)[: k.PRESENCE_KEPT])


def batches_of(said: Sequence[Any], turns: random.Random, most: int = 12) -> list[list[Any]]:
    """Everything at least once, in any order, in batches of any size."""
    arriving = [s for s in said for _ in range(turns.choice((1, 1, 2)))]
    turns.shuffle(arriving)
    batches = []
    while arriving:
        size = turns.randint(1, most)
        batches.append(arriving[:size])
        arriving = arriving[size:]
    return batches


keyings = st.builds(
    lambda ago_s, seq, by_hand: replace(
        keying(START_MS - 1000 * ago_s, seq), repeater="" if by_hand else "ridge/uhf"
    ),
    st.integers(0, 400) | st.integers(0, 20_000).map(lambda n: n * 7) | st.just(90 * 24 * 3600),
    st.integers(1, 99),
    st.sampled_from([False] * 9 + [True]),
)


@REAL
@given(
    st.lists(keyings, min_size=1, max_size=150),
    st.sampled_from([1, 60, 3600]),
    st.randoms(use_true_random=False),
)
def test_presence_is_the_newest_of_a_set_whatever_the_way(
    redis_server: Redis, said: list[Keying], grain_s: int, turns: random.Random
) -> None:
    world = World(redis_server.url, learning={"grain_s": grain_s})
    key = world.store.keys.station(NAME)
    texts = []
    for batches in ([said], batches_of(said, turns)):
        world.client.flushall()
        for batch in batches:
            world.store.apply_stations({NAME: batch}, START_MS)
        texts.append(world.client.hget(key, "heard"))
    assert texts[0] == texts[1]
    expected = grains(said, grain_s)
    assert world.store.presences([NAME, "QB2DEF"]) == ({NAME: expected} if expected else {})


def hear(world: World, *minutes: float) -> None:
    said = [keying(START_MS + round(60_000 * m), n + 1) for n, m in enumerate(minutes)]
    world.store.apply_stations({NAME: said}, START_MS)


def test_presence_is_written_as_steps_from_the_newest(world: World) -> None:
    """Source: the text is counted out by hand. 1,800,000,000 s is a whole number of minutes."""
    hear(world, 0, 1, 3.99, 5)
    text = world.client.hget(world.store.keys.station(NAME), "heard")
    assert text == "4 1800000300 120 120 60"
    assert presence_from(text) == (1_800_000_300, 1_800_000_180, 1_800_000_060, 1_800_000_000)


def test_late_ones_find_their_place_and_those_too_old_are_dropped(world: World) -> None:
    hear(world, *range(0, 2 * k.PRESENCE_KEPT, 2))  # as many as are kept
    first = world.store.presences([NAME])[NAME]
    assert len(first) == k.PRESENCE_KEPT
    hear(world, -1)
    assert world.store.presences([NAME])[NAME] == first
    hear(world, 7)
    second = world.store.presences([NAME])[NAME]
    assert set(first) ^ set(second) == {START_MS // 1000, START_MS // 1000 + 420}
    assert list(second) == sorted(second, reverse=True)


def test_no_event_is_so_late_that_it_does_not_count_as_presence(world: World) -> None:
    """Where nothing else of the record changes but its revision: who judges the silences of the
    station must learn that what they read of it is out of date."""
    hear(world, *range(100, 100 + k.PATH_LENGTH))
    before = world.store.station(NAME)
    hear(world, 0)
    after = world.store.station(NAME)
    assert before is not None
    assert after is not None
    assert after.rev > before.rev
    assert replace(after, rev=before.rev) == before
    hear(world, 0)
    assert world.store.station(NAME) == after
    assert world.store.presences([NAME])[NAME][-1] == START_MS // 1000


def test_who_is_checked_out_by_hand_was_not_heard(world: World) -> None:
    hear(world, 0)
    world.store.check_out_by_hand(NAME, "NET", START_MS + 600_000, "{}")
    assert world.store.presences([NAME]) == {NAME: (START_MS // 1000,)}


def test_presence_is_forgotten_with_the_station(world: World) -> None:
    hear(world, 0)
    record = world.store.station(NAME)
    assert record is not None
    claim = Claim(f"s/{NAME}", world.store.keys.partition_of(NAME), START_MS)
    world.store.commit([Outcome(claim, record.rev, record.ver, forget=True)], START_MS)
    assert world.store.presences([NAME]) == {}
    assert not world.client.exists(world.store.keys.station(NAME))


# -- sums --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class End:
    """One event of an over; `ended` says of which kind."""

    repeater: str
    station: str
    ms: int
    ended: bool
    rssi: int | None
    ber: int | None
    """Signal and errors in hundredths of a dBm and of a percent."""
    where: tuple[float, float] | None
    message: Incoming


PLACES = [(-46.5, 20.1), (-46.5001, 20.1001), (-47.25, 20.5), (90.0, 0.0)]


@st.composite
def events(draw: st.DrawFn) -> list[End]:
    tellers = {name: Teller(name) for name in ("ridge", "lake")}
    found = []
    for number in range(draw(st.integers(1, 40))):
        gateway, port = draw(st.sampled_from(["ridge", "lake"])), draw(st.sampled_from("uv")) + "hf"
        ms = START_MS - draw(st.sampled_from([0, 1, 60_000, k.EPOCH_MS, 3 * k.EPOCH_MS]))
        station, ended = draw(st.sampled_from(STATIONS)), draw(st.booleans())
        rssi, ber = (
            draw(st.none() | st.integers(-12_000, 500)),
            draw(st.none() | st.integers(0, 9999)),
        )
        where = draw(st.none() | st.sampled_from(PLACES))
        said: dict[str, Any] = {
            "rssi_dbm": None if rssi is None else rssi / 100,
            "ber_pct": None if ber is None else ber / 100,
        }
        if ended:
            said |= {"phase": "end", "duration_s": 2}
        if where is not None:
            said["position"] = {"lat": where[0], "lon": where[1]}
        message = tellers[gateway].heard(ms, station, f"o{number}", port, **said)
        found.append(End(f"{gateway}/{port}", station, ms, ended, rssi, ber, where, message))
    return found


def sums_of(ends: Sequence[End]) -> Sums:
    """Python's own sums over what was said, signals to the next tenth of a dBm (half up)."""
    signals = [(e.rssi + 5) // 10 / 10 for e in ends if e.rssi is not None]
    errors = [e.ber / 100 for e in ends if e.ber is not None]
    return Sums(
        len(ends),
        len(signals), sum(signals), sum(s * s for s in signals),
        len(errors), sum(errors), sum(e * e for e in errors),
    )  # fmt: skip


def alike(a: Sums, b: Sums) -> bool:
    pairs = [(getattr(a, name), getattr(b, name)) for name in Sums.__dataclass_fields__]
    return all(x == pytest.approx(y, rel=1e-9, abs=1e-9) for x, y in pairs)


def expected(said: Sequence[End], repeater: str, epoch: int) -> tuple[dict[str, Sums], ...]:
    """Lines by cell and by station. Source of the cells: h3 itself."""
    cells, stations = defaultdict(list), defaultdict(list)
    for e in said:
        if e.repeater == repeater and e.ended and e.ms // k.EPOCH_MS == epoch:
            stations[e.station].append(e)
            if e.where is not None:
                cells[h3.latlng_to_cell(*e.where, 7)].append(e)
    return tuple({key: sums_of(v) for key, v in d.items()} for d in (cells, stations))


@REAL
@given(events(), st.randoms(use_true_random=False))
def test_each_end_counts_once_in_its_lines_whatever_the_way(
    redis_server: Redis, said: list[End], turns: random.Random
) -> None:
    plain = World(redis_server.url)
    plain.take([e.message for e in said])
    state = {key: v for key, v in canonical(plain.client, "scene").items() if "}:learned:" in key}
    rough = World(redis_server.url)
    for batch in batches_of([e.message for e in said], turns):
        rough.take(batch)
    again = {key: v for key, v in canonical(rough.client, "scene").items() if "}:learned:" in key}
    assert again == state
    for repeater in REPEATERS:
        for epoch in {e.ms // k.EPOCH_MS for e in said}:
            fields = rough.sheet(repeater, epoch * k.EPOCH_MS)
            found = learned_from(repeater, [(epoch, fields)], epoch * k.EPOCH_MS)
            cells, stations = expected(said, repeater, epoch)
            assert found.cells.keys() == cells.keys()
            assert found.stations.keys() == stations.keys()
            for line, sums in (*cells.items(), *stations.items()):
                assert alike({**found.cells, **found.stations}[line], sums)
            counts = fields.get(k.COUNTS, "0 0").split(" ")[:2]
            assert counts == [str(len(cells)), str(len(stations))]


def end(n: int = 0, station: str = NAME, ms: int = START_MS, **more: Any) -> dict[str, Any]:
    return {"ms": ms, "station": station, "over": f"o{n}", "phase": "end", "duration_s": 1, **more}


def test_what_is_said_at_the_start_is_not_learned_from(world: World) -> None:
    teller, where = Teller("ridge"), {"lat": -46.5, "lon": 20.1}
    world.take([teller.heard(START_MS, NAME, "o1", rssi_dbm=-90, position=where)])
    assert world.sheet() == {}
    world.take([teller.heard(**end(1, rssi_dbm=-90.04, ber_pct=1.256))])
    assert {f: t for f, t in world.sheet().items() if f != k.COUNTS} == {
        f"@{NAME}": "1 1 -900 810000 1 126 15876"
    }


def test_who_is_no_station_is_not_learned_of(world: World) -> None:
    batch = Batch()
    world.intake.take(Teller("ridge").heard(**end(1, "NOBODY")), START_MS, batch)
    world.store.apply_gateways(batch.gateways, START_MS)
    assert world.store.gateway("ridge").counts == {"quarantined": 1}
    assert world.sheet() == {}


def test_large_sums_are_added_to_exactly(world: World) -> None:
    """Source: Python's whole numbers. Lua's own text of a number has 14 digits."""
    key = world.store.keys.learned("ridge/uhf", START_MS // k.EPOCH_MS)
    line = [10**6, 10**6, -1_234_567_891, 2**52 - 7, 10**6, 9_876_543_211, 2**52 + 11]
    world.client.hset(key, f"@{NAME}", " ".join(map(str, line)))
    world.take([Teller("ridge").heard(**end(1, rssi_dbm=-111.1, ber_pct=99.99))])
    more = [1, 1, -1111, 1111**2, 1, 9999, 9999**2]
    assert world.sheet()[f"@{NAME}"] == " ".join(
        str(a + b) for a, b in zip(line, more, strict=True)
    )


# -- bounds ------------------------------------------------------------------------------------


def test_new_lines_beyond_the_bounds_are_not_begun(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(k, "CELLS_LEARNED", 3)
    monkeypatch.setattr(k, "STATIONS_LEARNED", 2)
    teller, stations = Teller("ridge"), [f"QA{n}ABC" for n in range(5)]
    for _ in range(2):
        for n, station in enumerate(stations):
            where = {"lat": -46.0 - n, "lon": 20}
            world.take([teller.heard(**end(n, station, position=where))])
    sheet = world.sheet()
    cells = [h3.latlng_to_cell(-46.0 - n, 20, 7) for n in range(3)]
    assert set(sheet) == {k.COUNTS, *cells, "@QA0ABC", "@QA1ABC"}
    assert {t.split(" ")[0] for f, t in sheet.items() if f != k.COUNTS} == {"2"}
    assert sheet[k.COUNTS].split(" ")[:2] == ["3", "2"]
    assert world.store.gateway("ridge").counts == {"heard": 10}


def test_the_bounds_hold_within_one_large_batch(world: World) -> None:
    """More lines at once than Lua hands over in one call."""
    batch = GatewayBatch()
    for n in range(6000):
        said = replace(keying(START_MS), station=f"QA{n}")
        lines = batch.learn(said, f"cell{n}")
        batch.events.append(batch.over("boot0001", n + 1, said, True, lines))
    for _ in range(2):
        world.store.apply_gateways({"ridge": batch}, START_MS)
    sheet = world.sheet()
    assert sheet[k.COUNTS].split(" ")[:2] == [str(k.CELLS_LEARNED), str(k.STATIONS_LEARNED)]
    assert len(sheet) == 1 + k.CELLS_LEARNED + k.STATIONS_LEARNED
    assert {t for f, t in sheet.items() if f != k.COUNTS} == {"1 0 0 0 0 0 0"}


def test_a_small_sheet_is_no_list_that_is_searched(world: World) -> None:
    """Source: Redis itself, which says how it keeps a key."""
    world.take([Teller("ridge").heard(**end(1))])
    key = world.store.keys.learned("ridge/uhf", START_MS // k.EPOCH_MS)
    assert world.client.object("encoding", key) == "hashtable"


def test_an_epoch_is_kept_for_six_more_and_goes_by_itself(world: World) -> None:
    teller, epoch = Teller("ridge"), START_MS // k.EPOCH_MS
    for ago in (0, 3, 6, 7):
        world.take([teller.heard(**end(ago, ms=START_MS - ago * k.EPOCH_MS))])
    for ago in (0, 3, 6):
        left_ms = world.client.pttl(world.store.keys.learned("ridge/uhf", epoch - ago))
        due_ms = (epoch - ago + 7) * k.EPOCH_MS - START_MS
        # What this test itself takes is far below a minute.
        assert due_ms - 60_000 < left_ms <= due_ms
    assert not world.client.exists(world.store.keys.learned("ridge/uhf", epoch - 7))
    assert world.store.gateway("ridge").counts == {"heard": 4}  # counted all the same


# -- reading -----------------------------------------------------------------------------------


def test_an_epoch_counts_half_for_every_28_days_since_its_end() -> None:
    """Source: computed by hand, 0.5 ** (days / 28)."""
    begun_ms = 1500 * k.EPOCH_MS
    assert weight(1500, begun_ms) == weight(1500, begun_ms + 14 * DAY_MS) == 1
    assert weight(1500, begun_ms + 28 * DAY_MS) == pytest.approx(0.7071067811865476)
    assert weight(1500, begun_ms + 42 * DAY_MS) == 0.5
    assert weight(1500, begun_ms + 70 * DAY_MS) == 0.25


def test_what_is_older_counts_less(world: World) -> None:
    """Source: computed by hand. Ten days into an epoch the one before ended 10 days ago, and the
    one three before that 52: 0.5 ** (10 / 28) = 0.780709, 0.5 ** (52 / 28) = 0.276022."""
    now_ms = START_MS // k.EPOCH_MS * k.EPOCH_MS + 10 * DAY_MS
    teller, where = Teller("ridge"), {"lat": -46.5, "lon": 20.1}
    for n, ago in enumerate((0, 1, 4)):
        ms = now_ms - ago * k.EPOCH_MS
        said = end(n, ms=ms, rssi_dbm=-100.0, ber_pct=2.0, position=where)
        world.take([teller.heard(**said)], now_ms)
    found = world.store.learned("ridge/uhf", now_ms)
    (sums,) = found.stations.values()
    counted = 1 + 0.780709 + 0.276022
    assert sums.overs == sums.signals == sums.errors == pytest.approx(counted, rel=1e-5)
    assert sums.signal_sum / sums.signals == pytest.approx(-100)
    assert sums.signal_squares / sums.signals == pytest.approx(100**2)
    assert sums.error_sum / sums.errors == pytest.approx(2)
    assert sums.error_squares / sums.errors == pytest.approx(4)
    assert dict(found.cells) == {h3.latlng_to_cell(-46.5, 20.1, 7): sums}
    assert found.repeater == "ridge/uhf"


def recent_overs(
    store: Store, repeater: str, since_ms: int, most_stations: int = 40
) -> list[HeardOver]:
    """As they are read for a judgement of a repeater's health."""
    heard = store.heard_since(repeater, since_ms)[:most_stations]
    return lookups.overs_of(store.stations([name for name, _ in heard]), repeater, since_ms)


def test_of_a_repeater_never_heard_of_nothing_is_known(world: World) -> None:
    found = world.store.learned("mill/vhf", START_MS)
    assert (dict(found.cells), dict(found.stations)) == ({}, {})
    assert recent_overs(world.store, "mill/vhf", 0) == []


def test_recent_overs_are_those_of_the_stations_heard_last(world: World) -> None:
    ridge, lake, ms = Teller("ridge"), Teller("lake"), START_MS
    ended = {"sent_at": moment(ms - 4000)}
    world.take(
        [
            ridge.heard(ms - 9000, "QA1ABC", "o1", rssi_dbm=-90),
            ridge.heard(**end(2, "QB2DEF", ms - 5000, **ended, rssi_dbm=-80.5, ber_pct=0.5)),
            lake.heard(ms - 4000, "QA1ABC", "o3"),
            ridge.heard(ms - 3000, "QA1ABC", "o4"),
            ridge.heard(ms - 2000, "QC3GHI", "o5"),
        ]
    )
    overs = recent_overs(world.store, "ridge/uhf", ms - 9000)
    assert overs == [
        HeardOver(ms - 2000, "QC3GHI", "ridge/uhf", "o5", 0, None, None),
        HeardOver(ms - 3000, "QA1ABC", "ridge/uhf", "o4", 0, None, None),
        HeardOver(ms - 5000, "QB2DEF", "ridge/uhf", "o2", 1000, -80.5, 0.5),
        HeardOver(ms - 9000, "QA1ABC", "ridge/uhf", "o1", 0, -90, None),
    ]
    assert recent_overs(world.store, "ridge/uhf", ms - 8999) == overs[:3]
    assert recent_overs(world.store, "ridge/uhf", 0, most_stations=1) == overs[:1]


# -- switched off ------------------------------------------------------------------------------


def test_with_learning_off_nothing_of_it_is_kept(empty_redis: Redis) -> None:
    world = World(empty_redis.url, learning={"enabled": False})
    where = {"lat": -46.5, "lon": 20.1}
    batch = world.take([Teller("ridge").heard(**end(1, rssi_dbm=-90, position=where))])
    (event,) = batch.gateways["ridge"].events
    assert len(event) == 7
    assert list(batch.gateways["ridge"].learned) == []
    assert list(world.client.scan_iter("*learned*")) == []
    assert sorted(world.client.hkeys(world.store.keys.station(NAME))) == ["#rev", "record"]
    assert world.store.gateway("ridge").counts == {"heard": 1}
    assert world.store.presences([NAME]) == {}
