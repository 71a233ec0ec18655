"""Standings by what was learned: the same events give the same rosters, however they came."""

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from streamer.domain.group_now import look_at_group
from streamer.domain.verdict import ANEW_MS
from streamer.mqtt.connection import Incoming
from streamer.state.lookups import sights
from tests.servers import Redis
from tests.state.canonical import retained_content
from tests.state.scene import GATEWAYS, START_MS, STATIONS, Bench, BenchWorker, Teller, region

pytestmark = pytest.mark.redis
EXAMPLES = int(os.environ.get("STREAMER_EXAMPLES", "60")) // 6
MINUTE_MS = 60_000
POLICY = {
    "overdue_soonest_s": 120,
    "out_of_reach_soonest_s": 180,
    "overdue_after_s": 2400,
    "out_of_reach_after_s": 3000,
    "expire_after_s": 3600,
    "linger_s": 30,
    "late_after_s": 7200,
}
SPAN_MIN = 50
"""The events: so many minutes before START_MS; some expire before the end."""
END_S = 720


@dataclass(frozen=True)
class Arrival:
    """A message, when it was said and how much later it comes to a worker."""

    ms: int
    late_ms: int
    worker: int
    message: Incoming


@st.composite
def days(draw: st.DrawFn) -> list[Arrival]:
    """Stations of different habits that fall silent one after the other."""
    tellers = {name: Teller(name) for name in GATEWAYS}
    said = []
    for station in STATIONS:
        step = draw(st.sampled_from([1, 2, 4, 8]))
        last = draw(st.integers(2, SPAN_MIN - 2))
        minute = SPAN_MIN - draw(st.integers(0, 5))
        level = draw(st.sampled_from([-80.0, -100.0, -112.0]))
        while minute > last:
            teller = tellers[draw(st.sampled_from(["ridge", "ridge", "ridge", "lake"]))]
            level -= draw(st.sampled_from([0, 0, 2]))
            more: dict[str, Any] = {"rssi_dbm": level, "phase": "end", "duration_s": 2}
            ms = START_MS - minute * MINUTE_MS + draw(st.sampled_from([0, 20_000, 59_999]))
            over = f"{station}{minute}"
            said.append((ms, teller.heard(ms, station, over, to="NET", **more)))
            minute -= draw(st.sampled_from([step, step, 2 * step, 1]))
    late = st.sampled_from([0, 0, 0, 500, 90_000, 600_000])
    return [
        Arrival(ms, draw(late), draw(st.integers(0, 1)), message)
        for ms, message in sorted(said, key=lambda pair: pair[0])
    ]


def begin(url: str) -> tuple[Bench, list[BenchWorker]]:
    """A region in service since before the events; its workers live through all of them."""
    bench = Bench(region(policy=POLICY, limits={"gateway_lost_after_s": 36_000}), url)
    begun_ms = START_MS - (SPAN_MIN + 10) * MINUTE_MS
    bench.clock.advance_s((begun_ms - START_MS) / 1000)
    workers = [bench.worker(), bench.worker()]
    workers[0].store.prepare(begun_ms)
    workers[0].run([Teller(g, boot="live0000").state(begun_ms) for g in GATEWAYS])
    return bench, workers


def live(url: str, arrivals: Sequence[Arrival]) -> tuple[Bench, list[BenchWorker]]:
    """They come when they come; every minute a worker looks at what is due."""
    bench, workers = begin(url)
    waiting = sorted(arrivals, key=lambda a: a.ms + a.late_ms)
    turn = 0
    while bench.clock.now_ms() < START_MS + END_S * 1000:
        bench.clock.advance_s(60)
        now_ms = bench.clock.now_ms()
        while waiting and waiting[0].ms + waiting[0].late_ms <= now_ms:
            arrival = waiting.pop(0)
            workers[arrival.worker].run([arrival.message])
        turn += 1
        workers[turn % 2].settle()
    assert not waiting
    return bench, workers


Standings = dict[str, tuple[Any, ...]]


def judged_by(bench: Bench, worker: BenchWorker) -> Standings:
    """What a worker, with all that it remembers, says of the members now."""
    store, now_ms = worker.store, bench.clock.now_ms()
    snapshot = store.groups(["NET"])[0]
    deriver = worker.deriver
    silences = deriver._evidence.silences(snapshot, (), now_ms)
    looked = look_at_group(
        store.view, snapshot, sights(store, now_ms), now_ms, deriver._memory, silences
    )
    return {s.station: (j.standing, j.reasons, j.since_ms) for s, j in looked.judged}


def at_last(bench: Bench) -> dict[str, Any]:
    """What is published when a worker that has just begun has looked at everything."""
    worker = bench.worker()
    names = [f"g/{name}" for name in bench.view.groups]
    for _ in range(3):
        bench.clock.advance_s(10)
        worker.store.wake(names, bench.clock.now_ms())
        worker.settle()
    return retained_content(bench.retained)


PATIENT = settings(
    max_examples=EXAMPLES,
    deadline=None,
    report_multiple_bugs=False,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@PATIENT
@given(days())
def test_late_or_in_time_a_worker_that_begins_finds_the_same(
    redis_server: Redis, arrivals: list[Arrival]
) -> None:
    with redis_server.client() as client:
        client.flushall()
        plain, workers = live(redis_server.url, [replace(a, late_ms=0) for a in arrivals])
        expected = judged_by(plain, plain.worker())
        for worker in workers:
            assert judged_by(plain, worker) == expected
        published = at_last(plain)
        client.flushall()
        rough, _ = live(redis_server.url, arrivals)
        assert judged_by(rough, rough.worker()) == expected
        assert at_last(rough) == published


@PATIENT
@given(days())
def test_what_came_late_is_not_overlooked_for_ever(
    redis_server: Redis, arrivals: list[Arrival]
) -> None:
    """A worker that judged a silence before it came finds the same as one that begins, when it
    looks again after a while."""
    with redis_server.client() as client:
        client.flushall()
        bench, workers = live(redis_server.url, arrivals)
        bench.clock.advance_s(ANEW_MS / 1000)
        expected = judged_by(bench, bench.worker())
        for worker in workers:
            assert judged_by(bench, worker) == expected
