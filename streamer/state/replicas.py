"""Whether what was written stands in replicas too, before anybody is told of it.

Redis answers a write before its replicas have it. A master that dies then takes the newest writes
with it, and the replica in its place knows nothing of them. So whoever writes asks with WAIT how
many replicas have it, on the same connection, and only then acknowledges a message or publishes a
version. What remains at risk is what is written while a node has too few replicas and this is no
longer waited for: `missing` says how many, the worker shows it.
"""

import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Final

from redis.exceptions import RedisError

from streamer.clock import Clock, SystemClock
from streamer.redis_settings import RedisSettings

ASK_AGAIN_S: Final = 5.0
"""How often a node that is written to without its replicas is asked if they are back."""
_ASKING_AGAIN_MS: Final = 100
"""How long that may take: a replica that is back answers within a few ms."""


class ReplicasMissing(RedisError):
    """Fewer replicas than asked for say that they have what was written; it may be lost yet."""


@dataclass(slots=True)
class _Node:
    """What is known of one node. `need` replicas are waited for; `short_since_s`: since when there
    were fewer; `held`: how many there were last."""

    need: int
    held: int
    short_since_s: float | None = None
    again_s: float = 0.0


class Replicas:
    """For all that use one client, in any thread; `settings.replicas` 0: nothing is waited for."""

    def __init__(self, settings: RedisSettings | None = None, clock: Clock | None = None) -> None:
        given = settings or RedisSettings()
        self.clock = clock or SystemClock()
        self.wanted = given.replicas
        self._wait_ms = round(given.replicas_wait_s * 1000)
        self._grace_s = given.replicas_grace_s
        self._nodes: dict[str, _Node] = {}
        self._lock = threading.Lock()

    @property
    def missing(self) -> int:
        """How many replicas are missing at the node where most are."""
        with self._lock:
            return max((self.wanted - n.held for n in self._nodes.values()), default=0)

    @property
    def trouble(self) -> str:
        """The same in words, of all nodes; '' if none is missing."""
        with self._lock:
            nodes = sorted(self._nodes.items())
        return "; ".join(
            f"{name}: {node.held} of {self.wanted} replicas, "
            + ("waiting for them" if node.need == self.wanted else "written to without the others")
            for name, node in nodes
            if node.held < self.wanted
        )

    def to_ask(self, name: str) -> tuple[int, int] | None:
        """What to ask of a node with what is written to it: so many replicas within so many ms;
        None: nothing."""
        if not self.wanted:
            return None
        with self._lock:
            node = self._nodes.setdefault(name, _Node(self.wanted, self.wanted))
            if node.need < self.wanted and self.clock.monotonic_s() >= node.again_s:
                node.again_s = self.clock.monotonic_s() + ASK_AGAIN_S
                return self.wanted, max(_ASKING_AGAIN_MS, self._wait_ms if node.need else 0)
            return (node.need, self._wait_ms) if node.need else None

    def judge(self, name: str, held: int, alive: Callable[[], int | None]) -> None:
        """Take a node's answer. `alive`: how many of its replicas the majority of a cluster takes
        for alive, None where nobody can say.

        Raises ReplicasMissing while it is to be waited for more. A replica that the majority has
        declared dead will not take over, so there is nothing to wait for; where it is just silent,
        it is waited for until the grace has passed.
        """
        with self._lock:
            node = self._nodes.setdefault(name, _Node(self.wanted, self.wanted))
            node.held = min(held, self.wanted)
            now_s = self.clock.monotonic_s()
            if held >= node.need:
                node.need = min(held, self.wanted)  # what is back is waited for again
                node.short_since_s = None
                return
            if node.short_since_s is None:
                node.short_since_s = now_s
            waited_s, need = now_s - node.short_since_s, node.need
        living = alive()  # asks Redis: not while others wait for the lock
        enough = living is not None and held >= living
        if not enough and waited_s < self._grace_s:
            raise ReplicasMissing(
                f"{name}: {held} of {need} replicas have what was written: it is tried again, and "
                f"after {self._grace_s - waited_s:.0f} s more goes on without"
            )
        with self._lock:
            node.need, node.short_since_s = held, None
            node.again_s = now_s + ASK_AGAIN_S

    def only(self, names: Collection[str]) -> None:
        """These are the nodes now; others are no longer written to."""
        with self._lock:
            self._nodes = {n: node for n, node in self._nodes.items() if n in names}
