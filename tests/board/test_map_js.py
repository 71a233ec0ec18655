"""The scripts of the map that draw nothing, run in Node.

Sources: geographiclib (geodesics on WGS 84) for the projection, ranges and the scale bar.
"""

import math
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import h3
import pytest
from geographiclib.geodesic import Geodesic

from streamer.domain.cells import geometry
from tests.board.scripts import Call, call, running

pytestmark = pytest.mark.node


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Call]:
    with running(tmp_path_factory.mktemp("scripts")) as run:
        yield run


WGS84 = Geodesic.WGS84

# -- projection ------------------------------------------------------------------------------------

MIDDLES = [(60.0, 20.0), (0.0, 0.0), (-46.5, 21.0), (45.0, 179.9), (-70.0, -179.5), (88.0, 10.0)]


def around(lat: float, lon: float, within_km: float, number: int) -> list[tuple[float, float]]:
    """Places spread about one, by geographiclib."""
    chance = random.Random(1)
    places = []
    for _ in range(number):
        to = WGS84.Direct(lat, lon, chance.uniform(0, 360), 1000 * chance.uniform(1, within_km))
        places.append((to["lat2"], to["lon2"]))
    return places


def geodesic_m(a: tuple[float, float], b: tuple[float, float]) -> float:
    return float(WGS84.Inverse(*a, *b)["s12"])


@pytest.mark.parametrize(("lat", "lon"), MIDDLES)
def test_there_and_back(calls: Call, lat: float, lon: float) -> None:
    places = around(lat, lon, 400, 30)
    middle = {"lat": lat, "lon": lon}
    forth = [("forward", [*place]) for place in places]
    (flat,) = calls([("projection", "projectionAbout", [middle], forth)])
    back = [("inverse", [*point]) for point in flat]
    (found,) = calls([("projection", "projectionAbout", [middle], back)])
    for place, again in zip(places, found, strict=True):
        assert geodesic_m(place, tuple(again)) < 0.01
        assert -180 <= again[1] <= 180


@pytest.mark.parametrize(("lat", "lon"), MIDDLES)
def test_distances_on_the_map_are_those_on_the_ground(calls: Call, lat: float, lon: float) -> None:
    """Between any two places of a region 200 km across to each side."""
    places = around(lat, lon, 200, 40)
    middle = {"lat": lat, "lon": lon}
    forth = [("forward", [*place]) for place in places]
    (flat,) = calls([("projection", "projectionAbout", [middle], forth)])
    worst = 0.0
    for place, other, p, q in zip(places, places[1:], flat, flat[1:], strict=False):
        ground_m = geodesic_m(place, other)
        worst = max(worst, abs(math.dist(p, q) - ground_m) / ground_m)
    assert worst < 0.001


@pytest.mark.parametrize(("lat", "lon"), MIDDLES)
def test_north_is_up_and_east_is_right(calls: Call, lat: float, lon: float) -> None:
    north, east = (WGS84.Direct(lat, lon, azimuth, 10_000) for azimuth in (0, 90))
    middle = {"lat": lat, "lon": lon}
    forth = [("forward", [to["lat2"], to["lon2"]]) for to in (north, east)]
    ((up, right),) = calls([("projection", "projectionAbout", [middle], forth)])
    assert up == pytest.approx([0, 10_000], abs=5)
    assert right == pytest.approx([10_000, 0], abs=5)


@pytest.mark.parametrize("radius_km", [1.0, 30.0, 100.0, 300.0])
@pytest.mark.parametrize(("lat", "lon"), MIDDLES)
def test_a_range_is_right_on_the_ground(
    calls: Call, lat: float, lon: float, radius_km: float
) -> None:
    """Every point of the ring lies the range away from the repeater, by geodesics; the repeater is
    150 km off the map's middle. Asked for was less than 0.5 % at 60 degrees and 100 km."""
    off = WGS84.Direct(lat, lon, 130, 150_000)
    site = (off["lat2"], off["lon2"])
    middle = {"lat": lat, "lon": lon}
    ask = [("ring", [*site, radius_km * 1000, 36])]
    ((ring,),) = calls([("projection", "projectionAbout", [middle], ask)])
    back = [("inverse", [*point]) for point in ring]
    (places,) = calls([("projection", "projectionAbout", [middle], back)])
    for place in places:
        assert geodesic_m(site, tuple(place)) == pytest.approx(radius_km * 1000, rel=0.001)
    azimuths = [WGS84.Inverse(*site, *place)["azi1"] % 360 for place in places]
    for k, azimuth in enumerate(azimuths):
        assert (azimuth - 10 * k + 180) % 360 - 180 == pytest.approx(0, abs=0.1)


