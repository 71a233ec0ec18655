"""The figure of the time on the air that was saved, from Redis to the words on the page.

Sources: Python's own formatting of numbers for the script's, run in Node; the figures are made on
paper beside each test.
"""

import random
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from streamer.board.making import air_saved
from streamer.state.air import AirSums
from streamer.state.keys import HOUR_MS
from tests.board.scripts import Call, call, running
from tests.board.seen import Seen
from tests.servers import Redis
from tests.state.scene import START_MS

MINUTE_MS = 60_000


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Call]:
    with running(tmp_path_factory.mktemp("scripts")) as run:
        yield run


def figure(calls: Call, sums: AirSums) -> Any:
    return call(calls, "air", "airFigure", air_saved(sums, START_MS).model_dump(mode="json"))


@pytest.mark.redis
def test_the_head_tells_what_was_saved(empty_redis: Redis) -> None:
    """100 overs of 6 s; 1,240 of 5,600 minutes: 4,360 / 5,600 = 77.86 %. The day began with the
    hour 23 before the running one: 2027-01-15 08:00 UTC is 500,000 h after 1970, which
    `date -u -d @1800000000` says too."""
    seen = Seen(empty_redis.url)
    seen.picture.make(seen.now_ms)
    seen.picture.tables.settle()
    assert seen.rows("head")["head"]["air"] is None
    seen.show()
    assert seen.rows("head")["head"]["air"]["saved_pct"] is None
    hour = START_MS // HOUR_MS
    half = AirSums(50, 300_000, 620 * MINUTE_MS, 2800 * MINUTE_MS)
    seen.worker.store.add_air_sums({hour: half, hour - 23: half}, START_MS)
    seen.worker.store.add_air_sums({hour - 24: half}, START_MS)  # of the day before
    seen.show()
    found = seen.rows("head")["head"]["air"]
    assert found.pop("saved_pct") == pytest.approx(77.857, abs=0.001)
    assert found == {
        "from_at": "2027-01-14T09:00:00Z",
        "overs": 100,
        "addressed_s": 600,
        "carried_s": 1240 * 60,
        "flooded_s": 5600 * 60,
    }


@pytest.mark.redis
def test_since_when_it_was_counted(empty_redis: Redis) -> None:
    """Whatever hour of the 24 was the first with an over; overs of before the day do not count."""
    seen = Seen(empty_redis.url)
    hour, some = START_MS // HOUR_MS, AirSums(1, 1000, 0, 1000)
    seen.worker.store.add_air_sums({hour - 24: some}, START_MS)
    seen.show()
    assert seen.rows("head")["head"]["air"]["from_at"] == moment(hour - 23)
    for back in (0, 1, 11, 22, 23):
        seen.worker.store.add_air_sums({hour - back: some}, START_MS)
        seen.show()
        assert seen.rows("head")["head"]["air"]["from_at"] == moment(hour - back)


def moment(hour: int) -> str:
    return f"{datetime.fromtimestamp(hour * 3600, UTC):%Y-%m-%dT%H:%M:%SZ}"


@pytest.mark.node
def test_since_when_is_said_if_it_is_less_than_the_day(calls: Call) -> None:
    """At 08:00 UTC the day is from 09:00 of the day before on."""
    hour, some = START_MS // HOUR_MS, AirSums(1, 1000, 0, 1000)
    whole, short = (
        call(
            calls, "air", "airSpan", air_saved(some, START_MS, h).model_dump(mode="json"), START_MS
        )
        for h in (hour - 23, hour)
    )
    assert whole == "last 24 h"
    assert short.startswith("since ")  # with the day, where it is not that of Node's own clock
    assert short.endswith("08:00:00 UTC")
    none = air_saved(AirSums(), START_MS).model_dump(mode="json")
    assert call(calls, "air", "airSpan", none, START_MS) == "last 24 h"


@pytest.mark.node
def test_the_figure_in_words(calls: Call) -> None:
    """Half a repeater-minute of two: 75 %."""
    day = AirSums(100, 600_000, 1240 * MINUTE_MS, 5600 * MINUTE_MS)
    assert figure(calls, day) == "78 % (1,240 instead of 5,600 repeater-minutes)"
    little = AirSums(1, 10_000, 30_000, 120_000)
    assert figure(calls, little) == "75 % (0.5 instead of 2.0 repeater-minutes)"
    assert figure(calls, AirSums()) == "no overs to groups"
    assert figure(calls, AirSums(4, 9000, 0, 0)) == "nothing to send on"


@pytest.mark.node
def test_not_quite_all_and_not_quite_nothing_are_told_as_such(calls: Call) -> None:
    many = 100_000 * MINUTE_MS
    for carried_ms, words in (
        (0, "100 %"),
        (1, "over 99 %"),
        (many, "0 %"),
        (many - 1, "under 1 %"),
    ):
        assert figure(calls, AirSums(1, 1, carried_ms, many)).startswith(f"{words} (")


@pytest.mark.node
def test_numbers_are_written_as_people_read_them(calls: Call) -> None:
    chance = random.Random(2)
    for _ in range(100):
        flooded = chance.randint(10, 10**8)
        carried = chance.randint(10, flooded)
        said = figure(calls, AirSums(1, 1, carried * MINUTE_MS, flooded * MINUTE_MS))
        assert said.endswith(f" ({carried:,} instead of {flooded:,} repeater-minutes)")
