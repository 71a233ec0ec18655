"""Where a member that fell silent may be, and which repeaters could hear it there. Pure.

An aid for people who plan a search: see `CAUTION`. The cells it may be in come from its last
position, carried on at its speed and course, and spread out the wider the longer ago that was; each
counts less the better a station would be heard there, because this one was not.
"""

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.domain.cells import (
    SPACING,
    cell_at,
    coarser,
    disk_of,
    parts_of,
    resolution_of,
    spacing_km,
    sphere_km,
)
from streamer.domain.coverage import Coverage
from streamer.domain.leaving import SLOW_MPS, ahead
from streamer.domain.model import Fix, Place
from streamer.domain.where_words import (
    Spot,
    area_words,
    hearer_words,
    last_words,
    later_words,
    moving_words,
    unplaced_words,
)

CAUTION: Final = (
    "An aid for whoever plans a search, no search plan. It rests on what was heard and on guesses "
    "of how people move; hills, batteries and detours are not in it. Call signs are not "
    "authenticated: somebody else may have used this one. Silence is not danger: people switch "
    "off, go home or just stop talking."
)
WALKING_MPS: Final = 1.4
"""5 km/h; common practice, no source."""
CARRY_ON_S: Final = 15 * 60
"""So long a station is taken to keep its course and speed. This and the shares below are
assumptions: nobody has measured how members of a net move."""
_FASTER: Final = 1.3
_WENT_ON: Final = 0.7
_START_KM: Final = 0.3
_FARTHEST_KM: Final = 150.0
SILENCE_TELLS: Final = 0.7
"""How much silence says: of ten silent stations that would be heard, three just stopped talking."""
_LATER_MS: Final = 120_000
_HEARD_TELLS: Final = 0.9
_HEARD_FADES_MS: Final = 30 * 60_000
MOST_STEPS: Final = 7
"""3 k (k + 1) + 1 cells lie at most k steps from one: 169."""
MOST_CELLS: Final = 200
_WORTH_SHOWING: Final = 0.01
_WITHIN: Final = 0.8
_FIRST_LOOK: Final = 24
_HEARERS: Final = 6
_LEAST_CHANCE: Final = 0.1
FINEST: Final = 9
"""Cells of 0.1 km2, as H3 counts sizes: a position is hardly better known than that."""


@dataclass(frozen=True, slots=True)
class Possible:
    """A cell it may be in: `weight` adds up to 1 over all; `chance` of the best repeater that
    reports now, 0 if none is known to hear anything there."""

    cell: str
    weight: float
    chance: float
    repeater: str | None


@dataclass(frozen=True, slots=True)
class Hearer:
    """A repeater that could hear it: its chance over the cells, and the interval (90 %)."""

    repeater: str
    chance: float
    low: float
    high: float
    reports: bool


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """`centre` is where it should be by dead reckoning (lat, lon), `within_km` the distance from
    there that holds it four times in five; both None without a position. `ring_km` is the stated
    range of the repeater, where only that is known. `words` are sentences for people."""

    station: str
    now_ms: int
    place: Place
    fix: Fix | None
    centre: tuple[float, float] | None
    within_km: float | None
    repeater_at: tuple[float, float] | None
    ring_km: float | None
    cells: tuple[Possible, ...]
    hearers: tuple[Hearer, ...]
    words: tuple[str, ...]
    caution: str = CAUTION


def whereabouts(
    station: str,
    place: Place,
    fix: Fix | None,
    coverages: Mapping[str, Coverage],
    reporting: Collection[str],
    now_ms: int,
    guess_mps: float | None = None,
) -> Whereabouts:
    """See `Whereabouts`. `coverages` are the repeaters near, those included that do not report now;
    `guess_mps` a speed where none was told (None: walking)."""
    spots = [Spot(n, *c.place) for n, c in sorted(coverages.items()) if c.place is not None]
    guess = WALKING_MPS if guess_mps is None else guess_mps
    if fix is None:
        return _unplaced(station, place, coverages, reporting, now_ms, guess)
    motion = _Motion.of(fix, now_ms, guess)
    grown = motion.spread()
    later = _heard_later(place, fix, coverages)
    if later is not None:
        grown = _favour(grown, later, now_ms - place.ms)
    cells, hearers = _weigh(grown, coverages, reporting)
    within = _within_km(cells, motion.centre)
    words = [
        *last_words(place, fix, now_ms, spots),
        moving_words(fix, guess),
        *later_words(place.repeater if later is not None else None),
        area_words(motion.centre, within, spots),
        *hearer_words(hearers),
    ]
    at = _site_of(coverages.get(place.repeater))
    return Whereabouts(
        station, now_ms, place, fix, motion.centre, within, at, None, cells, hearers, tuple(words)
    )


