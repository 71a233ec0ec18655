"""The board under load: from a keying to the pages, and what open pages cost the worker.

200 pages are 200 streams of one client process, each with the tables that pages of several kinds
follow. A probe gateway keys stations of its own on the other of its two repeaters in turn; each
page that follows the group sees its fan-out change. All times are of one machine's clock.

On two cores everything here takes from the same: the pages' own process too, which in life runs
elsewhere. So the ratios are what is lost at the worst.

Run as `python -m tests.bench.board PORT PAGES GROUPS` it is the pages.
"""

import asyncio
import json
import random
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median, quantiles
from typing import Final

import psutil

from streamer.board.rows import fanout_table, roster_table
from streamer.contract.topics import fanout_topic
from tests.bench.latency import LONGEST_WAIT_S, Probe, key, shows
from tests.bench.measure import Bench, BenchError
from tests.bench.send import CLOCK, Load, connected, new_boot
from tests.bench.world import PROBE_GROUPS, REGION, World, probe_group
from tests.board.rig import BoardProcess

PAGES: Final = 200
_BETWEEN_S: Final = (2.0, 3.0)
"""Between two keyings of a probe: longer than a page may take to show the first."""
_READY_S: Final = 60
_CHUNK: Final = 1 << 22
_ROWS: Final = b'event: rows\ndata: {"table":"' + fanout_table("PROBE").encode()


# -- the pages, a process of their own -----------------------------------------------------------

Arrival = tuple[int, str, int, list[str]]
"""Page, group, when in ms, the repeaters that the event named."""


def tables_of(page: int, groups: Sequence[str]) -> str:
    """What a page follows: the head and the alerts, as all do; the list of groups, a fan-out or a
    roster; and one probe, to be measured by."""
    group = groups[page % len(groups)]
    of_kind = ("groups", fanout_table(group), roster_table(group), "gateways,groups,places")
    probe = fanout_table(probe_group(page % PROBE_GROUPS))
    return f"head,alerts,{of_kind[page // PROBE_GROUPS % len(of_kind)]},{probe}"


@dataclass
class _Count:
    ready: int = 0
    events: int = 0
    read_bytes: int = 0


async def _page(
    port: int, page: int, groups: Sequence[str], found: list[Arrival], count: _Count
) -> None:
    """Reads events as they come; HTTP/1.0, so that they are not cut into chunks."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=_CHUNK)
    path = f"/api/v1/feed?tables={tables_of(page, groups)}"
    writer.write(f"GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
    head = await reader.readuntil(b"\r\n\r\n")
    if b" 200 " not in head.split(b"\r\n", 1)[0]:
        raise BenchError(f"the board answered {head[:60]!r}")
    beats = 0
    while True:
        event = await reader.readuntil(b"\n\n")
        count.events += 1
        count.read_bytes += len(event)
        if event.startswith(b"event: beat"):
            beats += 1
            count.ready += beats == 1
        elif event.startswith(_ROWS):
            said = json.loads(event.split(b"data: ", 1)[1])
            group = said["table"].split("/")[1]
            found.append((page, group, CLOCK.now_ms(), list(said["rows"])))


async def _pages(port: int, pages: int, groups: int) -> None:
    found: list[Arrival] = []
    count, names = _Count(), World(1, groups).group_names
    tasks = [asyncio.create_task(_page(port, n, names, found, count)) for n in range(pages)]
    end = asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    while count.ready < pages and not end.done():
        await asyncio.sleep(0.05)
        for task in tasks:
            if task.done():
                task.result()
    print("ready", flush=True)
    await end
    broken = sum(task.done() for task in tasks)
    for task in tasks:
        task.cancel()
    said = {"arrivals": found, "broken": broken, "events": count.events, "bytes": count.read_bytes}
    print(json.dumps(said))


class Pages:
    """So many open pages, closed with the block; then what they saw."""

    def __init__(self, port: int, pages: int, groups: int) -> None:
        self._words = [str(port), str(pages), str(groups)]
        self.arrivals: list[Arrival] = []
        self.broken = self.events = self.read_bytes = 0

    def __enter__(self) -> "Pages":
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.board", *self._words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self._process.stdout is not None
        if self._process.stdout.readline().strip() != "ready":
            raise BenchError("the pages did not open")
        return self

    def __exit__(self, *_: object) -> None:
        out, _err = self._process.communicate(timeout=_READY_S)
        said = json.loads(out)
        self.arrivals = [(page, group, ms, names) for page, group, ms, names in said["arrivals"]]
        self.broken, self.events = said["broken"], said["events"]
        self.read_bytes = said["bytes"]


# -- the probe -----------------------------------------------------------------------------------


@dataclass(slots=True)
class Keying:
    """`published_ms` is when the fan-out that shows it came from the broker."""

    group: str
    repeater: str
    ms: int
    published_ms: int | None = None


def probe(url: str, seconds: float) -> list[Keying]:
    """Key the probe stations, each at times of its own; what was keyed when."""
    dice, boot, seq = random.Random(2), new_boot(), 0
    probes = [Probe(number, next_s=dice.random()) for number in range(PROBE_GROUPS)]
    keyed: list[Keying] = []
    newest: dict[str, Keying] = {}
    begun_s = time.perf_counter()
    with connected(url, "bench-board-probe") as connection:
        connection.subscribe([(fanout_topic(REGION, probe_group(p.number)), 1) for p in probes])
        # At the end, let the last ones arrive.
        while (now_s := time.perf_counter() - begun_s) < seconds + LONGEST_WAIT_S / 2:
            for each in probes:
                if each.next_s <= now_s < seconds:
                    each.port, seq = 1 - each.port, seq + 1
                    group = probe_group(each.number)
                    newest[group] = Keying(group, each.repeater, CLOCK.now_ms())
                    keyed.append(newest[group])
                    key(connection, boot, seq, each, group)
                    each.next_s = now_s + dice.uniform(*_BETWEEN_S)
            messages = connection.poll(0.005)
            connection.acknowledge(messages)
            connection.answers()
            for message in messages:
                known = newest.get(message.topic.rsplit("/", 1)[1])
                if known and known.published_ms is None and shows(message, known.repeater):
                    known.published_ms = CLOCK.now_ms()
    return keyed


@dataclass(slots=True)
class Waits:
    """In ms: from each keying to each page that follows the group, and the part of it behind the
    fan-out's being published; how many pages missed one."""

    whole: list[float] = field(default_factory=list)
    behind: list[float] = field(default_factory=list)
    lost: int = 0