def test_the_middle_of_places_on_both_sides_of_the_180th_meridian(calls: Call) -> None:
    places = [{"lat": 10, "lon": 179}, {"lat": 20, "lon": -177}, {"lat": 12, "lon": 178}]
    middle = call(calls, "projection", "middleOf", places)
    assert middle["lat"] == 15
    assert middle["lon"] == pytest.approx(-179.5)
    plain = call(calls, "projection", "middleOf", [{"lat": 1, "lon": 10}, {"lat": 3, "lon": 20}])
    assert plain == pytest.approx({"lat": 2, "lon": 15})
    assert call(calls, "projection", "middleOf", []) == {"lat": 0, "lon": 0}


def test_a_region_across_the_180th_meridian_is_in_one_piece(calls: Call) -> None:
    """Both ends of a shape that is cut there (RFC 7946, 3.1.9) fall on the same point."""
    for lon in (179.0, -179.0):
        middle = {"lat": -17.0, "lon": lon}
        forth = [("forward", [-17.5, 180.0]), ("forward", [-17.5, -180.0])]
        ((a, b),) = calls([("projection", "projectionAbout", [middle], forth)])
        assert a == pytest.approx(b, abs=1e-6)


# -- view ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scale", [3e-5, 0.0011, 0.02, 1.7])
def test_the_scale_bar_is_right(calls: Call, scale: float) -> None:
    """Its ends, taken back to the ground, lie as far apart as its text says."""
    view = {"x": 40_000, "y": -60_000, "scale": scale, "width": 900, "height": 600}
    bar = call(calls, "map-view", "scaleBar", view, 140)
    assert bar["pixels"] <= 140.001
    assert bar["pixels"] > 140 / 2.6  # between two steps lies a factor of 2.5 at most
    number, unit = bar["text"].split()
    told_m = float(number) * {"km": 1000, "m": 1}[unit]
    y = 300
    ends = [(450 - bar["pixels"] / 2, y), (450 + bar["pixels"] / 2, y)]
    ground = calls([("map-view", "toGround", [view, end]) for end in ends])
    middle = {"lat": 60.0, "lon": 20.0}
    back = [("inverse", [*point]) for point in ground]
    ((a, b),) = calls([("projection", "projectionAbout", [middle], back)])
    # Bars of a million metres only stand on maps of half a continent.
    within = 0.005 if told_m <= 500_000 else 0.03
    assert geodesic_m(tuple(a), tuple(b)) == pytest.approx(told_m, rel=within)


def test_zooming_keeps_the_place_under_the_pointer(calls: Call) -> None:
    chance = random.Random(2)
    view = {"x": 1000.0, "y": -2000.0, "scale": 0.01, "width": 800, "height": 500}
    for _ in range(10):
        at = [chance.uniform(0, 800), chance.uniform(0, 500)]
        factor = chance.uniform(0.2, 5)
        zoomed = call(calls, "map-view", "zoomed", view, factor, at)
        before, after = calls([("map-view", "toGround", [v, at]) for v in (view, zoomed)])
        assert after == pytest.approx(before)
        assert zoomed["scale"] == pytest.approx(0.01 * factor)


def test_zooming_ends_somewhere(calls: Call) -> None:
    view = {"x": 0, "y": 0, "scale": 0.01, "width": 800, "height": 500}
    near = call(calls, "map-view", "zoomed", view, 1e9)
    far = call(calls, "map-view", "zoomed", view, 1e-9)
    assert (near["scale"], far["scale"]) == (2, 2e-5)


def test_to_the_screen_and_back(calls: Call) -> None:
    view = {"x": 1000.0, "y": -2000.0, "scale": 0.013, "width": 801, "height": 500}
    point = [123_456.0, -65_432.1]
    screen = call(calls, "map-view", "toScreen", view, point)
    assert call(calls, "map-view", "toGround", view, screen) == pytest.approx(point)


