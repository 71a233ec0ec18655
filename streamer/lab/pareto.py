"""Which settings are not beaten by another, and which one to take. Pure.

A point beats another where it is no worse in anything and better in something (Pareto).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

PRICE_MISSED_S: Final = 30.0
"""Seconds of wasted air-time that one missed over is worth: assumed, no source. Say yours."""
PRICE_FALSE_S: Final = 600.0
"""Seconds of wasted air-time that one false alert is worth: assumed, no source."""


@dataclass(frozen=True, slots=True)
class Point:
    """The less of each, the better. `alerts` are the false ones where the truth is known, else 0:
    that fewer are raised is not better in itself."""

    wasted_s: float
    missed: int
    alerts: int


@dataclass(frozen=True, slots=True)
class Prices:
    """What a missed over and a false alert are worth in seconds of wasted air-time."""

    missed_s: float = PRICE_MISSED_S
    false_s: float = PRICE_FALSE_S

    def cost_s(self, point: Point, *, truth: bool) -> float:
        """Alerts count only where it is known which were false: fewer need not be better."""
        alerts_s = self.false_s * point.alerts if truth else 0.0
        return point.wasted_s + self.missed_s * point.missed + alerts_s


def beats(a: Point, b: Point) -> bool:
    """Whether `a` is no worse than `b` in anything, and better in something."""
    pairs = ((a.wasted_s, b.wasted_s), (a.missed, b.missed), (a.alerts, b.alerts))
    return all(x <= y for x, y in pairs) and any(x < y for x, y in pairs)


def front(points: Sequence[Point]) -> list[int]:
    """The numbers of those that no other beats, in their order; of equal ones all."""
    return [n for n, point in enumerate(points) if not any(beats(other, point) for other in points)]


@dataclass(frozen=True, slots=True)
class Choice:
    """The number of the point to take, and why; 0 is the setting as it is."""

    number: int
    reason: str


def choose(points: Sequence[Point], prices: Prices, *, truth: bool) -> Choice:
    """Of points whose first is the setting as it is: one of the front with fewer missed overs and
    no more waste (and, where the truth is known, no more false alerts); where there is none, the
    cheapest by the prices. Of equal ones the first."""
    own = points[0]
    better = [
        n
        for n in front(points)
        if points[n].missed < own.missed
        and points[n].wasted_s <= own.wasted_s
        and (not truth or points[n].alerts <= own.alerts)
    ]
    if better:
        number = min(better, key=lambda n: (points[n].missed, points[n].wasted_s, n))
        return Choice(number, "fewer overs missed, and no more air-time wasted")
    costs = [prices.cost_s(point, truth=truth) for point in points]
    number = min(range(len(points)), key=lambda n: (costs[n], n))
    price = f"at {prices.missed_s:g} s of wasted air-time for a missed over"
    if truth:
        price += f" and {prices.false_s:g} s for a false alert"
    if number == 0:
        return Choice(0, f"nothing compared costs less {price}")
    return Choice(number, f"costs least {price}: {costs[number]:.0f} s, now {costs[0]:.0f} s")
