"""`python -m tests.bench.scale [--quick]`: what a second worker and more Redis masters bring.

Each setting drains the same backlog: published into the durable sessions of workers that are away,
then timed from its first progress until all is counted. Settings take turns in one run and are told
as ratios to one worker with one Redis; a figure is the median of its rounds. All stands on one
machine, so what a setting takes of the processors is told beside it: where all cores are busy
already, another process cannot bring anything.
"""

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import psutil

from streamer.config import load_region
from streamer.state.store import Store, connect
from tests.bench.measure import BenchError
from tests.bench.send import send_backlog
from tests.bench.world import World
from tests.redis_cluster import Cluster, Node
from tests.servers import Mosquitto, Server, WorkerProcess

_BROKER_LINES = "autosave_interval 1800\nmax_inflight_messages 4000\n"
_NO_PROGRESS_S = 30.0
_PARTITIONS = 12
"""So that each of three masters has some."""


@dataclass(frozen=True, slots=True)
class Setting:
    """So many workers and masters; `replicas`: each master has one, and it is waited for."""

    workers: int
    masters: int
    replicas: int = 0

    def __str__(self) -> str:
        kind = "one Redis" if self.masters == 1 else f"cluster of {self.masters} masters"
        waited = ", replicas waited for" if self.replicas else ""
        return f"{self.workers} worker{'s'[: self.workers - 1]}, {kind}{waited}"


SETTINGS = (Setting(1, 1), Setting(2, 1), Setting(1, 3), Setting(2, 3), Setting(1, 3, 1))


@dataclass(frozen=True, slots=True)
class Size:
    rounds: int
    messages: int
    """Of one event each."""
    events: int
    """In messages of 50."""


FULL, QUICK = Size(2, 24_000, 120_000), Size(1, 12_000, 60_000)


@dataclass(frozen=True, slots=True)
class Drained:
    """Events a second, and processor time in ms for 1,000 events by who took it."""

    events_per_s: float
    cpu_ms: dict[str, float]


class Scene:
    """The servers of one setting and its workers' sessions; a context manager."""

    def __init__(self, setting: Setting, world: World) -> None:
        self.setting = setting
        self.world = world
        self.broker = Mosquitto(_BROKER_LINES)
        self._cluster: Cluster | None = None
        self._stack = ExitStack()

    def __enter__(self) -> "Scene":
        with ExitStack() as stack:
            stack.callback(self.broker.close)
            self.broker.start()
            self.stores: Sequence[Server]
            if self.setting.masters == 1:
                one = Node()  # as a node of the cluster: by TCP, its file behind by a second
                stack.callback(one.close)
                one.start()
                self.url, self.stores = one.url, [one]
            else:
                cluster = Cluster(self.setting.masters, self.setting.replicas, timeout_ms=15_000)
                stack.callback(cluster.close)
                cluster.start()
                self.url, self.stores = cluster.url, cluster.nodes
            self.file = self._region_file()
            view = load_region(self.file)
            client = stack.enter_context(connect(view.redis_address(self.url)))
            self.store = Store(client, view)
            with self.workers():
                pass  # their sessions exist from here on
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _region_file(self) -> Path:
        text = self.world.region_file(True)
        file = self.broker.folder / "region.toml"
        head = f"partitions = {_PARTITIONS}\n{text}"
        file.write_text(f"{head}\n[redis]\nreplicas = {self.setting.replicas}\n", "utf-8")
        return file

    @contextmanager
    def workers(self) -> Iterator[list[WorkerProcess]]:
        """Just launched; ended with the block."""
        made = [
            WorkerProcess(self.file, f"bench-{number}", self.broker.url, self.url)
            for number in range(self.setting.workers)
        ]
        try:
            for worker in made:
                worker.launch()
            yield made
            for worker in made:
                _until(worker.answers, "a worker")
                worker.stop()
        finally:
            for worker in made:
                worker.close()

    def counted(self) -> int:
        counts = (self.store.gateway(name).counts for name in self.world.gateways)
        return sum(n for one in counts for tally, n in one.items() if tally != "duplicate")

    def warm(self) -> None:
        """Scripts are known and keys are there."""
        _, sent = send_backlog(self.broker.url, self.world, 1000, 50)
        with self.workers():
            _until(lambda: self.counted() >= sent, "the first events")

    def drain(self, events: int, per_message: int) -> Drained:
        """Publish while the workers are away, then start them."""
        before = self.counted()
        _, sent = send_backlog(self.broker.url, self.world, events, per_message)
        with self.workers() as workers:
            parts = {"workers": workers, "Redis": self.stores, "broker": [self.broker]}
            used = {name: _cpu_s(servers) for name, servers in parts.items()}
            first = now = before
            begun_s = seen_s = time.perf_counter()
            while now < before + sent:
                time.sleep(0.02)
                fresh = self.counted()
                if fresh != now:
                    if now == before:  # from its first progress on
                        begun_s = time.perf_counter()
                        first = fresh
                    now, seen_s = fresh, time.perf_counter()
                elif time.perf_counter() > seen_s + _NO_PROGRESS_S:
                    raise BenchError(f"{self.setting}: {now - before} of {sent} events, no more")
            ended = {name: _cpu_s(servers) for name, servers in parts.items()}
        done = before + sent - first
        if done <= 0 or seen_s <= begun_s:
            raise BenchError(f"{self.setting}: the backlog was too small to be timed")
        cpu_ms = {name: (ended[name] - used[name]) * 1e6 / sent for name in parts}
        return Drained(done / (seen_s - begun_s), cpu_ms)


