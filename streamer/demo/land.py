"""The land of the invented region and how radio waves cross it.

Places are kilometres east and north of the region's middle; `to_degrees` gives WGS 84. Pure
functions of their arguments: no clock, no chance, no I/O.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from streamer.domain.propagation import EFFECTIVE_EARTH_KM, free_space_loss_db

MIDDLE_LAT: Final = -46.5
MIDDLE_LON: Final = 21.0
_WGS84_A_KM: Final = 6378.137
_WGS84_E2: Final = 6.69437999014e-3
_SAMPLE_KM: Final = 0.6
_LIGHT_KM_S: Final = 299_792.458

# Invented, so that hills decide and not free space alone: a hand-held radio in a vehicle.
_TRANSMIT_DBM: Final = 37.0
_ANTENNAS_DB: Final = 2.0
_CLUTTER_DB: Final = 32.0
HEARD_DBM: Final = -116.0


@dataclass(frozen=True, slots=True)
class Place:
    """`x_km` east and `y_km` north of the region's middle."""

    x_km: float
    y_km: float

    def distance_km(self, other: "Place") -> float:
        return math.hypot(self.x_km - other.x_km, self.y_km - other.y_km)

    def towards(self, other: "Place", share: float) -> "Place":
        """The point at `share` (0 to 1) of the way to another place."""
        return Place(
            self.x_km + share * (other.x_km - self.x_km),
            self.y_km + share * (other.y_km - self.y_km),
        )


def _radii_km(lat: float) -> tuple[float, float]:
    """Radius of curvature in the meridian, and of the circle of latitude."""
    s2 = math.sin(math.radians(lat)) ** 2
    meridian = _WGS84_A_KM * (1 - _WGS84_E2) / (1 - _WGS84_E2 * s2) ** 1.5
    parallel = _WGS84_A_KM / math.sqrt(1 - _WGS84_E2 * s2) * math.cos(math.radians(lat))
    return meridian, parallel


def to_degrees(place: Place) -> tuple[float, float]:
    """(lat, lon) in degrees; good to 1 % of a distance within the region."""
    lat = MIDDLE_LAT + math.degrees(place.y_km / _radii_km(MIDDLE_LAT)[0])
    return lat, MIDDLE_LON + math.degrees(place.x_km / _radii_km(lat)[1])


def from_degrees(lat: float, lon: float) -> Place:
    """The inverse of `to_degrees`."""
    y_km = math.radians(lat - MIDDLE_LAT) * _radii_km(MIDDLE_LAT)[0]
    return Place(math.radians(lon - MIDDLE_LON) * _radii_km(lat)[1], y_km)


@dataclass(frozen=True, slots=True)
class Ridge:
    """A long hill from `a` to `b`, `height_m` at its crest, falling off over `width_km`."""

    a: Place
    b: Place
    height_m: float
    width_km: float

    def height_at(self, x_km: float, y_km: float) -> float:
        dx, dy = self.b.x_km - self.a.x_km, self.b.y_km - self.a.y_km
        along = ((x_km - self.a.x_km) * dx + (y_km - self.a.y_km) * dy) / (dx * dx + dy * dy)
        along = min(1.0, max(0.0, along))
        off2 = (x_km - self.a.x_km - along * dx) ** 2 + (y_km - self.a.y_km - along * dy) ** 2
        return self.height_m * math.exp(-off2 / self.width_km**2)


# The east wall hides the dead shore; the next two close the southwest basin.
RIDGES: Final = (
    Ridge(Place(57, -42), Place(57, 34), height_m=820, width_km=2.5),
    Ridge(Place(-62, -9), Place(-30, -11), height_m=640, width_km=3.0),
    Ridge(Place(-30, -11), Place(-31, -44), height_m=700, width_km=3.0),
    Ridge(Place(-46, 18), Place(-22, 21), height_m=360, width_km=3.5),
    Ridge(Place(8, 18), Place(40, 20), height_m=380, width_km=3.5),
    Ridge(Place(-8, -4), Place(34, -10), height_m=330, width_km=3.0),
    Ridge(Place(8, -20), Place(6, -40), height_m=300, width_km=3.0),
)


@dataclass(frozen=True, slots=True)
class Land:
    """Height above the sea, in metres."""

    ridges: Sequence[Ridge] = RIDGES

    def height_m(self, place: Place) -> float:
        return self._height_m(place.x_km, place.y_km)

    def _height_m(self, x_km: float, y_km: float) -> float:
        return sum(ridge.height_at(x_km, y_km) for ridge in self.ridges)

    def knife_edge(self, a: Place, a_m: float, b: Place, b_m: float, freq_mhz: float) -> float:
        """The largest diffraction parameter v (ITU-R P.526) along the way; negative: clear.

        `a_m` and `b_m` are antenna heights above the ground in metres.
        """
        total_km = a.distance_km(b)
        steps = max(2, math.ceil(total_km / _SAMPLE_KM))
        top_a, top_b = self.height_m(a) + a_m, self.height_m(b) + b_m
        wave_m = _LIGHT_KM_S / freq_mhz / 1000
        worst = -math.inf
        for step in range(1, steps):
            share = step / steps
            near_km, far_km = share * total_km, (1 - share) * total_km
            ground_m = self._height_m(
                a.x_km + share * (b.x_km - a.x_km), a.y_km + share * (b.y_km - a.y_km)
            )
            bulge_m = near_km * far_km / (2 * EFFECTIVE_EARTH_KM) * 1000
            above_m = ground_m + bulge_m - (top_a + share * (top_b - top_a))
            scale = math.sqrt(2 / wave_m * (1 / near_km + 1 / far_km) / 1000)
            worst = max(worst, above_m * scale)
        return worst

    def sees(self, a: Place, a_m: float, b: Place, b_m: float) -> bool:
        """Whether the straight line over the 4/3 earth is free of ground."""
        return self.knife_edge(a, a_m, b, b_m, 100.0) <= 0


def knife_edge_loss_db(v: float) -> float:
    """ITU-R P.526, the usual approximation for v > -0.78; nothing below."""
    if v <= -0.78:
        return 0.0
    return 6.9 + 20 * math.log10(math.sqrt((v - 0.1) ** 2 + 1) + v - 0.1)


def received_dbm(land: Land, at: Place, site: Place, mast_m: float, freq_mhz: float) -> float:
    """The level at a repeater's receiver of a hand-held at `at`, 2 m above the ground."""
    v = land.knife_edge(site, mast_m, at, 2.0, freq_mhz)
    loss_db = free_space_loss_db(freq_mhz, at.distance_km(site)) + knife_edge_loss_db(v)
    return _TRANSMIT_DBM + _ANTENNAS_DB - _CLUTTER_DB - loss_db


def bit_errors_pct(rssi_dbm: float) -> float:
    """A smooth invented curve: 50 % in the noise, a few in the fringe, nothing when strong."""
    return 50 / (1 + math.exp((rssi_dbm + 119) / 1.8))
