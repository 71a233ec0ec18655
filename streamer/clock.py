"""The only module that asks the machine what time it is.

Everything else is handed a `Clock`, so that a test, a replay or a simulation can decide what
"now" means. Wall times are whole milliseconds since 1970-01-01T00:00:00Z, the form in which they
are compared in Redis; on the wire they are RFC 3339.
"""

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


class Clock(Protocol):
    """Wall time and a monotonic time that never jumps."""

    def now_ms(self) -> int:
        """Milliseconds since 1970-01-01T00:00:00Z."""

    def monotonic_s(self) -> float:
        """Seconds on a scale that only rises; its zero means nothing."""

    def sleep_s(self, seconds: float) -> None:
        """Let `seconds` of this clock pass."""


class SystemClock:
    """The machine's clock."""

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def monotonic_s(self) -> float:
        return time.monotonic()

    def sleep_s(self, seconds: float) -> None:
        time.sleep(seconds)


class ShiftedClock:
    """Another clock seen with a constant error: a gateway whose clock is wrong."""

    def __init__(self, base: Clock, shift_s: float) -> None:
        self._base = base
        self._shift_ms = round(shift_s * 1000)

    def now_ms(self) -> int:
        return self._base.now_ms() + self._shift_ms

    def monotonic_s(self) -> float:
        return self._base.monotonic_s()

    def sleep_s(self, seconds: float) -> None:
        self._base.sleep_s(seconds)


class ManualClock:
    """A clock that moves only when told to."""

    def __init__(self, now_ms: int = 1_767_225_600_000) -> None:
        self._now_ms = now_ms
        self._monotonic_s = 0.0

    def now_ms(self) -> int:
        return self._now_ms

    def monotonic_s(self) -> float:
        return self._monotonic_s

    def sleep_s(self, seconds: float) -> None:
        self.advance_s(seconds)

    def advance_s(self, seconds: float) -> None:
        """Move both scales forward."""
        self._now_ms += round(seconds * 1000)
        self._monotonic_s += seconds


def to_ms(moment: datetime) -> int:
    """Milliseconds since the epoch; a naive `moment` is an error of the caller (ValueError)."""
    if moment.tzinfo is None:
        raise ValueError("a moment without a zone: give it one, UTC is expected")
    return (moment - _EPOCH) // _MILLISECOND


def from_ms(moment_ms: int) -> datetime:
    """The UTC moment of a millisecond count."""
    return _EPOCH + moment_ms * _MILLISECOND
