"""What is known beyond a station's last place; where to look for it, as text and as GeoJSON.

Outside judges: geojson-pydantic (RFC 7946), geographiclib (geodesics on WGS 84), statistics.median.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from statistics import median
from typing import Any

import pytest
from geographiclib.geodesic import Geodesic
from geojson_pydantic import Feature, FeatureCollection, Polygon
from geojson_pydantic.geometries import Geometry

from streamer.contract.published import Reach
from streamer.domain.whereabouts import CAUTION
from streamer.reading import gateway, group, where
from streamer.reading.common import Desk, Kept, NotFound, open_desk
from streamer.reading.coverage import coverage_map, look_map
from streamer.reading.history import repeater_history
from streamer.state.store import connect
from tests.reading.conftest import Story, must_fit, named
from tests.state.scene import moment

MOVING = {"lat": -46.1, "lon": 20.2, "speed_mps": 10.0, "course_deg": 90.0}


def geojson(text: str) -> FeatureCollection[Feature[Geometry, dict[str, Any]]]:
    return FeatureCollection[Feature[Geometry, dict[str, Any]]].model_validate_json(text)


def keyed(story: Story, pauses_s: Sequence[float], port: str = "uhf", **more: Any) -> None:
    """QA1ABC keys to NET on ridge, again after each pause."""
    for pause_s in [*pauses_s, 0.0]:
        ms = story.now_ms
        story.tell(
            story.ridge.state(ms),
            story.ridge.heard(
                ms, "QA1ABC", f"o{ms}", port=port, to="NET", phase="end", duration_s=2.0,
                sent_at=moment(ms + 2000), **more,
            ),
        )  # fmt: skip
        story.pass_s(pause_s)


def silent(story: Story, seconds: float) -> None:
    """Time goes by, with heartbeats; the workers look."""
    story.pass_s(seconds)
    story.tell(story.ridge.state(story.now_ms))
    story.settle()


@contextmanager
def desk_of(story: Story, kept: Kept | None = None) -> Iterator[Desk]:
    with closing(connect(story.redis.url)) as client:
        yield open_desk(client, story.bench.view, story.now_ms, kept)


PAUSES = [120.0, 180, 120, 240, 120, 180, 120, 300] * 3


# -- standings by what was learned -----------------------------------------------------------------


def published(story: Story) -> Reach:
    """The newest roster that the workers published."""
    return Reach.model_validate_json(story.bench.retained["net/scene/reach/NET"])


def test_commands_say_the_same_as_the_workers(long_story: Story) -> None:
    """By what was learned, as the latest times of the policy are hours away."""
    keyed(long_story, PAUSES, rssi_dbm=-97.0)
    silent(long_story, 1500)
    (member,) = published(long_story).members
    assert member.standing == "out_of_reach"
    assert any("half of its pauses are shorter than 3 min" in r for r in member.reasons)
    (standing,) = long_story.ask(where, "QA1ABC", json=True).document["groups"]
    assert (standing["standing"], tuple(standing["reasons"])) == (member.standing, member.reasons)
    (row,) = long_story.ask(group, "NET", json=True).document["members"]
    assert (row["standing"], tuple(row["reasons"])) == (member.standing, member.reasons)
    numbers = long_story.ask(group, json=True).document["groups"]
    assert named(numbers, "group", "NET")["standings"]["out_of_reach"] == 1
    there = long_story.ask(gateway, "ridge", json=True).document
    (seen,) = [m for r in there["repeaters"] for m in r["members"]]
    assert seen["standing"] == "out_of_reach"
    with desk_of(long_story) as desk:
        (listed,) = repeater_history(desk, "ridge/uhf").members
    assert listed.standing == "out_of_reach"
    plain = long_story.ask(where, "QA1ABC")
    must_fit(plain)
    assert "half of its pauses are shorter than 3 min" in " ".join(plain.out.split())


def test_a_board_that_remembers_judges_as_one_that_has_just_begun(long_story: Story) -> None:
    kept = Kept()
    keyed(long_story, PAUSES, rssi_dbm=-97.0)
    standings = []
    for _ in range(12):
        long_story.pass_s(150)
        long_story.tell(long_story.ridge.state(long_story.now_ms))
        with desk_of(long_story, kept) as old, desk_of(long_story) as new:
            found = group.group(old, "NET").members
            assert found == group.group(new, "NET").members
        standings.append(found[0].standing)
    assert list(dict.fromkeys(standings)) == ["in_reach", "overdue", "out_of_reach"]


# -- how it keys, and where it goes ----------------------------------------------------------------


def lookout_of(story: Story, *words: str) -> Any:
    return story.ask(where, "QA1ABC", *words, json=True).document["lookout"]


def test_usual_pauses(long_story: Story) -> None:
    """Source: statistics.median of the pauses as they were made, whole minutes."""
    keyed(long_story, PAUSES)
    pauses = lookout_of(long_story)["pauses"]
    assert pauses == {
        "known": len(PAUSES),
        "usual_s": median(PAUSES),
        "words": "keys about every 2 min; 24 pauses known",
    }
    assert "usual       keys about every 2 min" in long_story.ask(where, "QA1ABC").out


def test_few_pauses_say_nothing(long_story: Story) -> None:
    keyed(long_story, [120.0])
    pauses = lookout_of(long_story)["pauses"]
    assert (pauses["known"], pauses["usual_s"]) == (1, None)
    assert pauses["words"] == "1 pause known: too few to say how often it keys"


def test_a_fading_signal_is_told(long_story: Story) -> None:
    for level in (-90.0, -93, -97, -100, -104, -107, -111, -113):
        keyed(long_story, [], rssi_dbm=level)
        long_story.pass_s(120)
    trend = lookout_of(long_story)["trend"]
    assert (trend["repeater"], trend["overs"], trend["fading"]) == ("ridge/uhf", 8, True)
    # 23 dB in 7 steps of 2 min.
    assert trend["slope_db_per_min"] == pytest.approx(-23 / 14, abs=0.15)
    assert trend["low_db_per_min"] <= trend["slope_db_per_min"] <= trend["high_db_per_min"] < 0
    assert "its signal fell" in trend["words"]


def test_an_overlap_is_one_visit(long_story: Story) -> None:
    for port in ("uhf", "vhf", "uhf", "vhf"):
        keyed(long_story, [], port)
        long_story.pass_s(120)
    (visit,) = lookout_of(long_story)["visits"]
    assert (visit["repeaters"], visit["changes"]) == (["ridge/uhf", "ridge/vhf"], 3)
    plain = long_story.ask(where, "QA1ABC")
    must_fit(plain)
    assert "are one place, not moves" in " ".join(plain.out.split())


def test_the_likely_next_repeater_is_told(long_story: Story) -> None:
    for port in ("uhf", "vhf", "uhf"):
        keyed(long_story, [600.0, 600], port)
        long_story.pass_s(1800)
    found = lookout_of(long_story)["next"]
    # One move away from ridge/uhf was made, and one to come is allowed for.
    assert (found["repeater"], found["moves"], found["of_moves"]) == ("ridge/vhf", 1, 1)
    assert 0.5 < found["share"] < 1
    assert "likely next ridge/vhf: 1 of 1 move" in long_story.ask(where, "QA1ABC").out


def test_when_it_leaves_coverage(long_story: Story) -> None:
    keyed(long_story, [120.0, 120, 120], rssi_dbm=-97.0, position={**MOVING, "speed_mps": 25.0})
    leaving = lookout_of(long_story)["leaving"]
    assert leaving["known"]
    assert leaving["repeater"] == "ridge/uhf"
    assert 60 <= leaving["until_s"] <= 3600
    assert "would leave what any repeater hears in about" in leaving["reasons"][0]


# -- where to look ---------------------------------------------------------------------------------


def test_where_to_look_is_told_of_whom_a_group_misses_or_when_asked(long_story: Story) -> None:
    keyed(long_story, PAUSES, rssi_dbm=-97.0, position=MOVING)
    assert lookout_of(long_story)["look"] is None
    assert "Where to look" not in long_story.ask(where, "QA1ABC").out
    asked = lookout_of(long_story, "--look")["look"]
    assert (asked["why"], asked["caution"]) == ("asked for", CAUTION)
    silent(long_story, 1500)
    missed = lookout_of(long_story)["look"]
    assert missed["why"] == "out of reach in NET"
    assert [h["repeater"] for h in missed["hearers"]] == ["ridge/uhf"]
    # It went on at 10 m/s along 090 for 15 min, the longest that a course is taken to be kept.
    there = Geodesic.WGS84.Direct(-46.1, 20.2, 90, 9000)
    assert (missed["lat"], missed["lon"]) == pytest.approx((there["lat2"], there["lon2"]))
    plain = long_story.ask(where, "QA1ABC")
    must_fit(plain)
    text = " ".join(plain.out.split())
    assert "Where to look (out of reach in NET) last heard 25 min ago by ridge/uhf" in text
    assert f"CAUTION: {CAUTION}" in text


def test_where_to_look_as_geojson(long_story: Story) -> None:
    """Source: geojson-pydantic, which follows RFC 7946."""
    keyed(long_story, [120.0, 120], rssi_dbm=-97.0, position=MOVING)
    silent(long_story, 600)
    answered = long_story.ask(where, "qa1abc", "--geojson")
    assert (answered.code, answered.err) == (0, "")
    found = geojson(answered.out)
    assert answered.document["caution"] == CAUTION
    kinds = Counter(f.properties["kind"] for f in found.features if f.properties)
    assert kinds["last position"] == kinds["repeater"] == kinds["heading"] == 1
    cells = [f for f in found.features if f.properties and f.properties["kind"] == "may be in"]
    assert cells
    assert sum(f.properties["weight"] for f in cells if f.properties) == pytest.approx(1, abs=0.01)
    assert all(isinstance(f.geometry, Polygon) for f in cells)
    with desk_of(long_story) as desk:  # what the board serves
        shapes = look_map(desk, "QA1ABC").model_dump_json()
    assert geojson(shapes) == found


def test_a_station_never_heard_has_no_map(long_story: Story) -> None:
    answered = long_story.ask(where, "QZ9ZZZ", "--geojson")
    assert (answered.code, answered.out) == (1, "")
    assert "QZ9ZZZ was never heard" in answered.err
    with desk_of(long_story) as desk, pytest.raises(NotFound, match="QZ9ZZZ was never heard"):
        look_map(desk, "QZ9ZZZ")


def test_two_documents_at_once_are_refused(long_story: Story) -> None:
    answered = long_story.ask(where, "QA1ABC", "--geojson", json=True)
    assert answered.code == 2
    assert "choose one" in answered.err


def test_only_the_repeater_is_known(long_story: Story) -> None:
    """Neither a position of the station nor one of the repeater."""
    long_story.tell(long_story.mill.heard(long_story.now_ms, "QA1ABC", "o1", to="NET"))
    answered = long_story.ask(where, "QA1ABC", "--look")
    must_fit(answered)
    assert "where mill/uhf stands and what it hears is not known" in " ".join(answered.out.split())
    found = geojson(long_story.ask(where, "QA1ABC", "--geojson").out)
    assert list(found.features) == []


# -- learned coverage ------------------------------------------------------------------------------


def test_learned_coverage_as_geojson(long_story: Story) -> None:
    """Source: geojson-pydantic (RFC 7946)."""
    keyed(long_story, [120.0, 120], rssi_dbm=-97.0, position=MOVING)
    far = {**MOVING, "lon": 20.3}
    keyed(long_story, [], rssi_dbm=-110.0, position=far)
    with desk_of(long_story) as desk:
        document = coverage_map(desk, "ridge/uhf")
        assert coverage_map(desk, "lake/uhf").known_cells == 0
        with pytest.raises(NotFound, match="no repeater 'ridge/x' in the region file"):
            coverage_map(desk, "ridge/x")
    assert document.known_cells == 2
    found = geojson(document.model_dump_json())
    near, weaker = [f.properties for f in found.features]
    assert near
    assert weaker
    assert (near["overs"], weaker["overs"]) == (3, 1)  # those best known come first
    assert near["level_dbm"] > weaker["level_dbm"]
    assert 0 <= weaker["low"] <= weaker["chance"] <= weaker["high"] <= 1
    for feature, lon in zip(document.features, (20.2, 20.3), strict=True):
        (ring,) = feature.geometry.coordinates
        lons, lats = zip(*ring, strict=True)
        assert min(lons) < lon < max(lons)
        assert min(lats) < -46.1 < max(lats)


def test_coverage_is_kept_for_five_minutes_and_then_read_anew(long_story: Story) -> None:
    kept = Kept()
    keyed(long_story, [], rssi_dbm=-97.0, position=MOVING)
    with desk_of(long_story, kept) as desk:
        assert coverage_map(desk, "ridge/uhf").known_cells == 1
    keyed(long_story, [], rssi_dbm=-97.0, position={**MOVING, "lon": 20.3})
    with desk_of(long_story, kept) as desk:
        assert coverage_map(desk, "ridge/uhf").known_cells == 1
    long_story.pass_s(301)
    with desk_of(long_story, kept) as desk:
        assert coverage_map(desk, "ridge/uhf").known_cells == 2
