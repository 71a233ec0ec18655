"""Where alerts are about.

Sources: geographiclib (areas and lengths on WGS 84), scipy's convex hull, plane geometry worked
out in the tests. CAP 1.2, 3.2.4: circle `lat,lon radius_km`; polygon `lat,lon` of at least 4
points, the first repeated last.
"""

import math
import random

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from streamer.alerts.cap.area import CORNERS, MOST_CIRCLES, Point, area_of, convex, hull
from streamer.contract.published import Alert, AlertKind, HeldAlert, Severity
from tests.alerts.cap import make

RIDGE, LAKE, MILL = "-46.1000,20.4000 45", "-46.3500,20.7500 15.5", "-46.0000,21.0000 0"


def circles(alert: Alert) -> tuple[str, ...]:
    area = area_of(alert, make.view())
    assert area.polygons == ()
    return area.circles


def held(subject: str) -> HeldAlert:
    return HeldAlert(
        id=f"gateway_lost.{subject}",
        kind=AlertKind.GATEWAY_LOST,
        severity=Severity.CRITICAL,
        subject=subject,
        title="lost",
        since=make.SINCE,
    )


class TestWhichRepeaters:
    def test_one_repeater(self) -> None:
        area = area_of(
            make.alert(AlertKind.REPEATER_LOST, subject="lake/uhf", repeater="lake/uhf"),
            make.view(),
        )
        assert area.circles == (LAKE,)
        assert area.description == "Range of lake/uhf."

    def test_a_gateway_is_all_its_repeaters_and_one_site_one_circle(self) -> None:
        area = area_of(make.alert(), make.view())
        assert area.circles == (RIDGE,)
        assert area.description == "Range of ridge/vhf, ridge/uhf (High Ridge)."

    @pytest.mark.parametrize("kind", [AlertKind.MEMBER_OUT_OF_REACH, AlertKind.MEMBER_OVERDUE])
    def test_a_member_is_where_it_was_heard_not_where_it_is(self, kind: AlertKind) -> None:
        area = area_of(make.alert(kind, repeater="lake/uhf"), make.view())
        assert area.circles == (LAKE,)
        assert area.description == "Range of lake/uhf: where it was heard, not where it is."

    def test_two_places_are_both(self) -> None:
        told = make.alert(AlertKind.TWO_PLACES, affects=("lake/uhf", "ridge/uhf"))
        assert circles(told) == ("-46.1000,20.4000 25", LAKE)

    def test_a_loop_is_where_it_goes_round(self) -> None:
        assert circles(make.alert(AlertKind.LOOP, affects=("lake", "ridge"))) == (RIDGE, LAKE)

    def test_many_gateways_are_those_that_are_held_under_the_alert(self) -> None:
        told = make.alert(AlertKind.NETWORK_LOST, held=(held("lake"), held("mill")))
        assert circles(told) == (LAKE, MILL)

    @pytest.mark.parametrize("kind", [AlertKind.BROKER_LOST, AlertKind.WORKER_LOST])
    def test_the_broker_and_workers_are_about_all(self, kind: AlertKind) -> None:
        """A worker may be called like a gateway."""
        area = area_of(make.alert(kind, subject="lake"), make.view())
        assert area.circles == (RIDGE, LAKE, MILL)
        assert area.description.startswith("All 5 repeaters of region Hill Country;")

    def test_what_the_region_file_does_not_say_is_said(self) -> None:
        assert area_of(make.alert(subject="valley"), make.view()).description == (
            "Range of valley/node; the place of valley/node is not known."
        )
        mill = area_of(make.alert(subject="mill"), make.view())
        assert mill.circles == (MILL,)
        assert mill.description == (
            "Range of mill/uhf; the range of mill/uhf is not known, only its site is given."
        )

    def test_a_gateway_that_is_in_no_file(self) -> None:
        area = area_of(make.alert(subject="new"), make.view())
        assert (area.circles, area.polygons) == ((), ())
        assert area.description == "Somewhere in region Hill Country; no place is known."

    def test_a_repeater_that_is_in_no_file(self) -> None:
        told = make.alert(AlertKind.REPEATER_LOST, subject="new/uhf", repeater="new/uhf")
        area = area_of(told, make.view())
        assert area.circles == ()
        assert area.description == "Range of new/uhf; the place of new/uhf is not known."

    def test_many_are_one_polygon(self) -> None:
        sites = [
            {
                "id": f"g{n}",
                "repeater": [{"id": "uhf", "lat": -46 + n / 10, "lon": 20.0, "range_km": 5}],
            }
            for n in range(MOST_CIRCLES + 1)
        ]
        few, many = (
            area_of(make.alert(AlertKind.BROKER_LOST), make.view(gateway=sites[:count]))
            for count in (MOST_CIRCLES, MOST_CIRCLES + 1)
        )
        assert (len(few.circles), len(few.polygons)) == (MOST_CIRCLES, 0)
        assert (len(many.circles), len(many.polygons)) == (0, 1)
        pairs = many.polygons[0].split()
        assert pairs[0] == pairs[-1]
        assert len(pairs) > 4


