"""How unusual a silence is for the one who is silent: the law of its own pauses. Pure.

After Hayashibara, Defago, Yared and Katayama, "The phi accrual failure detector" (SRDS 2004): phi
is -log10 of the chance that somebody who is there stays silent so long, from the mean and the
spread of its earlier pauses. Theirs are heartbeats and near enough normal. Pauses between overs are
not: most are short, some are long. Their cube roots are (Wilson and Hilferty 1931, of gamma
variates, and so of the pauses of somebody who keys at random), and a beacon's stay regular. So the
paper's formula is used on cube roots.
"""

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass
from itertools import accumulate, pairwise
from statistics import NormalDist
from typing import Final

from streamer.domain.model import Presence

MOST_PHI: Final = 30.0
"""Beyond it the tail of the normal distribution says nothing about people."""
_NORMAL: Final = NormalDist()
RANDOM_CV: Final = 0.3634
"""Spread to mean of the cube roots of exponential pauses: Gamma(4/3), Gamma(5/3)."""
LEAST_CV: Final = 0.08
"""No law is taken to be more regular: a beacon is lost now and then, and grains are coarse."""
PRIOR_PAUSES: Final = 6.0
"""What the group is worth beside the member's own pauses."""
SAME_HOURS: Final = 3.0
OTHER_HOURS_WEIGHT: Final = 0.4
"""Pauses at another time of day count less: people sleep and work."""
NEWER_WEIGHT: Final = 0.985
"""Each pause counts so much of the next newer one."""
BASE_PAUSES: Final = 4.0
ENOUGH_PAUSES: Final = 3
POLICY_MEMBERS: Final = 2.0
"""What the policy is worth beside the members of a group."""
PRIOR_TURNS: Final = 3.0
MOST_TURNS: Final = 8.0
SLOWEST: Final = 12.0
FULL_PRESENCE: Final = 64
"""How many grains the state keeps (streamer.state.keys); a test holds them equal."""


def phi_of(silence: float, mean: float, spread: float) -> float:
    """-log10 of the chance of a value above `silence` under a normal law, as in the paper; exact by
    the complementary error function, no more than MOST_PHI."""
    tail = 0.5 * math.erfc((silence - mean) / (spread * math.sqrt(2)))
    return min(MOST_PHI, -math.log10(tail)) if tail > 0 else MOST_PHI


def value_at(phi: float, mean: float, spread: float) -> float:
    """The inverse of `phi_of` for phi below MOST_PHI."""
    return mean - spread * _NORMAL.inv_cdf(10**-phi)


@dataclass(frozen=True, slots=True)
class Law:
    """Of cube roots of pauses in seconds."""

    mean: float
    spread: float

    def phi(self, silence_s: float) -> float:
        """How unusual a silence is, in decades."""
        return phi_of(math.cbrt(max(0.0, silence_s)), self.mean, self.spread)

    def silence_s(self, phi: float) -> float:
        """How long a silence is as unusual as that."""
        return max(0.0, value_at(phi, self.mean, self.spread)) ** 3

    @property
    def usual_s(self) -> float:
        """Half of the pauses are shorter."""
        return float(max(0.0, self.mean) ** 3)

    @property
    def regularity(self) -> float:
        """0 for one who keys at random, towards 1 for a beacon."""
        return max(0.0, 1 - self.spread / self.mean / RANDOM_CV)


class OwnLaw:
    """What a member's own pauses and the law drawn from them say together.

    The chance of a longer pause is the share of its own that were longer, the law counting as
    BASE_PAUSES more: the mean of a Dirichlet process over its base measure (Ferguson 1973). So a
    beacon's missing turn counts though a smooth law would allow for it, and a few long pauses of
    earlier count though the law would not.
    """

    def __init__(self, base: Law, pauses: Sequence[tuple[float, float]] = ()) -> None:
        """`pauses` are (seconds, weight)."""
        self.base = base
        pairs = sorted(pauses)
        self._lengths_s = [length for length, _ in pairs]
        weights = [weight for _, weight in reversed(pairs)]
        self._longer = [*reversed(list(accumulate(weights))), 0.0]
        self.pauses = self._longer[0]

    def on(self, base: Law) -> "OwnLaw":
        """Of the same pauses, with another law drawn from them."""
        found = copy(self)
        found.base = base
        return found

    def phi(self, silence_s: float, slower: float = 1.0) -> float:
        """How unusual a silence is, in decades, for one who keys `slower` times as seldom."""
        silence_s /= slower
        longer = self._longer[bisect_left(self._lengths_s, silence_s)]
        chance = 10 ** -self.base.phi(silence_s)
        share = (longer + BASE_PAUSES * chance) / (self.pauses + BASE_PAUSES)
        return -math.log10(max(share, 10**-MOST_PHI))


def prior_law(phi: float, silence_s: float) -> Law:
    """Of one who keys at random, such that a silence is as unusual as given: what is assumed where
    nothing was learned. Silences that are no longer than half of all are usual ones: below that
    there is no such law."""
    z = -_NORMAL.inv_cdf(min(0.5, 10**-phi))
    mean = math.cbrt(silence_s) / (1 + z * RANDOM_CV)
    return Law(mean, mean * RANDOM_CV)


@dataclass(frozen=True, slots=True)
class Pause:
    """From one grain in which a station was heard to the next."""

    began_s: int
    length_s: int


