"""`python -m tests.bench [--quick] [--json]`: real Mosquitto, real Redis, one run, one machine.

Every throughput is taken on a backlog: published into the durable session of a client that is
away, then timed from its first progress to the last acknowledgement. Baselines and ours take
turns in one run; a figure is the median of its rounds. Redis keeps no append-only file and the
broker writes no snapshot meanwhile, which spares the plain script more than ours.

Run it on a machine that does nothing else. The plain script waits for Redis several times an event,
so it is slow where a core falls asleep in each wait, and two or three times as fast where other
work keeps the cores awake; ours then only has less of them.
"""

import argparse
import json
import os
import sys
import time
from dataclasses import dataclass

from tests.bench.board import PAGES, to_pages, watched
from tests.bench.figures import Figures, table
from tests.bench.measure import Bench, BenchError
from tests.bench.send import send_backlog
from tests.bench.world import World

COMPARED = ("ceiling", "own", "plain")


@dataclass(frozen=True, slots=True)
class Size:
    """How much of each is measured; bounded, so that the run is."""

    rounds: int
    messages: int
    plain: int
    batch_events: int
    warm_events: int
    latency_s: float
    soak_events: int
    turns: int
    """Rounds with learning on and off, of so many messages of one event and so many events."""
    turn_messages: int
    turn_events: int


QUICK = Size(1, 24_000, 6_000, 120_000, 20_000, 6.0, 100_000, 3, 12_000, 60_000)
FULL = Size(3, 30_000, 8_000, 200_000, 20_000, 15.0, 1_000_000, 9, 20_000, 100_000)
EVENTS_PER_S = 1000
BIG_STATIONS, BIG_GROUPS = 100_000, 1000


def compare(bench: Bench, size: Size, figures: Figures) -> None:
    """One round: every client drains the same backlog of one-event messages, then ours a
    backlog of 50-event messages."""
    for name in COMPARED:
        bench.open_session(name)
    before = bench.counted()
    messages, events = send_backlog(bench.broker.url, bench.world, size.messages, 1)
    names = {"ceiling": "ceiling_mps", "own": "own_ceiling_mps", "plain": "plain_eps"}
    for name in COMPARED:
        wanted = size.plain if name == "plain" else messages
        figures.add(names[name], bench.comparison(name, wanted))
        bench.drop_session(name)
    with bench.worker() as worker:
        figures.add("single_eps", worker.time_drain(before + events, messages))
    figures.add("batch_eps", bench.drain(size.batch_events, 50))


def learning_cost(bench: Bench, size: Size, figures: Figures) -> None:
    """What learning adds to the time an event takes: on and off take turns, and the figure is the
    median of the rounds' own ratios."""
    for number in range(size.turns):
        order = (True, False) if number % 2 else (False, True)
        for name, events, per_message in (
            ("single", size.turn_messages, 1),
            ("batch", size.turn_events, 50),
        ):
            eps = {on: bench.drain(events, per_message, learning=on) for on in order}
            figures.add(f"learning_{name}_eps", eps[True])
            figures.add(f"still_{name}_eps", eps[False])
            figures.add(f"learning_cost_{name}", eps[False] / eps[True] - 1)


def small(size: Size, figures: Figures, say: "Say") -> None:
    """500 stations and 20 groups."""
    with Bench(World(500, 20)) as bench:
        bench.drain(size.warm_events, 50)
        for number in range(size.rounds):
            say(f"round {number + 1} of {size.rounds}: throughput")
            compare(bench, size, figures)
        say(f"latency at {EVENTS_PER_S} events/s, then memory over {size.soak_events:,} events")
        with bench.worker() as worker:
            figures.add("rss_before_mb", worker.rss_mb())
            latency = worker.latency(EVENTS_PER_S, size.latency_s)
            figures.add("p50_ms", latency.p50_ms)
            figures.add("p99_ms", latency.p99_ms)
            figures.notes.append(f"latency: {latency}")
            early = size.soak_events // 10
            worker.soak(early, 50, 100_000)
            figures.notes.append(f"memory: {worker.rss_mb():.1f} MB after {early:,} events")
            worker.soak(size.soak_events - early, 50, 100_000)
            figures.add("rss_mb", worker.rss_mb())
        say(f"{size.turns} rounds with learning on and off")
        learning_cost(bench, size, figures)
        figures.events_soaked = size.soak_events
        figures.notes.append(f"memory: the figure is after {size.soak_events:,} events")
        figures.add("redis_mb", bench.redis_mb())
        figures.add("presence_bytes", bench.presence_bytes())
        figures.add("learned_bytes", bench.learned_bytes())


