"""The level behind overs of which the weak ones are missing, against scipy."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, truncnorm

from streamer.domain.levels import Belief, Heard, believe, cut_at, hazard, phi


@pytest.mark.parametrize("a", [-9, -3, -1, 0, 0.5, 2, 4, 5.9, 6.1, 8, 12])
def test_a_normal_distribution_cut_off_below(a: float) -> None:
    """Source: scipy.stats.truncnorm."""
    mean, var = hazard(a)
    assert mean == pytest.approx(truncnorm.mean(a, math.inf), rel=2e-3)
    assert var == pytest.approx(truncnorm.var(a, math.inf), rel=0.06, abs=1e-9)


@given(st.floats(-40, 40))
def test_normal_distribution_function(z: float) -> None:
    """Source: scipy.stats.norm."""
    assert phi(z) == pytest.approx(norm.cdf(z), abs=1e-12)


@pytest.mark.parametrize("a", [-7.99, -5, -2.03, 0, 0.011, 1.474, 3.125, 5.97])
def test_the_cut_is_found_from_the_mean(a: float) -> None:
    assert cut_at(truncnorm.mean(a, math.inf) - a) == pytest.approx(a, abs=1e-3)


def test_cuts_beyond_the_table_are_its_ends() -> None:
    assert (cut_at(0.0), cut_at(1000.0)) == (6.0, -8.0)


def slowly(prior: float, var: float, heard: Heard, scatter: float, threshold: float) -> float:
    """The most probable mean by trying all of them; densities by scipy."""

    def log_posterior(mean: float) -> float:
        above = norm.logsf((threshold - mean) / scatter)
        fit = norm.logpdf(heard.mean_dbm, mean, scatter) - above
        return float(
            heard.signals * fit + heard.silent * above + norm.logpdf(mean, prior, math.sqrt(var))
        )

    return max((prior + step * 0.05 for step in range(-1200, 1200)), key=log_posterior)


@pytest.mark.parametrize(
    ("prior", "heard"),
    [
        (-100, Heard(5, -90, 0)),
        (-100, Heard(5, -114, 0)),
        (-130, Heard(2, -113, 0)),
        (-130, Heard(0, 0, 2)),
        (-110, Heard(0.3, -105, 1.5)),
        (-60, Heard(8, -112, 0)),
    ],
)
def test_the_most_probable_mean(prior: float, heard: Heard) -> None:
    found = believe(prior, 100.0, heard, 6.0, -116.0)
    assert found.mean_dbm == pytest.approx(slowly(prior, 100, heard, 6.0, -116.0), abs=0.06)


def test_well_above_the_threshold_it_is_the_weighted_average() -> None:
    """Two normal distributions multiplied (textbook): precisions add up."""
    found = believe(-80.0, 9.0, Heard(4, -70.0, 0), 6.0, -150.0)
    precision = 1 / 9 + 4 / 36
    assert found.mean_dbm == pytest.approx((-80 / 9 - 70 * 4 / 36) / precision, abs=1e-3)
    assert found.error_db == pytest.approx(math.sqrt(1 / precision), rel=1e-3)
    assert found.told_dbm == pytest.approx(-70, abs=1e-2)
    assert found.told_var == pytest.approx(9, rel=1e-3)


def test_nothing_heard_leaves_the_prior() -> None:
    assert believe(-80.0, 9.0, Heard(0, 0, 0), 6.0, -116.0) == Belief(-80, 3, None, math.inf)


def test_missing_weak_overs_are_made_up_for() -> None:
    """10 000 overs of a true mean of -118 dBm, cut off at -116: their plain average is 6 dB off."""
    rng = random.Random(7)
    heard = [y for y in (rng.gauss(-118, 6) for _ in range(10_000)) if y > -116]
    average = sum(heard) / len(heard)
    assert average > -113
    found = believe(-100.0, 400.0, Heard(len(heard), average, 0), 6.0, -116.0)
    assert found.mean_dbm == pytest.approx(-118, abs=0.6)


def test_overs_without_a_level_say_that_it_is_above() -> None:
    before = believe(-125.0, 100.0, Heard(0, 0, 0), 6.0, -116.0)
    after = believe(-125.0, 100.0, Heard(0, 0, 2), 6.0, -116.0)
    assert after.mean_dbm > before.mean_dbm + 3
    assert after.error_db < before.error_db
