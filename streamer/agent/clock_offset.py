"""How far the gateway's clock is from the server's, from answered heartbeats.

On-wire protocol of RFC 5905, section 8: T1 the agent sends, T2 the server receives, T3 the server
replies, T4 the agent receives; theta = ((T2 - T1) + (T3 - T4)) / 2 is the server's time minus the
agent's, delta = (T4 - T1) - (T3 - T2) the round trip, and theta is wrong by at most delta / 2. Of
the last eight exchanges that with the least delta is believed (section 10, the clock filter).

Pure: times come in as milliseconds since the epoch, and nothing here reads a clock.
"""

from collections import deque
from dataclasses import dataclass
from typing import Final

FILTER_SIZE: Final = 8  # RFC 5905, section 7.2: NSTAGE
STEP_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Exchange:
    """One heartbeat and its answer, all in ms since the epoch: t1, t4 agent; t2, t3 server."""

    t1_ms: int
    t2_ms: int
    t3_ms: int
    t4_ms: int

    @property
    def offset_s(self) -> float:
        """theta: server minus agent."""
        return ((self.t2_ms - self.t1_ms) + (self.t3_ms - self.t4_ms)) / 2000

    @property
    def delay_s(self) -> float:
        """delta: the round trip without the server's own time."""
        return ((self.t4_ms - self.t1_ms) - (self.t3_ms - self.t2_ms)) / 1000


class OffsetFilter:
    """The offset to believe now. Not thread-safe: its owner locks."""

    def __init__(self) -> None:
        self._recent: deque[Exchange] = deque(maxlen=FILTER_SIZE)
        self._reference_s: float | None = None

    def add(self, exchange: Exchange) -> bool:
        """Take an exchange in; False when it cannot be true (the round trip is negative)."""
        if exchange.delay_s < 0 or exchange.t4_ms < exchange.t1_ms:
            return False
        self._recent.append(exchange)
        return True

    def stepped(self, now_ms: int, monotonic_s: float) -> bool:
        """Whether the wall clock was set since the last call; all exchanges are then forgotten.

        A wall clock that has moved more than 1 s against the monotonic clock was stepped (or the
        machine slept, which cannot be told apart).
        """
        difference_s = now_ms / 1000 - monotonic_s
        if self._reference_s is None:
            self._reference_s = difference_s
            return False
        if abs(difference_s - self._reference_s) <= STEP_S:
            return False
        self._reference_s = difference_s
        self._recent.clear()
        return True

    @property
    def best(self) -> Exchange | None:
        """The exchange with the least round trip, the newest of equals."""
        return min(reversed(self._recent), key=lambda e: e.delay_s, default=None)

    @property
    def offset_s(self) -> float | None:
        """Server minus agent, or None while nothing is known."""
        best = self.best
        return None if best is None else best.offset_s
