"""One call sign in two places, and the distances that it rests on."""

import math
import random
from itertools import combinations
from typing import Any

import pytest
from geographiclib.geodesic import Geodesic
from geographiclib.test.test_geodesic import GeodesicTest
from hypothesis import given, settings
from hypothesis import strategies as st

from streamer.config import Site
from streamer.domain.model import PathEntry
from streamer.domain.places import (
    CLOCK_TOLERANCE_MS,
    DEFAULT_RANGE_KM,
    TwoPlaces,
    distance_km,
    find_two_places,
)

# Source: C. F. F. Karney's reference rows, published with GeographicLib (Python package, module
# geographiclib.test.test_geodesic). They were made in high precision, not by that library.
ROWS = [(r[0], r[1], r[3], r[4], r[6]) for r in GeodesicTest.testcases]


@pytest.mark.parametrize(("lat1", "lon1", "lat2", "lon2", "metres"), ROWS)
def test_distances_of_karney(
    lat1: float, lon1: float, lat2: float, lon2: float, metres: float
) -> None:
    assert distance_km(lat1, lon1, lat2, lon2) == pytest.approx(metres / 1000, abs=1e-10)


def test_the_first_row_is_the_published_one() -> None:
    """So that an empty or other table would show."""
    assert len(ROWS) == 20
    assert ROWS[0] == (35.60777, -139.44815, -11.17491, -69.95921, 8935244.5604818305)


def _degrees(text: str) -> float:
    d, m, s = text[:-1].split(":")
    return (int(d) + int(m) / 60 + int(s) / 3600) * (-1 if text[-1] in "SW" else 1)


def test_the_example_of_geodsolve() -> None:
    """Source: GeographicLib, manual page GeodSolve, EXAMPLES: two airports, 15347628 m."""
    far = distance_km(
        _degrees("40:38:23N"), _degrees("073:46:44W"), _degrees("01:21:33N"), _degrees("103:59:22E")
    )
    assert round(far * 1000) == 15347628


def test_near_antipodal_points_have_a_distance() -> None:
    """Computed with GeographicLib, not published; the iteration of Vincenty fails here."""
    assert distance_km(0, 0, 0.5, 179.7) == pytest.approx(19944.1274208, abs=1e-6)


# 1 degree of latitude at the equator is 110.5743886 km on WGS 84 (computed with GeographicLib, see
# above for the published rows that it is held against).
SITES = {
    "ridge/uhf": Site("ridge/uhf", "ridge", 0.0, 20.0, None, 30.0),
    "ridge/vhf": Site("ridge/vhf", "ridge", 0.0, 20.0, None, 30.0),
    "lake/uhf": Site("lake/uhf", "lake", 1.0, 20.0, None, 30.0),
    "mill/uhf": Site("mill/uhf", "mill", 0.5, 20.0, None, 30.0),
    "hut/uhf": Site("hut/uhf", "hut", None, None, None, 30.0),
    "hut/vhf": Site("hut/vhf", "hut", None, None, None, 30.0),
    "cave/uhf": Site("cave/uhf", "cave", 1.0, 20.0, None, None),
    "isle/uhf": Site("isle/uhf", "isle", 2.0, 20.0, None, None),
}
GAP_KM = 110.5743886 - 60  # between the nearest edges of the ranges of ridge and lake


def entry(ms: int, repeater: str, over: str | None = None, duration_ms: int = 0) -> PathEntry:
    name = repeater if "/" in repeater else f"{repeater}/uhf"
    return PathEntry(ms, name, over or f"{repeater}{ms}", duration_ms)


def found(*newest_first: PathEntry, max_speed_kmh: float = 250, **more: Any) -> TwoPlaces | None:
    return find_two_places(newest_first, SITES, max_speed_kmh, **more)


WORSE_MS = 30_000
"""By how much a clock may be off where a region says that its gateways cannot measure theirs."""