def _cpu_s(servers: Sequence[Server]) -> float:
    total = 0.0
    for server in servers:
        assert server.process is not None
        taken = psutil.Process(server.process.pid).cpu_times()
        total += taken.user + taken.system
    return total


def _until(check: Callable[[], object], what: str, seconds: float = 60.0) -> None:
    end_s = time.perf_counter() + seconds
    while not check():
        if time.perf_counter() > end_s:
            raise BenchError(f"waited {seconds:g} s in vain for {what}")
        time.sleep(0.02)


KINDS = (("one event a message", 1), ("50 events a message", 50))
Samples = dict[tuple[Setting, str], list[Drained]]


def measure(size: Size, settings: Sequence[Setting] = SETTINGS) -> Samples:
    """Rounds in turn, each setting on fresh servers."""
    samples: Samples = defaultdict(list)
    for _ in range(size.rounds):
        for setting in settings:
            with Scene(setting, World(stations=500, groups=20)) as scene:
                scene.warm()
                for (kind, per_message), count in zip(
                    KINDS, (size.messages, size.events), strict=True
                ):
                    samples[setting, kind].append(scene.drain(count, per_message))
    return samples


def table(samples: Samples) -> str:
    """Ratios to the first setting; processor time in ms for 1,000 events."""
    heads = f"{'events/s':>10}{'ratio':>7}{'workers':>9}{'Redis':>7}{'broker':>8}"
    lines = [f"{'':52}{heads}  (ms of processor for 1,000 events)"]
    for kind, _ in KINDS:
        lines.append(kind)
        base = 0.0
        for (setting, of), found in samples.items():
            if of != kind:
                continue
            rate = median(one.events_per_s for one in found)
            base = base or rate
            cpu = [median(one.cpu_ms[n] for one in found) for n in ("workers", "Redis", "broker")]
            lines.append(
                f"  {setting!s:50}{rate:10,.0f}{rate / base:7.2f}"
                f"{cpu[0]:9.0f}{cpu[1]:7.0f}{cpu[2]:8.0f}"
            )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="little of it, and once")
    begun_s = time.perf_counter()
    try:
        samples = measure(QUICK if parser.parse_args().quick else FULL)
    except BenchError as error:
        print(f"bench: {error}", file=sys.stderr)
        return 1
    print(table(samples))
    cores = psutil.cpu_count()
    print(f"\n{cores} processors, all on one machine; {time.perf_counter() - begun_s:.0f} s.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
