"""The base layer: what RFC 7946 allows is drawn, and a fault is told with its place.

Sources: RFC 7946, appendix A and sections 1.5, 3.1.9 (examples from memory, as OUTSIDE.md says);
the library geojson-pydantic as an outside judge of structure.
"""

import asyncio
import copy
import json
import warnings
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from geojson_pydantic import Feature, FeatureCollection
from geojson_pydantic.geometries import Geometry
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from streamer.board import base_layer
from streamer.board.base_layer import BaseLayer, PreparedBaseLayer, load_base_layer, prepare
from streamer.config import ConfigError

# RFC 7946, appendix A.
POINT = {"type": "Point", "coordinates": [100.0, 0.0]}
LINE = {"type": "LineString", "coordinates": [[100.0, 0.0], [101.0, 1.0]]}
RING = [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]
HOLE = [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]
POLYGON = {"type": "Polygon", "coordinates": [RING]}
WITH_HOLE = {"type": "Polygon", "coordinates": [RING, HOLE]}
POINTS = {"type": "MultiPoint", "coordinates": [[100.0, 0.0], [101.0, 1.0]]}
LINES = {
    "type": "MultiLineString",
    "coordinates": [[[100.0, 0.0], [101.0, 1.0]], [[102.0, 2.0], [103.0, 3.0]]],
}
OTHER_RING = [[102.0, 2.0], [103.0, 2.0], [103.0, 3.0], [102.0, 3.0], [102.0, 2.0]]
POLYGONS = {"type": "MultiPolygon", "coordinates": [[OTHER_RING], [RING, HOLE]]}
COLLECTION = {"type": "GeometryCollection", "geometries": [POINT, LINE]}
# RFC 7946, 1.5.
WHOLE = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [102.0, 0.5]},
            "properties": {"prop0": "value0"},
        },
        {
            "type": "Feature",
            "geometry": {
                "type": "LineString",
                "coordinates": [[102.0, 0.0], [103.0, 1.0], [104.0, 0.0], [105.0, 1.0]],
            },
            "properties": {"prop0": "value0", "prop1": 0.0},
        },
        {
            "type": "Feature",
            "geometry": POLYGON,
            "properties": {"prop0": "value0", "prop1": {"this": "that"}},
        },
    ],
}


