"""What a failure would have cost on a recorded day.

A repeater that is off hears nobody and sends nothing. A gateway whose backhaul is cut still has its
repeaters on the air: members there hear one another on the same repeater, nobody else hears them,
and nobody sees them (blind).

Whether an over would have been heard elsewhere is told first by the day itself (another repeater
heard it too), then by learned coverage as a chance, where the station said its position; else it is
unknown, and counted apart. Beyond the day itself it is taken that the station changes over to the
best other repeater, that a repeater which hears a station is heard by it, and that the fan-out
follows. So what is counted as lost is the least that a failure costs people who are quick.
"""

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from streamer.domain.coverage import Basis
from streamer.lab.whatif_ears import Ears
from streamer.lab.whatif_scene import Audience, Bools, Ints, Scene

Floats = NDArray[np.float64]
_DRAWS: Final = 2000
_SEED: Final = 1
"""Of the draws that an interval is made by: the same question gets the same answer."""
_LOW_PCT, _HIGH_PCT = 5, 95
_MINUTE_MS: Final = 60_000
_ENOUGH: Final = 10.0
"""So many minutes of which something is known weigh as much as what is known elsewhere. Chosen, no
source."""


class Rest(StrEnum):
    """What a verdict on an over rests on."""

    DAY = "day"
    LEARNED = "learned"
    NEIGHBOURS = "neighbours"
    PHYSICS = "physics"
    UNKNOWN = "unknown"


_RESTS: Final = tuple(Rest)
_CODE: Final = {rest: code for code, rest in enumerate(_RESTS)}
_UNTOUCHED: Final = -1


@dataclass(frozen=True, slots=True)
class Failure:
    """Repeaters (full names) that are off, and those whose gateway's backhaul is cut."""

    name: str
    off: frozenset[str] = frozenset()
    cut: frozenset[str] = frozenset()

    @property
    def gone(self) -> frozenset[str]:
        return self.off | self.cut


@dataclass(frozen=True, slots=True)
class Fates:
    """Of each over: the chance that it would still have been heard (1 where the failure does not
    touch it or the day itself says so, NaN where nothing is known) and what that rests on."""

    chance: Floats
    rest: Ints

    def resting_on(self, rest: Rest) -> Bools:
        found: Bools = self.rest == _CODE[rest]
        return found


@dataclass(frozen=True, slots=True)
class Tally:
    """So much (overs, or minutes) was on what failed; of it `lost` is expected to be lost, nine
    times in ten between `low` and `high`, and of `unknown` nothing is known: it is in none of the
    three. `rests` says how much rests on what."""

    touched: float
    lost: float
    low: float
    high: float
    unknown: float
    rests: Mapping[Rest, float]

    @property
    def known(self) -> float:
        return self.touched - self.unknown

    def likely(self, share: float) -> float:
        """To rank by, for which what is unknown must be something: lost in the same share as what
        is known here; where little is, in the `share` of elsewhere."""
        here = (self.lost + _ENOUGH * share) / (self.known + _ENOUGH)
        return self.lost + self.unknown * here


@dataclass(frozen=True, slots=True)
class Missed:
    """Overs to a group, once for each member that heard them on the day and would not have: as
    expected, and of how many nothing is known."""

    lost: float
    unknown: float


@dataclass(frozen=True, slots=True)
class Person:
    """What a failure does to one station; minutes as a member, lost and unknown as in `Tally`.
    `overs_elsewhere` were heard by another repeater on the day itself."""

    station: str
    overs: int
    overs_elsewhere: int
    overs_lost: float
    overs_unknown: int
    minutes: float
    minutes_lost: float
    minutes_unknown: float


