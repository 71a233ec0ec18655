"""How many stations of one gateway are taken within an hour.

Sixty minutes to the hour, and what is counted are the elements of a set: common practice, no
source.
"""

import pytest

from streamer.clock import ManualClock
from streamer.contract.published import RefusalReason
from streamer.lab.feed import Feed
from streamer.worker import crowd as module
from streamer.worker.batch import Batch
from streamer.worker.crowd import HOUR_MS, Crowd
from streamer.worker.flood import Restraint
from streamer.worker.intake import Intake
from tests.state.scene import START_MS, Teller, region

VIEW = region(limits={"stations_per_h": 3, "refusals_told_at_once": 2})


def names(count: int, begin: int = 0) -> list[str]:
    return [f"QA{n // 26}A{chr(65 + n % 26)}" for n in range(begin, begin + count)]


def admitted(
    crowd: Crowd, stations: list[str], gateway: str = "ridge", ms: int = START_MS
) -> list[str]:
    return [station for station in stations if crowd.admits(gateway, station, ms)]


def test_so_many_within_an_hour_and_each_as_often_as_it_likes() -> None:
    crowd = Crowd(VIEW, ManualClock(START_MS))
    few, more = names(3), names(5, 3)
    assert admitted(crowd, few) == few
    assert admitted(crowd, more + few + more) == few
    assert admitted(crowd, more, "lake") == more[:3]  # each gateway by itself
    assert START_MS % HOUR_MS == 0
    assert admitted(crowd, more + few, ms=START_MS + HOUR_MS - 1) == few
    assert admitted(crowd, few[:1] + more, ms=START_MS + HOUR_MS) == few[:1] + more[:2]


def test_a_backlog_of_a_day_is_a_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """All of it comes at once, and an hour later some more of the same hours."""
    monkeypatch.setattr(module, "HOURS_KEPT", 24)
    clock = ManualClock(START_MS)
    crowd = Crowd(VIEW, clock)
    for n in range(24):
        assert admitted(crowd, names(5, 5 * n), ms=START_MS - n * HOUR_MS) == names(3, 5 * n)
    clock.advance_s(module.REST_S + 1)
    assert admitted(crowd, names(2, 500), ms=START_MS + HOUR_MS) == names(2, 500)
    hours = crowd._hours["ridge"]
    assert len(hours) == 24
    assert sum(len(hour.stations) for hour in hours.values()) == 2  # the others are numbers now
    assert admitted(crowd, names(2, 600), ms=START_MS) == []


def test_a_new_region_file_changes_the_limit_and_forgets_nobody() -> None:
    crowd = Crowd(VIEW, ManualClock(START_MS))
    assert len(admitted(crowd, names(5))) == 3
    crowd.use(region(limits={"stations_per_h": 4}))
    assert admitted(crowd, names(9)) == names(4)


def test_however_many_names_the_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_NAMES", 10)
    crowd = Crowd(VIEW, ManualClock(START_MS))
    taken = [len(admitted(crowd, names(5), f"made-up-{n}")) for n in range(20)]
    assert taken == [3] * 11 + [3] * 9  # what is shared is known to all who share it
    assert len(crowd._hours) == 11
    assert admitted(crowd, names(5, 9), "made-up-19") == []


def test_what_is_refused_is_told_as_a_flood() -> None:
    clock = ManualClock(START_MS)
    intake = Intake(VIEW, Restraint(VIEW, clock), Crowd(VIEW, clock))
    batch, teller = Batch(noted_ms=START_MS, lines=[]), Teller("ridge")
    for n, name in enumerate(names(8)):
        intake.take(teller.heard(START_MS, name, f"o{n}"), START_MS, batch)
    assert sorted(batch.keyings) == names(3)
    assert [r.reason for r in batch.refusals] == [RefusalReason.TOO_MANY_STATIONS] * 2
    assert "more than 3 stations within an hour of gateway ridge" in batch.refusals[0].detail
    assert batch.untold == {"too_many_stations": 3}
    ridge = batch.gateways["ridge"]
    assert [event[1] for event in ridge.events if event[2] == "refused"] == [4, 5, 6, 7, 8]
    assert ridge.floods == [(START_MS, 5)]
    again, feed = Batch(), Feed(VIEW)  # a replay says the same
    for line in batch.lines or []:
        assert feed.add(line, again)
    assert again.gateways["ridge"].floods == [(START_MS, 5)]
    assert sorted(again.keyings) == names(3)


def test_what_a_worker_takes_at_once_is_one_flood() -> None:
    clock = ManualClock(START_MS)
    intake = Intake(VIEW, None, Crowd(VIEW, clock))
    batch, teller = Batch(noted_ms=START_MS), Teller("ridge")
    for n, name in enumerate(names(24)):
        now_ms = START_MS + 400 * (n // 8)  # of the first eight three are taken
        intake.take(teller.heard(now_ms, name, f"o{n}"), now_ms, batch)
    assert batch.gateways["ridge"].floods == [
        (START_MS, 5), (START_MS + 400, 8), (START_MS + 800, 8),
    ]  # fmt: skip
