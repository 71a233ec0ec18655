"""What repeaters heard, summed up: the scripts against Python's statistics module and sorting."""

import json
import random
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from streamer.domain.model import PathEntry
from streamer.domain.stays import stays_of
from streamer.mqtt.connection import Incoming
from streamer.state import history
from streamer.state.buckets import KEPT_MS, Bucket, Spread
from streamer.state.keys import BUCKET_MS, HEARD_KEPT, HISTORY_MS, PATH_LENGTH
from streamer.state.lookups import Reader
from streamer.state.shapes import GatewayBatch, Keying
from streamer.state.store import Store, connect
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake
from tests.servers import Redis, wait_until
from tests.state.canonical import canonical
from tests.state.scene import START_MS, STATIONS, Teller, moment, region

pytestmark = pytest.mark.redis
REAL = settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
HOUR_MS = 3_600_000
WEEK = {"policy": {"late_after_s": 7 * 24 * 3600}}


class World:
    """A store, what reads it, and a worker's intake."""

    def __init__(self, url: str, **changes: Any) -> None:
        self.client = connect(url)
        self.client.flushall()
        self.view = region(**(WEEK | changes))
        self.store = Store(self.client, self.view)
        self.reader = Reader(self.client, self.store)
        self.intake = Intake(self.view)

    def take(self, messages: Sequence[Incoming], now_ms: int = START_MS) -> Batch:
        batch = Batch()
        for message in messages:
            self.intake.take(message, now_ms, batch)
        self.store.apply_gateways(batch.gateways, now_ms)
        return batch

    def heard(self, repeater: str, now_ms: int = START_MS) -> dict[int, Bucket]:
        """The buckets that are not empty, by their start."""
        day = history.last_day(self.reader, repeater, now_ms)
        assert [b.start_ms for b in day] == [b * BUCKET_MS for b in history.window(now_ms)]
        return {b.start_ms: b for b in day if b != Bucket(b.start_ms)}

    def kept(self) -> dict[str, Any]:
        """All that the history has in Redis."""
        state = canonical(self.client, "scene")
        return {key: state[key] for key in state if re.search(r"\}:(history|heard):", key)}


@pytest.fixture
def world(empty_redis: Redis) -> Iterator[World]:
    made = World(empty_redis.url)
    yield made
    made.client.close()


# -- buckets -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Over:
    """One event of an over, and the message that tells it."""

    repeater: str
    ms: int
    ended: bool
    lasted_ms: int
    rssi: float | None
    ber: float | None
    message: Incoming


hundredths = st.integers(-12_000, 500).map(lambda n: n / 100)
ten_thousandths = st.integers(0, 1_000_000).map(lambda n: n / 10_000)


@st.composite
def overs(draw: st.DrawFn, start_ms: int = START_MS) -> list[Over]:
    """Events of the last hours, some telling values."""
    tellers = {name: Teller(name) for name in ("ridge", "lake")}
    found = []
    for number in range(draw(st.integers(1, 30))):
        gateway, port = draw(st.sampled_from(["ridge", "lake"])), draw(st.sampled_from("uv")) + "hf"
        ms = start_ms - 1000 * draw(st.sampled_from([0, 1, 7, 299, 300, 301, 3600, 9999]))
        ended, lasted_ms = draw(st.booleans()), draw(st.sampled_from([0, 5, 1234, 60_000]))
        rssi, ber = draw(st.none() | hundredths), draw(st.none() | ten_thousandths)
        said: dict[str, Any] = {"rssi_dbm": rssi, "ber_pct": ber}
        if ended:
            said |= {"phase": "end", "duration_s": lasted_ms / 1000}
            said |= {"sent_at": moment(ms + lasted_ms)}
        station = draw(st.sampled_from(STATIONS))
        message = tellers[gateway].heard(ms, station, f"o{number % 9}", port, **said)
        found.append(Over(f"{gateway}/{port}", ms, ended, lasted_ms, rssi, ber, message))
    return found


def spread(values: list[float]) -> Spread | None:
    """Source: statistics.fmean of Python, which sums without losing digits (math.fsum)."""
    if not values:
        return None
    return Spread(len(values), fmean(values), min(values), max(values))


def alike(a: Spread | None, b: Spread | None) -> bool:
    if a is None or b is None:
        return a is b
    means = pytest.approx(a.mean, rel=1e-12, abs=1e-12) == b.mean
    return means and (a.readings, a.least, a.most) == (b.readings, b.least, b.most)