@dataclass(frozen=True, slots=True)
class Loss:
    """`out_of_reach_min` are member-minutes on repeaters that are off, `blind_min` those on
    repeaters of a gateway that is cut: a station that is a member of two groups counts once.
    `people` are those touched, the hardest hit first."""

    failure: Failure
    overs: Tally
    out_of_reach_min: Tally
    blind_min: Tally
    missed: Missed
    people: tuple[Person, ...]

    @property
    def minutes(self) -> tuple[Tally, Tally]:
        return self.out_of_reach_min, self.blind_min


def fates(scene: Scene, ears: Ears, failure: Failure) -> Fates:
    """What would have become of each over of the day."""
    overs, gone = scene.day.overs, failure.gone
    chance = np.ones(len(overs))
    rest: Ints = np.full(len(overs), _UNTOUCHED, np.int64)
    for at in (at for repeater in gone for at in scene.repeater_overs.get(repeater, ())):
        over = overs[at]
        if len(over.heard) > 1 and any(h.repeater not in gone for h in over.heard):
            rest[at] = _CODE[Rest.DAY]
            continue
        deaf = gone | _dark_at(scene, over.began_ms)
        if deaf.issuperset(ears.repeaters):
            chance[at], rest[at] = 0.0, _CODE[Rest.DAY]  # nobody is left who could hear it
            continue
        found = ears.best(scene.known[at], deaf)
        if found is None:
            chance[at], rest[at] = np.nan, _CODE[Rest.UNKNOWN]
        else:
            chance[at], rest[at] = found.chance, _CODE[_rest_of(found.basis)]
    return Fates(chance, rest)


def _rest_of(basis: Basis) -> Rest:
    return Rest(basis.value)


def _dark_at(scene: Scene, ms: int) -> frozenset[str]:
    """Repeaters that did not report at a time of the day: they could not have stood in."""
    found = []
    for repeater, spans in scene.day.dark.items():
        at = bisect_right(spans, ms, key=lambda span: span[0])
        if at and ms < spans[at - 1][1]:
            found.append(repeater)
    return frozenset(found)


def interval(chance: Floats, weight: Floats, station_of: Ints) -> tuple[float, float]:
    """Between what the lost weight lies nine times in ten, where each over is lost with 1 - chance.

    All overs of a station stand or fall together, as far as their chances allow, for its radio and
    its habits are the same all day: where one is lost, so are those with a lower chance. Stations
    do not depend on each other. Worked out by drawing.
    """
    sure = float(weight[chance <= 0].sum())
    open_ = (chance > 0) & (chance < 1) & (weight > 0)
    chance, weight, station_of = chance[open_], weight[open_], station_of[open_]
    if not len(chance):
        return sure, sure
    order = np.lexsort((chance, station_of))
    chance, weight, station_of = chance[order], weight[order], station_of[order]
    starts = np.flatnonzero(np.r_[True, station_of[1:] != station_of[:-1]])
    dice = np.random.default_rng(_SEED)
    total = np.zeros(_DRAWS)
    for start, end in zip(starts, [*starts[1:], len(chance)], strict=True):
        sums = np.r_[0.0, np.cumsum(weight[start:end])]
        total += sums[np.searchsorted(chance[start:end], dice.random(_DRAWS))]
    low, high = np.percentile(total, (_LOW_PCT, _HIGH_PCT))
    return sure + float(low), sure + float(high)


def tally(scene: Scene, found: Fates, weight: Floats) -> Tally:
    """The sum over all overs touched, each with its weight (shape as `found.chance`)."""
    rests = {rest: float(weight[found.resting_on(rest)].sum()) for rest in _RESTS}
    judged = (found.rest != _UNTOUCHED) & ~found.resting_on(Rest.UNKNOWN)
    chance, weight = found.chance[judged], weight[judged]
    low, high = interval(chance, weight, scene.station_of[judged])
    lost = float((weight * (1 - chance)).sum())
    # What is rare and much may be more on average than in nine cases of ten.
    low, high = min(low, lost), max(high, lost)
    return Tally(sum(rests.values()), lost, low, high, rests[Rest.UNKNOWN], rests)


