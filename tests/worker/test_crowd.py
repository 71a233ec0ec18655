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
from streamer.worker.crowd import Crowd
from streamer.worker.flood import Restraint
from streamer.worker.intake import Intake
from tests.state.scene import START_MS, Teller, region

VIEW = region(limits={"stations_per_h": 3, "refusals_told_at_once": 2})


def names(count: int, begin: int = 0) -> list[str]:
    return [f"QA{n // 26}A{chr(65 + n % 26)}" for n in range(begin, begin + count)]


def admitted(crowd: Crowd, stations: list[str], gateway: str = "ridge") -> list[str]:
    return [station for station in stations if crowd.admits(gateway, station)]


def test_so_many_within_an_hour_and_each_as_often_as_it_likes() -> None:
    clock = ManualClock(START_MS)
    crowd = Crowd(VIEW, clock)
    few, more = names(3), names(5, 3)
    assert admitted(crowd, few) == few
    assert admitted(crowd, more + few + more) == few
    assert admitted(crowd, more, "lake") == more[:3]  # each gateway by itself
    clock.advance_s(3599)
    assert admitted(crowd, more + few) == few
    clock.advance_s(1)
    assert admitted(crowd, few[:1] + more + few) == few[:1] + more[:3]


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


def test_floods_of_one_batch_are_told_by_the_second() -> None:
    clock = ManualClock(START_MS)
    intake = Intake(VIEW, None, Crowd(VIEW, clock))
    batch, teller = Batch(noted_ms=START_MS), Teller("ridge")
    for n, name in enumerate(names(63)):
        now_ms = START_MS + 50 * n  # 3 are taken, the others come from 150 to 3,100 ms
        intake.take(teller.heard(now_ms, name, f"o{n}"), now_ms, batch)
    floods = batch.gateways["ridge"].floods
    assert [count for _, count in floods] == [20, 20, 20]
    assert [ms - START_MS for ms, _ in floods] == [150, 1150, 2150]
