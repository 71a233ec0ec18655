"""An invented land as GeoJSON (RFC 7946): the demo's ridges within a coast, under the map."""

import json
import math
from pathlib import Path
from typing import Any, Final

from streamer.demo.land import RIDGES, Place, to_degrees

_COAST_KM: Final = (72, 52)
_COAST_STEPS: Final = 72


def _at(place: Place) -> list[float]:
    lat, lon = to_degrees(place)
    return [round(lon, 5), round(lat, 5)]


def _coast() -> list[list[float]]:
    ring = []
    for step in range(_COAST_STEPS):
        angle = 2 * math.pi * step / _COAST_STEPS
        rough = 1 + 0.06 * math.sin(5 * angle) + 0.04 * math.cos(11 * angle)
        east, north = (km * rough for km in _COAST_KM)
        ring.append(_at(Place(east * math.cos(angle), north * math.sin(angle))))
    return [*ring, ring[0]]


def _feature(name: str, kind: str, coordinates: Any) -> dict[str, Any]:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"name": name}, "geometry": geometry}


def write_base_map(file: Path) -> Path:
    ridges = [
        _feature(f"Ridge {number}", "LineString", [_at(ridge.a), _at(ridge.b)])
        for number, ridge in enumerate(RIDGES, 1)
    ]
    features = [_feature("Far Isle", "Polygon", [_coast()]), *ridges]
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return file