def feature(geometry: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def layer_of(document: Any) -> BaseLayer:
    return prepare(json.dumps(document).encode()).layer


def forms(document: Any) -> list[tuple[str, int]]:
    """Each shape's form and how many positions it has."""
    return [(s.form, sum(map(len, s.parts))) for s in layer_of(document).shapes]


@pytest.mark.parametrize(
    ("document", "expected"),
    [
        (POINT, [("points", 1)]),
        (LINE, [("line", 2)]),
        (POLYGON, [("area", 5)]),
        (WITH_HOLE, [("area", 10)]),
        (POINTS, [("points", 2)]),
        (LINES, [("line", 4)]),
        (POLYGONS, [("area", 15)]),
        (COLLECTION, [("points", 1), ("line", 2)]),
        (WHOLE, [("points", 1), ("line", 4), ("area", 5)]),
        (feature(POLYGON), [("area", 5)]),
    ],
)
def test_all_geometries_of_the_rfc_are_drawn(
    document: Any, expected: list[tuple[str, int]]
) -> None:
    assert forms(document) == expected


@pytest.mark.parametrize(
    "document",
    [
        feature(None),  # RFC 7946, 3.2: a feature without a place
        {"type": "FeatureCollection", "features": []},
        {"type": "MultiPoint", "coordinates": []},  # RFC 7946, 3.1: may be read as null
        {"type": "Polygon", "coordinates": []},
        {"type": "GeometryCollection", "geometries": []},
    ],
)
def test_what_is_empty_draws_nothing(document: Any) -> None:
    assert forms(document) == []


def test_longitude_comes_first_and_altitude_is_left_out() -> None:
    (shape,) = layer_of({"type": "LineString", "coordinates": [[20, -46, 7], [21, -45, 8]]}).shapes
    assert shape.parts == [[(20.0, -46.0), (21.0, -45.0)]]


def test_names_and_kinds_are_taken_where_they_are_known() -> None:
    document = {
        "type": "FeatureCollection",
        "features": [
            feature(POINT, kind="place", name=" Low \n Quay "),
            feature(POINT, kind=" Water "),
            feature(POINT, kind="volcano", name=7),
            {"type": "Feature", "geometry": POINT, "properties": None},
            feature(POINT, name="a" * 500),
        ],
    }
    shapes = layer_of(document).shapes
    assert [s.kind for s in shapes] == ["place", "water", "other", "other", "other"]
    assert [s.name for s in shapes] == ["Low Quay", None, None, None, "a" * 80]


def test_positions_are_rounded_to_a_metre_and_repetitions_left_out() -> None:
    """A line that shrinks to nothing is not drawn; points stay, however near."""
    near = [[20.000001, 1.0], [20.000002, 1.0], [20.1, 1.0]]
    (line,) = layer_of({"type": "LineString", "coordinates": near}).shapes
    assert line.parts == [[(20.0, 1.0), (20.1, 1.0)]]
    assert forms({"type": "LineString", "coordinates": near[:2]}) == []
    assert forms({"type": "MultiPoint", "coordinates": near[:2]}) == [("points", 2)]


# -- RFC 7946, 3.1.9 and 4 -------------------------------------------------------------------------


def test_what_is_cut_at_the_180th_meridian_is_taken() -> None:
    """The example of RFC 7946, 3.1.9."""
    cut = {"type": "MultiLineString", "coordinates": [
        [[170.0, 45.0], [180.0, 45.0]], [[-180.0, 45.0], [-170.0, 45.0]],
    ]}  # fmt: skip
    assert forms(cut) == [("line", 4)]
    world = [[-180.0, -80.0], [180.0, -80.0], [180.0, 80.0], [-180.0, 80.0], [-180.0, -80.0]]
    assert forms({"type": "Polygon", "coordinates": [world]}) == [("area", 5)]


def problems_of(document: Any, tmp_path: Path) -> list[str]:
    path = tmp_path / "base.geojson"
    content = document if isinstance(document, bytes) else json.dumps(document).encode()
    path.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load_base_layer(path)
    assert str(path) in str(caught.value)
    return caught.value.problems


@pytest.mark.parametrize(
    ("document", "place", "what"),
    [
        (
            feature({"type": "LineString", "coordinates": [[170, 45], [-170, 44]]}),
            "geometry.coordinates",
            "cut the shape in two at the 180th meridian",
        ),
        (feature({"type": "Point", "coordinates": [20, -91]}), "geometry.coordinates", "swapped"),
        (
            {"type": "LineString", "coordinates": [[20, 1], [512345.5, 5123456]]},
            "coordinates[1]",
            "longitude 512346 is outside",
        ),
        ({"type": "Point", "coordinates": [10**400, 0]}, "coordinates", "of many digits"),
        ({"type": "Point", "coordinates": ["20", 1]}, "coordinates", "two numbers"),
        ({"type": "Point", "coordinates": [True, 1]}, "coordinates", "two numbers"),
        ({"type": "Point", "coordinates": [20]}, "coordinates", "two numbers"),
        (b'{"type": "Point", "coordinates": [NaN, 1]}', "coordinates", "longitude nan is outside"),
        (b'{"type": "Point", "coordinates": [1, 1e999]}', "coordinates", "latitude inf"),
        ({"type": "LineString", "coordinates": [[1, 1]]}, "coordinates", "at least 2 positions"),
        (
            {"type": "Polygon", "coordinates": [RING, HOLE[:3]]},
            "coordinates[1]",
            "at least 4 positions",
        ),
        (
            {"type": "FeatureCollection", "features": [
                feature(POINT), feature({"type": "MultiPolygon", "coordinates": [[RING[:4]]]}),
            ]},
            "features[1].geometry.coordinates[0][0]",
            "must end where it begins",
        ),
        ({"type": "Feature", "geometry": POINT}, "properties", "is missing"),
        ({"type": "Feature", "properties": {}}, "geometry", "is missing"),
        (feature({"type": "Circle", "coordinates": [1, 1]}), "geometry", "'Circle' is no type"),
        (feature({"coordinates": [1, 1]}), "geometry", "has no type"),
        ({"type": "FeatureCollection", "features": 3}, "features", "must be a list"),
        ({"type": "Topology", "arcs": []}, "file", "'Topology' is no type of GeoJSON"),
        ([], "file", "must be an object"),
        (b"{nothing", "file", "is not JSON"),
        (b"\xff\xfe", "file", "is not JSON"),
        (b"[" * 100_000, "file", "is not JSON"),
    ],
)  # fmt: skip
def test_a_fault_tells_its_place(document: Any, place: str, what: str, tmp_path: Path) -> None:
    (problem,) = problems_of(document, tmp_path)
    assert problem.startswith(f"{place}: "), problem
    assert what in problem


def test_many_faults_are_not_all_told(tmp_path: Path) -> None:
    wrong = {"type": "MultiPoint", "coordinates": [[200, 0]] * 5000}
    problems = problems_of(wrong, tmp_path)
    assert len(problems) == 11
    assert problems[-1] == "file: 4990 more faults of this sort"


def test_another_reference_system_is_refused(tmp_path: Path) -> None:
    named = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32633"}}
    (problem,) = problems_of({**POINT, "crs": named}, tmp_path)
    assert "32633" in problem
    assert "convert the file to EPSG:4326" in problem
    for allowed in ("urn:ogc:def:crs:OGC:1.3:CRS84", "EPSG:4326"):
        crs = {"type": "name", "properties": {"name": allowed}}
        assert forms({**POINT, "crs": crs}) == [("points", 1)]
    assert forms({**POINT, "crs": None}) == [("points", 1)]


def test_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base_layer, "MAX_POSITIONS", 10)
    assert forms(WITH_HOLE) == [("area", 10)]
    (problem,) = problems_of(POLYGONS, tmp_path)
    assert "15 positions" in problem
    assert "simplify" in problem
    monkeypatch.setattr(base_layer, "MAX_FILE_BYTES", 100)
    (problem,) = problems_of(b" " * 101, tmp_path)
    assert "larger than 100 bytes" in problem


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read: No such file"):
        load_base_layer(tmp_path / "none.geojson")
    with pytest.raises(ConfigError, match="cannot be read: Is a directory"):
        load_base_layer(tmp_path)


