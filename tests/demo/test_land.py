"""The physics of the demo's land against values from outside the project."""

import itertools

import pytest
from geographiclib.geodesic import Geodesic

from streamer.demo.land import (
    HEARD_DBM,
    Land,
    Place,
    Ridge,
    bit_errors_pct,
    from_degrees,
    knife_edge_loss_db,
    received_dbm,
    to_degrees,
)

FLAT = Land(())


# Horizon of each height on a 4/3 earth of 6371 km, sqrt(2 * 4/3 * 6371 * h); the textbook form
# 4.12 sqrt(h) gives 13.03, 22.57, 41.20 km. Two stations see each other up to the sum.
@pytest.mark.parametrize(
    ("low_m", "high_m", "reach_km"),
    [(10, 30, 13.0343 + 22.5761), (30, 100, 22.5761 + 41.2182), (10, 300, 13.0343 + 71.3925)],
)
def test_sight_ends_at_the_radio_horizon(low_m: float, high_m: float, reach_km: float) -> None:
    def sees(distance_km: float) -> bool:
        return FLAT.sees(Place(0, 0), high_m, Place(distance_km, 0), low_m)

    near, far = 1.0, 200.0
    assert sees(near)
    assert not sees(far)
    while far - near > 0.01:
        middle = (near + far) / 2
        near, far = (middle, far) if sees(middle) else (near, middle)
    assert near == pytest.approx(reach_km, rel=0.003)  # the way is sampled, not solved


def test_knife_edge_loss() -> None:
    # ITU-R P.526: grazing incidence (v = 0) costs 6 dB, and far below the edge nothing. The
    # values at v = 1 and 2.4 are of the exact Fresnel integrals as curves of P.526 show them
    # (about 14 and 21 dB); read from memory, so the margin is wide.
    assert knife_edge_loss_db(-2) == 0
    assert knife_edge_loss_db(0) == pytest.approx(6.0, abs=0.1)
    assert knife_edge_loss_db(1) == pytest.approx(14, abs=0.8)
    assert knife_edge_loss_db(2.4) == pytest.approx(21, abs=0.8)


def test_distances_on_the_plane_are_those_of_the_ellipsoid() -> None:
    # Oracle: geographiclib, the geodesics of WGS 84.
    places = [Place(x, y) for x in (-60, -20, 15, 66) for y in (-42, 3, 40)]
    for a, b in itertools.combinations(places, 2):
        geodesic = Geodesic.WGS84.Inverse(*to_degrees(a), *to_degrees(b))
        assert a.distance_km(b) == pytest.approx(geodesic["s12"] / 1000, rel=0.01)


def test_degrees_and_back() -> None:
    place = from_degrees(*to_degrees(Place(-41.5, 27.25)))
    assert (place.x_km, place.y_km) == pytest.approx((-41.5, 27.25), abs=1e-9)


def test_a_ridge_shadows_and_its_absence_does_not() -> None:
    wall = Land((Ridge(Place(10, -20), Place(10, 20), 500, 2),))
    site, near, behind = Place(0, 0), Place(5, 0), Place(16, 0)
    assert wall.sees(site, 30, near, 2)
    assert not wall.sees(site, 30, behind, 2)
    assert FLAT.sees(site, 30, behind, 2)
    open_dbm = received_dbm(FLAT, behind, site, 30, 146)
    assert received_dbm(wall, behind, site, 30, 146) < open_dbm - 15
    assert open_dbm > HEARD_DBM


def test_bit_errors_fall_with_the_level() -> None:
    # An invented curve: only its shape is promised.
    levels = [bit_errors_pct(dbm) for dbm in range(-140, -60)]
    assert levels == sorted(levels, reverse=True)
    assert levels[0] == pytest.approx(50, abs=0.01)
    assert levels[-1] < 1e-6
