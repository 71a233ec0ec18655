"""How what is learned of repeaters is laid out in Redis, and how it ages. No I/O.

Each end of an over is counted once in the line of its station and, where it told a position, in
that of the H3 cell, in a sheet of its repeater and epoch. Nothing is taken back: an epoch counts
less as it ages, and goes by itself in the end. So what is known at a time is a function of the
events alone, except beyond the bounds of a sheet, see keys.STATIONS_LEARNED.

A line is 'overs signals sum squares errors sum squares': how many overs ended, how many of them
told a signal, its sum and that of its squares, and the same of the errors. Whole numbers, coarse
enough that the sums of squares stay below 2^53, up to which Lua counts exactly: an epoch has 1.2
million seconds, and that many overs with nothing but errors come to 1.2e14.
"""

from collections.abc import Iterable, Mapping
from typing import Final

from streamer.domain.model import Learned, Sums
from streamer.state.keys import COUNTS, EPOCH_MS, EPOCHS_KEPT
from streamer.state.shapes import BER_STEPS, RSSI_STEPS

SIGNAL_STEPS: Final = 10
"""Signals are learned as whole tenths of a dBm."""
ERROR_STEPS: Final = 100
"""Bit error rates are learned as whole hundredths of a percent."""
SIGNAL_COARSER: Final = RSSI_STEPS // SIGNAL_STEPS
ERROR_COARSER: Final = BER_STEPS // ERROR_STEPS
HALF_LIFE_MS: Final = 2 * EPOCH_MS


def left_ms(epoch: int, now_ms: int) -> int:
    """How much longer an epoch is kept; below 0 when it no longer counts."""
    return (epoch + 1 + EPOCHS_KEPT) * EPOCH_MS - now_ms


def epochs(now_ms: int) -> range:
    """The epochs that count, counted since 1970, the running one last."""
    running = now_ms // EPOCH_MS
    return range(running - EPOCHS_KEPT, running + 1)


def weight(epoch: int, now_ms: int) -> float:
    """How much an over of the epoch counts: 1 in the running one, half for each HALF_LIFE_MS since
    its end."""
    ended_ms = max(0, now_ms - (epoch + 1) * EPOCH_MS)
    return float(0.5 ** (ended_ms / HALF_LIFE_MS))


def learned_from(
    repeater: str, sheets: Iterable[tuple[int, Mapping[str, str]]], now_ms: int
) -> Learned:
    """Sheets as the gateway script wrote them, each with its epoch, as they count at a time."""
    totals: dict[str, list[float]] = {}
    for epoch, fields in sheets:
        factor = weight(epoch, now_ms)
        for field, text in fields.items():
            if field == COUNTS:
                continue
            total = totals.setdefault(field, [0.0] * 7)
            for at, number in enumerate(text.split(" ")):
                total[at] += factor * int(number)
    cells, stations = {}, {}
    for field, total in totals.items():
        if field[0] == "@":
            stations[field[1:]] = _sums(total)
        else:
            cells[field] = _sums(total)
    return Learned(repeater, cells, stations)


def _sums(t: list[float]) -> Sums:
    """In dBm and %."""
    return Sums(
        t[0],
        t[1],
        t[2] / SIGNAL_STEPS,
        t[3] / SIGNAL_STEPS**2,
        t[4],
        t[5] / ERROR_STEPS,
        t[6] / ERROR_STEPS**2,
    )