def expected(said: Sequence[Over], repeater: str) -> dict[int, tuple[int, int, Any, Any]]:
    """By the plainest reading of the rules; common practice, no source."""
    by_start: dict[int, list[Over]] = defaultdict(list)
    for o in said:
        if o.repeater == repeater:
            by_start[o.ms - o.ms % BUCKET_MS].append(o)
    return {
        start_ms: (
            max(sum(o.ended for o in there), sum(not o.ended for o in there)),
            sum(o.lasted_ms for o in there if o.ended),
            spread([o.rssi for o in there if o.rssi is not None]),
            spread([o.ber for o in there if o.ber is not None]),
        )
        for start_ms, there in by_start.items()
    }


def batches_of(said: Sequence[Over], turns: random.Random) -> list[list[Incoming]]:
    """Everything at least once, in any order, in batches of any size."""
    messages = [o.message for o in said for _ in range(turns.choice((1, 1, 2, 3)))]
    turns.shuffle(messages)
    batches, at = [], 0
    while at < len(messages):
        size = turns.randint(1, 9)
        batches.append(messages[at : at + size])
        at += size
    return batches


@REAL
@given(overs(START_MS + 60_000), st.randoms(use_true_random=False))
def test_each_over_counts_once_in_its_bucket_whatever_the_way(
    redis_server: Redis, said: list[Over], turns: random.Random
) -> None:
    now_ms = START_MS + 121_000
    plain = World(redis_server.url)
    plain.take([o.message for o in said], now_ms)
    state = plain.kept()
    rough = World(redis_server.url)
    for batch in batches_of(said, turns):
        rough.take(batch, now_ms)
    for repeater in ("ridge/uhf", "ridge/vhf", "lake/uhf", "lake/vhf"):
        found, known = rough.heard(repeater, now_ms), expected(said, repeater)
        assert found.keys() == known.keys()
        for start_ms, (count, air_ms, rssi, ber) in known.items():
            bucket = found[start_ms]
            assert (bucket.overs, bucket.air_ms) == (count, air_ms)
            assert alike(bucket.rssi_dbm, rssi)
            assert alike(bucket.ber_pct, ber)
    assert rough.kept() == state


@REAL
@given(st.lists(st.floats(-200, 50), min_size=1, max_size=20))
def test_finer_values_are_taken_to_the_next_hundredth(
    redis_server: Redis, values: list[float]
) -> None:
    world, teller = World(redis_server.url), Teller("ridge")
    world.take([teller.heard(START_MS, "QA1ABC", "o1", rssi_dbm=value) for value in values])
    (bucket,) = world.heard("ridge/uhf").values()
    assert bucket.rssi_dbm is not None
    assert bucket.rssi_dbm.mean == pytest.approx(fmean(values), abs=0.005001)
    assert bucket.rssi_dbm.least == pytest.approx(min(values), abs=0.005001)
    assert bucket.rssi_dbm.most == pytest.approx(max(values), abs=0.005001)


def test_only_what_was_counted_as_heard_is_summed_up(world: World) -> None:
    ridge, ms = Teller("ridge"), START_MS
    world.take(
        [
            ridge.heard(ms, "QA1ABC", "o1", rssi_dbm=-90),
            ridge.heard(ms, "NOBODY", "o2", rssi_dbm=-10),  # quarantined
            ridge.route(ms, "NET", "carrying"),
            ridge.heard(ms + 3_600_000, "QA1ABC", "o3"),  # ahead of the server's time
        ]
    )
    (bucket,) = world.heard("ridge/uhf").values()
    assert (bucket.overs, bucket.rssi_dbm) == (1, Spread(1, -90, -90, -90))
    assert history.heard_since(world.reader, "ridge/uhf", 0) == [("QA1ABC", ms)]


def test_what_is_no_longer_judged_is_not_counted(world: World) -> None:
    """Boots older than those kept; whether their events came before is not known any more."""
    for n in range(9, -1, -1):
        world.take([Teller("ridge", f"boot{n:04d}").heard(START_MS, "QA1ABC", "o1")])
    (bucket,) = world.heard("ridge/uhf").values()
    assert world.store.gateway("ridge").counts == {"heard": 8, "too_old": 2}
    assert bucket.overs == 8


