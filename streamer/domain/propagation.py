"""How radio waves weaken between two antennas: the rules that learned coverage begins with and the
demo's land is built on. Pure."""

import math
from typing import Final

EFFECTIVE_EARTH_KM: Final = 6371.0 * 4 / 3
"""Refraction bends waves along the ground: 4/3 of the mean earth radius (ITU-R P.310, P.530)."""
NEAREST_KM: Final = 0.01
"""Nearer than this the far-field formula means nothing; such distances count as this."""
GRAZING_DB: Final = 6.0
"""An edge that just touches the line of sight (ITU-R P.526: knife edge, v = 0)."""


def free_space_loss_db(freq_mhz: float, distance_km: float) -> float:
    """ITU-R P.525: 32.4 + 20 log f + 20 log d. Raises ValueError for no frequency."""
    if freq_mhz <= 0:
        raise ValueError(f"freq_mhz: must be above 0, but is {freq_mhz:g}")
    return 32.4 + 20 * math.log10(freq_mhz) + 20 * math.log10(max(distance_km, NEAREST_KM))


def radio_horizon_km(a_m: float, b_m: float) -> float:
    """How far antennas at two heights (m, over smooth ground) see each other over a 4/3 earth: the
    sum of both horizons, sqrt(2 R h) each. Heights below 0 count as 0.

    Source: ITU-R P.2001 Attachment A.2, equation A.2.1 (the marginal line-of-sight distance).
    """
    reach = math.sqrt(2 * EFFECTIVE_EARTH_KM / 1000)
    return reach * (math.sqrt(max(a_m, 0.0)) + math.sqrt(max(b_m, 0.0)))


def beyond_horizon_loss_db(freq_mhz: float, beyond_km: float) -> float:
    """What the smooth earth takes in addition, `beyond_km` past the radio horizon; 0 before it.

    Grazing loss, then the slope of diffraction round a smooth 4/3 earth: 0.05751 dB for each unit
    of 1.607 f^(1/3) d (ITU-R P.528 Annex 2 section 10, after Vogler 1964).
    """
    if beyond_km <= 0:
        return 0.0
    return GRAZING_DB + 0.05751 * 1.607 * math.cbrt(freq_mhz) * beyond_km
