"""One call sign in two places, and the distances that it rests on."""

import pytest
from geographiclib.test.test_geodesic import GeodesicTest

from streamer.config import Site
from streamer.domain.model import PathEntry
from streamer.domain.places import CLOCK_TOLERANCE_MS, TwoPlaces, distance_km, find_two_places

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
    "lake/uhf": Site("lake/uhf", "lake", 1.0, 20.0, None, 30.0),
    "mill/uhf": Site("mill/uhf", "mill", 0.5, 20.0, None, 30.0),
    "hut/uhf": Site("hut/uhf", "hut", None, None, None, 30.0),
    "cave/uhf": Site("cave/uhf", "cave", 1.0, 20.0, None, None),
}
GAP_KM = 110.5743886 - 60  # between the nearest edges of the ranges of ridge and lake


def entry(ms: int, repeater: str, over: str | None = None, duration_ms: int = 0) -> PathEntry:
    return PathEntry(ms, f"{repeater}/uhf", over or f"{repeater}{ms}", duration_ms)


def found(*newest_first: PathEntry, max_speed_kmh: float = 250) -> TwoPlaces | None:
    return find_two_places(newest_first, SITES, max_speed_kmh)


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
            "from ridge/uhf to lake/uhf it would have crossed at least 51 km in 12 min"
        )

    def test_just_possible(self) -> None:
        assert found(entry(self.LIMIT_MS, "lake"), entry(0, "ridge")) is None

    def test_it_leaves_when_its_over_ends(self) -> None:
        later = entry(self.LIMIT_MS + 5000, "lake")
        assert found(later, entry(0, "ridge", duration_ms=4000)) is None
        assert found(later, entry(0, "ridge", duration_ms=6000)) is not None

    def test_where_ranges_meet_no_speed_is_needed(self) -> None:
        """ridge and mill: 55.3 km apart, 60 km of ranges."""
        assert found(entry(1, "mill"), entry(0, "ridge")) is None

    @pytest.mark.parametrize("unknown", ["hut", "cave", "nowhere"])
    def test_without_place_or_range_nothing_is_claimed(self, unknown: str) -> None:
        assert found(entry(1, unknown), entry(0, "ridge")) is None
        assert found(entry(1, "ridge"), entry(0, unknown)) is None

    def test_at_the_same_instant_the_tolerance_alone_is_the_time(self) -> None:
        """50.57 km in 2 s: 91,034 km/h."""
        now = (entry(0, "lake"), entry(0, "ridge"))
        assert found(*now, max_speed_kmh=91_000) is not None
        assert found(*now, max_speed_kmh=91_100) is None

    def test_the_gap_is_what_the_numbers_above_say(self) -> None:
        assert distance_km(0, 20, 1, 20) - 60 == pytest.approx(GAP_KM, abs=1e-6)
        assert round(GAP_KM / 250 * 3_600_000) - CLOCK_TOLERANCE_MS + 1 == self.LIMIT_MS


class TestOverlap:
    """common practice, no source: one set cannot send in two places at once."""

    def test_two_overs_at_the_same_time(self) -> None:
        evidence = found(
            entry(5_000, "mill", duration_ms=20_000), entry(0, "ridge", duration_ms=10_000)
        )
        assert evidence is not None
        assert evidence.ms == 5_000
        assert evidence.reason == (
            "was sending on ridge/uhf and on mill/uhf at the same time for 5 s"
        )

    def test_the_shorter_end_bounds_the_overlap(self) -> None:
        assert (
            found(entry(5_000, "mill", duration_ms=2_000), entry(0, "ridge", duration_ms=60_000))
            is None
        )
        assert found(entry(5_000, "mill", duration_ms=2_001), entry(0, "ridge", duration_ms=60_000))

    def test_clocks_may_differ_by_the_tolerance(self) -> None:
        earlier = entry(0, "ridge", duration_ms=10_000)
        assert found(entry(8_000, "mill", duration_ms=9_000), earlier) is None
        assert found(entry(7_999, "mill", duration_ms=9_000), earlier) is not None

    def test_one_over_heard_twice_is_one_over(self) -> None:
        assert (
            found(
                entry(0, "lake", "same", duration_ms=10_000),
                entry(0, "ridge", "same", duration_ms=10_000),
            )
            is None
        )

    def test_two_overs_on_one_repeater_are_nothing_odd(self) -> None:
        assert (
            found(entry(1, "ridge", duration_ms=10_000), entry(0, "ridge", duration_ms=10_000))
            is None
        )


def test_the_newest_evidence_is_told() -> None:
    evidence = found(entry(9, "ridge"), entry(5, "lake"), entry(1, "ridge"))
    assert evidence is not None
    assert evidence.ms == 9
    assert found() is None
    assert found(entry(1, "ridge")) is None
