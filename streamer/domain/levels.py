"""The level of a signal from overs that were heard, where those too weak to be heard are missing.
Pure.

The model: in one cell, signals at a repeater scatter round a mean level (dB, normal); an over is
heard if its signal is above the threshold. So what was heard follows a normal distribution cut off
below, whose plain average is too high near the threshold. The mean is found as the most probable
one under that distribution and a normal prior; its uncertainty comes from the curvature there
(Laplace's approximation).
"""

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import cache
from typing import Final

_ROOT_2PI: Final = math.sqrt(2 * math.pi)
_ROOT_2: Final = math.sqrt(2.0)
_FAR: Final = 6.0  # beyond, the hazard's series is better than the quotient
_FARTHEST: Final = 8.0
_STEPS: Final = 20  # of the table, in each unit
_STEP_DB: Final = 15.0
_TURNS: Final = 25
_CLOSE_DB: Final = 0.005
_LEAST_WORTH: Final = 1e-4  # 1/dB2: less than a signal known to 100 dB


def phi(z: float) -> float:
    """The normal distribution function."""
    return 0.5 * math.erfc(-z / _ROOT_2)


def hazard(a: float) -> tuple[float, float]:
    """(mean, variance) of a standard normal variable that is known to lie above `a`, the mean of
    which is the hazard rate phi(a) / (1 - Phi(a))."""
    if a > _FAR:  # asymptotic series
        return a + 1 / a - 2 / a**3, 1 / a**2 - 6 / a**4
    rate = math.exp(-a * a / 2) / _ROOT_2PI / (0.5 * math.erfc(a / _ROOT_2))
    return rate, 1 + a * rate - rate * rate


@cache
def _table() -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Rising: minus how far what is left lies above a cut; and the cuts."""
    cuts = tuple(step / _STEPS for step in range(-8 * _STEPS, int(_FAR) * _STEPS + 1))
    return tuple(cut - hazard(cut)[0] for cut in cuts), cuts


def cut_at(above: float) -> float:
    """Where a standard normal distribution is cut off below if what is left lies `above` the cut on
    average: the inverse of `hazard(a)[0] - a`, between -8 and 6, good to 0.001."""
    depths, cuts = _table()
    right = min(max(bisect_left(depths, -above), 1), len(cuts) - 1)
    share = (-above - depths[right - 1]) / (depths[right] - depths[right - 1])
    return cuts[right - 1] + min(max(share, 0.0), 1.0) / _STEPS


@dataclass(frozen=True, slots=True)
class Signal:
    """What an over may come in with: normal, by what is known of its mean and of its scatter."""

    mean_dbm: float
    spread_db: float

    def above(self, dbm: float, below_dbm: float = math.inf) -> float:
        """The chance that it is above `dbm`, if it is known not to be above `below_dbm`."""
        if below_dbm == math.inf:
            return phi((self.mean_dbm - dbm) / self.spread_db)
        if below_dbm <= dbm:
            return 0.0
        # Further out both chances are too small to divide; what they come to changes little.
        mean = min(self.mean_dbm, below_dbm + _FARTHEST * self.spread_db)
        below = phi((below_dbm - mean) / self.spread_db)
        return 1 - phi((dbm - mean) / self.spread_db) / below


@dataclass(frozen=True, slots=True)
class Heard:
    """Overs of one cell: `signals` of them told a level, `mean_dbm` on average; `silent` did not,
    and say just that they were heard. Numbers of independent overs, so not whole."""

    signals: float
    mean_dbm: float
    silent: float


@dataclass(frozen=True, slots=True)
class Belief:
    """A mean level and its standard error. `told_dbm` with `told_var` is what the overs say by
    themselves, as one measurement; None where they say too little."""

    mean_dbm: float
    error_db: float
    told_dbm: float | None
    told_var: float


def believe(
    prior_dbm: float, prior_var: float, heard: Heard, scatter_db: float, threshold_dbm: float
) -> Belief:
    """The mean level of a cell. Newton's method: the posterior has one maximum (it is log-concave)
    and steps are bounded."""
    mean = prior_dbm
    worth = 0.0
    for _ in range(_TURNS):
        slope, worth = _evidence(mean, heard, scatter_db, threshold_dbm)
        step = (slope + (prior_dbm - mean) / prior_var) / (worth + 1 / prior_var)
        mean += min(max(step, -_STEP_DB), _STEP_DB)
        if abs(step) < _CLOSE_DB:
            break
    error = math.sqrt(1 / (worth + 1 / prior_var))
    if worth < _LEAST_WORTH:
        return Belief(mean, error, None, math.inf)
    return Belief(mean, error, mean + (mean - prior_dbm) / prior_var / worth, 1 / worth)


def _evidence(
    mean: float, heard: Heard, scatter_db: float, threshold_dbm: float
) -> tuple[float, float]:
    """Slope of the log-likelihood at a mean, and its curvature, sign turned."""
    a = (threshold_dbm - mean) / scatter_db
    rate, spread = hazard(a)
    var = scatter_db * scatter_db
    slope = heard.signals * ((heard.mean_dbm - mean) / var - rate / scatter_db)
    slope += heard.silent * rate / scatter_db
    return slope, (heard.signals * spread + heard.silent * (1 - spread)) / var
