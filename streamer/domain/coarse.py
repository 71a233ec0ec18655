"""Positions made coarse, so that a report can say about where somebody was and no more. Pure.

Latitude is cut into bands of equal height, each band into cells of equal width, as many as it takes
for none to be higher or wider than asked for. A position becomes the middle of its cell: the same
for all who are in the cell, and what has been made coarse stays as it is. Positions must not be
made coarse by adding chance: the middle of many such would give the place away.
"""

import math
from typing import Final

LEAST_KM: Final = 0.1
MOST_KM: Final = 500.0
# WGS 84 (NGA.STND.0036, table 3.1): half the longer axis, and the flattening.
_AXIS_KM: Final = 6378.137
_ECCENTRICITY2: Final = (2 - 1 / 298.257223563) / 298.257223563
_MERIDIAN_DEGREE_KM: Final = math.radians(_AXIS_KM / math.sqrt(1 - _ECCENTRICITY2))
"""A degree of latitude where it is longest, at a pole."""
_ROUNDED: Final = 6
_SPARE: Final = 0.998
"""A cell is so much smaller than asked for, for what is lost by rounding (8 cm)."""


def coarse(lat: float, lon: float, km: float) -> tuple[float, float]:
    """The middle (lat, lon) of the cell, at most `km` high and wide, that a position lies in.

    Degrees on WGS 84, six decimals; never further than km / sqrt(2) from the position. Raises
    ValueError for what is no position, or `km` outside LEAST_KM to MOST_KM.
    """
    if not -90 <= lat <= 90 or not -180 <= lon <= 180:
        raise ValueError(f"no position in degrees: {lat}, {lon}")
    if not LEAST_KM <= km <= MOST_KM:
        raise ValueError(f"a cell must be {LEAST_KM:g} to {MOST_KM:g} km wide, not {km:g}")
    bands = math.ceil(180 * _MERIDIAN_DEGREE_KM / (km * _SPARE))
    height = 180 / bands
    band = min(int((lat + 90) / height), bands - 1)
    south = band * height - 90
    columns = math.ceil(_longest_parallel_km(south, south + height) / (km * _SPARE))
    width = 360 / columns
    column = int((lon + 180) / width) % columns  # 180 is -180
    middle = south + height / 2, column * width + width / 2 - 180
    return round(middle[0], _ROUNDED), round(middle[1], _ROUNDED)


def _longest_parallel_km(south: float, north: float) -> float:
    """The length of the longest circle of latitude between two."""
    nearest = 0.0 if south <= 0 <= north else min(abs(south), abs(north))
    sine = math.sin(math.radians(nearest))
    across = _AXIS_KM / math.sqrt(1 - _ECCENTRICITY2 * sine * sine)
    return 2 * math.pi * across * math.cos(math.radians(nearest))
