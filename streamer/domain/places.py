"""Whether one call sign was in two places. Pure.

What counts is how far apart repeaters hear: where two ranges meet, one holder may use two radios,
or be heard by both, and nothing is odd about it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise
from typing import Final

from geographiclib.geodesic import Geodesic

from streamer.config import Site
from streamer.domain.model import PathEntry

CLOCK_TOLERANCE_MS: Final = 2000
"""How far the corrected clocks of two gateways may differ, both of which measured theirs."""
DEFAULT_RANGE_KM: Final = 80.0
"""Taken for a repeater whose range is not given: wide, so that it accuses nobody. Common practice,
no source; over an earth of 4/3 its radius it is the horizon of an antenna 377 m up."""
_DISTANCE_ONLY: Final = Geodesic.DISTANCE


@dataclass(frozen=True, slots=True)
class TwoPlaces:
    """The newest evidence; `ms` is the start of the later over.

    `distance_km` lies between the repeaters, `gap_km` between the nearest edges of their ranges;
    both None if their places are not known. `passed_ms` is the time between the overs, negative by
    what the clocks would have to differ for them not to overlap; `clock_ms` what they may differ.
    """

    ms: int
    repeaters: tuple[str, str]
    reason: str
    distance_km: float | None = None
    gap_km: float | None = None
    passed_ms: int = 0
    clock_ms: int = CLOCK_TOLERANCE_MS


@dataclass(frozen=True, slots=True)
class _Apart:
    """Two repeaters that no station reaches from one place, or of which this is not known."""

    distance_km: float | None
    gap_km: float | None
    assumed: tuple[str, ...] = ()
    """Those whose range was not given."""


@lru_cache(maxsize=16_384)  # asked for the same pairs of repeaters again and again
def distance_km(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Length of the geodesic on WGS 84 (Karney 2013, by GeographicLib)."""
    found = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2, _DISTANCE_ONLY)
    return float(found["s12"]) / 1000


def range_km_of(site: Site) -> float:
    """How far a repeater hears as far as the region file says, else DEFAULT_RANGE_KM."""
    return site.range_km if site.range_km is not None else DEFAULT_RANGE_KM


def find_two_places(
    path: Sequence[PathEntry],
    sites: Mapping[str, Site],
    max_speed_kmh: float,
    clock_ms: int = CLOCK_TOLERANCE_MS // 2,
) -> TwoPlaces | None:
    """The newest neighbouring overs of a path, newest first, that one station cannot have made.

    Even between the nearest edges of the two repeaters' ranges it would have had to move faster
    than `max_speed_kmh`. Of repeaters whose places are not known only this is evidence: two
    different overs at the same time. `clock_ms` is by how much the corrected clock of a gateway may
    be off. The same over heard on two repeaters is one over.
    """
    apart = _repeaters_apart(path, sites)
    if not apart:
        return None
    # Neighbours alone: a station is looked at again when these change (see station.lua).
    for later, earlier in pairwise(path):
        between = apart.get(_pair(earlier.repeater, later.repeater))
        if between is None or earlier.over == later.over:
            continue
        passed_ms = _passed_ms(earlier, later)
        clocks_ms = _clocks_ms(earlier.repeater, later.repeater, clock_ms)
        if _one_can(passed_ms + clocks_ms, between, max_speed_kmh):
            continue
        return TwoPlaces(
            later.ms, (earlier.repeater, later.repeater),
            _reason(earlier, later, between, passed_ms + clocks_ms, clocks_ms),
            between.distance_km, between.gap_km, passed_ms, clocks_ms,
        )  # fmt: skip
    return None


def _pair(a: str, b: str) -> tuple[str, str]:
    return (a, b) if a < b else (b, a)


def _gateway(repeater: str) -> str:
    return repeater.split("/", 1)[0]


