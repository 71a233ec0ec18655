"""What processes and keys take over time, and how fast it rises.

A slope is that of the least-squares line (scipy.stats.linregress) through means of equal spans of
time: single samples are no independent readings, their means are nearer to it. Its standard error
comes from the same.
"""

import math
import threading
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import psutil
from scipy.stats import linregress

from tests.servers import Server

EVERY_S: Final = 5.0
KEYS_EVERY_S: Final = 30.0
SPANS: Final = 30
WARM_UP_PCT: Final = 25.0
"""Of the whole, left out: what is bounded reaches its bound, and a heap its usual size."""
JUDGED_FROM_MIN: Final = 20.0
"""A shorter run says nothing of a slope: what a heap gains and gives back is more than that."""
MOST_MB_PER_H: Final = 5.0
"""At 500 events/s, of which a worker has half: six bytes an event. Nothing that a program in Python
forgets to let go is so small (an empty object takes 16 bytes, one in a list 24), so what is below
is no leak of events; it is a heap that settles."""
MOST_KEYS_MB_PER_H: Final = 1.0
"""Of one kind of Redis key: less than a byte an event."""


@dataclass
class Life:
    """One process from its start to its end."""

    pid: int
    at_s: list[float] = field(default_factory=list)
    mb: list[float] = field(default_factory=list)
    fds: list[int] = field(default_factory=list)
    threads: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Slope:
    """`error` is the standard error of `per_h`."""

    per_h: float
    error: float
    spans: int

    def beyond(self, most: float) -> bool:
        """Whether it is higher than `most` by more than chance: two standard errors."""
        return self.per_h - 2 * self.error > most

    def __str__(self) -> str:
        return f"{self.per_h:+8.2f} ± {self.error:.2f}"


def slope(at_s: Sequence[float], values: Sequence[float], from_s: float) -> Slope | None:
    """Of what was read at `from_s` or later, in units an hour; None of fewer than four spans."""
    pairs = [(t, v) for t, v in zip(at_s, values, strict=True) if t >= from_s]
    if len(pairs) < 4:
        return None
    first, last = pairs[0][0], pairs[-1][0]
    spans: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for t, v in pairs:
        spans[min(SPANS - 1, int((t - first) / max(last - first, 1e-9) * SPANS))].append((t, v))
    if len(spans) < 4:
        return None
    x = [sum(t for t, _ in span) / len(span) / 3600 for span in spans.values()]
    y = [sum(v for _, v in span) / len(span) for span in spans.values()]
    fit = linregress(x, y)
    error = float(fit.stderr)
    return Slope(float(fit.slope), 0.0 if math.isnan(error) else error, len(spans))


class Sampler:
    """Looks at servers every few seconds, and at the kinds of Redis keys less often."""

    def __init__(self, servers: Mapping[str, Any], redis_client: Any, begun_s: float) -> None:
        self._servers, self._client, self._begun_s = servers, redis_client, begun_s
        self.lives: dict[str, list[Life]] = defaultdict(list)
        self.keys_at_s: list[float] = []
        self.keys: dict[str, list[float]] = defaultdict(list)
        """Kind of key -> MB at each of `keys_at_s`."""
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def end(self) -> None:
        self._ending.set()
        self._thread.join(30)

    def _run(self) -> None:
        next_keys_s = 0.0
        while not self._ending.wait(EVERY_S):
            now_s = time.monotonic() - self._begun_s
            for name, server in self._servers.items():
                self._look(name, server, now_s)
            if now_s >= next_keys_s:
                next_keys_s = now_s + KEYS_EVERY_S
                self._weigh_keys(now_s)

    def _look(self, name: str, server: Server, now_s: float) -> None:
        process = server.process
        if process is None or process.poll() is not None:
            return
        lives = self.lives[name]
        if not lives or lives[-1].pid != process.pid:
            lives.append(Life(process.pid))
        try:
            about = psutil.Process(process.pid)
            with about.oneshot():
                mb, threads = about.memory_info().rss / 1e6, about.num_threads()
            fds = about.num_fds()
        except (psutil.Error, OSError):  # it has just been killed
            return
        life = lives[-1]
        life.at_s.append(now_s)
        life.mb.append(mb)
        life.fds.append(fds)
        life.threads.append(threads)

    def _weigh_keys(self, now_s: float) -> None:
        """MB of each kind of key, exactly (every element is looked at)."""
        try:
            names = list(self._client.scan_iter("*", count=1000))
            pipe = self._client.pipeline(transaction=False)
            for name in names:
                pipe.memory_usage(name, samples=0)
            sizes = pipe.execute()
        except Exception:
            return
        weights: dict[str, float] = defaultdict(float)
        for name, size in zip(names, sizes, strict=True):
            weights[kind_of(name)] += int(size or 0) / 1e6
        before = len(self.keys_at_s)
        self.keys_at_s.append(now_s)
        for kind in {*weights, *self.keys}:
            known = self.keys[kind]
            known += [0.0] * (before - len(known))
            known.append(weights.get(kind, 0.0))


def kind_of(key: str) -> str:
    """`{region:3}:station:QA1AB` is a `station`."""
    return key.split("}:", 1)[-1].split(":", maxsplit=1)[0]
