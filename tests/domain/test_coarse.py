"""Positions made coarse, held against GeographicLib's geodesics (Karney 2013, WGS 84)."""

import math
import random

import pytest
from geographiclib.geodesic import Geodesic
from geographiclib.polygonarea import PolygonArea

from streamer.domain.coarse import LEAST_KM, MOST_KM, coarse

SIZES_KM = (LEAST_KM, 1.0, 5.0, 20.0, 111.0, MOST_KM)


def apart_km(a: tuple[float, float], b: tuple[float, float]) -> float:
    return float(Geodesic.WGS84.Inverse(*a, *b)["s12"]) / 1000


def places(seed: int, count: int) -> list[tuple[float, float]]:
    """Anywhere, at the poles, at the antimeridian, on the equator."""
    chance = random.Random(seed)
    anywhere = [(chance.uniform(-90, 90), chance.uniform(-180, 180)) for _ in range(count)]
    polar = [
        (sign * (90 - chance.expovariate(20)), chance.uniform(-180, 180))
        for sign in (1, -1)
        for _ in range(count // 2)
    ]
    edge = [
        (chance.uniform(-90, 90), sign * (180 - chance.expovariate(1000)))
        for sign in (1, -1)
        for _ in range(count // 4)
    ]
    corners = [(lat, lon) for lat in (-90.0, -1e-9, 0.0, 90.0) for lon in (-180.0, 0.0, 180.0)]
    return anywhere + polar + edge + corners


@pytest.mark.parametrize("km", SIZES_KM)
def test_never_further_than_half_a_diagonal(km: float) -> None:
    worst = 0.0
    for place in places(round(km * 10), 400):
        lat, lon = coarse(*place, km)
        assert -90 <= lat <= 90
        assert -180 <= lon <= 180
        worst = max(worst, apart_km(place, (lat, lon)))
    assert worst <= km / math.sqrt(2)
    # A bound that is not nearly reached would say that cells are smaller than asked for.
    assert worst > 0.9 * km / math.sqrt(2)


@pytest.mark.parametrize("km", SIZES_KM)
def test_what_is_coarse_stays(km: float) -> None:
    for place in places(round(km * 10) + 1, 100):
        once = coarse(*place, km)
        assert coarse(*once, km) == once


def test_both_sides_of_the_antimeridian_are_one_place() -> None:
    assert coarse(12.0, 180.0, 10) == coarse(12.0, -180.0, 10)
    for other in (0.0, 77.0, -140.0):
        assert coarse(90.0, other, 10)[0] == pytest.approx(90 - 10 / 111.7 / 2, abs=1e-3)


@pytest.mark.parametrize("lat", [0.0, 37.3, -61.0, 84.0])
def test_cells_are_about_square(lat: float) -> None:
    """The area of a cell by GeographicLib: found where the middle changes."""
    km = 10.0
    middle = coarse(lat, 21.0, km)
    north, south = (_edge(middle, sign, 0, km) for sign in (1, -1))
    east, west = (_edge(middle, 0, sign, km) for sign in (1, -1))
    ring = PolygonArea(Geodesic.WGS84)
    for corner in (
        (south[0], west[1]),
        (south[0], east[1]),
        (north[0], east[1]),
        (north[0], west[1]),
    ):
        ring.AddPoint(*corner)
    area_km2 = ring.Compute()[2] / 1e6
    assert 0.95 * km * km < area_km2 <= km * km


def _edge(middle: tuple[float, float], up: int, right: int, km: float) -> tuple[float, float]:
    step = 0.0001
    lat, lon = middle
    while coarse(lat, lon, km) == middle:
        lat, lon = lat + up * step, lon + right * step / math.cos(math.radians(middle[0]))
    return lat, lon


def test_many_in_a_cell_are_one() -> None:
    middle = coarse(45.0, 7.0, 20)
    near = {coarse(middle[0] + n * 0.001, middle[1] - n * 0.001, 20) for n in range(-20, 21)}
    assert near == {middle}


@pytest.mark.parametrize(
    ("lat", "lon", "km"),
    [(90.1, 0, 1), (-91, 0, 1), (0, 181, 1), (math.nan, 0, 1), (0, math.inf, 1),
     (0, 0, 0.05), (0, 0, 501), (0, 0, math.nan), (0, 0, -1)],
)  # fmt: skip
def test_what_is_no_position_or_size(lat: float, lon: float, km: float) -> None:
    with pytest.raises(ValueError, match=r"no position|cell must be"):
        coarse(lat, lon, km)