def _repeaters_apart(
    path: Sequence[PathEntry], sites: Mapping[str, Site]
) -> dict[tuple[str, str], _Apart]:
    """The pairs of a path's repeaters that can be evidence at all: mostly none."""
    repeaters = sorted({entry.repeater for entry in path})
    found = {}
    for a, b in combinations(repeaters, 2):
        between = _between(a, b, sites)
        if between is not None:
            found[a, b] = between
    return found


def _between(a: str, b: str, sites: Mapping[str, Site]) -> _Apart | None:
    one, other = sites.get(a), sites.get(b)
    if not one or not other or one.lat is None or other.lat is None:
        # The ports of a gateway stand at one site.
        return None if _gateway(a) == _gateway(b) else _Apart(None, None)
    if one.lon is None or other.lon is None:  # lat and lon are given together
        return None
    far_km = distance_km(one.lat, one.lon, other.lat, other.lon)
    gap_km = far_km - range_km_of(one) - range_km_of(other)
    if gap_km <= 0:
        return None
    assumed = tuple(site.repeater for site in (one, other) if site.range_km is None)
    return _Apart(far_km, gap_km, assumed)


def _clocks_ms(a: str, b: str, clock_ms: int) -> int:
    """Two ports of one gateway have one clock, whose error does not matter between them."""
    if _gateway(a) == _gateway(b):
        return CLOCK_TOLERANCE_MS
    return 2 * clock_ms


def _passed_ms(earlier: PathEntry, later: PathEntry) -> int:
    """From the end of either to the other's start, whichever order is the likelier: clocks that
    differ may have turned it round."""
    return max(
        later.ms - earlier.ms - earlier.duration_ms, earlier.ms - later.ms - later.duration_ms
    )


def _one_can(there_ms: int, between: _Apart, max_speed_kmh: float) -> bool:
    """Whether one station can have made two overs with so much time between them."""
    if between.gap_km is None:
        return there_ms >= 0
    return between.gap_km <= max_speed_kmh * max(0, there_ms) / 3_600_000


def _reason(
    earlier: PathEntry, later: PathEntry, between: _Apart, there_ms: int, clocks_ms: int
) -> str:
    if between.gap_km is None:
        unknown = "; how far apart these are is not known"
        return _at_once(earlier, later, "") + unknown + _doubt(clocks_ms)
    far = f", {between.distance_km:.0f} km apart,"
    if there_ms < 0:
        return _at_once(earlier, later, far) + _doubt(clocks_ms) + _assumed(between)
    text = (
        f"from {earlier.repeater} to {later.repeater}{far} it would have crossed at least "
        f"{_km(between.gap_km)} km in {_time(there_ms)}"
    )
    return text + _doubt(clocks_ms, there_ms) + _assumed(between)


def _at_once(earlier: PathEntry, later: PathEntry, far: str) -> str:
    both_ms = min(earlier.ms + earlier.duration_ms, later.ms + later.duration_ms) - later.ms
    # The end of an over may not be known yet.
    how_long = f" for {_time(both_ms)}" if both_ms >= 1000 else ""
    where = f"was sending on {earlier.repeater} and on {later.repeater}"
    return f"{where}{far} at the same time{how_long}"


def _km(gap_km: float) -> str:
    return f"{gap_km:.0f}" if gap_km >= 1 else f"{gap_km:.1f}"


def _time(ms: int) -> str:
    seconds = ms / 1000
    return f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"


def _doubt(clocks_ms: int, of_ms: int | None = None) -> str:
    """Said where the clocks are worse than usual ones, or much of the time is their doubt."""
    if of_ms is not None and (clocks_ms > CLOCK_TOLERANCE_MS or clocks_ms * 4 > of_ms):
        return f", of which {_time(min(clocks_ms, of_ms))} are allowed for the clocks"
    if of_ms is None and clocks_ms > CLOCK_TOLERANCE_MS:
        return f" (the clocks may differ by {_time(clocks_ms)})"
    return ""


def _assumed(between: _Apart) -> str:
    if not between.assumed:
        return ""
    whose = " and ".join(between.assumed)
    return f" (range of {whose} not given, taken as {DEFAULT_RANGE_KM:.0f} km)"
