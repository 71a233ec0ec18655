"""Runs the servers, the comparison clients and the worker, and takes the figures."""

import json
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from statistics import fmean, median, quantiles
from types import TracebackType

import psutil

from streamer.config import load_region
from streamer.contract import topics
from streamer.mqtt.connection import Connection, Session
from streamer.mqtt.settings import broker_from_url
from streamer.state.keys import Keys
from tests.bench.clients import SESSION_EXPIRY_S
from tests.bench.latency import LONGEST_WAIT_S, measure_latency
from tests.bench.send import CLOCK, Load, send_backlog
from tests.bench.world import REGION, World
from tests.servers import Mosquitto, Redis, WorkerProcess

WORKER = "bench-worker"
_NO_PROGRESS_S = 30.0
# No snapshot of the whole queue while something is timed; 1800 s is Mosquitto's own default.
# As many messages under way as a worker asks for.
_BROKER_LINES = "autosave_interval 1800\nmax_inflight_messages 4000\n"


class BenchError(Exception):
    """A figure could not be taken; the text says why."""


class Bench:
    """A broker, a Redis without append-only file, and one region; a context manager."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.broker = Mosquitto(_BROKER_LINES)
        self.redis = Redis()

    def __enter__(self) -> "Bench":
        self.broker.start()
        self.redis.start()
        self.client = self.redis.client()
        self._regions = {
            learning: self.broker.folder / f"region-{learning}.toml" for learning in (True, False)
        }
        for learning, path in self._regions.items():
            path.write_text(self.world.region_file(learning), "utf-8")
        self._keys = Keys(REGION, load_region(self._regions[True]).region.partitions)
        with self.worker():
            pass  # its session exists from here on
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.client.close()
        self.redis.close()
        self.broker.close()

    @contextmanager
    def worker(self, learning: bool = True) -> Iterator["Worker"]:
        """`streamer worker` as a process of its own, ended with the block."""
        url = f"{self.redis.url}?db=0"
        process = WorkerProcess(self._regions[learning], WORKER, self.broker.url, url)
        try:
            process.start()
            yield Worker(process, self)
            process.stop()
        finally:
            process.close()

    # -- comparison clients ------------------------------------------------------------------

    def open_session(self, name: str) -> None:
        """A durable session with a share of its own, that gathers what is published."""
        connection = self._comparison(name, SESSION_EXPIRY_S)
        connection.subscribe([(topics.shared(name, topics.gateways_filter(REGION)), 1)])
        connection.close()

    def drop_session(self, name: str) -> None:
        self._comparison(name, 0).close()

    def _comparison(self, name: str, expiry_s: int) -> Connection:
        session = Session(f"bench-{name}", clean=True, expiry_s=expiry_s)
        connection = Connection(broker_from_url(self.broker.url), session, CLOCK)
        connection.open()
        return connection

    def comparison(self, name: str, messages: int) -> float:
        """Messages a second of a comparison client on its backlog."""
        words = ["--port", str(self.broker.port), "--messages", str(messages)]
        if name == "plain":
            words += ["--redis", f"{self.redis.url}?db=1"]
            words += ["--groups", ",".join(self.world.group_names)]
        run = subprocess.run(
            [sys.executable, "-m", "tests.bench.clients", name, *words],
            stdout=subprocess.PIPE, text=True, timeout=120, check=True,
        )  # fmt: skip
        said = json.loads(run.stdout)
        return float(said["messages"]) / float(said["seconds"])

    # -- ours --------------------------------------------------------------------------------

    def counted(self) -> int:
        """Events that the workers have counted, of whatever kind."""
        pipe = self.client.pipeline(transaction=False)
        for gateway in self.world.gateways:
            pipe.hmget(self._keys.gateway(gateway), "n:heard", "n:route")
        return sum(int(n or 0) for answer in pipe.execute() for n in answer)

    def overdue(self, for_ms: int) -> int:
        """Subjects that should have been looked at `for_ms` ago."""
        until_ms = CLOCK.now_ms() - for_ms
        pipe = self.client.pipeline(transaction=False)
        for partition in range(self._keys.partitions):
            pipe.zcount(self._keys.due(partition), "-inf", until_ms)
        return sum(pipe.execute())

    def check_nothing_refused(self) -> None:
        refused = self.client.hgetall(self._keys.refusals())
        if refused:
            raise BenchError(f"the worker refused events of the bench: {refused}")

    def redis_mb(self) -> float:
        """Memory that Redis says it uses for data, MB."""
        return int(self.client.info("memory")["used_memory"]) / 1e6

    def presence_bytes(self) -> float:
        """Memory that Redis uses for when a station was heard: of copies of some stations, with and
        without it. Nothing is kept of the copies."""
        use, spare = self.client.memory_usage, self._keys.station(f"{REGION}-copy")
        found = []
        for name in self.world.names[:: max(1, len(self.world.names) // 200)]:
            self.client.delete(spare)
            if self.client.copy(self._keys.station(name), spare):
                whole = int(use(spare, samples=0) or 0)
                self.client.hdel(spare, "heard")
                found.append(whole - int(use(spare, samples=0) or 0))
        self.client.delete(spare)
        return fmean(found) if found else 0.0

    def learned_bytes(self) -> float:
        """Memory that Redis uses for what was learned of all repeaters, a station."""
        keys = list(self.client.scan_iter("*:learned:*", count=1000))
        total = sum(int(self.client.memory_usage(key, samples=0) or 0) for key in keys)
        return total / self.world.stations

    def drain(self, events: int, per_message: int, learning: bool = True) -> float:
        """Events a second of ours: publish while the worker is away, then start it."""
        before = self.counted()
        messages, sent = send_backlog(self.broker.url, self.world, events, per_message)
        with self.worker(learning) as worker:
            return worker.time_drain(before + sent, messages)


class Worker:
    """A running worker under measurement."""

    def __init__(self, process: WorkerProcess, bench: Bench) -> None:
        self._process = process
        self._bench = bench
        assert process.process is not None
        self._about = psutil.Process(process.process.pid)

    def rss_mb(self) -> float:
        return float(self._about.memory_info().rss) / 1e6

    def messages(self) -> int:
        """Messages that it has acknowledged."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self._process.port}/metrics") as answer:
            for line in answer.read().decode().splitlines():
                if line.startswith("streamer_messages_total "):
                    return int(float(line.split(" ")[1]))
        return 0

    def time_drain(self, counted: int, messages: int) -> float:
        """Events a second from the first seen progress until all are counted and acknowledged.

        Looks into Redis a hundred times a second, and asks the worker itself only at the end.
        """
        bench = self._bench
        first = bench.counted()
        begun_s = seen_s = time.perf_counter()
        now = first
        while now < counted:
            time.sleep(0.01)
            fresh = bench.counted()
            if fresh != now:
                if now == first and begun_s == seen_s:
                    first, begun_s = fresh, time.perf_counter()
                now, seen_s = fresh, time.perf_counter()
            elif time.perf_counter() - seen_s > _NO_PROGRESS_S:
                raise BenchError(
                    f"{counted - now} events were not counted in {_NO_PROGRESS_S} s; the worker's "
                    f"last words: {self._process.log()[-600:]}"
                )
        _await(lambda: self.messages() >= messages, 0.005)
        seconds = time.perf_counter() - begun_s
        bench.check_nothing_refused()
        return (counted - first) / seconds

    def soak(self, events: int, per_message: int, at_once: int) -> None:
        """Merge `events` more, published in steps so that no long queue forms at the broker."""
        bench = self._bench
        while events > 0:
            step = min(at_once, events)
            before = bench.counted()
            _, sent = send_backlog(bench.broker.url, bench.world, step, per_message)
            # The next step is made while the worker is busy with the end of this one.
            _await(partial(self._counted, before + sent - at_once // 4))
            events -= step

    def _counted(self, events: int) -> bool:
        return self._bench.counted() >= events

    def settle(self) -> bool:
        """Wait until no subject has been due for longer than a second, at most 30 s; a fresh worker
        looks at every group first. Returns whether it came to that."""
        end_s = time.perf_counter() + 30
        while self._bench.overdue(1000):
            if time.perf_counter() > end_s:
                return False
            time.sleep(0.05)
        return True

    def latency(self, events_per_s: int, seconds: float) -> "Latency":
        """Keying to fan-out under a steady load of one-event messages."""
        bench = self._bench
        with Load(bench.broker.url, bench.world, events_per_s, seconds + 1.5) as load:
            time.sleep(1.0)
            found_ms, lost = measure_latency(bench.broker.url, seconds)
        # One that was given up is as late as the wait for it.
        found_ms += [LONGEST_WAIT_S * 1000] * lost
        return Latency(
            median(found_ms), quantiles(found_ms, n=100)[98], len(found_ms), lost, load.sent_per_s
        )


@dataclass(frozen=True, slots=True)
class Latency:
    """`samples` include those `lost`; `load_per_s` is what the load really made."""

    p50_ms: float
    p99_ms: float
    samples: int
    lost: int
    load_per_s: float

    def __str__(self) -> str:
        return (
            f"{self.samples} keyings of the probe, {self.lost} unanswered, "
            f"beside {self.load_per_s:,.0f} events/s"
        )


def _await(done: Callable[[], bool], step_s: float = 0.02) -> None:
    end_s = time.perf_counter() + 120
    while not done():
        if time.perf_counter() > end_s:
            raise BenchError("the worker did not keep up in 120 s")
        time.sleep(step_s)
