"""Where to look for a member out of reach: cells, sentences and the map."""

import json
from dataclasses import replace
from typing import Any

import pytest
from geographiclib.geodesic import Geodesic
from geojson_pydantic import FeatureCollection

from streamer.clock import from_ms
from streamer.config import Site
from streamer.domain.cells import (
    cell_at,
    centre,
    disk_of,
    resolution_of,
    ring_area,
    spacing_km,
    sphere_km,
)
from streamer.domain.coverage import Coverage
from streamer.domain.leaving import ahead
from streamer.domain.model import Fix, Place
from streamer.domain.places import distance_km
from streamer.domain.where_map import as_geojson
from streamer.domain.where_words import (
    Spot,
    age_words,
    area_words,
    beside,
    degrees_of,
    hearer_words,
    km_words,
    last_words,
    later_words,
    moving_words,
    unplaced_words,
)
from streamer.domain.whereabouts import (
    CARRY_ON_S,
    CAUTION,
    MOST_CELLS,
    WALKING_MPS,
    Hearer,
    Whereabouts,
    whereabouts,
)
from tests.domain.coverage_make import LEARNING, coverage, everywhere, learned, sums
from tests.domain.make import T0_MS

MIN_MS = 60_000
SPEED = 61 / 3.6
NAME = "QA1ABC"


def place(age_min: float = 12, repeater: str = "ridge/uhf") -> Place:
    return Place(
        T0_MS - round(age_min * MIN_MS), repeater.split("/", maxsplit=1)[0], repeater, "o1"
    )


def fix(age_min: float = 12, speed: float | None = SPEED, course: float | None = 94.0) -> Fix:
    return Fix(T0_MS - round(age_min * MIN_MS), 0.0, 20.0, speed, course)


def site(name: str, lat: float | None, lon: float | None, range_km: float | None = None) -> Site:
    return Site(name, name.split("/", maxsplit=1)[0], lat, lon, 30.0, range_km, 146.0)


def blank(name: str, lat: float, lon: float, range_km: float | None = None) -> Coverage:
    return Coverage(learned({}, name), site(name, lat, lon, range_km), LEARNING)


RIDGE = blank("ridge/uhf", -0.0205, 19.9795)
LAKE = blank("lake/uhf", 0.0, 20.2)
NEAR = {"ridge/uhf": RIDGE, "lake/uhf": LAKE}
ALL = {"ridge/uhf", "lake/uhf"}


def found(**change: Any) -> Whereabouts:
    given: dict[str, Any] = {
        "station": NAME,
        "place": place(),
        "fix": fix(),
        "coverages": NEAR,
        "reporting": ALL,
        "now_ms": T0_MS,
    }
    return whereabouts(**(given | change))