@dataclass(frozen=True, slots=True)
class _Motion:
    """Where it went: on (about `centre`, spread `on_km`) or not (about the start, `stay_km`), and
    never further than `reach_km` from the start."""

    start: tuple[float, float]
    centre: tuple[float, float]
    on_km: float
    stay_km: float
    went_on: float
    reach_km: float

    @classmethod
    def of(cls, fix: Fix, now_ms: int, guess_mps: float) -> "_Motion":
        """From the last position. Without a course it went anywhere; without a speed, as guessed;
        one that stood may have walked off."""
        age_s = max(0, now_ms - fix.at_ms) / 1000
        start = fix.lat, fix.lon
        moving = fix.speed_mps is not None and fix.speed_mps >= SLOW_MPS
        speed = fix.speed_mps if moving and fix.speed_mps is not None else guess_mps
        gone_km = min(speed * age_s / 1000, _FARTHEST_KM)
        if not moving or fix.course_deg is None:
            spread = _START_KM + 0.5 * gone_km
            return cls(start, start, spread, spread, 1.0, _START_KM + gone_km)
        on_m = speed * min(age_s, CARRY_ON_S)
        centre_ = ahead(*start, fix.course_deg, on_m)
        return cls(
            start,
            centre_,
            _START_KM + 0.35 * gone_km,
            _START_KM + 0.1 * gone_km,
            _WENT_ON,
            _START_KM + _FASTER * gone_km,
        )

    def spread(self) -> dict[str, float]:
        """Cells with weights, their size such that there are not too many."""
        resolution = FINEST
        while resolution > 0 and self.reach_km > (MOST_STEPS - 1) * spacing_km(resolution):
            resolution -= 1
        steps = math.ceil(self.reach_km / spacing_km(resolution)) + 1
        around = disk_of(cell_at(*self.start, resolution), min(steps, MOST_STEPS))
        slack = spacing_km(resolution) / 2  # half a cell within reach is within reach
        found = {
            cell: self._density(cell, slack)
            for cell in around
            if sphere_km(*self.start, cell) <= self.reach_km + slack
        }
        return _normal(found)

    def _density(self, cell: str, slack: float) -> float:
        """Two normal distributions on the plane, none narrower than a cell."""
        on, stay = max(self.on_km, slack), max(self.stay_km, slack)
        went = self.went_on * math.exp(-((sphere_km(*self.centre, cell) / on) ** 2) / 2) / on**2
        stays = math.exp(-((sphere_km(*self.start, cell) / stay) ** 2) / 2) / stay**2
        return went + (1 - self.went_on) * stays


def _heard_later(place: Place, fix: Fix, coverages: Mapping[str, Coverage]) -> Coverage | None:
    """The repeater that heard it well after its last position."""
    return coverages.get(place.repeater) if place.ms - fix.at_ms > _LATER_MS else None


def _favour(grown: Mapping[str, float], coverage: Coverage, since_ms: int) -> dict[str, float]:
    """It was where that repeater hears; the longer ago, the less that says of now."""
    tells = _HEARD_TELLS * math.exp(-since_ms / _HEARD_FADES_MS)
    sound = _Sound.of(coverage, grown)
    return _normal({c: w * (1 - tells * (1 - sound.chance[c][0])) for c, w in grown.items()})


def _normal(weights: Mapping[str, float]) -> dict[str, float]:
    """Weights that add up to 1, without those that are not worth showing."""
    most = max(weights.values(), default=0.0)
    kept = {cell: w for cell, w in weights.items() if w > 0 and w >= _WORTH_SHOWING * most}
    whole = sum(kept.values())
    return {cell: w / whole for cell, w in kept.items()}


@dataclass(frozen=True, slots=True)
class _Sound:
    """A repeater's chance and interval by cell."""

    chance: dict[str, tuple[float, float, float]]

    @classmethod
    def of(cls, coverage: Coverage, cells: Iterable[str]) -> "_Sound":
        return cls({cell: _over(coverage, cell) for cell in cells})

    def mean(self, weights: Mapping[str, float]) -> tuple[float, float, float]:
        whole = sum(weights[cell] for cell in self.chance) or 1.0
        sums = [0.0, 0.0, 0.0]
        for cell, values in self.chance.items():
            for place, value in enumerate(values):
                sums[place] += weights[cell] * value / whole
        return sums[0], sums[1], sums[2]


