"""An undisturbed worker beside the soak: it makes the state that must come out.

Run as `python -m tests.soak.shadow REGION_FILE REDIS_URL` it takes messages from the list `ledger`
of database 1 and works them into database 0, until it reads the end of its standard input.
"""

import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any, Final

from streamer.clock import ManualClock, SystemClock
from streamer.config import RegionView, load_region
from streamer.mqtt.connection import Incoming
from streamer.state.store import connect
from tests.integration.rig import without_clock
from tests.servers import Redis
from tests.state.scene import Bench, BenchWorker

AT_ONCE: Final = 500
_LIST: Final = "ledger"


class Shadow:
    """The process, its Redis, and what came out in the end."""

    def __init__(self, region: Path) -> None:
        self._region = region
        self._redis = Redis()
        self._redis.start()
        self._queue: Any = connect(f"{self._redis.url}?db=1")
        self._process = subprocess.Popen(
            ["nice", "-n", "5", sys.executable, "-m", "tests.soak.shadow", str(region), self.url],
            stdin=subprocess.PIPE, cwd=Path(__file__).parents[2],
        )  # fmt: skip
        self._lock = threading.Lock()
        self._last: BenchWorker | None = None

    @property
    def url(self) -> str:
        return f"{self._redis.url}?db=0"

    def tell(self, topic: str, payload: bytes) -> None:
        """To be worked in, in this order."""
        with self._lock:
            self._queue.rpush(_LIST, topic.encode() + b"\n" + payload)

    @property
    def behind(self) -> int:
        return int(self._queue.llen(_LIST))

    def end(self) -> None:
        """Let the process work off what it was told, and end it."""
        self._process.communicate()
        if self._process.returncode:
            raise RuntimeError(f"the shadow ended with {self._process.returncode}")

    def state(self, view: RegionView, ours: Any) -> dict[str, Any]:
        """What it made, after `end`. How gateways stand is by the clock, so both are judged by the
        same heartbeats: those in `ours`, a client of the region's Redis."""
        self._last = self._last or _worker(view, self.url)
        theirs: Any = connect(self.url)
        for partition in self._last.store.partitions:
            key = self._last.store.keys.live(partition)
            if states := ours.hgetall(key):
                theirs.hset(key, mapping=dict(states))
        clock, now_ms = self._last.bench.clock, SystemClock().now_ms()
        clock.advance_s((now_ms - clock.now_ms()) / 1000)
        self._last.store.wake(subjects(view), now_ms)
        self._last.settle()
        found = without_clock(theirs, view.name)
        theirs.close()
        return found

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._queue.close()
        self._redis.close()


def subjects(view: RegionView) -> list[str]:
    """All that is looked at by the clock: to be looked at anew at the same moment."""
    groups = [f"g/{group.name}" for group in view.region.group]
    return [*groups, *(f"w/{name}" for name in view.gateways)]


def _worker(view: RegionView, url: str) -> BenchWorker:
    return Bench(view, url, ManualClock(SystemClock().now_ms())).worker()


def _work(region: Path, url: str) -> None:
    ending = threading.Event()

    def wait() -> None:
        sys.stdin.read()
        ending.set()

    threading.Thread(target=wait, daemon=True).start()
    queue: Any = connect(url.replace("?db=0", "?db=1"))
    worker = _worker(load_region(region), url)
    clock, bench = SystemClock(), worker.bench
    worker.store.prepare(clock.now_ms())
    while True:
        said = queue.lpop(_LIST, AT_ONCE) or []
        bench.clock.advance_s((clock.now_ms() - bench.clock.now_ms()) / 1000)
        messages = []
        for text in said:
            topic, _, payload = text.partition("\n")
            messages.append(Incoming(topic, payload.encode(), 1, False, 0))
        if messages:
            worker.run(messages)
            bench.passing.clear()
            worker.refusals.clear()
        elif ending.is_set():
            break
        else:
            time.sleep(0.05)
    worker.settle()


if __name__ == "__main__":
    _work(Path(sys.argv[1]), sys.argv[2])