class TestCells:
    def test_it_went_on_as_it_was_moving(self) -> None:
        where = found()
        line = Geodesic.WGS84.Direct(0.0, 20.0, 94.0, SPEED * 12 * 60)
        assert where.centre == pytest.approx((line["lat2"], line["lon2"]), abs=1e-9)
        ahead_ = sum(c.weight for c in where.cells if centre(c.cell)[1] > 20.0)
        assert ahead_ > 0.7
        assert where.within_km is not None
        assert 3 < where.within_km < 20

    def test_weights_add_up_and_the_likeliest_come_first(self) -> None:
        cells = found().cells
        assert sum(c.weight for c in cells) == pytest.approx(1)
        assert [c.weight for c in cells] == sorted((c.weight for c in cells), reverse=True)
        assert len({c.cell for c in cells}) == len(cells)

    @pytest.mark.parametrize("age_min", [0, 1, 5, 15, 60, 240, 3000])
    @pytest.mark.parametrize(("speed", "course"), [(SPEED, 94.0), (40.0, None), (None, None)])
    def test_there_are_never_too_many(
        self, age_min: float, speed: float | None, course: float | None
    ) -> None:
        cells = found(fix=fix(age_min, speed, course)).cells
        assert 1 <= len(cells) <= MOST_CELLS
        assert len({resolution_of(c.cell) for c in cells}) == 1

    def test_the_area_grows_with_time_and_its_cells_with_it(self) -> None:
        within: list[float] = []
        sizes: list[int] = []
        for age in (2, 10, 30, 90):
            where = found(fix=fix(age))
            within.append(where.within_km or 0)
            sizes.append(resolution_of(where.cells[0].cell) or 0)
        assert within == sorted(within)
        assert sizes == sorted(sizes, reverse=True)

    def test_four_fifths_lie_within(self) -> None:
        where = found()
        assert where.centre is not None
        assert where.within_km is not None
        cells = [(sphere_km(*where.centre, c.cell), c.weight) for c in where.cells]
        size_km = spacing_km(resolution_of(where.cells[0].cell) or 0)
        assert sum(w for km, w in cells if km <= where.within_km) >= 0.8
        assert sum(w for km, w in cells if km < where.within_km - size_km) < 0.8

    def test_no_further_than_it_can_have_come(self) -> None:
        where = found(fix=fix(30, None, None), guess_mps=5.0)
        most = max(sphere_km(0.0, 20.0, c.cell) for c in where.cells)
        assert 5 < most < 5.0 * 1.8 + 5  # 9 km, and the size of a cell

    def test_one_that_stood_may_have_walked_off(self) -> None:
        where = found(fix=fix(30, 0.2, 94.0))
        assert where.centre == (0.0, 20.0)
        assert max(sphere_km(0.0, 20.0, c.cell) for c in where.cells) < 1.8 * WALKING_MPS + 2

    def test_nobody_keeps_a_course_for_ever(self) -> None:
        assert found(fix=fix(60)).centre == ahead(0.0, 20.0, 94.0, SPEED * CARRY_ON_S)

    def test_a_position_of_the_future_is_one_of_now(self) -> None:
        assert found(fix=fix(-1)).centre == (0.0, 20.0)

    def test_silence_speaks_against_cells_where_it_would_be_heard(self) -> None:
        """The same area, half of it well heard: that half loses weight, but not all."""
        east = [c for c in disk_of(cell_at(0.0, 20.0, 7), 8) if centre(c)[1] > 20.0]
        hears = {"lake/uhf": everywhere(east, -70, "lake/uhf")}
        still = fix(120, None, None)

        def share(reporting: set[str]) -> float:
            where = found(fix=still, place=place(120), coverages=hears, reporting=reporting)
            return sum(c.weight for c in where.cells if centre(c.cell)[1] > 20.0)

        heard, deaf = share({"lake/uhf"}), share(set())
        assert 0.1 < heard < 0.75 * deaf

    def test_heard_later_by_a_repeater_it_is_nearer_to_that(self) -> None:
        east = [c for c in disk_of(cell_at(0.0, 20.0, 7), 8) if centre(c)[1] > 20.05]
        hears = {"lake/uhf": Coverage(learned({c: sums([-70] * 4) for c in east}, "lake/uhf"),
                                      None, LEARNING)}  # fmt: skip

        def share(last: Place) -> float:
            where = found(fix=fix(120, None, None), place=last, coverages=hears, reporting=set())
            return sum(c.weight for c in where.cells if centre(c.cell)[1] > 20.05)

        assert share(place(5, "lake/uhf")) > 1.2 * share(place(120, "lake/uhf"))
        where = found(fix=fix(120, None, None), place=place(5), coverages=NEAR)
        assert "was heard by ridge/uhf after that: cells that ridge/uhf hears count more" in (
            where.words
        )

    def test_without_any_coverage_it_still_says_where(self) -> None:
        where = found(coverages={}, reporting=set())
        assert where.cells
        assert {(c.chance, c.repeater) for c in where.cells} == {(0.0, None)}
        assert where.hearers == ()
        assert where.words[1] == "last position 12 min old, at 0.0000 N 20.0000 E"