def test_fitting_shows_everything_within_the_margin(calls: Call) -> None:
    chance = random.Random(3)
    for width, height in ((1000, 600), (360, 500), (600, 2000)):
        points = [[chance.uniform(-9e4, 5e4), chance.uniform(-2e4, 7e4)] for _ in range(20)]
        view = call(calls, "map-view", "fitted", points, width, height)
        for px, py in calls([("map-view", "toScreen", [view, point]) for point in points]):
            assert 15 <= px <= width - 15
            assert 47 <= py <= height - 47
    lone = call(calls, "map-view", "fitted", [[5.0, 6.0]], 800, 600)
    assert (lone["x"], lone["y"]) == (5, 6)


def test_a_symbol_off_the_screen_is_brought_on_it(calls: Call) -> None:
    view = {"x": 0, "y": 0, "scale": 0.01, "width": 800, "height": 500}
    for at in ([-300, 100], [900, 700], [400, 250]):
        ground = call(calls, "map-view", "toGround", view, at)
        moved = call(calls, "map-view", "withInside", view, at, 40)
        px, py = call(calls, "map-view", "toScreen", moved, ground)
        assert 40 - 1e-6 <= px <= 760 + 1e-6
        assert 40 - 1e-6 <= py <= 460 + 1e-6
    assert moved == view


# -- layout ----------------------------------------------------------------------------------------


def things(*at: tuple[float, float], fixed: int = 0) -> list[dict[str, Any]]:
    return [{"key": f"k{n}", "at": list(p), "fixed": n < fixed} for n, p in enumerate(at)]


def laid_out(calls: Call, all_things: list[dict[str, Any]]) -> list[dict[str, Any]]:
    places = call(calls, "map-layout", "gathered", all_things)
    return list(call(calls, "map-layout", "spread", places))


