"""Whether a station's signal on one repeater is fading out of reach, from its newest overs. Pure.

The slope is Theil and Sen's (the median of the slopes between all pairs), with Sen's confidence
interval (P. K. Sen, J. Am. Stat. Assoc. 63, 1968), by scipy: one odd over does not make it. How
unlikely the order of the levels is by chance is Kendall's rank test, exact for so few. A level that
fell at once rather than steadily is found where the rank sums before and after differ most (A. N.
Pettitt, Applied Statistics 28, 1979) and judged by the test of Mann and Whitney, its chance
multiplied by the number of places that were tried.

A chance p becomes odds by the bound of Sellke, Bayarri and Berger (The American Statistician 55,
2001): it speaks for a change at most by 1 / (-e p ln p). So a trend never says more than it can.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from streamer.domain.model import PathEntry

WINDOW_MS: Final = 2 * 3_600_000
"""Older overs say nothing of a trend."""
LEAST_SPAN_MS: Final = 60_000
"""Within less, a signal goes up and down by itself."""
LEAST_POINTS: Final = 4
LINE_POINTS: Final = 8
"""A slope is that of so many newest overs: with more it would be late."""
LEAST_SIDE: Final = 3
"""Overs on each side of a step."""
CONFIDENCE: Final = 0.9
STEP_CHANCE: Final = 0.05
"""A step less likely than this by chance, whatever its place, is believed."""
FADING_DB: Final = 6.0
"""One S unit (IARU: 6 dB): less is what a signal does when somebody turns round."""
FAINT_DB: Final = 12.0
"""So much above the weakest that repeaters hear a signal begins to be faint..."""
FAINT_FULLY_DB: Final = 6.0
"""...and here it is as faint as it need be. Common practice, no source."""
ERRORS_RISE_PCT: Final = 2.0
ERRORS_PCT: Final = 2.0
"""Above this, errors begin to say that a signal is faint; common practice, no source."""
ERRORS_FULLY_PCT: Final = 6.0
MOST_DECADES: Final = 2.0

_Points = Sequence[tuple[int, float]]
"""Time in ms and value, oldest first."""


@dataclass(frozen=True, slots=True)
class Step:
    """The level changed at once: medians before and after, the time of the first over after it,
    how many overs have come since, and how likely it is by chance."""

    at_ms: int
    from_level: float
    to_level: float
    overs_since: int
    chance: float


@dataclass(frozen=True, slots=True)
class Trend:
    """How a station's overs on one repeater change.

    Numbers are None where too little was told, or where it could not matter: a strong signal is
    not looked into. `low` and `high` bound the slope with `CONFIDENCE`. Slope and change are those
    of the newest `LINE_POINTS` overs.
    """

    repeater: str
    points: int
    """Overs of the present run that told a signal."""
    level_dbm: float | None = None
    slope_db_per_min: float | None = None
    low_db_per_min: float | None = None
    high_db_per_min: float | None = None
    change_db: float | None = None
    span_ms: int = 0
    step: Step | None = None
    errors_points: int = 0
    errors_now_pct: float | None = None
    errors_change_pct: float | None = None
    errors_step: Step | None = None
    fading: bool = False
    decades: float = 0.0
    """How much the odds that it is leaving reach are raised: by 10 to the power of this, 0 to 2."""
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class _Line:
    slope_per_min: float
    low_per_min: float
    high_per_min: float
    last: float
    change: float
    span_ms: int
    points: int
    chance: float

    def falls(self, least: float) -> bool:
        return self.high_per_min < 0 and self.change <= -least


@dataclass(frozen=True, slots=True)
class _Looked:
    """What became of a series in which falling is getting worse."""

    line: _Line | None
    step: Step | None
    worse: bool
    chance: float
    abrupt: bool = False
    """The step tells of it better than the line."""


_NOTHING: Final = _Looked(None, None, False, 1.0)


def run_on(path: Sequence[PathEntry], repeater: str) -> tuple[PathEntry, ...]:
    """The newest overs of a path that `repeater` heard, newest first, back to the first that it did
    not hear or to `WINDOW_MS` before the newest. Each over counts once."""
    here = {entry.over for entry in path if entry.repeater == repeater}
    run: list[PathEntry] = []
    seen: set[str] = set()
    for entry in path:
        if entry.over not in here or (run and run[0].ms - entry.ms > WINDOW_MS):
            break
        if entry.repeater == repeater and entry.over not in seen:
            seen.add(entry.over)
            run.append(entry)
    return tuple(run)


def trend_of(path: Sequence[PathEntry], repeater: str, hears_dbm: float) -> Trend:
    """Judge a station by its kept overs, newest first, on the repeater where it is now.

    `hears_dbm` is the weakest signal that repeaters usually hear (`Learning.hears_dbm`).
    """
    run = run_on(path, repeater)[::-1]
    levels = [(e.ms, e.rssi_dbm) for e in run if e.rssi_dbm is not None]
    errors = [(e.ms, e.ber_pct) for e in run if e.ber_pct is not None]
    level_dbm, errors_now = _newest(levels), _newest(errors)
    faint = max(_share(errors_now, ERRORS_PCT, ERRORS_FULLY_PCT),
                _share(level_dbm, hears_dbm + FAINT_DB, hears_dbm + FAINT_FULLY_DB))  # fmt: skip
    signal = rise = _NOTHING
    if _may_fall(levels, FADING_DB) and (faint or _lowest(levels) < hears_dbm + FAINT_DB):
        signal = _look(levels, FADING_DB)
    fewer = [(ms, -pct) for ms, pct in errors]
    if _may_fall(fewer, ERRORS_RISE_PCT) and -_lowest(fewer) > ERRORS_PCT:
        rise = _look(fewer, ERRORS_RISE_PCT)
    if signal.line and signal.worse and not signal.abrupt:
        level_dbm = signal.line.last
    if rise.line and rise.worse and not rise.abrupt:
        errors_now = -rise.line.last
    return _judged(repeater, (levels, errors), (level_dbm, errors_now), (signal, rise), hears_dbm)


def _judged(
    repeater: str,
    points: tuple[_Points, _Points],
    now: tuple[float | None, float | None],
    looked: tuple[_Looked, _Looked],
    hears_dbm: float,
) -> Trend:
    level_dbm, errors_now = now
    signal, rise = looked
    weak = _share(level_dbm, hears_dbm + FAINT_DB, hears_dbm + FAINT_FULLY_DB)
    wrong = _share(errors_now, ERRORS_PCT, ERRORS_FULLY_PCT)
    by_signal = max(weak, wrong) if signal.worse else 0.0
    # Errors of a strong signal are interference: that is no way out of reach.
    told = len(points[0]) >= LEAST_POINTS
    by_errors = (min(weak, wrong) if told else wrong) if rise.worse else 0.0
    decades = max(by_signal * evidence(signal.chance), by_errors * evidence(rise.chance))
    fading = by_signal > 0 or by_errors > 0
    line = signal.line
    return Trend(
        repeater, len(points[0]), level_dbm,
        line.slope_per_min if line else None, line.low_per_min if line else None,
        line.high_per_min if line else None, line.change if line else None,
        line.span_ms if line else 0, signal.step,
        len(points[1]), errors_now, -rise.line.change if rise.line else None,
        _turned(rise.step), fading, decades,
        _reason(signal, rise, errors_now, wrong > weak) if fading else None,
    )  # fmt: skip


def evidence(chance: float) -> float:
    """Decades by which a result this likely by chance speaks, at most, for there being something
    (Sellke, Bayarri and Berger 2001); 0 from 1/e on, and never above `MOST_DECADES`."""
    if chance >= 1 / math.e:
        return 0.0
    if chance <= 0:
        return MOST_DECADES
    return min(MOST_DECADES, -math.log10(-math.e * chance * math.log(chance)))


def _newest(points: _Points) -> float | None:
    """The level now, that of the newest three; None if nothing was told."""
    return median(value for _, value in points[-3:]) if points else None


def _lowest(points: _Points) -> float:
    return min(value for _, value in points[-3:])


def _share(value: float | None, begins: float, full: float) -> float:
    """0 before `begins`, 1 at `full` and beyond, straight between them."""
    if value is None:
        return 0.0
    return min(1.0, max(0.0, (value - begins) / (full - begins)))


def _may_fall(points: _Points, least: float) -> bool:
    """Cheap: whether it is worth to ask scipy."""
    if len(points) < LEAST_POINTS or points[-1][0] - points[0][0] < LEAST_SPAN_MS:
        return False
    return max(value for _, value in points) - _lowest(points) >= least


def _look(points: _Points, least: float) -> _Looked:
    line = _line_of(points[-LINE_POINTS:])
    step = step_down(points)
    if step is not None and (step.chance >= STEP_CHANCE or step.from_level - step.to_level < least):
        step = None
    falling = line if line is not None and line.falls(least) else None
    chances = [found.chance for found in (falling, step) if found is not None]
    # Two tests were made, so the better one counts half.
    chance = min(1.0, 2 * min(chances, default=1.0))
    return _Looked(line, step, bool(chances), chance, _abrupt(points, falling, step))


def _abrupt(points: _Points, line: _Line | None, step: Step | None) -> bool:
    """Whether the newest points lie nearer to the two levels of the step than to the line."""
    if line is None or step is None:
        return step is not None
    by_line = by_step = 0.0
    for ms, value in points[-LINE_POINTS:]:
        on_line = line.last + line.slope_per_min * (ms - points[-1][0]) / 60_000
        by_line += abs(value - on_line)
        by_step += abs(value - (step.from_level if ms < step.at_ms else step.to_level))
    return by_step < by_line


def _line_of(points: _Points) -> _Line | None:
    # Importing it takes half a second and 50 MB: only where it is needed, which is seldom.
    from scipy.stats import kendalltau, theilslopes  # noqa: PLC0415

    begin_ms, span_ms = points[0][0], points[-1][0] - points[0][0]
    minutes = [(ms - begin_ms) / 60_000 for ms, _ in points]
    values = [value for _, value in points]
    if span_ms < LEAST_SPAN_MS or min(values) == max(values):
        return None
    found = theilslopes(values, minutes, CONFIDENCE, method="joint")
    slope = float(found.slope)
    chance = float(kendalltau(minutes, values, alternative="less").pvalue)
    return _Line(
        slope, float(found.low_slope), float(found.high_slope),
        float(found.intercept) + slope * minutes[-1], slope * minutes[-1], span_ms, len(points),
        chance,
    )  # fmt: skip


def step_down(points: _Points) -> Step | None:
    """The place where a series, oldest first, most likely fell to a lower level, and its chance;
    None if it has too few points or nowhere looks like it. A rise is not looked for."""
    values = [value for _, value in points]
    splits = range(LEAST_SIDE, len(values) - LEAST_SIDE + 1)
    best, at = 0, 0
    for split in splits:
        rest = values[split:]
        drop = sum((a > b) - (a < b) for a in values[:split] for b in rest)
        if drop > best:
            best, at = drop, split
    if not at:
        return None
    from scipy.stats import mannwhitneyu  # noqa: PLC0415 - as above

    before, after = values[:at], values[at:]
    chance = float(mannwhitneyu(before, after, alternative="greater").pvalue) * len(splits)
    return Step(points[at][0], median(before), median(after), len(after), min(1.0, chance))


def _turned(step: Step | None) -> Step | None:
    if step is None:
        return None
    return Step(step.at_ms, -step.from_level, -step.to_level, step.overs_since, step.chance)


def _reason(signal: _Looked, rise: _Looked, errors_now: float | None, by_errors: bool) -> str:
    said = []
    line, step = signal.line, signal.step
    if step and signal.abrupt:
        said.append(
            f"its signal dropped by {step.from_level - step.to_level:.0f} dB {step.overs_since} "
            f"overs ago, to {step.to_level:.0f} dBm"
        )
    elif signal.worse and line:
        said.append(
            f"its signal fell by {-line.change:.0f} dB {_over(line)}, to {line.last:.0f} dBm"
        )
    if rise.worse:
        said.append(_errors_rose(rise, over=not said))
    elif by_errors and errors_now is not None:
        said.append(f"errors are at {_pct(errors_now)} %")
    return "; ".join(said)


def _errors_rose(rise: _Looked, over: bool) -> str:
    line, step = rise.line, rise.step
    if line and not rise.abrupt:
        first = max(0.0, line.change - line.last)
        text = f"errors rose from {_pct(first)} % to {_pct(-line.last)} %"
        return f"{text} {_over(line)}" if over else text
    assert step is not None
    text = f"errors rose from {_pct(-step.from_level)} % to {_pct(-step.to_level)} %"
    return f"{text} {step.overs_since} overs ago" if over else text


def _over(line: _Line) -> str:
    seconds = line.span_ms / 1000
    took = f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"
    return f"over its last {line.points} overs ({took})"


def _pct(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}".removesuffix(".0")