def missed_overs(scene: Scene, failure: Failure, found: Fates) -> Missed:
    """See `Missed`. Who was on a repeater that failed hears by the best other one."""
    lost = unknown = 0.0
    for (group, repeater), audience in scene.audiences.items():
        chance = found.chance[scene.group_overs[group]]
        if repeater in failure.gone:
            here = audience.came & ~audience.local if repeater in failure.cut else audience.came
            more = _elsewhere(audience, here, chance, found.chance[audience.pieces])
        else:
            more = _stayed(audience, chance)
        lost, unknown = lost + more.lost, unknown + more.unknown
    return Missed(lost, unknown)


def _stayed(audience: Audience, chance: Floats) -> Missed:
    """Those on a repeater that works miss what nobody heard."""
    touched = audience.came & ~(chance >= 1)
    if not touched.any():
        return Missed(0.0, 0.0)
    heard = np.where(touched, audience.listeners(), 0)
    known = ~np.isnan(chance)
    return Missed(float((heard * (1 - chance))[known].sum()), float(heard[~known].sum()))


def _elsewhere(audience: Audience, here: Bools, chance: Floats, own_chance: Floats) -> Missed:
    """`here` are the overs that listeners now need another repeater for, `chance` that an over is
    heard (shape: the group's overs), `own_chance` that the listener is (shape: the pieces)."""
    known = here & ~np.isnan(chance)
    overs = _between(audience, known.astype(np.float64))
    heard = _between(audience, np.where(known, chance, 0.0).astype(np.float64))
    open_ = _between(audience, (here & ~known).astype(np.float64))
    sure = ~np.isnan(own_chance)
    lost = float((overs - own_chance * heard)[sure].sum())
    return Missed(lost, float(open_.sum() + overs[~sure].sum()))


def _between(audience: Audience, values: Floats) -> Floats:
    """Of each piece, the sum over the overs in it but its own."""
    sums = np.r_[0.0, np.cumsum(values)]
    own = np.where(audience.own >= 0, values[audience.own], 0.0)
    found: Floats = sums[audience.until] - sums[audience.first] - own
    return found


def lose(scene: Scene, ears: Ears, failure: Failure) -> Loss:
    """What the failure would have cost on that day, had it lasted all day."""
    found = fates(scene, ears, failure)
    minutes = scene.member_ms / _MINUTE_MS
    cut = np.zeros(len(minutes), np.bool_)
    for repeater in failure.cut:
        cut[scene.repeater_overs.get(repeater, [])] = True
    return Loss(
        failure,
        tally(scene, found, np.ones(len(minutes))),
        tally(scene, found, np.where(cut, 0.0, minutes)),
        tally(scene, found, np.where(cut, minutes, 0.0)),
        missed_overs(scene, failure, found),
        _people(scene, found, minutes),
    )


def _people(scene: Scene, found: Fates, minutes: Floats) -> tuple[Person, ...]:
    touched = found.rest != _UNTOUCHED
    unknown = found.resting_on(Rest.UNKNOWN)
    gone = np.where(unknown, 0.0, 1 - found.chance)
    elsewhere = found.resting_on(Rest.DAY) & (found.chance >= 1)

    def by_station(weight: Floats | Bools) -> Floats:
        return np.bincount(
            scene.station_of, np.where(touched, weight, 0.0), len(scene.stations)
        ).astype(float)

    ones = np.ones(len(minutes))
    columns = [
        by_station(weight)
        for weight in (ones, elsewhere, gone, unknown, minutes, minutes * gone, minutes * unknown)
    ]
    rows = zip(scene.stations, *(column.tolist() for column in columns), strict=True)
    people = [
        Person(station, round(overs), round(kept), lost, round(open_), *times)
        for station, overs, kept, lost, open_, *times in rows
        if overs > 0
    ]
    return tuple(sorted(people, key=lambda p: (-(p.minutes_lost + p.minutes_unknown), p.station)))
