"""Whether a repeater hears its stations worse than it usually hears just them. Pure.

Each over is held against its own station's norm on that repeater, so that it does not matter who
happens to talk. What an over says is the logarithm of how much likelier it is under a loss of so
and so much than under none: much from a fixed station, little from one that drives about. Their
CUSUM finds the loss, their EWMA says how large it is and whether it lasts.

Against false alarms: overs of one visit (a station parked somewhere, or driving through) are alike
and count little more than one; a station says no more than MOST_PER_STATION, which is less than
half of what raises, so that no two stations can; one with few earlier overs is not counted at all;
no over counts as further off than twice the shift. `tests/bench/health.py` measures what is left.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from streamer.domain.control_charts import cusum_step, ewma_step
from streamer.domain.model import HeardOver, Sums

WINDOW_MS: Final = 7 * 86_400_000
"""Older overs are not recent, even where nobody talks."""
VISIT_GAP_MS: Final = 30 * 60_000
"""After so long a pause a station may be somewhere else: common practice, no source."""
EARLIER_OVERS: Final = 12
"""A station that was heard less often before has no norm."""
ALIKE: Final = 0.9
"""Correlation of two overs of one visit; an assumption, on the careful side."""
PRIOR_WORTH: Final = 4
"""Overs that the assumed spread is worth beside a station's own."""
RAISE_ABOVE: Final = 4.5
"""The CUSUM's decision interval. With the constants around it, it was chosen by simulation
(`tests/bench/health.py`, seeds 100 to 115, which the score does not use). False alarms in a
repeater-month and faults found within 30 overs, with most a station may say in brackets: 4.5 (2.2):
0.7, 66 %; 4.5 (2.0): 0.6, 58 %; 4.1 (2.0): 1.1, 69 %; with the other constants a little different
6: 0.5, 57 %; 7: 0.3, 52 %; 9: 0.1, 31 %."""
MOST_PER_STATION: Final = 2.2
"""Less than half of what raises: it takes three stations, the third of which says something too."""
WEIGHT: Final = 0.25
"""Of the newest over in the EWMA, if it is a fixed station's first of a visit."""
_RAISE_SHARE: Final = 0.5
_STAY_SHARE: Final = 0.4
"""Of the shift: the mean loss that a new finding needs, and the EWMA below which it ends."""


@dataclass(frozen=True, slots=True)
class Measure:
    """What is charted. `shift` is the loss to be found, `least_spread` what no station is steadier
    than, `usual_spread` what is assumed of one little known, `drift` the spread of what comes and
    goes for all stations together, all in `unit`; `sign` is -1 if less is worse."""

    unit: str
    sign: int
    shift: float
    least_spread: float
    usual_spread: float
    drift: float


SIGNAL: Final = Measure("dB", -1, shift=6.0, least_spread=2.0, usual_spread=7.0, drift=1.0)
ERRORS: Final = Measure("%", 1, shift=3.0, least_spread=1.0, usual_spread=3.0, drift=0.5)


@dataclass(frozen=True, slots=True)
class Norm:
    """What a station is usually like on the repeater: mean and spread of `overs` earlier ones, so
    that the mean itself is known to `error`."""

    mean: float
    spread: float
    overs: float
    error: float


@dataclass(frozen=True, slots=True)
class Loss:
    """What the chart shows now, losses positive, in the measure's unit. `loss` is the mean over
    `overs` of `stations` since `since_ms`, when the present run of the CUSUM began (None: no run);
    `worse` are those of the stations that speak for a loss."""

    measure: Measure
    cusum: float = 0.0
    ewma: float = 0.0
    loss: float = 0.0
    overs: int = 0
    stations: int = 0
    worse: int = 0
    since_ms: int | None = None
    newest_ms: int | None = None

    @property
    def raises(self) -> bool:
        """Whether it is large and sure enough to be told anew."""
        least = _RAISE_SHARE * self.measure.shift
        return (
            self.cusum > RAISE_ABOVE
            and 2 * self.worse > self.stations
            and self.loss >= least
            and self.ewma >= least
        )

    @property
    def lasts(self) -> bool:
        """Whether one that was told goes on."""
        return self.newest_ms is not None and self.ewma >= _STAY_SHARE * self.measure.shift


def signal_loss(
    recent: Sequence[HeardOver], stations: Mapping[str, Sums], now_ms: int
) -> tuple[Loss, Loss]:
    """The charts of signal and of error rate at one repeater.

    `recent` are overs that it heard, newest first; `stations` the sums of each station there, the
    recent overs in them.
    """
    window = [
        over
        for over in reversed(recent)
        # The sums count an over at its end.
        if over.duration_ms and now_ms - WINDOW_MS < over.ms <= now_ms
    ]
    signals = [(o.ms, o.station, o.rssi_dbm) for o in window if o.rssi_dbm is not None]
    errors = [(o.ms, o.station, o.ber_pct) for o in window if o.ber_pct is not None]
    return (
        _chart(SIGNAL, signals, _norms(SIGNAL, signals, stations)),
        _chart(ERRORS, errors, _norms(ERRORS, errors, stations)),
    )


