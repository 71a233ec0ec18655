"""Cells against the documented examples of H3, and as GeoJSON."""

import h3
import pytest
from geojson_pydantic import MultiPolygon, Polygon

from streamer.domain.cells import (
    boundary,
    cell_at,
    centre,
    coarser,
    disk_of,
    geometry,
    parts_of,
    resolution_of,
    ring_area,
    ring_of,
    spacing_km,
    sphere_km,
)
from streamer.domain.places import distance_km

INVENTED = cell_at(-46.5, 21.0, 7)


# Source: uber/h3, website/docs/quickstart.md (the first); the index of the second stands in the
# docs too, its coordinates are from memory.
@pytest.mark.parametrize(
    ("lat", "lon", "resolution", "cell"),
    [
        (37.7955, -122.3937, 10, "8a283082a677fff"),
        (37.3615593, -122.0553238, 5, "85283473fffffff"),
    ],
)
def test_the_documented_cells(lat: float, lon: float, resolution: int, cell: str) -> None:
    assert cell_at(lat, lon, resolution) == cell
    assert resolution_of(cell) == resolution


def test_the_documented_centre() -> None:
    """Source: uber/h3, tests/inputfiles (cell, lat, lng)."""
    assert centre("880a000001fffff") == pytest.approx((64.436597, 89.573069), abs=1e-6)


def test_spacing_follows_the_table_of_resolutions() -> None:
    """Source: uber/h3, restable.md: average edges of 1.406475763 and 0.200786148 km."""
    assert spacing_km(7) == pytest.approx(3**0.5 * 1.406475763)
    assert spacing_km(9) == pytest.approx(3**0.5 * 0.200786148)


def test_what_is_no_cell() -> None:
    assert resolution_of("nonsense") is None
    assert resolution_of("") is None
    with pytest.raises(ValueError):  # noqa: PT011 - h3 words it
        centre("nonsense")


def test_rings_and_disks() -> None:
    """A hexagon has 6 neighbours and 12 in the second ring: 1 + 6 + 12."""
    assert len(set(ring_of(INVENTED, 1))) == 6
    assert len(set(ring_of(INVENTED, 2))) == 12
    assert len(set(disk_of(INVENTED, 2))) == 19


def test_a_pentagon_has_neighbours_too() -> None:
    pentagon = h3.get_pentagons(7)[0]
    assert (len(ring_of(pentagon, 1)), len(ring_of(pentagon, 2))) == (5, 10)


def test_parts_of_a_cell() -> None:
    assert parts_of(INVENTED, 7) == (INVENTED,)
    assert parts_of(INVENTED, 6) == (coarser(INVENTED),)
    parts = parts_of(coarser(coarser(INVENTED)), 7)
    assert len(set(parts)) == 7
    assert {resolution_of(part) for part in parts} == {7}
    assert {coarser(coarser(part)) for part in parts} == {coarser(coarser(INVENTED))}


def test_the_sphere_is_near_the_ellipsoid() -> None:
    """Oracle: the geodesic of WGS 84, by GeographicLib."""
    for lat, lon in ((-46.5, 21.3), (-46.2, 21.0), (-46.9, 20.4)):
        exact = distance_km(lat, lon, *centre(INVENTED))
        assert sphere_km(lat, lon, INVENTED) == pytest.approx(exact, rel=0.006)


def test_the_outline_is_a_ring_of_rfc_7946() -> None:
    """3.1.6: closed, at least four positions, counter-clockwise; longitude first. The sign of the
    shoelace sum tells the winding (textbook)."""
    for cell in (INVENTED, cell_at(37.7955, -122.3937, 10), cell_at(0, 0, 5)):
        ring = boundary(cell)
        assert ring[0] == ring[-1]
        assert len(ring) >= 7
        assert ring_area(ring) > 0
        lat, lon = centre(cell)
        assert min(p[0] for p in ring) < lon < max(p[0] for p in ring)
        assert min(p[1] for p in ring) < lat < max(p[1] for p in ring)
        Polygon.model_validate(geometry(cell))


def test_winding_sign_on_the_example_of_the_rfc() -> None:
    """RFC 7946 appendix A.3 (from memory): a square, counter-clockwise."""
    square = [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]
    assert ring_area(square) == 2.0
    assert ring_area(square[::-1]) == -2.0


@pytest.mark.parametrize("lat", [-60.0, 0.0, 40.0])
@pytest.mark.parametrize("lon", [180.0, 179.995, -179.995])
def test_a_cell_on_the_180th_meridian_is_cut(lat: float, lon: float) -> None:
    """RFC 7946, 3.1.9. Both halves together are as large as the whole."""
    cell = cell_at(lat, lon, 6)
    shape = geometry(cell)
    assert shape["type"] == "MultiPolygon"
    MultiPolygon.model_validate(shape)
    (west,), (east,) = shape["coordinates"]
    for ring in (west, east):
        assert ring[0] == ring[-1]
        assert ring_area(ring) > 0
        assert all(-180 <= p[0] <= 180 for p in ring)
    assert max(p[0] for p in east) < 0 < min(p[0] for p in west)
    whole = ring_area(boundary(cell))
    assert ring_area(west) + ring_area(east) == pytest.approx(whole, rel=1e-6)
