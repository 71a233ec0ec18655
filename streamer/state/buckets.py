"""How what repeaters heard is laid out in Redis: sums over five minutes, gathered by the hour. No
I/O.

A bucket holds whole numbers only, so that its sums do not depend on the order in which they were
made. The hash of an hour lives until nobody can ask for it any more.
"""

from dataclasses import dataclass
from typing import Final

from streamer.state.keys import BUCKET_MS, HISTORY_MS, HOUR_MS
from streamer.state.shapes import BER_STEPS, RSSI_STEPS

PER_HOUR: Final = HOUR_MS // BUCKET_MS
KEPT_MS: Final = HISTORY_MS + HOUR_MS
"""An hour longer than can be asked for: clocks may differ, and an hour begins before its end."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How many values there were, and which."""

    readings: int
    mean: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class Bucket:
    """What a repeater heard of accepted stations from `start_ms` on, for BUCKET_MS. An over counts
    where it began; `air_ms` is the time on the air of those whose end was heard. None: no event
    told a value."""

    start_ms: int
    overs: int = 0
    air_ms: int = 0
    rssi_dbm: Spread | None = None
    ber_pct: Spread | None = None


def field_of(repeater: str, bucket: int) -> str:
    """The field of a bucket, counted since 1970, in the hash of its hour."""
    return f"{repeater.partition('/')[2]} {bucket % PER_HOUR}"


def left_ms(hour: int, now_ms: int) -> int:
    """How much longer an hour is kept; below 0 when nobody can ask for it any more."""
    return (hour + 1) * HOUR_MS + KEPT_MS - now_ms


def bucket_from(bucket: int, text: str) -> Bucket:
    """A field as the gateway script wrote it.

    Overs are counted by their starts and by their ends; where some of either were never told, the
    greater number is nearer to the truth.
    """
    starts, ends, air_ms, *sums = (int(part) for part in text.split(" "))
    return Bucket(
        bucket * BUCKET_MS,
        max(starts, ends),
        air_ms,
        _spread(sums[:4], RSSI_STEPS),
        _spread(sums[4:], BER_STEPS),
    )


def _spread(sums: list[int], steps: int) -> Spread | None:
    readings, total, least, most = sums
    if not readings:
        return None
    return Spread(readings, total / readings / steps, least / steps, most / steps)