def pauses_of(
    presence: Presence,
    grain_s: float,
    longest_s: float,
    dark: Sequence[tuple[int, int]] = (),
) -> tuple[Pause, ...]:
    """The pauses of a station, newest first.

    Overs close together are one burst, and the time within it no pause. What is longer than
    `longest_s` was an absence, which is not to become usual; nor is a pause in which nobody could
    hear it (`dark`, in ms), for it may have been none.
    """
    found = []
    for later, earlier in pairwise(presence):
        length = later - earlier
        if length <= grain_s or length >= longest_s:
            continue
        if any(begin < later * 1000 and end > earlier * 1000 for begin, end in dark):
            continue
        found.append(Pause(earlier, length))
    return tuple(found)


def _weight(pause: Pause, place: int, now_s: float, duty_since_s: float | None) -> float:
    apart_h = abs((now_s - pause.began_s - pause.length_s / 2) / 3600 % 24)
    weight = NEWER_WEIGHT**place
    if min(apart_h, 24 - apart_h) > SAME_HOURS:
        weight *= OTHER_HOURS_WEIGHT
    if duty_since_s is not None and pause.began_s + pause.length_s < duty_since_s:
        weight *= OTHER_HOURS_WEIGHT
    return weight


class Weighed:
    """A member's pauses with what each counts: at one time, whatever is usual in its group then."""

    def __init__(
        self, pauses: Sequence[Pause], now_s: float, duty_since_s: float | None = None
    ) -> None:
        """As `learn`."""
        weighed = [
            (float(p.length_s), _weight(p, n, now_s, duty_since_s)) for n, p in enumerate(pauses)
        ]
        self._roots = [(math.cbrt(length), weight) for length, weight in weighed]
        self._weight = sum(weight for _, weight in self._roots)
        self._sum = sum(w * x for x, w in self._roots)
        self._weighed = weighed
        self._own: OwnLaw | None = None

    def base(self, prior: Law) -> Law:
        """The law of the cube roots alone, drawn towards `prior`."""
        total = self._weight + PRIOR_PAUSES
        mean = (self._sum + PRIOR_PAUSES * prior.mean) / total
        squares = sum(w * (x - mean) ** 2 for x, w in self._roots)
        squares += PRIOR_PAUSES * (prior.spread**2 + (prior.mean - mean) ** 2)
        # By how much the next may differ: the spread, and how little the mean is known.
        spread = math.sqrt(squares / total * (1 + 1 / total))
        return Law(mean, max(spread, LEAST_CV * mean))

    def law(self, prior: Law) -> OwnLaw:
        """The law, and the pauses themselves."""
        if self._own is None:
            self._own = OwnLaw(self.base(prior), self._weighed)
            return self._own
        return self._own.on(self.base(prior))


def learn(
    pauses: Sequence[Pause], prior: Law, now_s: float, duty_since_s: float | None = None
) -> OwnLaw:
    """The law of a member's pauses, drawn towards `prior` as long as there are few.

    `now_s` is when the silence began: pauses at the same time of day count more, and so do those
    since a duty of the group began (a net in session keys more).
    """
    return Weighed(pauses, now_s, duty_since_s).law(prior)


def group_law(pauses: Iterable[Sequence[Pause]], prior: Law) -> Law:
    """What is usual in a group: each member's pauses together count as one member's, so that who
    keys most does not stand for all."""
    means, squares = [], []
    for own in pauses:
        if len(own) >= ENOUGH_PAUSES:
            roots = [math.cbrt(p.length_s) for p in own]
            means.append(sum(roots) / len(roots))
            squares.append(sum(x * x for x in roots) / len(roots))
    total = len(means) + POLICY_MEMBERS
    mean = (sum(means) + POLICY_MEMBERS * prior.mean) / total
    square = (sum(squares) + POLICY_MEMBERS * (prior.mean**2 + prior.spread**2)) / total
    return Law(mean, max(math.sqrt(max(0.0, square - mean**2)), RANDOM_CV * mean))


def turns_of(
    law: Law, presence: Presence, window_s: float, now_s: float, grain_s: float
) -> tuple[float, float]:
    """How often somebody should have begun to be heard in the time before `now_s`, and how often it
    did; nothing of either of one who keys by itself (a beacon), which says nothing about people."""
    free = 1 - law.regularity
    if free <= 0:
        return 0.0, 0.0
    # The mean of the cube of a normal variate.
    mean_s = max(grain_s, law.mean**3 + 3 * law.mean * law.spread**2)
    heard = _turns(presence, now_s - window_s, now_s, grain_s)
    return free * min(MOST_TURNS, window_s / mean_s), free * min(MOST_TURNS, heard)


def slower(expected: float, heard: float) -> float:
    """How much slower than usual a group keys: 1 as ever, 4 at a quarter of the usual rate; never
    below 1, as a livelier group says little about one who does not take part."""
    return min(SLOWEST, max(1.0, (expected + PRIOR_TURNS) / (heard + PRIOR_TURNS)))


def _turns(presence: Presence, since_s: float, until_s: float, grain_s: float) -> int:
    """How often somebody began to be heard again after a pause; a presence that does not reach
    back so far has been lively since, and is counted as such."""
    found = 0
    for later, earlier in zip(presence, (*presence[1:], 0), strict=True):
        if later <= since_s:
            break
        if later <= until_s and later - earlier > grain_s:
            found += 1
    else:
        if len(presence) >= FULL_PRESENCE:
            return round(MOST_TURNS)
    return found
