"""Loss and horizon against what the recommendations say, from first principles."""

import itertools
import math

import pytest

from streamer.domain.propagation import (
    EFFECTIVE_EARTH_KM,
    GRAZING_DB,
    beyond_horizon_loss_db,
    free_space_loss_db,
    radio_horizon_km,
)


# COMPUTED from the formula of ITU-R P.525 (constant 32.4); no published worked value was found.
@pytest.mark.parametrize(
    ("freq_mhz", "distance_km", "loss_db"),
    [
        (145, 1, 75.6274),
        (145, 10, 95.6274),
        (438, 50, 119.2089),
        (439, 30, 114.7917),
        (1000, 1, 92.4000),
    ],
)
def test_free_space_loss_is_that_of_p525(
    freq_mhz: float, distance_km: float, loss_db: float
) -> None:
    assert free_space_loss_db(freq_mhz, distance_km) == pytest.approx(loss_db, abs=1e-3)


def test_free_space_loss_agrees_with_the_wave_length() -> None:
    """IEV 705-08-05: 20 log (4 pi d / lambda), c = 299 792 458 m/s (SI). The recommendation rounds
    32.4478 to 32.4, so 0.0478 dB is the whole difference."""
    for freq_mhz, distance_km in itertools.product((50, 146, 439, 1240), (0.5, 7, 90)):
        wave_m = 299_792_458 / (freq_mhz * 1e6)
        exact_db = 20 * math.log10(4 * math.pi * distance_km * 1000 / wave_m)
        assert exact_db - free_space_loss_db(freq_mhz, distance_km) == pytest.approx(
            0.0478, abs=1e-4
        )


def test_at_the_antenna_the_loss_stays_finite() -> None:
    assert free_space_loss_db(146, 0) == free_space_loss_db(146, 0.01)


def test_no_frequency_is_refused() -> None:
    with pytest.raises(ValueError, match="freq_mhz: must be above 0, but is 0"):
        free_space_loss_db(0, 1)


# The tangent from a height to a sphere of 4/3 * 6371 km, COMPUTED, in km; the usual form leaves out
# h^2 (4 m at a height of 1 km). The textbook form 4.12 sqrt(h) (from memory) gives 13.03, 22.57,
# 41.20, 71.36, 130.29.
HORIZONS = [(10, 13.0343), (30, 22.5761), (100, 41.2182), (300, 71.3925), (1000, 130.3470)]


@pytest.mark.parametrize(("height_m", "horizon_km"), HORIZONS)
def test_horizon_of_one_height(height_m: float, horizon_km: float) -> None:
    assert radio_horizon_km(height_m, 0) == pytest.approx(horizon_km, rel=4e-5)
    assert radio_horizon_km(0, height_m) == pytest.approx(4.12 * math.sqrt(height_m), rel=1e-3)


@pytest.mark.parametrize(("height_m", "_"), HORIZONS)
def test_horizon_against_the_exact_geometry(height_m: float, _: float) -> None:
    """The tangent from a height h to a sphere of radius R touches it at sqrt(h (2 R + h)), seen
    from its centre under acos(R / (R + h)): the usual form leaves h^2 out."""
    h_km = height_m / 1000
    tangent_km = math.sqrt(h_km * (2 * EFFECTIVE_EARTH_KM + h_km))
    arc_km = EFFECTIVE_EARTH_KM * math.acos(EFFECTIVE_EARTH_KM / (EFFECTIVE_EARTH_KM + h_km))
    assert radio_horizon_km(height_m, 0) == pytest.approx(tangent_km, rel=1e-4)
    assert radio_horizon_km(height_m, 0) == pytest.approx(arc_km, rel=1e-4)


def test_two_stations_see_each_other_over_both_horizons() -> None:
    assert radio_horizon_km(30, 100) == pytest.approx(22.5761 + 41.2182, abs=1e-3)
    assert radio_horizon_km(-5, 30) == radio_horizon_km(0, 30)


def test_effective_earth() -> None:
    """Texts of ITU-R round it to 8500 km."""
    assert round(EFFECTIVE_EARTH_KM, -2) == 8500


def test_the_earth_takes_its_part_beyond_the_horizon() -> None:
    """The slope against the first term of ITU-R P.526 for long ways (from memory): 17.6 X with
    X = 2.188 f^(1/3) a^(-2/3) d, a the effective radius in km."""
    assert beyond_horizon_loss_db(146, 0) == 0
    assert beyond_horizon_loss_db(146, -3) == 0
    for freq_mhz in (50, 146, 439):
        slope = 17.6 * 2.188 * freq_mhz ** (1 / 3) * EFFECTIVE_EARTH_KM ** (-2 / 3)
        loss_db = beyond_horizon_loss_db(freq_mhz, 10)
        assert loss_db - GRAZING_DB == pytest.approx(10 * slope, rel=2e-3)