def test_times_are_corrected(world: World) -> None:
    """The gateway's clock is 400 s behind (RFC 5905: offset = server - client)."""
    said = Teller("ridge").heard(START_MS - 400_000, "QA1ABC", "o1", clock_offset_s=400)
    world.take([said])
    assert set(world.heard("ridge/uhf")) == {START_MS - START_MS % BUCKET_MS}


# -- bounds ------------------------------------------------------------------------------------


def test_an_hour_is_kept_until_nobody_can_ask_for_it(world: World) -> None:
    teller = Teller("ridge")
    for ago_h in (0, 3, 23):
        world.take([teller.heard(START_MS - ago_h * HOUR_MS, "QA1ABC", f"o{ago_h}")])
    for ago_h in (0, 3, 23):
        hour = START_MS // HOUR_MS - ago_h
        left_ms = world.client.pttl(world.store.keys.history("ridge", hour))
        last_needed_ms = (hour + 1) * HOUR_MS + HISTORY_MS
        # What this test itself takes is far below the hour that is kept on top.
        assert last_needed_ms - START_MS < left_ms <= last_needed_ms + HOUR_MS - START_MS
    left_ms = world.client.pttl(world.store.keys.heard("ridge/uhf"))
    assert HISTORY_MS < left_ms <= KEPT_MS


def test_what_has_had_its_time_goes_by_itself(world: World) -> None:
    hour = START_MS // HOUR_MS
    now_ms = (hour + 1) * HOUR_MS + KEPT_MS - 50
    key = world.store.keys.history("ridge", hour)
    teller = Teller("ridge")
    world.take([teller.heard(START_MS, "QA1ABC", "o1")], now_ms)
    wait_until(lambda: not world.client.exists(key), "the hour to go")
    world.take([teller.heard(START_MS, "QA1ABC", "o2")], now_ms + 50)
    assert not world.client.exists(key)
    assert world.store.gateway("ridge").counts == {"heard": 2}  # counted all the same


def test_late_events_find_their_bucket(world: World) -> None:
    ms = START_MS - HISTORY_MS + BUCKET_MS
    world.take(
        [Teller("ridge").heard(ms, "QA1ABC", "o1"), Teller("lake").heard(ms - 1, "QA1ABC", "o1")]
    )
    assert list(world.heard("ridge/uhf")) == [ms - ms % BUCKET_MS]
    assert sum(b.overs for b in world.heard("lake/uhf", START_MS - BUCKET_MS).values()) == 1


@REAL
@given(
    st.lists(st.tuples(st.integers(0, 260), st.integers(0, 40)), min_size=1, max_size=700),
    st.randoms(use_true_random=False),
)
def test_the_stations_heard_last_are_kept_in_any_order(
    redis_server: Redis, said: list[tuple[int, int]], turns: random.Random
) -> None:
    world = World(redis_server.url)
    # Enough others that the bound is always met.
    said = said + [(1000 + n, n % 50) for n in range(HEARD_KEPT)]
    turns.shuffle(said)
    newest: dict[str, int] = {}
    for at in range(0, len(said), 90):
        batch = GatewayBatch()
        heard = batch.heard.setdefault("ridge/uhf", {})
        for number, second in said[at : at + 90]:
            station, ms = f"QA{number}", START_MS + second
            heard[station] = max(heard.get(station, 0), ms)
            newest[station] = max(newest.get(station, 0), ms)
        world.store.apply_gateways({"ridge": batch}, START_MS)
    kept = sorted(newest.items(), key=lambda item: (item[1], item[0].encode()))[-HEARD_KEPT:]
    assert history.heard_since(world.reader, "ridge/uhf", 0) == kept[::-1]
    late = START_MS + 25
    assert history.heard_since(world.reader, "ridge/uhf", late) == [
        (station, ms) for station, ms in kept[::-1] if ms >= late
    ]


# -- the path of a station ---------------------------------------------------------------------


keyings = st.builds(
    lambda ms, seq, on, over, lasts, rssi, ber: Keying(
        "QA1ABC", START_MS - ms, f"{on.split('/')[0]} boot0001 {seq:016d}", on, over,
        (None, None, lasts, rssi, ber, None), None, "TALK", "", "", START_MS - ms + lasts,
    ),
    st.integers(0, 40) | st.integers(0, 400_000),
    st.integers(1, 99),
    st.sampled_from(["ridge/uhf", "ridge/vhf", "lake/uhf"]),
    st.sampled_from(["o1", "o2", "o3", "o4"]) | st.integers(5, 30).map("o{}".format),
    st.sampled_from([0, 5, 1234]),
    st.none() | st.sampled_from([-97.25, -97.0, -3, 0]),
    st.none() | st.sampled_from([0, 0.5, 12.0625]),
)  # fmt: skip


