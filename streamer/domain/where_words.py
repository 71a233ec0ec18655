"""The sentences of `whereabouts`: places, ages, distances and chances as people say them. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from geographiclib.geodesic import Geodesic

from streamer.domain.leaving import SLOW_MPS, degrees_words, span_words
from streamer.domain.model import Fix, Place

_COMPASS: Final = (
    "north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west",
)  # fmt: skip
_AT_SITE_KM: Final = 0.2
_TELL: Final = 3


class Chances(Protocol):
    """What is told of a repeater that could hear it."""

    @property
    def repeater(self) -> str: ...
    @property
    def chance(self) -> float: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def reports(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class Spot:
    """A named place that others are told from: a repeater's site, in degrees."""

    name: str
    lat: float
    lon: float


def age_words(seconds: float) -> str:
    """`45 s`, `12 min`, `3.5 h`, `4 days`."""
    if seconds < 90:
        return f"{max(0.0, seconds):.0f} s"
    if seconds < 2 * 3600:
        return f"{seconds / 60:.0f} min"
    if seconds < 48 * 3600:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86_400:.0f} days"


def km_words(km: float) -> str:
    """Under 10 km with one decimal."""
    return f"{km:.1f} km" if km < 9.95 else f"{km:.0f} km"


def degrees_of(lat: float, lon: float) -> str:
    """`46.5123 S 21.0034 E`, 11 m fine."""
    return f"{abs(lat):.4f} {'N' if lat >= 0 else 'S'} {abs(lon):.4f} {'E' if lon >= 0 else 'W'}"


def beside(lat: float, lon: float, spots: Sequence[Spot]) -> str | None:
    """`3.2 km north-east of ridge/uhf`, from the nearest spot; None without one. Distance and
    direction are of the geodesic on WGS 84."""
    found = [(Geodesic.WGS84.Inverse(s.lat, s.lon, lat, lon), s.name) for s in spots]
    if not found:
        return None
    line, name = min(found, key=lambda pair: (pair[0]["s12"], pair[1]))
    km = float(line["s12"]) / 1000
    if km < _AT_SITE_KM:
        return f"at {name}"
    return f"{km_words(km)} {_COMPASS[round(float(line['azi1']) / 45) % 8]} of {name}"


def last_words(place: Place, fix: Fix | None, now_ms: int, spots: Sequence[Spot]) -> list[str]:
    """When and by whom it was last heard, and where it was."""
    words = [f"last heard {age_words((now_ms - place.ms) / 1000)} ago by {place.repeater}"]
    if fix is None:
        return words
    where = beside(fix.lat, fix.lon, spots) or f"at {degrees_of(fix.lat, fix.lon)}"
    return [*words, f"last position {age_words((now_ms - fix.at_ms) / 1000)} old, {where}"]


def moving_words(fix: Fix, guess_mps: float) -> str:
    """How it moved there, or what is assumed."""
    guess = f"{guess_mps * 3.6:.0f} km/h are assumed"
    if fix.speed_mps is None:
        return f"its speed was not told: {guess}, in any direction"
    kmh = f"{fix.speed_mps * 3.6:.0f} km/h"
    if fix.speed_mps < SLOW_MPS:
        return f"stood still or moved slowly: {guess} since, in any direction"
    if fix.course_deg is None:
        return f"was moving at {kmh}, its course was not told"
    return f"was moving {degrees_words(fix.course_deg)} degrees at {kmh}"


def later_words(repeater: str | None) -> list[str]:
    """For a member that was heard after its last position."""
    if repeater is None:
        return []
    return [f"was heard by {repeater} after that: cells that {repeater} hears count more"]


def area_words(middle: tuple[float, float], within_km: float, spots: Sequence[Spot]) -> str:
    """Where it most likely is."""
    near = beside(*middle, spots)
    aside = "" if near is None else f" ({near})"
    return f"most likely within {within_km:.0f} km of {degrees_of(*middle)}{aside}"


def hearer_words(hearers: Sequence[Chances]) -> list[str]:
    """Who hears it if it keys where it may be; at most three that report and three that do not."""
    reporting = [h for h in hearers if h.reports][:_TELL]
    dark = [h for h in hearers if not h.reports][:_TELL]
    words = [
        f"if it keys there, {h.repeater} hears it {span_words(h.chance, h.low, h.high)}"
        for h in reporting
    ]
    if not reporting:
        words.append("if it keys there, no repeater that reports now is likely to hear it")
    words += [f"{h.repeater} might hear it there, but does not report now" for h in dark]
    return words


def unplaced_words(
    repeater: str,
    farthest_km: float | None,
    ring_km: float | None,
    *,
    placed: bool,
    cells: bool,
    few: bool,
    moved_km: float,
) -> list[str]:
    """What is left to say without a position."""
    words = ["its position is not known, only the repeater that heard it"]
    if few:
        words.append(
            f"{repeater} has heard stations in few cells yet: these do not show how far it hears"
        )
    elif farthest_km is not None:
        words.append(f"{repeater} hears stations out to {km_words(farthest_km)}, see the cells")
    elif cells:
        words.append(f"{repeater} has heard stations in the cells shown")
    elif ring_km is not None:
        words.append(f"{repeater} is said to reach {km_words(ring_km)}; little is learned yet")
    elif placed:
        words.append(f"how far {repeater} hears is not known")
    else:
        words.append(f"where {repeater} stands and what it hears is not known")
    if moved_km >= 1:
        words.append(f"since then it may have gone {km_words(moved_km)} further")
    return words