def test_nothing_is_lost_and_nothing_hides_another(calls: Call) -> None:
    chance = random.Random(4)
    for number in (1, 2, 5, 40, 200):
        crowd = [(chance.gauss(400, 60), chance.gauss(300, 60)) for _ in range(number)]
        placed = laid_out(calls, things(*crowd, fixed=number // 4))
        keys = [one["key"] for place in placed for one in place["things"]]
        assert sorted(keys) == sorted(f"k{n}" for n in range(number))
    # At one place: up to eight side by side, 12 px apart at least.
    for number in range(2, 9):
        placed = laid_out(calls, things(*[(100.0, 100.0)] * number))
        assert len(placed) == number
        gaps = [math.dist(a["at"], b["at"]) for a in placed for b in placed if a is not b]
        assert min(gaps) > 11
        assert all(place["from"] == [100, 100] for place in placed)


def test_a_crowd_is_one_symbol_with_all_in_it(calls: Call) -> None:
    (placed,) = laid_out(calls, things(*[(100.0, 100.0)] * 9))
    assert [one["key"] for one in placed["things"]] == [f"k{n}" for n in range(9)]
    assert placed["at"] == [100, 100]


def test_a_repeater_stays_where_it_is_and_its_members_stand_below(calls: Call) -> None:
    site, *members = laid_out(calls, things(*[(100.0, 100.0)] * 4, fixed=1))
    assert (site["at"], site["from"]) == ([100, 100], None)
    assert len(members) == 3
    assert all(member["at"][1] > 110 for member in members)
    left, right = laid_out(calls, things((100, 100), (100, 100), fixed=2))
    assert (left["at"], right["at"]) == ([88, 100], [112, 100])


def test_things_apart_are_left_alone(calls: Call) -> None:
    placed = laid_out(calls, things((0, 0), (21, 0), (0, 21)))
    assert [(p["at"], p["from"]) for p in placed] == [
        ([0, 0], None), ([21, 0], None), ([0, 21], None),
    ]  # fmt: skip


def box(place: dict[str, Any], text: str) -> tuple[float, float, float, float]:
    """The box that a label is taken to need: 6.7 px a letter, 15 px high."""
    wide = 6.7 * len(text)
    left = place["x"] - {"start": 0.0, "middle": wide / 2, "end": wide}[place["anchor"]]
    return left, place["y"] - 11, left + wide, place["y"] + 4


def test_labels_do_not_cover_each_other(calls: Call) -> None:
    chance = random.Random(5)
    wanted: list[dict[str, Any]] = [
        {"key": f"k{n}", "at": [chance.uniform(0, 900), chance.uniform(0, 500)],
         "text": "ridge/uhf" * chance.randint(1, 3), "clear": 12}
        for n in range(150)
    ]  # fmt: skip
    texts = {one["key"]: one["text"] for one in wanted}
    found = call(calls, "map-layout", "labelled", wanted, [], 900)
    assert 20 < len(found) < 150
    boxes = [box(place, texts[key]) for key, place in found.items()]
    for n, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[2] <= 900
        for b in boxes[n + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
    assert "k0" in found  # the most important has the first choice


def test_a_label_that_must_stand_stands_on_the_screen(calls: Call) -> None:
    taken = [{"left": 0, "top": 0, "right": 400, "bottom": 400}]
    one: dict[str, Any] = {
        "key": "a",
        "at": [2, 50],
        "text": "coldrane/vhf · not reporting",
        "clear": 12,
    }
    assert call(calls, "map-layout", "labelled", [one], taken, 400) == {}
    found = call(calls, "map-layout", "labelled", [{**one, "must": True}], taken, 400)
    left, _, right, _ = box(found["a"], one["text"])
    assert left >= -1e-9
    assert right <= 400


# -- what is to be seen ----------------------------------------------------------------------------

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


def ago(**span: float) -> str:
    return (NOW - timedelta(**span)).isoformat().replace("+00:00", "Z")


def place_row(station: str, **fields: Any) -> list[Any]:
    return [station, {
        "station": station, "lat": None, "lon": None, "position_at": None,
        "repeater": "ridge/uhf", "last_heard_at": ago(minutes=1), "standing": "in_reach",
        "groups": ["NET"], **fields,
    }]  # fmt: skip


def members(calls: Call, rows: list[Any], group: str | None = None) -> Any:
    now_ms = NOW.timestamp() * 1000
    return call(calls, "map-scene", "membersOf", {"$map": rows}, group, now_ms)


def test_members_of_one_group_or_of_all_without_those_who_left(calls: Call) -> None:
    rows = [
        place_row("QC3GHI", groups=["NET", "SHORE"]),
        place_row("QA1ABC"),
        place_row("QB2DEF", standing="checked_out"),
        place_row("QD4JKL", standing="expired"),
    ]
    assert [one["name"] for one in members(calls, rows)] == ["QA1ABC", "QC3GHI"]
    assert [one["name"] for one in members(calls, rows, "SHORE")] == ["QC3GHI"]


@pytest.mark.parametrize(
    ("minutes", "step"),
    [(0, "fresh"), (4.9, "fresh"), (5, "ageing"), (29.9, "ageing"), (30, "old"), (9e3, "old")],
)
def test_the_age_of_a_position_in_steps(calls: Call, minutes: float, step: str) -> None:
    row = place_row("QA1ABC", lat=1.0, lon=2.0, position_at=ago(minutes=minutes))
    assert members(calls, [row])[0]["age"] == step


def test_a_member_without_a_position_is_drawn_at_its_repeater(calls: Call) -> None:
    gateway = {"gateway": "ridge", "keeper": "crew", "repeaters": [
        {"repeater": "ridge/uhf", "title": "", "reporting": True, "lat": 1.5, "lon": 2.5},
        {"repeater": "ridge/vhf", "title": "", "reporting": False, "lat": None, "lon": None},
        {"repeater": "ridge/shf", "title": "", "reporting": None, "lat": 0, "lon": 0},
    ]}  # fmt: skip
    people = members(calls, [
        place_row("QA1ABC"), place_row("QB2DEF", repeater="ridge/vhf"),
        place_row("QC3GHI", lat=0.0, lon=0.0, position_at=ago(minutes=1)),
    ])  # fmt: skip
    fanout = {"$map": [["ridge/uhf", {"state": "starved"}]]}
    rows = {"$map": [["ridge", gateway]]}
    sites = call(calls, "map-scene", "repeatersOf", rows, fanout, people)
    assert [(s["name"], s["word"], s["carriage"], len(s["members"])) for s in sites] == [
        ("ridge/shf", "not known whether it reports", "none", 0),
        ("ridge/uhf", "reporting", "starved", 2),
        ("ridge/vhf", "not reporting", "none", 1),
    ]
    placed = call(calls, "map-scene", "placed", sites, people)
    drawn = {d["thing"]["name"]: (d["place"]["lat"], d["byRepeater"]) for d in placed["drawn"]}
    assert drawn == {
        "ridge/shf": (0, False),  # where the equator meets the prime meridian is a place as well
        "ridge/uhf": (1.5, False),
        "QA1ABC": (1.5, True),
        "QC3GHI": (0, False),
    }
    assert [one["name"] for one in placed["nowhere"]] == ["ridge/vhf", "QB2DEF"]


def test_a_symbol_says_all_of_it(calls: Call) -> None:
    person = members(calls, [place_row("QA1ABC", standing="out_of_reach")])[0]
    assert call(calls, "map-scene", "spoken", person) == (
        "QA1ABC, out of reach, drawn at ridge/uhf"
    )


# -- cells -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "step", "words"),
    [
        (0.0, 0, "less than 5 %"), (0.199, 0, "20 %"), (0.2, 1, "20 %"), (0.6, 3, "60 %"),
        (0.79, 3, "80 %"), (0.8, 4, "80 %"), (1.0, 4, "more than 95 %"), (None, None, "not known"),
    ],
)  # fmt: skip
def test_a_chance_has_a_step_and_words(
    calls: Call, share: float | None, step: int | None, words: str
) -> None:
    """Five steps of a fifth; said in steps of 5 %."""
    assert call(calls, "map-cells", "stepOf", share) == step
    assert call(calls, "map-cells", "percent", share) == words


def coverage(*chances: float | None) -> dict[str, Any]:
    """Learned cells one beside the other, from the equator at 20 degrees east."""
    cells = [h3.latlng_to_cell(0.0, 20 + 0.1 * n, 7) for n in range(len(chances))]
    return {
        "features": [
            {"geometry": geometry(cell), "properties": {
                "cell": cell, "chance": chance, "low": 0.1, "high": 0.9, "level_dbm": -99.6,
                "overs": n + 1.0, "reason": "heard about 2 overs from here",
            }}
            for n, (cell, chance) in enumerate(zip(cells, chances, strict=True))
        ]
    }  # fmt: skip


def test_learned_cells_are_counted_by_steps(calls: Call) -> None:
    cells = call(calls, "map-cells", "coverageCells", coverage(0.1, 0.5, 0.95, None, 0.99))
    assert [cell["step"] for cell in cells] == [0, 2, 4, 4]  # nothing known is nothing drawn
    assert cells[1]["words"] == (
        "Heard from here: 50 % (10 % to 90 %), -100 dBm expected. Heard about 2 overs from here."
    )
    lines = call(calls, "map-cells", "bySteps", cells, ["a", "b", "c", "d", "e"])
    assert [(line["words"], line["cells"], line["overs"]) for line in lines] == [
        ("e", 2, 8), ("d", 0, 0), ("c", 1, 2), ("b", 0, 0), ("a", 1, 1),
    ]  # fmt: skip


def test_the_middle_of_a_cell(calls: Call) -> None:
    """Source: h3 for the cell's centre; the mean of its corners is within 20 m of it."""
    (cell,) = call(calls, "map-cells", "coverageCells", coverage(0.5))
    found = call(calls, "map-cells", "middleOfCell", cell)
    assert geodesic_m((found["lat"], found["lon"]), h3.cell_to_latlng(cell["cell"])) < 20


def test_cells_that_it_may_be_in_are_seen_beside_the_likeliest(calls: Call) -> None:
    rings = [cell["geometry"] for cell in coverage(1, 1, 1)["features"]]
    said = [(0.5, 0.9, "ridge/uhf"), (0.25, 0.0, None), (0.01, 0.2, "ridge/uhf")]
    document = {"features": [
        {"geometry": ring, "properties": {
            "kind": "may be in", "cell": str(n), "weight": weight, "chance": chance, "repeater": by,
        }}
        for n, (ring, (weight, chance, by)) in enumerate(zip(rings, said, strict=True))
    ] + [{"geometry": {"type": "Point", "coordinates": [1, 2]}, "properties": {"kind": "repeater"}}]
    }  # fmt: skip
    cells = call(calls, "map-cells", "lookCells", document)
    assert [(cell["key"], cell["step"]) for cell in cells] == [("0", 4), ("1", 2), ("2", 0)]
    assert cells[0]["words"] == (
        "May be here: likeliest. If it keys here, ridge/uhf hears it: 90 %."
    )
    assert cells[1]["words"].endswith("No repeater that reports now is likely to hear it here.")
