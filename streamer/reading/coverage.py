"""What a repeater was learned to hear, and where a station may be: maps as GeoJSON (RFC 7946).

Geometries are given as they are made; the tests hold them against an outside reader.
"""

from typing import Any, Final, Literal

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.domain.cells import geometry
from streamer.domain.coverage import Chance
from streamer.problems import suggestion
from streamer.reading.common import Desk, Document, NotFound
from streamer.reading.lookout import where_to_look_map
from streamer.reading.where import named, unknown
from streamer.state import lookups
from streamer.state.coverages import fresh_ms

MOST_CELLS: Final = 4000
"""Those of which most is known come first."""
COVERAGE_CAUTION: Final = (
    "Learned from what was heard. Where nobody ever keyed there is no cell, which does not mean "
    "that nobody would be heard there. A station with less power or a worse antenna than usual is "
    "heard less far."
)


class Geometry(Document):
    """Positions are [longitude, latitude] in degrees of WGS 84."""

    type: Literal["Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"]
    coordinates: list[Any]


class Feature(Document):
    type: Literal["Feature"] = "Feature"
    geometry: Geometry
    properties: dict[str, Any]


class LookMap(Document):
    """Each feature's property `kind`: `last position`, `repeater`, `heading`, `range`, or `may be
    in`, a cell with the `weight` (all add up to 1) and the `chance` that `repeater` hears it."""

    type: Literal["FeatureCollection"] = "FeatureCollection"
    features: tuple[Feature, ...]
    station: str
    at: Moment
    caution: str
    words: tuple[str, ...]


class CellProperties(Document):
    """`chance` (0 to 1) that an over from the cell is heard, `low` to `high` holds it nine times in
    ten; `level_dbm` the mean level; `overs` heard from it, older ones counted less."""

    kind: Literal["hears"] = "hears"
    cell: str
    chance: float | None
    low: float
    high: float
    level_dbm: float | None
    overs: float
    reason: str


class CellFeature(Document):
    type: Literal["Feature"] = "Feature"
    geometry: Geometry
    properties: CellProperties


class CoverageMap(Document):
    """The cells that the repeater heard stations in, at most 4000 of `known_cells`."""

    type: Literal["FeatureCollection"] = "FeatureCollection"
    features: tuple[CellFeature, ...]
    repeater: str
    at: Moment
    known_cells: int
    caution: str = COVERAGE_CAUTION


def look_map(desk: Desk, asked: str) -> LookMap:
    """Where to look for a station, whether or not somebody misses it; raises NotFound, saying why
    it is not known, and StoreUnavailable."""
    station, verdict = named(desk, asked)
    record = desk.store.station(station)
    if record is None:
        raise NotFound(str(unknown(desk, asked, station, verdict).problem))
    shapes = where_to_look_map(desk, record, lookups.sights(desk.store, desk.now_ms))
    return LookMap.model_validate({**shapes, "at": from_ms(desk.now_ms)})


def coverage_map(desk: Desk, repeater: str) -> CoverageMap:
    """Learned coverage; raises NotFound for a repeater of which nothing is learned and that the
    region file does not have, and StoreUnavailable."""
    as_of_ms = fresh_ms(desk.now_ms)
    found = list(desk.kept.coverages.of(desk.store, repeater, as_of_ms).cells())
    if not found and repeater not in desk.view.sites:
        known = suggestion(repeater, list(desk.view.sites))
        raise NotFound(f"no repeater {repeater!r} in the region file; {known}")
    found.sort(key=lambda pair: (-pair[1].overs, pair[0]))
    return CoverageMap(
        features=tuple(_cell(cell, chance) for cell, chance in found[:MOST_CELLS]),
        repeater=repeater,
        at=from_ms(as_of_ms),
        known_cells=len(found),
    )


def _cell(cell: str, chance: Chance) -> CellFeature:
    return CellFeature(
        geometry=Geometry.model_validate(geometry(cell)),
        properties=CellProperties(
            cell=cell,
            chance=None if chance.chance is None else round(chance.chance, 3),
            low=round(chance.low, 3),
            high=round(chance.high, 3),
            level_dbm=None if chance.level_dbm is None else round(chance.level_dbm, 1),
            overs=round(chance.overs, 1),
            reason=chance.reason,
        ),
    )
