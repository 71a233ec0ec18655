"""Where an alert is about, as CAP's `area`: the ranges of the repeaters concerned. Pure.

A member's own place is never told: what is known of it belongs to the desk, not into a message
that is handed on. Only the region file's positions of repeaters are used.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.config import RegionView, Site
from streamer.contract.published import Alert, AlertKind
from streamer.domain.leaving import ahead
from streamer.domain.urgency import is_about_people

MOST_CIRCLES: Final = 8
"""Up to so many places are told each by its circle, more by one polygon around all."""
MOST_NAMED: Final = 8
CORNERS: Final = 36
"""Of the polygon round a circle; it lies outside of the circle, by 0.4 % of the radius at most
(but for some ten metres of rounding)."""
_DEGREE_KM: Final = 110.0
"""A degree of latitude is longer everywhere (WGS 84: 110.57 km at the equator, its shortest)."""
_POINT_DECIMALS: Final = 4
_WHOLE_REGION: Final = frozenset(
    {AlertKind.NETWORK_LOST, AlertKind.BROKER_LOST, AlertKind.WORKER_LOST, AlertKind.CHANNEL_LOST}
)
"""Their subjects are not at a site, whatever they are called."""

Point = tuple[float, float]
"""(lat, lon) in degrees on WGS 84."""


@dataclass(frozen=True, slots=True)
class Area:
    """`circles` are `lat,lon radius_km`, `polygons` lists of `lat,lon` with the first repeated at
    the end (CAP 1.2, 3.2.4); their union is meant. Both empty: no place is known."""

    description: str
    circles: tuple[str, ...] = ()
    polygons: tuple[str, ...] = ()


def area_of(alert: Alert, view: RegionView) -> Area:
    """The area that an alert is about, from the region file."""
    names = concerned(alert, view)
    sites = [view.sites[name] for name in names if name in view.sites]
    radius_km: dict[Point, float] = {}
    for site in sites:
        if site.lat is not None and site.lon is not None:
            at = _rounded(site.lat, site.lon)
            radius_km[at] = max(radius_km.get(at, 0.0), site.range_km or 0.0)
    description = _described(alert, names, sites, view)
    around = hull(radius_km) if len(radius_km) > MOST_CIRCLES else ()
    if around:
        return Area(description, polygons=(" ".join(_pair(*point) for point in around),))
    circles = [f"{_pair(*at)} {round(km, 3):g}" for at, km in radius_km.items()]
    return Area(description, circles=tuple(circles))


def concerned(alert: Alert, view: RegionView) -> tuple[str, ...]:
    """The names of the repeaters that an alert is about, in the order of the region file."""
    if alert.repeater is not None:
        return (alert.repeater,)
    named = {*alert.affects, *(held.subject for held in alert.held)}
    if alert.kind not in _WHOLE_REGION:
        named.add(alert.subject)
    found = tuple(n for n, site in view.sites.items() if n in named or site.gateway in named)
    if not found and alert.kind in _WHOLE_REGION:
        return tuple(view.sites)
    return found


def hull(radius_km: Mapping[Point, float]) -> tuple[Point, ...]:
    """A closed polygon, counter-clockwise, around circles on WGS 84 given by their middles; it is
    convex on a map of straight meridians. Empty if it would hold a pole or cross the meridian of
    180 degrees, where readers differ about what is inside.
    """
    if any(abs(lat) + km / _DEGREE_KM >= 90 for (lat, _), km in radius_km.items()):
        return ()
    corners: list[Point] = []
    for (lat, lon), km in radius_km.items():
        # Corners so far out that the sides touch the circle.
        out_m = km * 1000 / math.cos(math.pi / CORNERS)
        for corner in range(CORNERS if km else 1):
            north, east = ahead(lat, lon, corner * 360 / CORNERS, out_m)
            if abs(east - lon) > 180:
                return ()
            corners.append((north, east))
    ring = convex({_rounded(*corner) for corner in corners})
    return (*ring, ring[0]) if len(ring) >= 3 else ()


def convex(points: Iterable[Point]) -> tuple[Point, ...]:
    """The corners of the convex hull, counter-clockwise, by the monotone chain (Andrew 1979)."""
    ordered = sorted(points, key=lambda point: (point[1], point[0]))
    if len(ordered) < 3:
        return tuple(ordered)
    return (*_chain(ordered)[:-1], *_chain(ordered[::-1])[:-1])


def _chain(ordered: Iterable[Point]) -> list[Point]:
    """One side of the hull: those points at which it turns to the left."""
    chain: list[Point] = []
    for point in ordered:
        while len(chain) >= 2 and _turn(chain[-2], chain[-1], point) <= 0:
            chain.pop()
        chain.append(point)
    return chain


def _turn(a: Point, b: Point, c: Point) -> float:
    """More than 0 where the way from a by b to c turns to the left."""
    return (b[1] - a[1]) * (c[0] - a[0]) - (b[0] - a[0]) * (c[1] - a[1])


def _rounded(lat: float, lon: float) -> Point:
    """To 11 m; adding 0 turns -0.0 into 0.0."""
    return round(lat, _POINT_DECIMALS) + 0.0, round(lon, _POINT_DECIMALS) + 0.0


def _pair(lat: float, lon: float) -> str:
    return f"{lat:.{_POINT_DECIMALS}f},{lon:.{_POINT_DECIMALS}f}"


def _described(alert: Alert, names: Sequence[str], sites: Sequence[Site], view: RegionView) -> str:
    """The area in words; a reader without a map has nothing else."""
    region = view.region.title or view.name
    if not names:
        return f"Somewhere in region {region}; no place is known."
    if len(names) == len(view.sites) > 1:
        text = f"All {len(names)} repeaters of region {region}"
    else:
        text = f"Range of {_named(names, view)}"
    if is_about_people(alert.kind):
        text += ": where it was heard, not where it is"
    placeless = [n for n in names if n not in view.sites or view.sites[n].lat is None]
    endless = [s.repeater for s in sites if s.lat is not None and s.range_km is None]
    if placeless:
        text += f"; the place of {_listed(placeless)} is not known"
    if endless:
        text += f"; the range of {_listed(endless)} is not known, only its site is given"
    return f"{text}."


def _named(names: Sequence[str], view: RegionView) -> str:
    """Repeaters, and what the sites are called."""
    gateways = dict.fromkeys(name.split("/", maxsplit=1)[0] for name in names)
    titles = [view.gateways[g].title for g in gateways if g in view.gateways]
    told = ", ".join(title for title in titles[:MOST_NAMED] if title)
    return _listed(names) + (f" ({told})" if told else "")


def _listed(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
