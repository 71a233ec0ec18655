"""Whether a moving station is about to leave what any repeater hears, and which repeater should
hear it next. Pure.

The track is dead reckoning: the last position, carried on at its speed and course along a geodesic
of WGS 84. Roads bend, so all of it holds for a station that keeps its course, and the words say so.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from geographiclib.geodesic import Geodesic

from streamer.domain.coverage import Chance, Coverage, or_zero
from streamer.domain.model import Fix

AHEAD_S: Final = 3600
STEP_S: Final = 60
HEARD_CHANCE: Final = 0.5
"""Below this it counts as out of what a repeater hears."""
GONE_S: Final = 180
"""A dip shorter than this is a shadow on the way, no leaving."""
CLEARLY: Final = 0.1
"""So much better, as a chance, that it is worth telling."""
SLOW_MPS: Final = 1.0
OLD_FIX_MS: Final = 15 * 60_000
"""Common practice, no source: after that a speed and a course say nothing of now."""


@dataclass(frozen=True, slots=True)
class Leaving:
    """`until_s`: seconds from now until no repeater hears it with a chance of one half; 0 if that
    is so now, None if it does not come to that within an hour or cannot be said (`known` tells
    which). `next_repeater` should hear it next, `next_s` from now, with `next_chance`."""

    known: bool
    until_s: int | None
    repeater: str | None
    next_repeater: str | None
    next_s: int | None
    next_chance: Chance | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Step:
    """Chances by repeater at one moment of the track, the best first."""

    at_s: int
    best: tuple[tuple[str, Chance], ...]

    @property
    def heard(self) -> bool:
        return bool(self.best) and or_zero(self.best[0][1]) >= HEARD_CHANCE


def ahead(lat: float, lon: float, course_deg: float, metres: float) -> tuple[float, float]:
    """(lat, lon) so far along a geodesic of WGS 84 (Karney 2013, by GeographicLib)."""
    found = Geodesic.WGS84.Direct(lat, lon, course_deg, metres)
    return float(found["lat2"]), float(found["lon2"])


def degrees_words(course_deg: float) -> str:
    """A course as three digits, 000 to 359."""
    return f"{round(course_deg) % 360:03d}"


def leaving(
    coverages: Mapping[str, Coverage],
    fix: Fix | None,
    now_ms: int,
    reporting: Collection[str] | None = None,
) -> Leaving:
    """See `Leaving`. `reporting` are the repeaters that count (None: all of `coverages`)."""
    names = sorted(coverages.keys() if reporting is None else coverages.keys() & set(reporting))
    trouble = _trouble(fix, now_ms, names)
    if trouble or fix is None or fix.speed_mps is None:
        return _nothing(trouble)
    if fix.speed_mps < SLOW_MPS:
        return _nothing("stands still or moves slowly: not leaving", known=True)
    track = list(_track({name: coverages[name] for name in names}, fix, now_ms))
    if not any(chance.chance is not None for step in track for _, chance in step.best):
        return _nothing("nothing is known yet of what the repeaters hear on its way")
    return _judge(track, fix)


def _trouble(fix: Fix | None, now_ms: int, names: Collection[str]) -> str:
    if fix is None:
        return "no position known: cannot say whether it leaves"
    if not names:
        return "no repeater reports: cannot say whether it leaves"
    if fix.speed_mps is None:
        return "its speed is not known: cannot say whether it leaves"
    if fix.course_deg is None and fix.speed_mps >= SLOW_MPS:
        return "its course is not known: cannot say whether it leaves"
    if now_ms - fix.at_ms > OLD_FIX_MS:
        minutes = round((now_ms - fix.at_ms) / 60_000)
        return f"the last position is {minutes} min old: too old to say where it goes"
    return ""


def _nothing(reason: str, *, known: bool = False) -> Leaving:
    return Leaving(known, None, None, None, None, None, (reason,))


def _track(coverages: Mapping[str, Coverage], fix: Fix, now_ms: int) -> Iterator[_Step]:
    """A step a minute, from now to an hour ahead; cells are asked about once each."""
    since_s = max(0, now_ms - fix.at_ms) / 1000
    speed, course = fix.speed_mps or 0.0, fix.course_deg or 0.0
    before: tuple[str, ...] = ()
    best: tuple[tuple[str, Chance], ...] = ()
    for at_s in range(0, AHEAD_S + 1, STEP_S):
        lat, lon = ahead(fix.lat, fix.lon, course, speed * (since_s + at_s))
        cells = tuple(coverage.cell_of(lat, lon) for coverage in coverages.values())
        if cells != before:
            found = [
                (name, coverages[name].chance(cell))
                for name, cell in zip(coverages, cells, strict=True)
            ]
            best = tuple(sorted(found, key=lambda pair: -or_zero(pair[1])))
            before = cells
        yield _Step(at_s, best)


def _judge(track: list[_Step], fix: Fix) -> Leaving:
    gone = _gone(track)
    here = track[0].best[0][0] if track[0].heard else None
    follow = _next(track, here, gone)
    how = f"heading {degrees_words(fix.course_deg or 0.0)} at {(fix.speed_mps or 0) * 3.6:.0f} km/h"
    if gone is None:
        reasons = [f"{how}: stays within what repeaters hear for the next hour"]
    elif gone == 0:
        reasons = [f"{how}: no repeater is likely to hear it where it should be now"]
    else:
        minutes = round(gone / 60)
        reasons = [f"{how}: would leave what any repeater hears in about {minutes} min"]
    if follow is None:
        return Leaving(True, gone, here, None, None, None, tuple(reasons))
    at_s, name, chance = follow
    again = "again" if gone is not None and at_s > gone else "next"
    when = f"in about {round(at_s / 60)} min"
    reasons.append(f"{name} should hear it {again} {when}, {chance_words(chance)}")
    return Leaving(True, gone, here, name, at_s, chance, tuple(reasons))


def _gone(track: list[_Step]) -> int | None:
    """When a time without a repeater begins that is no mere dip."""
    begun: int | None = None
    for step in track:
        if step.heard:
            if begun is not None and step.at_s - begun >= GONE_S:
                return begun
            begun = None
        elif begun is None:
            begun = step.at_s
    if begun is not None and AHEAD_S - begun >= GONE_S:
        return begun
    return None


def _next(track: list[_Step], here: str | None, gone: int | None) -> tuple[int, str, Chance] | None:
    """The first repeater ahead that clearly hears it better than the one of now, or any that hears
    it once it was gone."""
    for step in track:
        if not step.heard:
            continue
        name, chance = step.best[0]
        of_now = or_zero(dict(step.best).get(here or ""))
        better = name != here and or_zero(chance) > of_now + CLEARLY
        if better or (gone is not None and step.at_s > gone):
            return step.at_s, name, chance
    return None


def chance_words(chance: Chance) -> str:
    """See `span_words`."""
    if chance.chance is None:
        return "with a chance that is not known"
    return span_words(chance.chance, chance.low, chance.high)


def span_words(chance: float, low: float, high: float) -> str:
    """`with a chance of about 70 % (50 to 85 %)`, in steps of 5 %: nothing finer is known, and
    nothing is certain."""
    if low > 0.95:
        return "with a chance of more than 95 %"
    if high < 0.05:
        return "with a chance of less than 5 %"
    about = min(max(_fives(chance), 5), 95)
    return f"with a chance of about {about} % ({_fives(low)} to {_fives(high)} %)"


def _fives(share: float) -> int:
    return round(share * 20) * 5