class TestSpeed:
    """common practice, no source: nobody drives faster than the policy says."""

    # At 250 km/h the gap takes 50.5743886 / 250 h = 728.271 s; clocks may differ by 2 s.
    LIMIT_MS = 726_272

    def test_just_too_fast(self) -> None:
        evidence = found(entry(self.LIMIT_MS - 2, "lake"), entry(0, "ridge"))
        assert evidence is not None
        assert evidence.repeaters == ("ridge/uhf", "lake/uhf")
        assert evidence.ms == self.LIMIT_MS - 2
        assert evidence.reason == (
            "from ridge/uhf to lake/uhf, 111 km apart, it would have crossed at least 51 km "
            "in 12 min"
        )
        assert evidence.distance_km == pytest.approx(110.5743886, abs=1e-6)
        assert evidence.gap_km == pytest.approx(GAP_KM, abs=1e-6)
        assert (evidence.passed_ms, evidence.clock_ms) == (self.LIMIT_MS - 2, CLOCK_TOLERANCE_MS)

    def test_just_possible(self) -> None:
        assert found(entry(self.LIMIT_MS, "lake"), entry(0, "ridge")) is None

    def test_it_leaves_when_its_over_ends(self) -> None:
        later = entry(self.LIMIT_MS + 5000, "lake")
        assert found(later, entry(0, "ridge", duration_ms=4000)) is None
        assert found(later, entry(0, "ridge", duration_ms=6000)) is not None

    def test_where_ranges_meet_no_speed_is_needed(self) -> None:
        """ridge and mill: 55.3 km apart, 60 km of ranges."""
        assert found(entry(1, "mill"), entry(0, "ridge")) is None

    @pytest.mark.parametrize("unknown", ["hut", "nowhere"])
    def test_where_the_place_is_unknown_no_speed_is_claimed(self, unknown: str) -> None:
        assert found(entry(1, unknown), entry(0, "ridge")) is None
        assert found(entry(1, "ridge"), entry(0, unknown)) is None

    def test_a_range_that_is_not_given_is_a_wide_one(self) -> None:
        """cave: 110.57 km from ridge, 30 + 80 km of ranges; isle: 110.57 km from lake likewise,
        and 110.57 km from cave, 160 km of ranges."""
        assert DEFAULT_RANGE_KM == 80
        evidence = found(entry(1, "cave"), entry(0, "ridge"))
        assert evidence is not None
        assert evidence.reason == (
            "from ridge/uhf to cave/uhf, 111 km apart, it would have crossed at least 0.6 km in "
            "2 s, of which 2 s are allowed for the clocks "
            "(range of cave/uhf not given, taken as 80 km)"
        )
        assert found(entry(1, "isle"), entry(0, "cave")) is None
        both = found(entry(1, "isle"), entry(0, "ridge"), max_speed_kmh=90_000)
        assert both is not None
        assert both.gap_km == pytest.approx(distance_km(0, 20, 2, 20) - 110)

    def test_at_the_same_instant_the_tolerance_alone_is_the_time(self) -> None:
        """50.57 km in 2 s: 91,034 km/h."""
        now = (entry(0, "lake"), entry(0, "ridge"))
        assert found(*now, max_speed_kmh=91_000) is not None
        assert found(*now, max_speed_kmh=91_100) is None

    def test_worse_clocks_allow_more(self) -> None:
        """Each gateway's may be off by 30 s: 60 s in all; what is allowed is said."""
        at_ms = self.LIMIT_MS + CLOCK_TOLERANCE_MS - 2 * WORSE_MS
        earlier = entry(0, "ridge")
        assert found(entry(at_ms, "lake"), earlier) is not None
        assert found(entry(at_ms, "lake"), earlier, clock_ms=WORSE_MS) is None
        evidence = found(entry(at_ms - 1000, "lake"), earlier, clock_ms=WORSE_MS)
        assert evidence is not None
        assert evidence.clock_ms == 2 * WORSE_MS
        assert evidence.reason.endswith("51 km in 12 min, of which 60 s are allowed for the clocks")

    def test_the_ports_of_a_gateway_have_one_clock(self) -> None:
        """Two of its sites, far apart: however wrong it is, it is wrong for both."""
        sites = {
            name: Site(name, "ridge", lat, 20.0, None, 30.0)
            for name, lat in (("ridge/uhf", 0.0), ("ridge/far", 1.0))
        }
        path = (PathEntry(self.LIMIT_MS - 2, "ridge/far", "b", 0), entry(0, "ridge"))
        evidence = find_two_places(path, sites, 250, WORSE_MS)
        assert evidence is not None
        assert evidence.clock_ms == CLOCK_TOLERANCE_MS
        assert evidence == find_two_places(path, sites, 250)

    def test_the_gap_is_what_the_numbers_above_say(self) -> None:
        assert distance_km(0, 20, 1, 20) - 60 == pytest.approx(GAP_KM, abs=1e-6)
        assert round(GAP_KM / 250 * 3_600_000) - CLOCK_TOLERANCE_MS + 1 == self.LIMIT_MS


