"""How what repeaters heard is laid out in Redis: sums over five minutes, gathered by the hour. No
I/O.

A bucket holds whole numbers only, so that its sums do not depend on the order in which they were
made. The hash of an hour lives until nobody can ask for it any more.
"""

from dataclasses import dataclass
from heapq import nlargest
from typing import Any, Final

from streamer.state.keys import BUCKET_MS, HEARD_KEPT, HISTORY_MS, Keys
from streamer.state.shapes import BER_STEPS, RSSI_STEPS, GatewayBatch

HOUR_MS: Final = 3_600_000
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


def script_content(
    keys: Keys, gateway: str, batch: GatewayBatch, now_ms: int
) -> tuple[list[str], dict[str, Any]]:
    """The keys that the gateway script needs for the history of one gateway, and what it is told.

    What is longer ago than can be asked for is not kept: its place among the hours is 0.
    """
    hours: dict[int, int] = {}
    kept_ms: list[int] = []
    names: list[str] = []
    buckets: list[tuple[int, str]] = []
    for repeater, bucket in batch.buckets:
        hour = bucket // PER_HOUR
        place = hours.get(hour)
        if place is None:
            left_ms = (hour + 1) * HOUR_MS + KEPT_MS - now_ms
            if left_ms > 0:
                names.append(keys.history(gateway, hour))
                kept_ms.append(left_ms)
            place = hours[hour] = len(names) if left_ms > 0 else 0
        buckets.append((place, field_of(repeater, bucket)))
    names += [keys.heard(repeater) for repeater in batch.heard]
    heard = [_newest(stations) for stations in batch.heard.values()]
    return names, {"hours": kept_ms, "buckets": buckets, "heard": heard}


def _newest(stations: dict[str, int]) -> list[int | str]:
    """Time, station, time, station... of as many as are kept at most."""
    if len(stations) > HEARD_KEPT:
        pairs = nlargest(HEARD_KEPT, ((ms, station) for station, ms in stations.items()))
        stations = {station: ms for ms, station in pairs}
    return [part for station, ms in stations.items() for part in (ms, station)]