def waits_of(keyed: Sequence[Keying], arrivals: Sequence[Arrival], pages: int) -> Waits:
    """The first event that names the repeater counts, unless the probe was keyed again before."""
    seen: dict[tuple[int, str], list[tuple[int, list[str]]]] = defaultdict(list)
    for page, group, ms, names in arrivals:
        seen[page, group].append((ms, names))
    by_group: dict[str, list[Keying]] = defaultdict(list)
    for keying in keyed:
        by_group[keying.group].append(keying)
    waits = Waits()
    for page in range(pages):
        group = probe_group(page % PROBE_GROUPS)
        own, events = by_group[group], seen[page, group]
        for keying, following in zip(own, [*own[1:], None], strict=False):
            until_ms = following.ms if following else keying.ms + 1000 * LONGEST_WAIT_S
            first = next(
                (
                    ms
                    for ms, names in events
                    if keying.ms <= ms < until_ms and keying.repeater in names
                ),
                None,
            )
            if first is None:
                waits.lost += 1
                waits.whole.append(LONGEST_WAIT_S * 1000)
                continue
            waits.whole.append(first - keying.ms)
            if keying.published_ms is not None:
                waits.behind.append(max(0, first - keying.published_ms))
    return waits


# -- measuring -----------------------------------------------------------------------------------


class Board:
    """A running board under measurement."""

    def __init__(self, process: BoardProcess) -> None:
        self.port = process.port
        assert process.process is not None
        self._about = psutil.Process(process.process.pid)

    def rss_mb(self) -> float:
        return float(self._about.memory_info().rss) / 1e6

    def cpu_s(self) -> float:
        times = self._about.cpu_times()
        return float(times.user + times.system)


@contextmanager
def board(bench: Bench) -> Iterator[Board]:
    """`streamer board` as a process of its own, ended with the block."""
    region = Path(bench.broker.folder) / "region-with-broker.toml"
    broker = f'[broker]\nhost = "127.0.0.1"\nport = {bench.broker.port}\n'
    region.write_text(bench.world.region_file() + broker, "utf-8")
    process = BoardProcess(region, "--redis", f"{bench.redis.url}?db=0")
    try:
        process.start()
        yield Board(process)
        process.stop()
    finally:
        process.close()


@dataclass(frozen=True, slots=True)
class ToPage:
    """From keying to page, and what the board took for it."""

    p50_ms: float
    p99_ms: float
    behind_p50_ms: float
    behind_p99_ms: float
    samples: int
    lost: int
    broken: int
    load_per_s: float
    cpu_share: float
    rss_mb: float
    sent_mb: float

    def __str__(self) -> str:
        return (
            f"{self.samples:,} arrivals at pages, {self.lost} missed, {self.broken} streams cut "
            f"off, beside {self.load_per_s:,.0f} events/s; the board took {self.cpu_share:.0%} of "
            f"a core and {self.rss_mb:.0f} MB, and sent {self.sent_mb:.1f} MB"
        )


def to_pages(bench: Bench, events_per_s: int, seconds: float, pages: int = PAGES) -> ToPage:
    """The wait of pages beside a steady load, with a worker that is running already."""
    with board(bench) as shown, Pages(shown.port, pages, bench.world.groups) as open_pages:
        begun_s, before_s = time.perf_counter(), shown.cpu_s()
        with Load(bench.broker.url, bench.world, events_per_s, seconds + 4) as load:
            time.sleep(1.0)
            keyed = probe(bench.broker.url, seconds)
        share = (shown.cpu_s() - before_s) / (time.perf_counter() - begun_s)
        rss_mb = shown.rss_mb()
    waits = waits_of(keyed, open_pages.arrivals, pages)
    if len(waits.behind) < 2:
        raise BenchError("no page saw the probe")
    return ToPage(
        median(waits.whole), quantiles(waits.whole, n=100)[98],
        median(waits.behind), quantiles(waits.behind, n=100)[98],
        len(waits.whole), waits.lost, open_pages.broken,
        load.sent_per_s, share, rss_mb, open_pages.read_bytes / 1e6,
    )  # fmt: skip


@contextmanager
def watched(bench: Bench, pages: int = PAGES) -> Iterator[None]:
    """A board with open pages beside what is measured in the block."""
    with board(bench) as shown, Pages(shown.port, pages, bench.world.groups) as open_pages:
        yield
    if open_pages.broken:
        raise BenchError(f"{open_pages.broken} pages were cut off")


def _main() -> None:
    port, pages, groups = map(int, sys.argv[1:4])
    asyncio.run(_pages(port, pages, groups))


if __name__ == "__main__":
    _main()