class TestHearers:
    def test_those_that_report_come_first(self) -> None:
        where = found(reporting={"lake/uhf"})
        assert [(h.repeater, h.reports) for h in where.hearers] == [
            ("lake/uhf", True),
            ("ridge/uhf", False),
        ]
        assert where.words[-1] == "ridge/uhf might hear it there, but does not report now"
        assert {c.repeater for c in where.cells} == {"lake/uhf"}

    def test_the_chance_is_that_over_the_cells(self) -> None:
        """One repeater, all cells alike: the chance of each is the chance of all."""
        flat = {"lake/uhf": everywhere(disk_of(cell_at(0.0, 20.0, 7), 12), -112, "lake/uhf")}
        where = found(fix=fix(10, None, None), coverages=flat, reporting={"lake/uhf"})
        (hearer,) = where.hearers
        middle = flat["lake/uhf"].chance_at(0.0, 20.0)
        assert hearer.chance == pytest.approx(middle.chance, abs=0.02)
        assert (hearer.low, hearer.high) == pytest.approx((middle.low, middle.high), abs=0.03)

    def test_far_repeaters_are_not_told(self) -> None:
        far = blank("tarn/uhf", 3.0, 24.0, 20.0)
        assert [h.repeater for h in found(coverages={"tarn/uhf": far}).hearers] == []

    def test_coarse_cells_are_judged_by_their_parts(self) -> None:
        """An hour at 61 km/h: cells far larger than those of the coverage."""
        where = found(fix=fix(60), place=place(60))
        size = resolution_of(where.cells[0].cell)
        assert size is not None
        assert size < LAKE.resolution
        assert 0.1 < where.hearers[0].chance < 1


class TestWithoutAPosition:
    def test_the_cells_that_its_repeater_hears(self) -> None:
        cells = disk_of(cell_at(0.0, 20.0, 7), 3)
        known = coverage({cell: sums([-90, -92, -88]) for cell in cells}, site("ridge/uhf", 0, 20))
        where = found(fix=None, coverages={"ridge/uhf": known})
        assert {c.cell for c in where.cells} == set(cells)
        farthest = max(distance_km(0, 20, *centre(cell)) for cell in cells)
        assert (where.centre, where.within_km, where.ring_km) == (None, None, None)
        assert where.words[:3] == (
            "last heard 12 min ago by ridge/uhf",
            "its position is not known, only the repeater that heard it",
            f"ridge/uhf hears stations out to {farthest:.1f} km, see the cells",
        )
        assert where.words[3] == "since then it may have gone 1.0 km further"
        assert "if it keys there, ridge/uhf hears it with a chance of more than 95 %" in where.words

    def test_many_cells_become_larger_ones(self) -> None:
        cells = disk_of(cell_at(0.0, 20.0, 7), 20)
        known = everywhere(cells, -90, "ridge/uhf")
        where = found(fix=None, coverages={"ridge/uhf": known}, now_ms=T0_MS - 12 * MIN_MS)
        assert len(cells) > 1000
        assert 10 < len(where.cells) <= MOST_CELLS
        assert sum(c.weight for c in where.cells) == pytest.approx(1)
        assert where.words[2] == "ridge/uhf has heard stations in the cells shown"

    def test_its_range_before_it_has_learned(self) -> None:
        where = found(fix=None, coverages={"ridge/uhf": blank("ridge/uhf", 0.0, 20.0, 30.0)})
        assert where.cells == ()
        assert where.ring_km == 30
        assert where.words[2] == "ridge/uhf is said to reach 30 km; little is learned yet"

    def test_few_cells_do_not_show_how_far_it_hears(self) -> None:
        cells = disk_of(cell_at(0.0, 20.0, 7), 1)
        few = {cell: sums([-90, -92, -88]) for cell in cells}
        ranged = coverage(few, site("ridge/uhf", 0, 20, range_km=30))
        where = found(fix=None, coverages={"ridge/uhf": ranged})
        assert (where.cells, where.ring_km) == ((), 30)
        where = found(fix=None, coverages={"ridge/uhf": coverage(few, site("ridge/uhf", 0, 20))})
        assert {c.cell for c in where.cells} == set(cells)
        assert where.words[2] == (
            "ridge/uhf has heard stations in few cells yet: these do not show how far it hears"
        )

    def test_neither(self) -> None:
        assert found(fix=None).words[2] == "how far ridge/uhf hears is not known"
        assert found(fix=None, coverages={}).words[2] == (
            "where ridge/uhf stands and what it hears is not known"
        )


