"""Alerts found along a recording are those that the workers' own judgement comes to.

The judges are the domain and the state: events through a real Redis, minute by minute looked at
with `look_at_group` and `Evidence`, as a worker does.
"""

import random
from itertools import pairwise

import pytest

from streamer.config import RegionView
from streamer.contract.published import Standing
from streamer.domain.group_now import look_at_group
from streamer.domain.liveness import Sights
from streamer.domain.silence import FULL_PRESENCE
from streamer.lab.alarms import Judge, grains_of
from streamer.lab.columns import columns_of
from streamer.lab.day import Day, Hearing, RecordedOver
from streamer.state.evidence import Evidence
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, Teller, moment, region

CALLS = ("QA1ABC", "QB2DEF", "QC3GHI", "QD4JKL")
MINUTE_MS = 60_000
POLICY = {
    "overdue_soonest_s": 120, "out_of_reach_soonest_s": 300, "overdue_after_s": 2400,
    "out_of_reach_after_s": 3000, "expire_after_s": 3600, "linger_s": 30, "late_after_s": 7200,
}  # fmt: skip
MINUTES = 200


def overs(seed: int) -> list[RecordedOver]:
    """Four stations of different habits; each keys more seldom in the end. Signals fall."""
    dice = random.Random(seed)
    found = []
    for number, call in enumerate(CALLS):
        minute = float(number)
        while minute < MINUTES - 5:
            ms = START_MS + round(minute * MINUTE_MS)
            on = dice.choice(["ridge/uhf", "ridge/uhf", "ridge/uhf", "lake/vhf"])
            heard = (Hearing(on, -80.0 - minute / 6 - dice.uniform(0, 3), None),)
            to = "NET" if dice.random() < 0.9 else ""
            found.append(
                RecordedOver(
                    f"{call}{ms}", call, to or None, to, ms, ms + 2000, ms, on, heard, "", "", None
                )
            )
            pause = (2, 3, 5, 8)[number] * (3 if minute > MINUTES / 2 else 1)
            minute += dice.uniform(0.5, 2.0) * pause
    return sorted(found, key=lambda over: over.began_ms)


Found = dict[tuple[str, int], tuple[int, bool]]
"""Station and when it was last heard -> when it was overdue, whether it came to out of reach."""


def by_the_workers(url: str, view: RegionView, said: list[RecordedOver]) -> Found:
    worker = Bench(view, url).worker()
    worker.store.prepare(START_MS)
    evidence, nobody = Evidence(worker.store), Sights({}, frozenset(), 90_000, START_MS)
    tellers = {name: Teller(name) for name in view.gateways}
    waiting, found = list(said), Found()
    clock = worker.bench.clock
    for minute in range(MINUTES):
        now_ms = START_MS + minute * MINUTE_MS + 30_000
        while waiting and waiting[0].ended_ms <= now_ms:
            over = waiting.pop(0)
            clock.advance_s((over.ended_ms - clock.now_ms()) / 1000)
            gateway, port = over.repeater.split("/")
            told = tellers[gateway].heard(
                over.ended_ms, over.station, over.over, port, to=over.to, phase="end",
                duration_s=2.0, started_at=moment(over.began_ms), rssi_dbm=over.heard[0].rssi_dbm,
            )  # fmt: skip
            worker.run([told])
        assert not worker.refusals
        (snapshot,) = worker.store.groups(["NET"])
        silences = evidence.silences(snapshot, (), now_ms)
        for summary, judged in look_at_group(view, snapshot, nobody, now_ms, None, silences).judged:
            key = summary.station, summary.place.ms
            if judged.standing is Standing.OVERDUE:
                found.setdefault(key, (judged.since_ms, False))
            elif judged.standing is Standing.OUT_OF_REACH:
                found[key] = found.get(key, (judged.since_ms, True))[0], True
    return found


def by_the_recording(view: RegionView, said: list[RecordedOver]) -> Found:
    end_ms = START_MS + (MINUTES - 1) * MINUTE_MS + 30_000
    columns = columns_of(Day(view, START_MS, end_ms, tuple(said), (), {}, ()))
    number = columns.groups.index("NET")
    judge = Judge(columns, number, view.policies["NET"], view.learning, {}, [(START_MS, None)])
    return {
        (call, alarm.heard_ms): (alarm.raised_ms, alarm.out_of_reach)
        for station, call in enumerate(columns.stations)
        for alarm in judge.of_station(station)
    }


@pytest.mark.redis
@pytest.mark.parametrize("seed", [1, 2])
def test_alerts_are_those_of_the_workers(empty_redis: Redis, seed: int) -> None:
    view = region(policy=POLICY, group=[{"name": "NET"}], limits={"gateway_lost_after_s": 36_000})
    said = overs(seed)
    workers = by_the_workers(empty_redis.url, view, said)
    recording = by_the_recording(view, said)
    # A minute may go by without a look: what is overdue for less is seen by chance alone.
    next_ms = {
        (a.station, a.began_ms): b.began_ms
        for call in CALLS
        for own in [[o for o in said if o.station == call]]
        for a, b in pairwise(own)
    }
    lasting = {
        key: alarm
        for key, alarm in recording.items()
        if next_ms.get(key, 1 << 60) - alarm[0] > MINUTE_MS
    }
    assert len(lasting) > 5
    assert lasting.keys() <= workers.keys() <= recording.keys()
    assert {key: alarm[0] for key, alarm in workers.items()} == {
        key: recording[key][0] for key in workers
    }


def test_a_presence_cut_at_a_time_holds_what_the_state_keeps() -> None:
    grains = grains_of([n * 1000 for n in range(0, 100 * 60, 30)], 60)
    assert len(grains) == 100
    assert grains[0] == 99 * 60
    assert len(grains[10:]) == FULL_PRESENCE
    assert grains[10:][0] == 89 * 60
    assert len(grains[90:]) == 10