Readings = Sequence[tuple[int, str, float]]


def _norms(
    measure: Measure, readings: Readings, stations: Mapping[str, Sums]
) -> Mapping[str, Norm]:
    """The norms of the stations in a window, from what was heard of them before it."""
    inside: defaultdict[str, list[float]] = defaultdict(list)
    for _, station, value in readings:
        inside[station].append(value)
    found = {}
    for station, values in inside.items():
        sums = stations.get(station, Sums())
        norm = norm_of(measure, sums, values)
        if norm is not None:
            found[station] = norm
    return found


def norm_of(measure: Measure, sums: Sums, inside: Iterable[float]) -> Norm | None:
    """A station's norm: its sums without the values `inside` a window; None if too little is left.

    The spread is drawn towards the usual one: a station that was heard in one place alone looks
    steady until it moves. The drift common to all is part of the mean's error.
    """
    count, total, squares = sums.errors, sums.error_sum, sums.error_squares
    if measure is SIGNAL:
        count, total, squares = sums.signals, sums.signal_sum, sums.signal_squares
    values = list(inside)
    # The sums of the newest weeks are not aged; of older overs in the window a little too much is
    # taken away, which matters for stations little heard, and those have wide norms.
    count -= len(values)
    if count < EARLIER_OVERS:
        return None
    mean = (total - math.fsum(values)) / count
    left = squares - math.fsum(value * value for value in values) - count * mean * mean
    own = max(0.0, left)
    variance = (own + PRIOR_WORTH * measure.usual_spread**2) / (count + PRIOR_WORTH)
    spread = max(measure.least_spread, math.sqrt(variance))
    error = math.sqrt((spread**2 + measure.drift**2) * EARLIER_OVERS / count)
    return Norm(mean, spread, count, error)


@dataclass(slots=True)
class _Voice:
    """What one station has said since the run began."""

    norm: Norm
    overs: int = 0
    total: float = 0.0
    visits: int = 0
    last_ms: int = 0

    def hear(self, ms: int, loss: float) -> None:
        if not self.visits or ms - self.last_ms > VISIT_GAP_MS:
            self.visits += 1
        self.last_ms = ms
        self.overs += 1
        self.total += loss

    def variance(self, measure: Measure) -> float:
        """Of the mean of its losses about the truth: overs of a visit share most of what moved."""
        share = ALIKE / self.visits + (1 - ALIKE) / self.overs
        return self.norm.spread**2 * share + self.norm.error**2 + measure.drift**2

    def says(self, measure: Measure) -> float:
        """log(chance of what it said under the shift / under none), bounded either way."""
        if not self.overs:
            return 0.0
        off = self.total / self.overs - measure.shift / 2
        ratio = measure.shift / self.variance(measure) * off
        return min(MOST_PER_STATION, max(-MOST_PER_STATION, ratio))


@dataclass(slots=True)
class _Run:
    """The present run of the CUSUM; a new one begins when it falls to 0."""

    measure: Measure
    norms: Mapping[str, Norm]
    cusum: float = 0.0
    since_ms: int = 0
    voices: dict[str, _Voice] = field(default_factory=dict)

    def hear(self, ms: int, station: str, loss: float) -> None:
        if not self.voices:
            self.since_ms = ms
        voice = self.voices.get(station)
        if voice is None:
            voice = self.voices[station] = _Voice(self.norms[station])
        before = voice.says(self.measure)
        voice.hear(ms, loss)
        self.cusum = cusum_step(self.cusum, voice.says(self.measure) - before)
        if self.cusum == 0.0:
            self.voices.clear()


def _chart(measure: Measure, readings: Readings, norms: Mapping[str, Norm]) -> Loss:
    run = _Run(measure, norms)
    average = 0.0
    newest_ms = None
    visits: dict[str, tuple[int, int]] = {}
    for ms, station, value in readings:
        norm = norms.get(station)
        if norm is None:
            continue
        bound = 2 * measure.shift
        loss = min(bound, max(-bound, measure.sign * (value - norm.mean)))
        run.hear(ms, station, loss)
        last_ms, nth = visits.get(station, (ms, 0))
        nth = 1 if ms - last_ms > VISIT_GAP_MS else nth + 1
        visits[station] = ms, nth
        average = ewma_step(average, loss, _weight(measure, norm) / nth)
        newest_ms = ms
    weights = [1 / voice.variance(measure) for voice in run.voices.values()]
    means = [voice.total / voice.overs for voice in run.voices.values()]
    return Loss(
        measure,
        run.cusum,
        average,
        math.fsum(w * m for w, m in zip(weights, means, strict=True)) / sum(weights or [1.0]),
        sum(voice.overs for voice in run.voices.values()),
        len(run.voices),
        sum(voice.says(measure) > 0 for voice in run.voices.values()),
        run.since_ms if run.voices else None,
        newest_ms,
    )


def _weight(measure: Measure, norm: Norm) -> float:
    """Of one over in the EWMA: less, the less steady its station."""
    steady = (measure.least_spread * 1.5) ** 2
    return WEIGHT * min(1.0, steady / (norm.spread**2 + norm.error**2))