def test_a_mark_of_byte_order_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "base.geojson"
    path.write_bytes(b"\xef\xbb\xbf" + json.dumps(POINT).encode())
    assert len(load_base_layer(path).layer.shapes) == 1


# -- against an outside judge ----------------------------------------------------------------------

_F = Feature[Geometry, dict[str, Any]]
_JUDGES: dict[str, TypeAdapter[Any]] = {
    "FeatureCollection": TypeAdapter(FeatureCollection[_F]),
    "Feature": TypeAdapter(_F),
}
_GEOMETRY: TypeAdapter[Any] = TypeAdapter(Geometry)


def judged_good(content: bytes) -> bool:
    """What geojson-pydantic says, strictly; its style advice on collections is not asked for."""
    kind = json.loads(content).get("type")
    judge = _JUDGES.get(kind, _GEOMETRY) if isinstance(kind, str) else _GEOMETRY
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            judge.validate_json(content, strict=True)
        except ValidationError:
            return False
    return True


def taken(content: bytes) -> bool:
    try:
        prepare(content)
    except ValidationError:
        return False
    return True


# Within a quarter of the globe and without altitudes: beyond that we refuse on purpose what the
# judge does not look at (range, the 180th meridian), and it refuses altitudes in some positions of
# a collection only, which the RFC does not forbid.
positions = st.lists(st.floats(0, 90), min_size=2, max_size=2)
rings = st.lists(positions, min_size=3, max_size=5).map(lambda ring: [*ring, ring[0]])
lines = st.lists(positions, min_size=2, max_size=4)
simple = st.one_of(
    st.builds(lambda c: {"type": "Point", "coordinates": c}, positions),
    st.builds(lambda c: {"type": "MultiPoint", "coordinates": c}, st.lists(positions, max_size=3)),
    st.builds(lambda c: {"type": "LineString", "coordinates": c}, lines),
    st.builds(lambda c: {"type": "MultiLineString", "coordinates": c}, st.lists(lines, max_size=2)),
    st.builds(lambda c: {"type": "Polygon", "coordinates": c}, st.lists(rings, max_size=2)),
    st.builds(
        lambda c: {"type": "MultiPolygon", "coordinates": c},
        st.lists(st.lists(rings, max_size=2), max_size=2),
    ),
)
geometries = st.recursive(
    simple,
    lambda inner: st.builds(
        lambda g: {"type": "GeometryCollection", "geometries": g}, st.lists(inner, max_size=3)
    ),
    max_leaves=4,
)
features = st.builds(
    lambda g, p: {"type": "Feature", "geometry": g, "properties": p},
    st.none() | geometries,
    st.none() | st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)
documents = st.one_of(
    geometries,
    features,
    st.builds(
        lambda f: {"type": "FeatureCollection", "features": f}, st.lists(features, max_size=3)
    ),
)
JUNK: list[Any] = [None, True, 0, "Point", "LineString", "Feature", [], {}, [[]], [1], ["1", 2]]


def steps_into(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) of a document, but for what stands inside properties."""
    keys = list(value) if isinstance(value, dict) else range(len(value))
    found: list[tuple[Any, Any]] = [(value, key) for key in keys]
    for key in keys:
        if key != "properties" and isinstance(value[key], dict | list):
            found += steps_into(value[key])
    return found


@given(documents)
def test_what_the_judge_takes_is_taken(document: Any) -> None:
    content = json.dumps(document).encode()
    assert judged_good(content)
    assert taken(content)


@given(documents, st.data())
def test_after_an_injury_the_judge_and_we_agree(document: Any, data: st.DataObject) -> None:
    hurt = copy.deepcopy(document)
    container, key = data.draw(st.sampled_from(steps_into(hurt)))
    if data.draw(st.booleans()):
        container[key] = data.draw(st.sampled_from(JUNK))
    else:
        del container[key]
    content = json.dumps(hurt).encode()
    assert taken(content) == judged_good(content)


# -- served ----------------------------------------------------------------------------------------


def asked(prepared: PreparedBaseLayer, etag: str | None = None) -> httpx.Response:
    app = FastAPI()
    app.include_router(base_layer.router)
    app.state.base_layer = prepared

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            headers = {"If-None-Match": etag} if etag else {}
            return await client.get("/api/v1/base-layer", headers=headers)

    return asyncio.run(ask())


def test_it_is_served_once_and_then_remembered() -> None:
    prepared = prepare(json.dumps(WHOLE).encode())
    answer = asked(prepared)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert BaseLayer.model_validate(answer.json()) == layer_of(WHOLE)
    again = asked(prepared, answer.headers["etag"])
    assert (again.status_code, again.content) == (304, b"")
    assert asked(prepared, '"other"').status_code == 200


def test_without_a_file_the_layer_is_empty() -> None:
    assert asked(base_layer.NO_BASE_LAYER).json() == {"shapes": []}
