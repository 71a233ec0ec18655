"""What, beside its silence, tells whether a station can still be heard. Pure.

Two things count, each as a factor on the odds that it cannot, in decades, so that they add to phi:
that the signal has been falling, and that it was moving to where repeaters hear less. A station
that came in strong and stands still has rather ceased to talk: that counts against.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist, median
from typing import Final

from streamer.config import Learning
from streamer.domain.coverage import Coverage
from streamer.domain.leaving import OLD_FIX_MS, SLOW_MPS, ahead, degrees_words
from streamer.domain.model import Fix, PathEntry
from streamer.domain.trend import Trend, trend_of

NEXT_SIGNAL_DB: Final = 8.0
"""By how much the next signal of a station may differ from its newest ones: common practice, no
source. More than a cell's scatter (level_law), since it need not stay in one."""
USUAL_LOSS: Final = 0.05
"""How many of those who fall silent could not have been heard, as long as nothing is known."""
LEAST_DECADES: Final = -1.0
MOST_DECADES: Final = 2.0
RECKONED_S: Final = 1800.0
"""No station is taken to keep its course for longer."""
RECKONING_WORTH: Final = 0.75
"""How much of a change that was reckoned counts, since roads bend: assumed, no source."""
STOOD_STILL: Final = 0.7
"""Who stands still does not leave what it was just heard by; and beacons come less often then."""
FRESH_FIX_MS: Final = 60_000
_NORMAL: Final = NormalDist()


@dataclass(frozen=True, slots=True)
class Outlook:
    """`decades` is added to phi; the reasons say why, where it is worth saying."""

    decades: float = 0.0
    reasons: tuple[str, ...] = ()


NOTHING_KNOWN: Final = Outlook()


def logit(chance: float) -> float:
    """Odds in decades, of a chance kept off 0 and 1."""
    bounded = min(max(chance, 1e-6), 1 - 1e-6)
    return math.log10(bounded / (1 - bounded))


@dataclass(frozen=True, slots=True)
class Signs:
    """What is known of a silent station: its newest overs, newest first, and newest position."""

    path: tuple[PathEntry, ...]
    fix: Fix | None


Near = Callable[[float, float], Sequence[Coverage]]
"""What the repeaters are known to hear that may hear a station at a latitude and longitude."""


def _stood_still(signs: Signs) -> bool:
    fix = signs.fix
    fresh = fix is not None and signs.path[0].ms - fix.at_ms <= FRESH_FIX_MS
    return fresh and fix is not None and fix.speed_mps is not None and fix.speed_mps < SLOW_MPS


class Watcher:
    """Judges silent stations by their signals, and by what repeaters have been learned to hear."""

    def __init__(self, learning: Learning, near: Near = lambda lat, lon: ()) -> None:
        self._near = near
        self._learning = learning
        self._trends: dict[tuple[PathEntry, ...], Trend] = {}

    def outlook(self, signs: Signs, at_ms: int) -> Outlook:
        """How things look at `at_ms` for a station that has been silent since its newest over."""
        if not signs.path:
            return NOTHING_KNOWN
        trend = self._trend(signs.path)
        margin_db = self._margin_db(signs.path)
        change_db, reason = self._change_db(signs, at_ms)
        decades = trend.decades
        reasons = [trend.reason] if trend.fading and trend.reason else []
        if margin_db is not None:
            then = logit(_NORMAL.cdf(-margin_db / NEXT_SIGNAL_DB))
            now = logit(_NORMAL.cdf(-(margin_db + change_db) / NEXT_SIGNAL_DB))
            decades += now - max(logit(USUAL_LOSS), then)
            if reason and now > then + 0.3:
                reasons.append(reason)
        if _stood_still(signs):
            decades -= STOOD_STILL
            reasons.append("though it stood still when it was last heard")
        decades = min(MOST_DECADES, max(LEAST_DECADES, decades))
        if decades <= -0.3 and margin_db is not None:
            reasons.append(f"though it came in {margin_db:.0f} dB above the weakest that is heard")
        return Outlook(decades, tuple(reasons))

    def _trend(self, path: tuple[PathEntry, ...]) -> Trend:
        found = self._trends.get(path)
        if found is None:
            found = trend_of(path, path[0].repeater, self._learning.hears_dbm)
            self._trends[path] = found
        return found

    def _margin_db(self, path: Sequence[PathEntry]) -> float | None:
        """By how much its newest signals were above the weakest that is heard."""
        newest = [e.rssi_dbm for e in path if e.repeater == path[0].repeater]
        known = [rssi for rssi in newest[:3] if rssi is not None]
        return median(known) - self._learning.hears_dbm if known else None

    def _change_db(self, signs: Signs, at_ms: int) -> tuple[float, str | None]:
        """By how much less it should come in where it may be by now, after what was learned."""
        fix = signs.fix
        if fix is None or fix.speed_mps is None or fix.course_deg is None:
            return 0.0, None
        if fix.speed_mps < SLOW_MPS or signs.path[0].ms - fix.at_ms > OLD_FIX_MS:
            return 0.0, None
        moved_s = min(RECKONED_S, max(0.0, (at_ms - fix.at_ms) / 1000))
        there = ahead(fix.lat, fix.lon, fix.course_deg, fix.speed_mps * moved_s)
        then, now = self._best_dbm(fix.lat, fix.lon), self._best_dbm(*there)
        if then is None or now is None or now >= then:
            return 0.0, None
        reason = (
            f"it was moving {degrees_words(fix.course_deg)} at {fix.speed_mps * 3.6:.0f} km/h, to "
            f"where repeaters should hear it {then - now:.0f} dB weaker"
        )
        return RECKONING_WORTH * (now - then), reason

    def _best_dbm(self, lat: float, lon: float) -> float | None:
        levels = (c.chance_at(lat, lon).level_dbm for c in self._near(lat, lon))
        return max((level for level in levels if level is not None), default=None)
