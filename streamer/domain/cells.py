"""H3 cells as places and as GeoJSON (RFC 7946). Pure.

A cell that holds a pole has no ring that RFC 7946 could draw on its plane; nobody is asked to key
there.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final

import h3

Ring = list[list[float]]
"""Positions [longitude, latitude] in degrees, the last as the first, counter-clockwise."""

SPACING: Final = 3**0.5
"""Between the centres of neighbouring hexagons, in edge lengths."""


def centre(cell: str) -> tuple[float, float]:
    """(lat, lon) in degrees. Raises ValueError (of h3) for what is no cell."""
    lat, lon = h3.cell_to_latlng(cell)
    return lat, lon


def spacing_km(resolution: int) -> float:
    """The usual distance between the centres of neighbours at a resolution."""
    return SPACING * float(h3.average_hexagon_edge_length(resolution, unit="km"))


def cell_at(lat: float, lon: float, resolution: int) -> str:
    """The cell of a place in degrees."""
    return str(h3.latlng_to_cell(lat, lon, resolution))


def resolution_of(cell: str) -> int | None:
    """None for what is no cell."""
    try:
        return int(h3.get_resolution(cell)) if h3.is_valid_cell(cell) else None
    except OverflowError:  # h3 reads hexadecimal digits without end
        return None


def ring_of(cell: str, steps: int) -> Sequence[str]:
    """The cells that are so many steps away."""
    return tuple(h3.grid_ring(cell, steps))


def disk_of(cell: str, steps: int) -> Sequence[str]:
    """The cell and those at most so many steps away."""
    return tuple(h3.grid_disk(cell, steps))


def parts_of(cell: str, resolution: int) -> Sequence[str]:
    """Cells of a finer resolution that stand for a cell: itself, or one in each of its seven
    children. For a coarser resolution the one that it lies in."""
    own = int(h3.get_resolution(cell))
    if resolution <= own:
        return (str(h3.cell_to_parent(cell, resolution)),)
    return tuple(
        str(h3.cell_to_center_child(child, resolution)) for child in h3.cell_to_children(cell)
    )


def coarser(cell: str) -> str:
    """The next larger cell that it lies in."""
    return str(h3.cell_to_parent(cell))


def sphere_km(lat: float, lon: float, cell: str) -> float:
    """From a place to a cell's centre, on a sphere: at most 0.6 % off the geodesic, and fifty
    times as fast."""
    return float(h3.great_circle_distance((lat, lon), h3.cell_to_latlng(cell), unit="km"))


def ring_area(ring: Ring) -> float:
    """Twice the area that a closed ring goes round, in square degrees: above 0 if
    counter-clockwise."""
    return sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))


def boundary(cell: str) -> Ring:
    """The cell's outline. Where it crosses the 180th meridian, longitudes go on past 180: see
    `geometry` for one that is cut there."""
    corners = [[lon, lat] for lat, lon in h3.cell_to_boundary(cell)]
    if max(c[0] for c in corners) - min(c[0] for c in corners) > 180:
        corners = [[lon + 360 if lon < 0 else lon, lat] for lon, lat in corners]
    ring = [*corners, corners[0]]
    return ring if ring_area(ring) > 0 else ring[::-1]


def geometry(cell: str) -> dict[str, Any]:
    """A Polygon, or a MultiPolygon cut at the 180th meridian (RFC 7946, 3.1.9)."""
    ring = boundary(cell)
    if max(lon for lon, _ in ring) <= 180:
        return {"type": "Polygon", "coordinates": [ring]}
    if min(lon for lon, _ in ring) >= 180:
        return {"type": "Polygon", "coordinates": [[[lon - 360, lat] for lon, lat in ring]]}
    west = _half(ring, below=True)
    east = [[lon - 360, lat] for lon, lat in _half(ring, below=False)]
    return {"type": "MultiPolygon", "coordinates": [[west], [east]]}


def _half(ring: Ring, *, below: bool) -> Ring:
    """The part of a convex ring on one side of longitude 180."""
    kept: Ring = []
    for a, b in pairwise(ring):
        inside = a[0] <= 180 if below else a[0] >= 180
        if inside:
            kept.append(a)
        if (a[0] - 180) * (b[0] - 180) < 0:
            share = (180 - a[0]) / (b[0] - a[0])
            kept.append([180.0, a[1] + share * (b[1] - a[1])])
    return [*kept, kept[0]]
