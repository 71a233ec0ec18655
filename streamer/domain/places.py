"""Whether one call sign was in two places. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Final

from geographiclib.geodesic import Geodesic

from streamer.config import Site
from streamer.domain.model import PathEntry

CLOCK_TOLERANCE_MS: Final = 2000
"""How far two gateways' corrected clocks may differ before an overlap is believed."""
_DISTANCE_ONLY: Final = Geodesic.DISTANCE


@dataclass(frozen=True, slots=True)
class TwoPlaces:
    """The newest evidence; `ms` is the start of the later over."""

    ms: int
    repeaters: tuple[str, str]
    reason: str


@lru_cache(maxsize=16_384)  # asked for the same pairs of repeaters again and again
def distance_km(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Length of the geodesic on WGS 84 (Karney 2013, by GeographicLib)."""
    found = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2, _DISTANCE_ONLY)
    return float(found["s12"]) / 1000


def find_two_places(
    path: Sequence[PathEntry], sites: Mapping[str, Site], max_speed_kmh: float
) -> TwoPlaces | None:
    """The newest pair of neighbouring overs that one station cannot have made, or None.

    `path` is newest first. Overlap: two different overs on two repeaters at the same time. Speed:
    even between the nearest edges of two repeaters' ranges it would have had to move faster than
    `max_speed_kmh`. The same over heard on two repeaters is one over.
    """
    for later, earlier in pairwise(path):
        if later.repeater == earlier.repeater or later.over == earlier.over:
            continue
        found = _overlap(earlier, later) or _too_fast(earlier, later, sites, max_speed_kmh)
        if found:
            return TwoPlaces(later.ms, (earlier.repeater, later.repeater), found)
    return None


def _overlap(earlier: PathEntry, later: PathEntry) -> str | None:
    overlap_ms = min(earlier.ms + earlier.duration_ms, later.ms + later.duration_ms) - later.ms
    if overlap_ms <= CLOCK_TOLERANCE_MS:
        return None
    return (
        f"was sending on {earlier.repeater} and on {later.repeater} at the same time "
        f"for {overlap_ms / 1000:.0f} s"
    )


def _too_fast(
    earlier: PathEntry, later: PathEntry, sites: Mapping[str, Site], max_speed_kmh: float
) -> str | None:
    a, b = sites.get(earlier.repeater), sites.get(later.repeater)
    if not a or not b or a.range_km is None or b.range_km is None:
        return None
    if a.lat is None or a.lon is None or b.lat is None or b.lon is None:
        return None
    gap_km = distance_km(a.lat, a.lon, b.lat, b.lon) - a.range_km - b.range_km
    if gap_km <= 0:
        return None
    passed_ms = later.ms - earlier.ms - earlier.duration_ms + CLOCK_TOLERANCE_MS
    hours = max(passed_ms, CLOCK_TOLERANCE_MS) / 3_600_000
    speed_kmh = gap_km / hours
    if speed_kmh <= max_speed_kmh:
        return None
    minutes = hours * 60
    took = f"{minutes:.0f} min" if minutes >= 2 else f"{minutes * 60:.0f} s"
    return (
        f"from {earlier.repeater} to {later.repeater} it would have crossed at least "
        f"{gap_km:.0f} km in {took}"
    )