def big(size: Size, figures: Figures, say: "Say") -> None:
    """100,000 stations and 1,000 groups: each station is heard once, then the same again."""
    with Bench(World(BIG_STATIONS, BIG_GROUPS)) as bench:
        say(f"{BIG_STATIONS:,} stations, {BIG_GROUPS:,} groups: hearing each once")
        bench.drain(2 * BIG_STATIONS, 50)
        say("the same: throughput and latency")
        figures.add("big_batch_eps", bench.drain(size.batch_events, 50))
        figures.add("big_single_eps", bench.drain(size.messages, 1))
        with bench.worker() as worker:
            figures.add("big_rss_before_mb", worker.rss_mb())
            if not worker.settle():
                figures.notes.append("the worker still had groups to look at after 30 s")
            latency = worker.latency(EVENTS_PER_S, size.latency_s)
            figures.add("big_p50_ms", latency.p50_ms)
            figures.add("big_p99_ms", latency.p99_ms)
            figures.notes.append(f"latency with {BIG_STATIONS:,} stations: {latency}")
            figures.add("big_rss_mb", worker.rss_mb())
        figures.add("big_redis_mb", bench.redis_mb())
        figures.add("big_presence_bytes", bench.presence_bytes())
        figures.add("big_learned_bytes", bench.learned_bytes())


def with_pages(size: Size, figures: Figures, say: "Say") -> None:
    """What 200 open pages see, and what they cost the worker; with and without take turns."""
    with Bench(World(500, 20)) as bench:
        bench.drain(size.warm_events, 50)
        for number in range(size.rounds):
            say(f"round {number + 1} of {size.rounds}: throughput with and without {PAGES} pages")
            for name, events, per_message in (
                ("single", size.messages, 1),
                ("batch", size.batch_events, 50),
            ):
                figures.add(f"unwatched_{name}_eps", bench.drain(events, per_message))
                with watched(bench):
                    figures.add(f"watched_{name}_eps", bench.drain(events, per_message))
        say(f"{PAGES} pages beside {EVENTS_PER_S} events/s")
        with bench.worker() as worker:
            worker.settle()
            found = to_pages(bench, EVENTS_PER_S, size.latency_s)
            figures.add("page_p50_ms", found.p50_ms)
            figures.add("page_p99_ms", found.p99_ms)
            figures.add("behind_p50_ms", found.behind_p50_ms)
            figures.add("behind_p99_ms", found.behind_p99_ms)
            figures.add("board_rss_mb", found.rss_mb)
            figures.notes.append(f"pages: {found}")
            with watched(bench):
                latency = worker.latency(EVENTS_PER_S, size.latency_s)
            figures.add("watched_p99_ms", latency.p99_ms)
            figures.notes.append(f"fan-out beside {PAGES} pages: {latency}")


class Say:
    """Progress on stderr with the seconds passed."""

    def __init__(self) -> None:
        self._begun_s = time.perf_counter()

    def __call__(self, text: str) -> None:
        print(f"[{time.perf_counter() - self._begun_s:5.0f} s] {text}", file=sys.stderr, flush=True)


def main() -> int:
    """Exit codes: 0 measured (whether or not targets are met), 1 could not be measured."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument(
        "--quick", action="store_true", help="in about a minute, less of each; ends with JSON"
    )
    parser.add_argument("--json", action="store_true", help="end with the figures as JSON")
    arguments = parser.parse_args()
    size, figures, say = QUICK if arguments.quick else FULL, Figures(), Say()
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    figures.notes.append(f"{os.cpu_count()} cores, load average before the run {load}")
    try:
        small(size, figures, say)
        if not arguments.quick:
            with_pages(size, figures, say)
            big(size, figures, say)
    except BenchError as error:
        print(f"could not be measured: {error}", file=sys.stderr)
        return 1
    say("done")
    print(table(figures, big=not arguments.quick))
    if arguments.quick or arguments.json:
        print(json.dumps(figures.summary(arguments.quick)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
