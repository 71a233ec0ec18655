"""The base layer of the map: an optional GeoJSON file (RFC 7946), checked and made ready once.

Whatever the file holds becomes a flat list of shapes, each an area, a line or points, in degrees
of WGS 84. The browser projects and draws them; nothing is fetched from anywhere.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final, Literal, get_args

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ValidationError

from streamer.board import geojson
from streamer.board.geojson import Position
from streamer.config import ConfigError

MAX_FILE_BYTES: Final = 16 * 1024 * 1024
MAX_POSITIONS: Final = 100_000
"""More would make panning slow on a phone; 100,000 positions are about 2 MB on the wire."""
PLACES: Final = 5
"""Decimals kept of a degree: 1e-5 is 1.1 m on the ground, less than a line is wide."""
_NAME_LENGTH: Final = 80

DrawKind = Literal[
    "water", "river", "land", "wood", "built", "road", "rail", "border", "height", "place", "other"
]
"""How a shape is drawn, taken from its property `kind`; an unknown one is drawn as `other`."""
_KINDS: Final = frozenset(get_args(DrawKind))


# -- what is served ------------------------------------------------------------------------------


class Shape(BaseModel):
    """One thing to draw. Positions are [longitude, latitude] in degrees.

    `area`: parts are closed rings, filled by the even-odd rule. `line`: parts are lines. `points`:
    one part that holds the points.
    """

    form: Literal["area", "line", "points"]
    kind: DrawKind
    name: str | None = None
    parts: list[list[tuple[float, float]]]


class BaseLayer(BaseModel):
    """All shapes of the file, in its order: the first is drawn first."""

    shapes: list[Shape] = []


@dataclass(frozen=True)
class PreparedBaseLayer:
    """The layer with its JSON, written once."""

    layer: BaseLayer

    @cached_property
    def body(self) -> bytes:
        return self.layer.model_dump_json(exclude_none=True).encode()

    @cached_property
    def etag(self) -> str:
        return f'"{hashlib.sha256(self.body).hexdigest()[:32]}"'


NO_BASE_LAYER: Final = PreparedBaseLayer(BaseLayer())

router = APIRouter()


@router.get(
    "/api/v1/base-layer",
    response_model=BaseLayer,
    responses={304: {"description": "The layer is the one that If-None-Match names."}},
    tags=["map"],
)
def base_layer(request: Request) -> Response:
    """The shapes that the map draws beneath the network; an empty list if no file is given.

    Whoever includes the router demands the role; `app.state.base_layer` holds a
    `PreparedBaseLayer`.
    """
    prepared: PreparedBaseLayer = request.app.state.base_layer
    headers = {"ETag": prepared.etag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == prepared.etag:
        return Response(status_code=304, headers=headers)
    return Response(prepared.body, media_type="application/json", headers=headers)


class _Crs(BaseModel):
    """The old member that RFC 7946, 4 did away with; it may tell of another reference system."""

    crs: Any = None


# -- reading -------------------------------------------------------------------------------------


def load_base_layer(path: Path) -> PreparedBaseLayer:
    """Read and check the file. Raises ConfigError: what is wrong, where in it, what to do."""
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise ConfigError(path, [f"cannot be read: {error.strerror}"]) from None
    if len(content) > MAX_FILE_BYTES:
        raise ConfigError(
            path,
            [f"is larger than {MAX_FILE_BYTES} bytes: cut it to the region, or simplify its lines"],
        )
    try:
        return prepare(content)
    except ValidationError as error:
        raise ConfigError(path, geojson.problems(error)) from None
    except ValueError as error:
        raise ConfigError(path, [str(error)]) from None


def prepare(content: bytes) -> PreparedBaseLayer:
    """The content of a GeoJSON file made ready; raises ValidationError or ValueError."""
    content = content.removeprefix(b"\xef\xbb\xbf")
    document = geojson.FILE.validate_json(content)
    _check_reference_system(content)
    layer = BaseLayer(shapes=list(_shapes(document)))
    positions = sum(len(part) for shape in layer.shapes for part in shape.parts)
    if positions > MAX_POSITIONS:
        raise ValueError(
            f"holds {positions} positions, the map draws {MAX_POSITIONS} at most: cut it to the "
            "region, or simplify its lines"
        )
    return PreparedBaseLayer(layer)


def _check_reference_system(content: bytes) -> None:
    crs = _Crs.model_validate_json(content).crs
    if crs is not None and not any(known in str(crs) for known in ("CRS84", "4326")):
        raise ValueError(
            f"crs: names another reference system ({str(crs)[:_NAME_LENGTH]}); GeoJSON is in "
            "WGS 84 (RFC 7946, 4): convert the file to EPSG:4326"
        )


def _shapes(document: Any) -> Iterator[Shape]:
    if isinstance(document, geojson.FeatureCollection):
        for feature in document.features:
            yield from _shapes(feature)
    elif isinstance(document, geojson.Feature):
        if document.geometry is not None:  # RFC 7946, 3.2: a feature without a place
            yield from _shapes_of(document.geometry, document.properties or {})
    else:
        yield from _shapes_of(document, {})


def _shapes_of(geometry: Any, properties: dict[str, Any]) -> Iterator[Shape]:
    """A geometry's shapes; an empty one has none."""
    if isinstance(geometry, geojson.GeometryCollection):
        for inner in geometry.geometries:
            yield from _shapes_of(inner, properties)
        return
    form, parts = _form_and_parts(geometry)
    thinned = [thin for part in parts if len(thin := _thinned(part, form)) >= _LEAST[form]]
    if thinned:
        kind, name = properties.get("kind"), properties.get("name")
        yield Shape(form=form, kind=_draw_kind(kind), name=_name(name), parts=thinned)


_Form = Literal["area", "line", "points"]
_LEAST: Final[dict[_Form, int]] = {"area": 4, "line": 2, "points": 1}
"""What shrinks below this by rounding is too small to be seen."""


def _form_and_parts(geometry: Any) -> tuple[_Form, Sequence[Sequence[Position]]]:
    match geometry:
        case geojson.Point():
            return "points", [[geometry.coordinates]]
        case geojson.MultiPoint():
            return "points", [geometry.coordinates]
        case geojson.LineString():
            return "line", [geometry.coordinates]
        case geojson.MultiLineString():
            return "line", geometry.coordinates
        case geojson.Polygon():
            return "area", geometry.coordinates
        case _:
            return "area", [ring for polygon in geometry.coordinates for ring in polygon]


def _thinned(part: Sequence[Position], form: _Form) -> list[Position]:
    """Rounded; in lines and rings, what then repeats the position before it is left out."""
    thin: list[Position] = []
    for lon, lat in part:
        position = (round(lon, PLACES), round(lat, PLACES))
        if form == "points" or not thin or position != thin[-1]:
            thin.append(position)
    return thin


def _draw_kind(kind: object) -> DrawKind:
    word = kind.strip().lower() if isinstance(kind, str) else ""
    return word if word in _KINDS else "other"  # type: ignore[return-value]


def _name(name: object) -> str | None:
    if not isinstance(name, str):
        return None
    return "".join(c for c in " ".join(name.split()) if c.isprintable())[:_NAME_LENGTH] or None
