"""`python -m tests.bench.replay [EVENTS]`: how fast a journal is replayed, what writing it costs.

The journal is of an invented region of 500 stations, 20 groups and 20 repeaters, at the pace of two
million events a week. Replayed with the full state code: once with everything, Redis too, held on
one core, and once with Redis on another; the baseline, in the same run, applies a part of the same
lines one by one. What the journal costs a worker is measured on the intake alone: with messages of
fifty events read only, and read and noted, in turns.
"""

import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from statistics import median

from streamer.clock import SystemClock
from streamer.config import RegionView, load_region
from streamer.journal.reader import read, settings_text
from streamer.journal.writer import Retention, Writer
from streamer.lab.replay import PORTION, Replay
from streamer.lab.replay_command import EVERY_S
from streamer.mqtt.connection import Incoming
from streamer.state.store import Store, connect
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake
from tests.bench.world import World
from tests.servers import Redis

EVENTS = 300_000
A_WEEK_EVENTS, WEEK_MS = 2_000_000, 7 * 86_400_000
TARGET_EVENTS_S = 30_000
PLAIN_LINES = 4_000
END_MS = 1_800_000_000_000
CLOCK = SystemClock()


@dataclass(frozen=True, slots=True)
class Taken:
    """What one run took."""

    events: int
    seconds: float
    looks: int

    @property
    def rate(self) -> float:
        return self.events / self.seconds


def record(folder: Path, events: int) -> RegionView:
    """A journal of so many events, noted a fifth of a second after they were said."""
    world = World(500, 20)
    file = folder / "region.toml"
    file.write_text(world.region_file(), "utf-8")
    view = load_region(file)
    start_ms = END_MS - WEEK_MS * events // A_WEEK_EVENTS
    writer = Writer(folder / "journal", view.name, "bench", "bench", Retention(10**15, 10**15))
    writer.settings_are(settings_text(view), start_ms)
    intake, boot = Intake(view), "0190000000000001"
    packets = world.packets(boot, events, 1, start_ms, END_MS)
    for packet in [*world.heartbeats(boot, start_ms), *packets]:
        noted_ms = packet.ms + 200
        batch = Batch(noted_ms=noted_ms, lines=[])
        intake.take(Incoming(packet.topic, packet.payload, 1, False, 0), noted_ms, batch)
        writer.write(batch.lines or [], noted_ms)
    writer.close(END_MS)
    return view


def noting(folder: Path, events: int) -> tuple[float, float]:
    """Microseconds of this process an event: read, and read and noted; the medians of turns."""
    world = World(500, 20)
    view = load_region(folder / "region.toml")
    packets = list(world.packets("0190000000000001", events, 50, END_MS - 3_600_000, END_MS))
    found: dict[bool, list[float]] = {False: [], True: []}
    for turn in range(6):
        noted = turn % 2 == 1
        writer = Writer(folder / f"turn{turn}", view.name, "b", "b", Retention(10**15, 10**15))
        intake, begun_s = Intake(view), time.process_time()
        for packet in packets:
            batch = Batch(noted_ms=END_MS, lines=[] if noted else None)
            intake.take(Incoming(packet.topic, packet.payload, 1, False, 0), END_MS, batch)
            if batch.lines:
                writer.write(batch.lines, END_MS)
        found[noted].append((time.process_time() - begun_s) / events * 1e6)
        writer.close(END_MS)
    return median(found[False]), median(found[True])


@contextmanager
def held_on(cores: set[int]) -> Iterator[None]:
    """This process, and those that it starts meanwhile, on these cores alone."""
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, cores)
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def replayed(folder: Path, *, lines: int | None = None, portion: int = PORTION) -> Taken:
    redis = Redis()
    redis.start()
    try:
        replay = Replay(
            lambda view: [Store(connect(redis.url), view)], round(EVERY_S * 1000), portion=portion
        )
        begun_s = CLOCK.monotonic_s()
        for _ in replay.play(islice(read([folder / "journal"], print), lines)):
            pass
        seconds = CLOCK.monotonic_s() - begun_s
        assert replay.played.troubles == []
        return Taken(replay.played.events, seconds, replay.played.looks)
    finally:
        redis.close()


def main() -> None:
    events = int(sys.argv[1]) if len(sys.argv) > 1 else EVENTS
    cores = sorted(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory(prefix="streamer-bench-") as name:
        folder = Path(name)
        record(folder, events)
        size = sum(path.stat().st_size for path in (folder / "journal").iterdir())
        print(f"replay of {events:,} events, {size / events:.0f} bytes each in the journal")
        with held_on({cores[0]}):
            plain = replayed(folder, lines=PLAIN_LINES, portion=1)
            alone = replayed(folder)
        free = replayed(folder)
        read_us, noted_us = noting(folder, min(events, 50_000))
    print(f"{'one by one (baseline)':34}{plain.rate:10,.0f} events/s   1.0")
    for what, taken in (("all on one core", alone), ("Redis on another core", free)):
        print(f"{what:34}{taken.rate:10,.0f} events/s {taken.rate / plain.rate:5.1f}")
    met = "met" if alone.rate >= TARGET_EVENTS_S else "NOT MET"
    also = "met" if free.rate >= TARGET_EVENTS_S else "NOT MET"
    print(
        f"target {TARGET_EVENTS_S:,} events/s: {met} with all on one core, {also} with Redis on "
        f"another; looked {alone.looks} times at what follows"
    )
    print(
        f"intake: {read_us:.1f} us an event read, {noted_us:.1f} us read and noted in the journal "
        f"({noted_us / read_us:.2f} times)"
    )


if __name__ == "__main__":
    main()
