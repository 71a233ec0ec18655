"""`whereabouts` as GeoJSON (RFC 7946). Pure."""

from typing import Any, Final

from streamer.clock import from_ms
from streamer.domain.cells import geometry
from streamer.domain.leaving import ahead
from streamer.domain.whereabouts import Whereabouts

_CORNERS: Final = 64
GeoJson = dict[str, Any]


def as_geojson(where: Whereabouts) -> GeoJson:
    """A FeatureCollection: what is known as `Point` and `LineString`, then the cells it may be in,
    the likeliest first. Each feature's `kind` says what it is: `last position`, `repeater`,
    `heading`, `may be in`, `range`. The caution and the sentences are foreign members."""
    return {
        "type": "FeatureCollection",
        "features": [*_known(where), *_cells(where)],
        "station": where.station,
        "at": from_ms(where.now_ms).isoformat(),
        "caution": where.caution,
        "words": list(where.words),
    }


def _feature(kind: str, geometry_: GeoJson, **properties: object) -> GeoJson:
    return {
        "type": "Feature",
        "geometry": geometry_,
        "properties": {"kind": kind, **properties},
    }


def _known(where: Whereabouts) -> list[GeoJson]:
    found = []
    if where.fix is not None:
        fix = where.fix
        found.append(
            _feature(
                "last position",
                _point(fix.lat, fix.lon),
                station=where.station,
                at=from_ms(fix.at_ms).isoformat(),
                age_s=round(max(0, where.now_ms - fix.at_ms) / 1000),
                speed_mps=fix.speed_mps,
                course_deg=fix.course_deg,
            )
        )
    if where.fix is not None and where.centre not in (None, (where.fix.lat, where.fix.lon)):
        found.append(_heading((where.fix.lat, where.fix.lon), where.centre or (0.0, 0.0)))
    if where.repeater_at is not None:
        found.append(
            _feature("repeater", _point(*where.repeater_at), repeater=where.place.repeater)
        )
    if where.repeater_at is not None and where.ring_km is not None:
        found.append(_ring(where.repeater_at, where.ring_km, where.place.repeater))
    return found


def _point(lat: float, lon: float) -> GeoJson:
    return {"type": "Point", "coordinates": [lon, lat]}


def _heading(start: tuple[float, float], end: tuple[float, float]) -> GeoJson:
    """From the last position to where it should be; cut at the 180th meridian (RFC 7946, 3.1.9)."""
    (lat1, lon1), (lat2, lon2) = start, end
    if abs(lon2 - lon1) <= 180:
        line = [[lon1, lat1], [lon2, lat2]]
        return _feature("heading", {"type": "LineString", "coordinates": line})
    side = 180.0 if lon1 > 0 else -180.0
    share = (side - lon1) / (lon2 + 2 * side - lon1)
    lat = lat1 + share * (lat2 - lat1)
    lines = [[[lon1, lat1], [side, lat]], [[-side, lat], [lon2, lat2]]]
    return _feature("heading", {"type": "MultiLineString", "coordinates": lines})


def _ring(middle: tuple[float, float], km: float, repeater: str) -> GeoJson:
    """Round a repeater, counter-clockwise. Not cut at the 180th meridian: longitudes go on past it,
    which maps draw rightly."""
    corners = []
    for corner in range(_CORNERS):
        lat, lon = ahead(*middle, -360.0 * corner / _CORNERS, km * 1000)
        turns = round((lon - middle[1]) / 360)
        corners.append([lon - 360 * turns, lat])
    shape = {"type": "Polygon", "coordinates": [[*corners, corners[0]]]}
    return _feature("range", shape, repeater=repeater, range_km=km)


def _cells(where: Whereabouts) -> list[GeoJson]:
    return [
        _feature(
            "may be in",
            geometry(possible.cell),
            cell=possible.cell,
            weight=round(possible.weight, 5),
            chance=round(possible.chance, 3),
            repeater=possible.repeater,
        )
        for possible in where.cells
    ]
