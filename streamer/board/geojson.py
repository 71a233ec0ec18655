"""GeoJSON (RFC 7946) as models: its structure, the range of positions, the 180th meridian.

The models are our own, because every position is looked at anyhow and because a fault must name its
place in words. The tests hold the outcome against an outside reader of GeoJSON.
"""

from itertools import pairwise
from typing import Annotated, Any, Final, Literal, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    PlainValidator,
    TypeAdapter,
    ValidationError,
)
from pydantic_core import ErrorDetails

Position = tuple[float, float]
"""Longitude, latitude in degrees of WGS 84."""
_TOLD: Final = 10
_SHOWN: Final = 80


def _position(value: object) -> Position:
    """RFC 7946, 3.1.1: longitude, latitude, perhaps an altitude; anything further is ignored."""
    if not isinstance(value, list) or len(value) < 2 or not all(map(_is_number, value[:2])):
        raise ValueError("must be [longitude, latitude], two numbers")
    lon, lat = value[:2]
    if not -180 <= lon <= 180:
        raise ValueError(
            f"longitude {_shown(lon)} is outside -180 to 180; GeoJSON wants degrees of WGS 84, "
            "not metres of a national grid: convert the file to EPSG:4326"
        )
    if not -90 <= lat <= 90:
        raise ValueError(
            f"latitude {_shown(lat)} is outside -90 to 90; GeoJSON wants the longitude first: "
            "are the two swapped?"
        )
    return float(lon), float(lat)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shown(number: float) -> str:
    try:
        return f"{number:g}"
    except OverflowError:  # a whole number beyond any float
        return "of many digits"


def _line(positions: list[Position]) -> list[Position]:
    if len(positions) < 2:
        raise ValueError("a line needs at least 2 positions")
    return _not_across(positions)


def _ring(positions: list[Position]) -> list[Position]:
    """RFC 7946, 3.1.6; the direction of winding is not judged, as the section asks of readers."""
    if len(positions) < 4:
        raise ValueError("a ring needs at least 4 positions, the last equal to the first")
    if positions[0] != positions[-1]:
        raise ValueError("a ring must end where it begins: repeat its first position at its end")
    return _not_across(positions)


def _not_across(positions: list[Position]) -> list[Position]:
    """RFC 7946, 3.1.9: what crosses the 180th meridian is to be cut there.

    A step of more than half the world is a shape that was not cut. From edge to edge it may go: so
    runs the side of a shape that spans the world.
    """
    for (lon_a, lat_a), (lon_b, lat_b) in pairwise(positions):
        if abs(lon_a - lon_b) > 180 and not abs(lon_a) == abs(lon_b) == 180:
            raise ValueError(
                f"steps from longitude {lon_a:g} to {lon_b:g} (at latitude {lat_a:g} to "
                f"{lat_b:g}): cut the shape in two at the 180th meridian (RFC 7946, 3.1.9)"
            )
    return positions


_Position = Annotated[Position, PlainValidator(_position)]
_Line = Annotated[list[_Position], AfterValidator(_line)]
_Ring = Annotated[list[_Position], AfterValidator(_ring)]


class _Object(BaseModel):
    """Foreign members are ignored (RFC 7946, 6.1)."""

    model_config = ConfigDict(strict=True, extra="ignore")


class Point(_Object):
    type: Literal["Point"]
    coordinates: _Position


class MultiPoint(_Object):
    type: Literal["MultiPoint"]
    coordinates: list[_Position]


class LineString(_Object):
    type: Literal["LineString"]
    coordinates: _Line


class MultiLineString(_Object):
    type: Literal["MultiLineString"]
    coordinates: list[_Line]


class Polygon(_Object):
    type: Literal["Polygon"]
    coordinates: list[_Ring]


class MultiPolygon(_Object):
    type: Literal["MultiPolygon"]
    coordinates: list[list[_Ring]]


class GeometryCollection(_Object):
    type: Literal["GeometryCollection"]
    geometries: list["_Geometry"]


_AnyGeometry = (
    Point | MultiPoint | LineString | MultiLineString | Polygon | MultiPolygon | GeometryCollection
)
_Geometry = Annotated[_AnyGeometry, Discriminator("type")]


class Feature(_Object):
    type: Literal["Feature"]
    geometry: _Geometry | None
    properties: dict[str, Any] | None


class FeatureCollection(_Object):
    type: Literal["FeatureCollection"]
    features: list[Feature]


GeometryCollection.model_rebuild()
_GEOMETRIES: Final = tuple(m.model_fields["type"].annotation for m in get_args(_AnyGeometry))
_TYPES: Final = ("FeatureCollection", "Feature", *(get_args(a)[0] for a in _GEOMETRIES))
FILE: Final[TypeAdapter[Any]] = TypeAdapter(
    Annotated[FeatureCollection | Feature | _AnyGeometry, Discriminator("type")]
)
"""A whole file: any object of GeoJSON."""


# -- faults in words -----------------------------------------------------------------------------

_WORDS: Final = {
    "missing": "is missing; it is required",
    "list_type": "must be a list",
    "dict_type": "must be an object",
    "model_type": "must be an object",
    "model_attributes_type": "must be an object",
    "union_tag_not_found": f"has no type; allowed: {', '.join(_TYPES)}",
}


def problems(error: ValidationError) -> list[str]:
    """Each fault as `place: what`, the first ten of them."""
    faults = error.errors(include_url=False, include_context=True)
    lines = [f"{_place(fault['loc'])}: {_what(fault)}" for fault in faults[:_TOLD]]
    if len(faults) > _TOLD:
        lines.append(f"file: {len(faults) - _TOLD} more faults of this sort")
    return lines


def _place(steps: tuple[int | str, ...]) -> str:
    """`features[3].geometry.coordinates[0][7]`, counted from 0 as in JSON."""
    text = ""
    for step in steps:
        if isinstance(step, int):
            text += f"[{step}]"
        elif step not in _TYPES:  # the branch of a union is no step in the file
            text += f".{step}" if text else step
    return text or "file"


def _what(fault: ErrorDetails) -> str:
    kind = fault["type"]
    if kind == "json_invalid":
        return f"is not JSON: {fault['ctx']['error']}"
    if kind == "union_tag_invalid":
        tag = str(fault["ctx"]["tag"])[:_SHOWN]
        return f"{tag!r} is no type of GeoJSON here; allowed: {', '.join(_TYPES)}"
    return _WORDS.get(kind) or str(fault["msg"]).removeprefix("Value error, ")