def test_the_sentences_of_a_moving_member() -> None:
    where = found(reporting={"lake/uhf"})
    assert where.words[:3] == (
        "last heard 12 min ago by ridge/uhf",
        "last position 12 min old, 3.2 km north-east of ridge/uhf",
        "was moving 094 degrees at 61 km/h",
    )
    assert where.words[3] == (
        f"most likely within {where.within_km:.0f} km of 0.0077 S 20.1093 E "
        "(10 km west of lake/uhf)"
    )
    assert where.words[4].startswith("if it keys there, lake/uhf hears it with a chance of about")


def test_the_caution() -> None:
    text = found().caution
    assert text is CAUTION
    assert text.startswith("An aid for whoever plans a search, no search plan.")
    assert "Call signs are not authenticated" in text
    assert "Silence is not danger" in text


class TestWords:
    @pytest.mark.parametrize(
        ("seconds", "words"),
        [
            (-5, "0 s"),
            (45, "45 s"),
            (89.4, "89 s"),
            (90, "2 min"),
            (720, "12 min"),
            (7199, "120 min"),
            (12_600, "3.5 h"),
            (4 * 86_400, "4 days"),
        ],
    )
    def test_ages(self, seconds: float, words: str) -> None:
        assert age_words(seconds) == words

    def test_distances_and_places(self) -> None:
        assert [km_words(km) for km in (0.44, 9.94, 9.96, 31.4)] == [
            "0.4 km", "9.9 km", "10 km", "31 km",
        ]  # fmt: skip
        assert degrees_of(-46.51234, 21.1) == "46.5123 S 21.1000 E"
        assert degrees_of(1.5, -0.25) == "1.5000 N 0.2500 W"

    @pytest.mark.parametrize(
        ("course", "direction"),
        [(0, "north"), (45, "north-east"), (91, "east"), (137, "south-east"), (180, "south"),
         (226, "south-west"), (270, "west"), (314, "north-west"), (350, "north")],
    )  # fmt: skip
    def test_directions(self, course: float, direction: str) -> None:
        lat, lon = ahead(-46.5, 21.0, course, 3200)
        assert beside(lat, lon, [Spot("ridge/uhf", -46.5, 21.0)]) == (
            f"3.2 km {direction} of ridge/uhf"
        )

    def test_the_nearest_spot_and_a_spot_itself(self) -> None:
        spots = [Spot("ridge/uhf", 0, 20), Spot("lake/uhf", 0, 21)]
        assert beside(0, 20.9, spots) == "11 km west of lake/uhf"
        assert beside(0, 20.0005, spots) == "at ridge/uhf"
        assert beside(0, 20, []) is None

    @pytest.mark.parametrize(
        ("given", "words"),
        [
            (fix(), "was moving 094 degrees at 61 km/h"),
            (fix(course=None), "was moving at 61 km/h, its course was not told"),
            (
                fix(speed=0.3),
                "stood still or moved slowly: 5 km/h are assumed since, in any direction",
            ),
            (fix(speed=None), "its speed was not told: 5 km/h are assumed, in any direction"),
        ],
    )
    def test_movement(self, given: Fix, words: str) -> None:
        assert moving_words(given, WALKING_MPS) == words

    def test_last_and_later(self) -> None:
        assert last_words(place(2), None, T0_MS, []) == ["last heard 2 min ago by ridge/uhf"]
        assert later_words(None) == []

    def test_area_without_a_spot(self) -> None:
        assert area_words((1.0, 2.0), 4.4, []) == "most likely within 4 km of 1.0000 N 2.0000 E"

    def test_hearers(self) -> None:
        heard = Hearer("lake/uhf", 0.71, 0.52, 0.83, True)
        dark = replace(heard, repeater="mill/uhf", reports=False)
        assert hearer_words([heard, dark]) == [
            "if it keys there, lake/uhf hears it with a chance of about 70 % (50 to 85 %)",
            "mill/uhf might hear it there, but does not report now",
        ]
        none = "if it keys there, no repeater that reports now is likely to hear it"
        assert hearer_words([dark])[0] == none
        assert hearer_words([]) == [none]
        assert len(hearer_words([heard] * 5)) == 3

    def test_without_a_position_or_much_time(self) -> None:
        words = unplaced_words(
            "ridge/uhf", None, None, placed=True, cells=False, few=False, moved_km=0.9
        )
        assert words[-1] == "how far ridge/uhf hears is not known"


