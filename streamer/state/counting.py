"""What the gateway script is told of one gateway. No I/O."""

from heapq import nlargest
from typing import Any

from streamer.config import RegionView
from streamer.state import buckets, learned
from streamer.state import keys as k
from streamer.state.shapes import GatewayBatch


def settings(view: RegionView, now_ms: int) -> dict[str, Any]:
    """What holds for all gateways."""
    limits = view.limits
    return {
        "now": now_ms,
        "grace": round(limits.events_lost_after_s * 1000),
        "flood_hold": round(limits.flood_hold_s * 1000),
        "floods": k.FLOODS_KEPT,
        "ranges": k.RANGES_KEPT,
        "holes": k.HOLES_KEPT,
        "boots": k.BOOTS_KEPT,
        "quarantine": limits.quarantine_size,
        "sessions": k.SESSIONS_KEPT,
        "flips": k.FLIPS_KEPT,
        "heard": k.HEARD_KEPT,
        "history": buckets.KEPT_MS,
        "learned": [k.CELLS_LEARNED, k.STATIONS_LEARNED],
        "coarser": [learned.SIGNAL_COARSER, learned.ERROR_COARSER],
    }


def content(
    keys: k.Keys, gateway: str, batch: GatewayBatch, now_ms: int
) -> tuple[list[str], dict[str, Any]]:
    """The keys that are needed for one gateway beside its own, and what was said."""
    names = [keys.history(gateway, hour) for hour in batch.history]
    names += [keys.learned(repeater, epoch) for repeater, epoch in batch.learned]
    names += [keys.heard(repeater) for repeater in batch.heard]
    return names, {
        "name": gateway,
        "events": batch.events,
        "states": batch.states,
        "future_ms": batch.future_ms,
        "floods": batch.floods,
        "history": batch.history.content(
            lambda hour: buckets.left_ms(hour, now_ms), lambda line: buckets.field_of(*line)
        ),
        "learned": batch.learned.content(
            lambda sheet: learned.left_ms(sheet[1], now_ms), lambda line: line
        ),
        "heard": [_newest(stations) for stations in batch.heard.values()],
    }


def _newest(stations: dict[str, int]) -> list[int | str]:
    """Time, station, time, station... of as many as are kept at most."""
    if len(stations) > k.HEARD_KEPT:
        pairs = nlargest(k.HEARD_KEPT, ((ms, station) for station, ms in stations.items()))
        stations = {station: ms for ms, station in pairs}
    return [part for station, ms in stations.items() for part in (ms, station)]
