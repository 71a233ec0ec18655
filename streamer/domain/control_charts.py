"""Control charts: the tabular CUSUM (Page 1954, Biometrika 41) and the EWMA (Roberts 1959,
Technometrics 1), in the forms of the NIST/SEMATECH e-Handbook, 6.3.2.3 and 6.3.2.4. Pure.

A CUSUM adds up what exceeds its allowance and never falls below 0: it finds a small lasting shift
soon. An EWMA weighs newer values more: it says how large the shift is now.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cusum:
    """Both sides of a tabular CUSUM after a value; in the unit of the values, never negative."""

    high: float = 0.0
    low: float = 0.0

    def beyond(self, interval: float) -> bool:
        """Whether either side is beyond the decision interval, called H."""
        return self.high > interval or self.low > interval


def cusum_step(total: float, excess: float) -> float:
    """One side after one more observation that exceeds its allowance by `excess`."""
    return max(0.0, total + excess)


def one_sided(excesses: Iterable[float]) -> list[float]:
    """One side after each observation, from 0. With increments of the log-likelihood ratio as the
    excesses this is Page's test of a change of law."""
    totals = []
    total = 0.0
    for excess in excesses:
        total = cusum_step(total, excess)
        totals.append(total)
    return totals


def tabular_step(before: Cusum, value: float, target: float, allowance: float) -> Cusum:
    """Both sides after one more value. The allowance, called K, is usually half of the shift to be
    found."""
    return Cusum(
        cusum_step(before.high, value - target - allowance),
        cusum_step(before.low, target - allowance - value),
    )


def tabular(values: Iterable[float], target: float, allowance: float) -> list[Cusum]:
    """Both sides after each of the values, from 0."""
    charts = []
    chart = Cusum()
    for value in values:
        chart = tabular_step(chart, value, target, allowance)
        charts.append(chart)
    return charts


def ewma_step(before: float, value: float, weight: float) -> float:
    """The average after one more value, of which `weight` (lambda, 0 to 1) is taken."""
    return before + weight * (value - before)


def ewma(values: Iterable[float], start: float, weight: float) -> list[float]:
    """The average after each of the values; `start` is usually the target.

    Raises ValueError if the weight is not above 0 and at most 1.
    """
    _check(weight)
    averages = []
    average = start
    for value in values:
        average = ewma_step(average, value, weight)
        averages.append(average)
    return averages


def ewma_limits(
    target: float, sigma: float, weight: float, width: float, values: int | None = None
) -> tuple[float, float]:
    """The lower and the upper control limit, `width` standard deviations of the average apart from
    the target; `sigma` is that of one value.

    Exact after so many `values`; None: the limit they come close to. Raises ValueError if the
    weight is not above 0 and at most 1, or `values` is below 1.
    """
    _check(weight)
    if values is not None and values < 1:
        raise ValueError(f"values must be at least 1, but is {values}")
    settled = 1.0 if values is None else 1.0 - (1.0 - weight) ** (2 * values)
    half = width * sigma * math.sqrt(weight / (2.0 - weight) * settled)
    return target - half, target + half


def _check(weight: float) -> None:
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"weight must be above 0 and at most 1, but is {weight:g}")