class TestAtOnce:
    """common practice, no source: nobody is in two places; but a holder may use two radios."""

    def test_far_apart(self) -> None:
        evidence = found(
            entry(5_000, "lake", duration_ms=20_000), entry(0, "ridge", duration_ms=10_000)
        )
        assert evidence is not None
        assert (evidence.ms, evidence.repeaters) == (5_000, ("ridge/uhf", "lake/uhf"))
        assert evidence.passed_ms == -5_000
        assert evidence.reason == (
            "was sending on ridge/uhf and on lake/uhf, 111 km apart, at the same time for 5 s"
        )

    @pytest.mark.parametrize("other", ["mill", "ridge/vhf"])
    def test_two_radios_where_ranges_meet(self, other: str) -> None:
        path = (entry(5_000, other, duration_ms=60_000), entry(0, "ridge", duration_ms=90_000))
        assert found(*path) is None

    def test_two_ports_of_a_site_whose_place_is_unknown(self) -> None:
        path = (entry(5_000, "hut/vhf", duration_ms=9_000), entry(0, "hut", duration_ms=90_000))
        assert found(*path) is None

    def test_where_distances_are_unknown_it_is_told_so(self) -> None:
        path = (entry(5_000, "hut", duration_ms=20_000), entry(0, "ridge", duration_ms=10_000))
        evidence = found(*path)
        assert evidence is not None
        assert evidence.reason == (
            "was sending on ridge/uhf and on hut/uhf at the same time for 5 s; "
            "how far apart these are is not known"
        )
        assert (evidence.distance_km, evidence.gap_km) == (None, None)
        assert found(*path, clock_ms=WORSE_MS) is None

    def test_with_worse_clocks(self) -> None:
        path = (entry(5_000, "hut", duration_ms=90_000), entry(0, "ridge", duration_ms=80_000))
        evidence = found(*path, clock_ms=WORSE_MS)
        assert evidence is not None
        assert evidence.reason == (
            "was sending on ridge/uhf and on hut/uhf at the same time for 75 s; "
            "how far apart these are is not known (the clocks may differ by 60 s)"
        )

    def test_in_the_midst_of_a_long_over(self) -> None:
        """Clocks would have to differ by 7 s for the short one to come before the long one."""
        path = (entry(5_000, "hut", duration_ms=2_000), entry(0, "ridge", duration_ms=60_000))
        evidence = found(*path)
        assert evidence is not None
        assert evidence.passed_ms == -7_000
        assert "at the same time for 2 s" in evidence.reason
        unended = found(entry(5_000, "hut"), path[1])
        assert unended is not None
        assert "at the same time; how far" in unended.reason

    def test_clocks_may_differ_by_the_tolerance(self) -> None:
        earlier = entry(0, "ridge", duration_ms=10_000)
        assert found(entry(8_000, "hut", duration_ms=9_000), earlier) is None
        assert found(entry(7_999, "hut", duration_ms=9_000), earlier) is not None

    def test_one_over_heard_twice_is_one_over(self) -> None:
        one = (
            entry(0, "lake", "same", duration_ms=10_000),
            entry(0, "ridge", "same", duration_ms=10_000),
        )
        assert found(*one) is None

    def test_two_overs_on_one_repeater_are_nothing_odd(self) -> None:
        path = (entry(1, "ridge", duration_ms=10_000), entry(0, "ridge", duration_ms=10_000))
        assert found(*path) is None


def test_the_newest_evidence_is_told() -> None:
    evidence = found(entry(9, "ridge"), entry(5, "lake"), entry(1, "ridge"))
    assert evidence is not None
    assert evidence.ms == 9
    assert found() is None
    assert found(entry(1, "ridge")) is None


def test_only_neighbouring_overs_are_compared() -> None:
    """Heard by mill between, whose range meets both: nothing is claimed of ridge and lake."""
    assert found(entry(9, "lake"), entry(5, "mill"), entry(1, "ridge")) is None


# -- honest stations, drawn at random ------------------------------------------------------------

MOST_KMH = 120.0