def square_km(ring: tuple[Point, ...]) -> float:
    """By geographiclib, along geodesics; positive if counter-clockwise."""
    polygon = Geodesic.WGS84.Polygon()
    for lat, lon in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return float(polygon.Compute(reverse=False, sign=True)[2]) / 1e6


class TestHull:
    @pytest.mark.parametrize("lat", [0.0, -46.0, 70.0])
    def test_of_one_circle_is_the_polygon_around_it(self, lat: float) -> None:
        """A regular polygon of n sides that touches a circle of radius r from outside has the area
        n r^2 tan(pi/n): for 36 sides 3.1496 r^2, and 30 km make 2834.6 km2."""
        ring = hull({(lat, 20.0): 30.0})
        assert ring[0] == ring[-1]
        assert len(ring) == CORNERS + 1
        assert CORNERS * 30**2 * math.tan(math.pi / CORNERS) == pytest.approx(2834.6, abs=0.1)
        assert square_km(ring) == pytest.approx(2834.6, rel=0.001)

    def test_of_two_circles_is_the_band_between_them_too(self) -> None:
        """Two alike polygons d apart: their area and a strip of length d, as wide as the polygon is
        across the way, 2 r / cos(pi/36): 2834.6 + 100 * 60.229 = 8857.5 km2."""
        east = Geodesic.WGS84.Direct(0, 20, 90, 100_000)["lon2"]
        ring = hull({(0.0, 20.0): 30.0, (0.0, east): 30.0})
        assert square_km(ring) == pytest.approx(
            2834.6 + 100 * 60 / math.cos(math.pi / 36), rel=0.001
        )
        assert square_km(ring) == pytest.approx(8857.5, rel=0.001)

    def test_no_point_of_a_circle_is_outside(self) -> None:
        """Source: scipy; with every degree of every circle added its hull is no larger, but for
        corners rounded to 11 m, and sides that are straight on the map and not on the globe."""
        places = {
            (-46.1, 20.4): 45.0,
            (-46.35, 20.75): 15.0,
            (-45.2, 22.0): 80.0,
            (-46.0, 21.0): 0.0,
        }
        ring = hull(places)
        on_circles = [
            (found["lat2"], found["lon2"])
            for (lat, lon), km in places.items()
            for degree in range(360)
            for found in [Geodesic.WGS84.Direct(lat, lon, degree, km * 1000)]
        ]
        alone, more = ConvexHull(ring[:-1]).volume, ConvexHull([*ring, *on_circles]).volume
        assert more <= alone * (1 + 1e-5)

    @pytest.mark.parametrize(
        "places",
        [
            {(-46.0, 179.9): 45.0, (-46.0, 179.0): 5.0},
            {(-46.0, -179.9): 45.0, (-46.0, -179.0): 5.0},
            {(89.9, 20.0): 45.0, (85.0, 20.0): 5.0},
            {(-89.0, 20.0): 200.0, (-85.0, 20.0): 5.0},
        ],
    )
    def test_where_readers_differ_there_is_none(self, places: dict[Point, float]) -> None:
        assert hull(places) == ()

    def test_then_the_circles_stand(self) -> None:
        sites = [
            {
                "id": f"g{n}",
                "repeater": [{"id": "uhf", "lat": -46 + n / 10, "lon": 179.99, "range_km": 5}],
            }
            for n in range(MOST_CIRCLES + 1)
        ]
        area = area_of(make.alert(AlertKind.BROKER_LOST), make.view(gateway=sites))
        assert (len(area.circles), area.polygons) == (MOST_CIRCLES + 1, ())

    def test_points_on_a_line_make_no_polygon(self) -> None:
        assert hull({(n / 10, 20.0): 0.0 for n in range(9)}) == ()

    @given(st.integers(0, 2**32))
    def test_convex_as_scipy_has_it(self, seed: int) -> None:
        made = random.Random(seed)
        points = [(made.uniform(-9, 9), made.uniform(-9, 9)) for _ in range(made.randint(4, 40))]
        ours, theirs = convex(points), ConvexHull(points)
        assert {tuple(points[i]) for i in theirs.vertices} == set(ours)
        assert square_km((*ours, ours[0])) > 0  # counter-clockwise