def _over(coverage: Coverage, cell: str) -> tuple[float, float, float]:
    """Chance and interval in a cell of any size, averaged; not known: 0, from 0 to 1."""
    found = [coverage.chance(part) for part in parts_of(cell, coverage.resolution)]
    number = len(found)
    return (
        sum(c.chance or 0.0 for c in found) / number,
        sum(c.low for c in found) / number,
        sum(c.high for c in found) / number,
    )


def _weigh(
    grown: Mapping[str, float], coverages: Mapping[str, Coverage], reporting: Collection[str]
) -> tuple[tuple[Possible, ...], tuple[Hearer, ...]]:
    """The cells after what the silence says, and who could hear it there."""
    first = sorted(grown, key=lambda cell: -grown[cell])[:: max(1, len(grown) // _FIRST_LOOK)]
    looks = {n: _Sound.of(c, first) for n, c in sorted(coverages.items())}
    likely = sorted(looks, key=lambda n: -looks[n].mean(grown)[0])
    near = [n for n in likely if any(v[0] >= _LEAST_CHANCE for v in looks[n].chance.values())]
    sounds = {n: _Sound.of(coverages[n], grown) for n in near[:_HEARERS]}
    heard = {
        cell: max(((s.chance[cell][0], n) for n, s in sounds.items() if n in reporting),
                  default=(0.0, None))
        for cell in grown
    }  # fmt: skip
    after = _normal({c: w * (1 - SILENCE_TELLS * heard[c][0]) for c, w in grown.items()})
    cells = tuple(
        Possible(cell, weight, *heard[cell])
        for cell, weight in sorted(after.items(), key=lambda pair: (-pair[1], pair[0]))
    )
    found = [
        Hearer(n, *_Sound({c: s.chance[c] for c in after}).mean(after), n in reporting)
        for n, s in sounds.items()
    ]
    hearers = [h for h in found if h.chance >= _LEAST_CHANCE]
    return cells, tuple(sorted(hearers, key=lambda h: (not h.reports, -h.chance, h.repeater)))


def _within_km(cells: Sequence[Possible], middle: tuple[float, float]) -> float:
    """The distance from the middle that holds four fifths of the weight, to the cells' edges."""
    total = within = 0.0
    for km, weight in sorted((sphere_km(*middle, c.cell), c.weight) for c in cells):
        total, within = total + weight, km
        if total >= _WITHIN:
            break
    return within + spacing_km(resolution_of(cells[0].cell) or 0) / SPACING


def _site_of(coverage: Coverage | None) -> tuple[float, float] | None:
    return None if coverage is None else coverage.place


FEW_CELLS: Final = 20
"""So few cells with anything heard in them do not show where a repeater hears."""


def _unplaced(
    station: str,
    place: Place,
    coverages: Mapping[str, Coverage],
    reporting: Collection[str],
    now_ms: int,
    guess_mps: float,
) -> Whereabouts:
    """Only the repeater is known: what it hears, else its range."""
    coverage = coverages.get(place.repeater)
    at = _site_of(coverage)
    weights: dict[str, float] = {}
    if coverage is not None:
        known = {cell: chance.chance or 0.0 for cell, chance in coverage.cells()}
        ranged = coverage.site is not None and coverage.site.range_km is not None and at is not None
        if len(known) >= FEW_CELLS or not ranged:
            weights = _normal(known)
    farthest = max((sphere_km(*at, cell) for cell in weights), default=0.0) if at else None
    while len(weights) > MOST_CELLS:
        larger: dict[str, float] = {}
        for cell, weight in weights.items():
            larger[coarser(cell)] = larger.get(coarser(cell), 0.0) + weight
        weights = _normal(larger)
    cells, hearers = _weigh(weights, coverages, reporting) if weights else ((), ())
    ring_km = None
    if not cells and coverage is not None and coverage.site is not None and at is not None:
        ring_km = coverage.site.range_km
    moved_km = guess_mps * max(0, now_ms - place.ms) / 1_000_000
    words = [
        *last_words(place, None, now_ms, []),
        *unplaced_words(
            place.repeater,
            farthest if cells else None,
            ring_km,
            placed=at is not None,
            cells=bool(cells),
            few=0 < len(weights) < FEW_CELLS,
            moved_km=moved_km,
        ),
        *(hearer_words(hearers) if cells else ()),
    ]
    return Whereabouts(
        station, now_ms, place, None, None, None, at, ring_km, cells, hearers, tuple(words)
    )
