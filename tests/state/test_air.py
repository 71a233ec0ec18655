"""Sums of the time on the air by the hour: kept, added up, gone in time.

Sources: Python's fractions for the share; Redis' own PTTL for how long something is kept.
"""

import random
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import pytest

from streamer.state.air import WANTED, Air, AirSums, hours_of_day
from streamer.state.base import StoreUnavailable, connect
from streamer.state.buckets import KEPT_MS
from streamer.state.keys import HOUR_MS
from tests.servers import Redis
from tests.state.canonical import canonical
from tests.state.scene import START_MS, region

pytestmark = pytest.mark.redis
HOUR = START_MS // HOUR_MS
FIELDS = ("overs", "addressed_ms", "carried_ms", "flooded_ms")


@pytest.fixture
def client(empty_redis: Redis) -> Iterator[Any]:
    with connect(empty_redis.url) as made:
        yield made


@pytest.fixture
def air(client: Any) -> Air:
    return Air(client, region())


def test_the_share_is_one_less_carried_of_flooded() -> None:
    chance = random.Random(5)
    for _ in range(200):
        flooded = chance.randint(1, 10**9)
        carried = chance.randint(0, flooded)
        share = 1 - Fraction(carried, flooded)
        assert AirSums(1, 1, carried, flooded).saved_pct == pytest.approx(float(100 * share))


def test_where_nothing_was_to_be_sent_no_share_is_told() -> None:
    """A region of one repeater: 0 of 0 is neither all nor nothing."""
    assert AirSums().saved_pct is None
    assert AirSums(3, 9000, 0, 0).saved_pct is None


def test_sums_of_several_workers_add_up(air: Air, client: Any) -> None:
    """Source: Python's Counter."""
    chance = random.Random(7)
    workers = [air, Air(client, air.view)]
    expected: Counter[str] = Counter()
    for turn in range(40):
        by_hour = {}
        for hour in chance.sample(range(HOUR - 23, HOUR + 1), 3):
            numbers = [chance.randint(0, 10**6) for _ in FIELDS]
            by_hour[hour] = AirSums(*numbers)
            expected.update(dict(zip(FIELDS, numbers, strict=True)))
        workers[turn % 2].add_air_sums(by_hour, START_MS)
    assert air.air_sums(hours_of_day(START_MS)) == AirSums(**expected)


def test_the_day_is_the_running_hour_and_those_before_it(air: Air) -> None:
    """By hand: at any moment of hour H the day is H-23 ... H, 24 hours of which the last runs."""
    for moment_ms in (START_MS, (HOUR + 1) * HOUR_MS - 1):
        assert [*hours_of_day(moment_ms)] == [HOUR - 23 + n for n in range(24)]
    for hour in (HOUR - 24, HOUR - 23, HOUR, HOUR + 1):
        air.add_air_sums({hour: AirSums(1, 10, 20, 30)}, START_MS)
    assert air.air_sums(hours_of_day(START_MS)) == AirSums(2, 20, 40, 60)


def test_an_hour_is_kept_until_nobody_asks_for_it(air: Air, client: Any) -> None:
    """An hour is last asked for at the end of the 23rd hour after it, 24 h after its own end less
    one hour; it is kept an hour longer than a day after its end."""
    air.add_air_sums({HOUR: AirSums(1, 1, 1, 1)}, START_MS)
    left_ms = client.pttl(air.keys.air(HOUR))
    ends_ms = (HOUR + 1) * HOUR_MS
    last_asked_ms = next(
        ms for ms in range(ends_ms, 10**15, HOUR_MS) if HOUR not in hours_of_day(ms)
    )
    assert last_asked_ms - START_MS < left_ms <= ends_ms + KEPT_MS - START_MS


def test_what_is_too_long_ago_is_not_begun_again(air: Air, client: Any) -> None:
    air.add_air_sums({HOUR - 60: AirSums(1, 1, 1, 1)}, START_MS)
    air.add_air_sums({}, START_MS)
    assert client.keys("*") == []


def test_fan_outs_are_read_as_committed(air: Air, client: Any) -> None:
    """None at all is something else than not known."""
    client.hset(air.keys.group("RESCUE"), WANTED, "mill/vhf ridge/uhf")
    client.hset(air.keys.group("NET"), WANTED, "")
    client.hset(air.keys.group("TALK"), "#rev", 1)
    assert air.wanted_on(["RESCUE", "NET", "TALK"]) == {
        "RESCUE": {"mill/vhf", "ridge/uhf"},
        "NET": frozenset(),
    }


def test_it_is_no_part_of_the_state_that_converges(air: Air, client: Any) -> None:
    air.add_air_sums({HOUR: AirSums(1, 1, 1, 1)}, START_MS)
    assert client.exists(air.keys.air(HOUR))
    assert canonical(client, "scene") == {}


def test_without_redis_nothing_is_made_up() -> None:
    server = Redis()
    server.start()
    air = Air(connect(server.url), region())
    server.close()
    for ask in (
        lambda: air.wanted_on(["NET"]),
        lambda: air.air_sums([HOUR]),
        lambda: air.add_air_sums({HOUR: AirSums(1, 1, 1, 1)}, START_MS),
    ):
        with pytest.raises(StoreUnavailable):
            ask()