def drive(seed: int) -> tuple[list[PathEntry], dict[str, Site], int]:
    """Somebody who drives across a land of repeaters and keys; each gateway's clock is off by no
    more than is allowed for. An over is heard where both its ends are within the range."""
    chance = random.Random(seed)
    sites, off_ms = {}, {}
    doubt_ms = chance.choice([CLOCK_TOLERANCE_MS // 2, WORSE_MS])
    for n in range(chance.randint(2, 9)):
        site = Site(
            f"g{n}/u", f"g{n}", 60 + chance.uniform(-1, 1), chance.uniform(-2, 2), None,
            chance.choice([None, *(chance.uniform(5, 70) for _ in range(4))]),
        )  # fmt: skip
        sites[site.repeater] = site
        off_ms[site.repeater] = chance.randint(-doubt_ms, doubt_ms)
    lat, lon, now_ms = 60 + chance.uniform(-1, 1), chance.uniform(-2, 2), 1_000_000_000

    def go(for_ms: int) -> None:
        nonlocal lat, lon, now_ms
        metres = chance.uniform(0, MOST_KMH) / 3600 * for_ms
        # Rather towards a repeater, so that there is somebody to hear.
        aim = chance.choice([*sites.values()])
        assert aim.lat is not None
        assert aim.lon is not None
        course = Geodesic.WGS84.Inverse(lat, lon, aim.lat, aim.lon)["azi1"]
        there = Geodesic.WGS84.Direct(lat, lon, course, metres)
        lat, lon, now_ms = there["lat2"], there["lon2"], now_ms + for_ms

    def hearing() -> set[str]:
        near = set()
        for site in sites.values():
            assert site.lat is not None
            assert site.lon is not None
            reach_km = DEFAULT_RANGE_KM if site.range_km is None else site.range_km
            if distance_km(lat, lon, site.lat, site.lon) <= reach_km:
                near.add(site.repeater)
        return near

    path = []
    for n in range(30):
        began_ms, first = now_ms, hearing()
        go(chance.randint(500, 180_000))
        # Not everybody who could hear it does, and not every end is told.
        for repeater in sorted(first & hearing()):
            if chance.random() < 0.7:
                duration_ms = chance.choice([0, now_ms - began_ms])
                path.append(PathEntry(began_ms + off_ms[repeater], repeater, f"o{n}", duration_ms))
        go(chance.choice([chance.randint(0, 2000), chance.randint(0, 3_600_000)]))
    path.sort(key=lambda e: (-e.ms, e.repeater))
    return path, sites, doubt_ms


@settings(max_examples=60)
@given(st.integers(0, 2**32))
def test_an_honest_driver_is_never_in_two_places(seed: int) -> None:
    path, sites, doubt_ms = drive(seed)
    for begin in range(0, max(1, len(path) - 15), 8):  # as many as are kept
        kept = path[begin : begin + 16]
        assert find_two_places(kept, sites, MOST_KMH, doubt_ms) is None


def test_the_drives_are_such_as_could_be_suspected() -> None:
    """Else the test above would say nothing: were a twentieth of the speed the most, many of the
    same drives would be."""
    suspected = crossing = 0
    for seed in range(60):
        path, sites, doubt_ms = drive(seed)
        crossing += len({entry.repeater for entry in path}) > 1
        suspected += find_two_places(path, sites, MOST_KMH / 20, doubt_ms) is not None
    assert crossing > 30
    assert suspected > 5


@given(
    range_km=st.floats(1, 60),
    gap_km=st.floats(0.01, 300),
    first_ms=st.integers(0, 180_000),
    second_ms=st.integers(0, 180_000),
    doubt_ms=st.sampled_from([0, CLOCK_TOLERANCE_MS // 2, WORSE_MS]),
    off=st.tuples(st.floats(-1, 1), st.floats(-1, 1)),
)
def test_at_full_speed_from_edge_to_edge(
    range_km: float,
    gap_km: float,
    first_ms: int,
    second_ms: int,
    doubt_ms: int,
    off: tuple[float, float],
) -> None:
    """It ends one over at the edge of a range and begins the next at the edge of the other, as fast
    as anybody drives; the clocks are off as far as they may. A little faster, and with true clocks,
    it is found."""
    there = Geodesic.WGS84.Direct(50, 7, 33, (2 * range_km + gap_km) * 1000)
    sites = {
        "a/u": Site("a/u", "a", 50, 7, None, range_km),
        "b/u": Site("b/u", "b", there["lat2"], there["lon2"], None, range_km),
    }
    off_a, off_b = (round(doubt_ms * o) for o in off)

    def path(drive_ms: int, ahead_a: int, ahead_b: int) -> list[PathEntry]:
        overs = [
            PathEntry(10**9 + ahead_a, "a/u", "o1", first_ms),
            PathEntry(10**9 + first_ms + drive_ms + ahead_b, "b/u", "o2", second_ms),
        ]
        return sorted(overs, key=lambda e: -e.ms)

    drive_ms = math.ceil(gap_km / MOST_KMH * 3_600_000) + 1
    honest = path(drive_ms, off_a, off_b)
    assert find_two_places(honest, sites, MOST_KMH, doubt_ms) is None
    too_fast = path(drive_ms - 3, 0, 0)
    assert find_two_places(too_fast, sites, MOST_KMH, 0) is not None


@given(
    st.lists(
        st.tuples(st.integers(0, 100_000), st.sampled_from("abc"), st.integers(0, 180_000)),
        max_size=16,
    )
)
def test_two_radios_on_repeaters_whose_ranges_meet_are_never_two_places(
    drawn: list[tuple[int, str, int]],
) -> None:
    sites = {
        f"{name}/u": Site(f"{name}/u", name, lat, 20.0, None, 30.0)
        for name, lat in (("a", 0.0), ("b", 0.25), ("c", 0.5))
    }
    for one, other in combinations(sites.values(), 2):
        assert distance_km(one.lat or 0, 20, other.lat or 0, 20) < 60
    path = [
        PathEntry(ms, f"{name}/u", f"o{n}", duration_ms)
        for n, (ms, name, duration_ms) in enumerate(sorted(drawn, reverse=True))
    ]
    assert find_two_places(path, sites, 1.0, 0) is None