# -- the map -------------------------------------------------------------------------------------


def checked(where: Whereabouts) -> dict[str, Any]:
    """Source: geojson-pydantic, and RFC 7946 3.1.6 by the sign of the area."""
    made: dict[str, Any] = json.loads(json.dumps(as_geojson(where)))
    FeatureCollection.model_validate(made)
    for feature in made["features"]:
        if feature["geometry"]["type"] == "Polygon":
            (ring,) = feature["geometry"]["coordinates"]
            assert ring[0] == ring[-1]
            assert ring_area(ring) > 0
    assert made["caution"] == CAUTION
    assert made["words"] == list(where.words)
    assert made["station"] == NAME
    return made


def kinds(made: dict[str, Any]) -> list[str]:
    return list(dict.fromkeys(f["properties"]["kind"] for f in made["features"]))


class TestMap:
    def test_what_is_known_and_what_may_be(self) -> None:
        where = found()
        made = checked(where)
        assert kinds(made) == ["last position", "heading", "repeater", "may be in"]
        last, heading, repeater, *cells = made["features"]
        assert last["geometry"] == {"type": "Point", "coordinates": [20.0, 0.0]}
        assert last["properties"] == {
            "kind": "last position",
            "station": NAME,
            "at": from_ms(T0_MS - 12 * MIN_MS).isoformat(),
            "age_s": 720,
            "speed_mps": SPEED,
            "course_deg": 94.0,
        }
        assert where.centre is not None
        lat, lon = where.centre
        assert heading["geometry"]["coordinates"] == [[20.0, 0.0], [lon, lat]]
        assert repeater["geometry"]["coordinates"] == [19.9795, -0.0205]
        assert [c["properties"]["cell"] for c in cells] == [c.cell for c in where.cells]
        first = cells[0]["properties"]
        assert first["weight"] == pytest.approx(where.cells[0].weight, abs=1e-5)
        assert first["chance"] == pytest.approx(where.cells[0].chance, abs=1e-3)
        assert first["repeater"] in ALL

    def test_one_that_stood_has_no_heading(self) -> None:
        assert "heading" not in kinds(checked(found(fix=fix(5, 0.0, None))))

    def test_the_range_of_the_repeater(self) -> None:
        """Every corner of the ring is 30 km away, by GeographicLib."""
        where = found(fix=None, coverages={"ridge/uhf": blank("ridge/uhf", 10.0, 20.0, 30.0)})
        made = checked(where)
        assert kinds(made) == ["repeater", "range"]
        ring = made["features"][1]["geometry"]["coordinates"][0]
        assert len(ring) == 65
        for lon, lat in ring:
            line = Geodesic.WGS84.Inverse(10.0, 20.0, lat, lon)
            assert line["s12"] == pytest.approx(30_000, abs=0.01)

    def test_at_the_180th_meridian_all_is_cut(self) -> None:
        """RFC 7946, 3.1.9."""
        start = Fix(T0_MS - 10 * MIN_MS, -46.5, 179.97, SPEED, 90.0)
        made = checked(found(fix=start, coverages={}))
        heading = made["features"][1]["geometry"]
        assert heading["type"] == "MultiLineString"
        (_, west), (east, _) = heading["coordinates"]
        assert (west[0], east[0]) == (180.0, -180.0)
        assert west[1] == east[1]
        back = Fix(T0_MS - 10 * MIN_MS, -46.5, -179.97, SPEED, 270.0)
        (_, east), (west, _) = checked(found(fix=back, coverages={}))["features"][1]["geometry"][
            "coordinates"
        ]
        assert (east[0], west[0]) == (-180.0, 180.0)
        for feature in made["features"]:
            assert all(abs(p) <= 180 for p in _lons(feature))

    def test_nothing_known_at_all_is_an_empty_map(self) -> None:
        made = checked(found(fix=None, coverages={}))
        assert made["features"] == []


def _lons(feature: dict[str, Any]) -> list[float]:
    def walk(part: Any) -> list[float]:
        if isinstance(part[0], int | float):
            return [part[0]]
        return [lon for inner in part for lon in walk(inner)]

    return walk(feature["geometry"]["coordinates"])