def most(values: list[float | None]) -> float | None:
    return max((v for v in values if v is not None), default=None)


@REAL
@given(st.lists(keyings, min_size=1, max_size=40), st.randoms(use_true_random=False))
def test_an_over_keeps_the_greatest_said_of_it_in_any_order(
    redis_server: Redis, said: list[Keying], turns: random.Random
) -> None:
    world = World(
        redis_server.url,
        policy={
            "linger_s": 30,
            "expire_after_s": 240,
            "overdue_after_s": 60,
            "out_of_reach_after_s": 120,
        },
    )
    arriving = said + turns.choices(said, k=5)
    turns.shuffle(arriving)
    tells = [
        tell for k in arriving for tell in world.store.apply_stations({"QA1ABC": [k]}, START_MS)
    ]
    record = world.store.station("QA1ABC")
    assert record is not None
    events: dict[tuple[int, str, str], list[Keying]] = defaultdict(list)
    for k in said:
        events[k.ms, k.repeater, k.over].append(k)
    assert len(record.path) == min(len(events), PATH_LENGTH)
    for entry in record.path:
        ours = [k.info for k in events[entry.ms, entry.repeater, entry.over] if k.info]
        assert entry.duration_ms == max(info[2] for info in ours)
        assert entry.rssi_dbm == most([info[3] for info in ours])
        assert entry.ber_pct == most([info[4] for info in ours])
    # What groups are told of its stays are the first of those that people are shown.
    world.store.apply_groups(tells[-1:], [], START_MS)
    (summary,) = world.store.groups(["TALK"])[0].members
    stays = stays_of(record, 240_000)
    assert summary.stays == stays[: len(summary.stays)]
    rest = stays[len(summary.stays) :]
    assert all(s.left_ms is not None and s.left_ms < record.place.ms - 30_000 for s in rest)


def test_a_path_longer_than_now_is_kept_is_cut(world: World) -> None:
    """A program that kept more may have been here before."""
    said = [Teller("ridge").heard(START_MS - n, "QA1ABC", f"o{n}") for n in range(PATH_LENGTH + 5)]
    newest, *rest = said
    batch = world.take(rest)
    world.store.apply_stations(batch.keyings, START_MS)
    key = world.store.keys.station("QA1ABC")
    text = str(world.client.hget(key, "record"))
    line = json.dumps([START_MS - 999, "ridge/uhf", "old", 0])
    longer = text.replace("\n],", f",\n{line}" * 4 + "\n],", 1)
    assert len(json.loads(longer)["k"]) == PATH_LENGTH + 4
    world.client.hset(key, "record", longer)
    world.store.apply_stations(world.take([newest]).keyings, START_MS)
    record = world.store.station("QA1ABC")
    assert record is not None
    assert [e.over for e in record.path] == [f"o{n}" for n in range(PATH_LENGTH)]


def test_a_record_of_an_earlier_program_is_read_and_goes_on(world: World) -> None:
    """Until the history an entry of the path was time, repeater, over, duration."""
    old = {
        "rev": 1, "k": [[START_MS, "ridge/uhf", "o1", 3200]], "i": {}, "o": {}, "x": {},
        "p": [START_MS, "ridge boot0001 0000000000000001", "ridge/uhf", "o1", None],
    }  # fmt: skip
    key = world.store.keys.station("QA1ABC")
    world.client.hset(key, mapping={"record": json.dumps(old), "#rev": "1"})
    record = world.store.station("QA1ABC")
    assert record is not None
    assert record.path == (PathEntry(START_MS, "ridge/uhf", "o1", 3200, None, None),)
    teller = Teller("ridge")
    batch = world.take([teller.heard(START_MS, "QA1ABC", "o1", ber_pct=0.25)])
    world.store.apply_stations(batch.keyings, START_MS)
    record = world.store.station("QA1ABC")
    assert record is not None
    assert record.path == (PathEntry(START_MS, "ridge/uhf", "o1", 3200, None, 0.25),)
