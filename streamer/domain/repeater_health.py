"""Whether a repeater is well: deaf, degraded, stuck or busy, each with its reasons. Pure.

A repeater that is not reporting has no findings: that it is lost is told elsewhere, and of its
receiver nothing can be said. Thresholds that are no settings were chosen in the simulation of
`tests/bench/health.py`, which measures what they find and how often they are wrong.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from streamer.config import Learning
from streamer.domain.model import HeardOver, Learned
from streamer.domain.signal_loss import VISIT_GAP_MS, WINDOW_MS, Loss, signal_loss

MINUTE_MS: Final = 60_000
BUSY_SPAN_MS: Final = 15 * MINUTE_MS
BUSY_ENDS: Final = 2 / 3
"""Of the share that calls a repeater busy."""
LONG_OVER_HELD_MS: Final = 15 * MINUTE_MS
"""So long after its end an over that lasted too long is told."""
STUCK_HELD_MS: Final = 12 * 3_600_000
"""An over whose end never came is told no longer: by then the end was lost on the way."""
DEAF_PHI: Final = 3.0
"""Decades: by chance once in a thousand such silences."""
DEAF_STATIONS: Final = 3
DEAF_SILENCE_MS: Final = 10 * MINUTE_MS
"""A shorter silence is never called deaf."""
MOST_SHARE: Final = 0.9
"""No station is surer to be heard than that, so none is worth more than one decade."""
LEAST_SHARE: Final = 1 / 3
"""A repeater that hears less of a station does not usually hear it."""
MEETING_MS: Final = 3_600_000
"""Who talks on one repeater within an hour may have met there on purpose."""
TOGETHER: Final = 1 / 3
"""Correlation of their choices: a meeting is worth less than three decades, so that no net, however
large, calls a repeater deaf alone. With DEAF_PHI from simulation (`tests/bench/health.py`, seeds
100 to 109). False alarms a month and median time to find a deaf one: without correlation 1.5 and
3 h, with 0.15 0.2 and 8 h, with 1/3 0.1 and 9 h."""
AGAIN_MS: Final = 4 * 3_600_000
"""A station that was missed is evidence again after so long."""
KNOWN_OVERS: Final = 50.0
"""A repeater that was heard to hear less is not known well enough to be called deaf."""
_SHARE_WORTH: Final = 2.0


class Trouble(StrEnum):
    """What may be wrong with a repeater that reports."""

    DEAF = "deaf"
    """Up, but hears nothing of what it should."""
    DEGRADED = "degraded"
    """Hears its stations worse than it usually does."""
    STUCK = "stuck"
    """A carrier that does not end."""
    BUSY = "busy"


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """An over heard at another repeater; `cell` is the H3 cell of its station's newest position."""

    ms: int
    station: str
    repeater: str
    cell: str | None


Share = Callable[[Elsewhere], float | None]
"""Of the overs from that cell, or else of that station, the share that the judged repeater usually
hears: 0 to 1, None if nothing is known."""


@dataclass(frozen=True, slots=True)
class Hearing:
    """What is known of a repeater when it is judged.

    `recent` are the overs that it heard, newest first, and `learned` its sums, the recent overs in
    them; `elsewhere` overs that others heard, in any order. `air` are (start_ms, air_ms): what was
    sent in the spans of time of `air_span_ms` that begin then, a day's last hour or more.
    """

    learned: Learned
    recent: Sequence[HeardOver]
    last_heard_ms: int | None
    reporting: bool
    reporting_since_ms: int | None = None
    elsewhere: Sequence[Elsewhere] = ()
    air: Sequence[tuple[int, int]] = ()
    air_span_ms: int = 5 * MINUTE_MS


@dataclass(frozen=True, slots=True)
class Finding:
    """One trouble, since when, why in words, and the numbers that the words rest on."""

    trouble: Trouble
    since_ms: int
    reasons: tuple[str, ...]
    evidence: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Health:
    """The judgement; `next_ms` is when time alone may change it, None if it cannot."""

    repeater: str
    findings: tuple[Finding, ...]
    next_ms: int | None

    def find(self, trouble: Trouble) -> Finding | None:
        return next((f for f in self.findings if f.trouble is trouble), None)

    @property
    def held(self) -> dict[Trouble, int]:
        """What the next judgement is to be given."""
        return {f.trouble: f.since_ms for f in self.findings}


_Judged = tuple[Finding | None, int | None]


def judge(
    hearing: Hearing,
    share: Share,
    learning: Learning,
    now_ms: int,
    held: Mapping[Trouble, int] | None = None,
) -> Health:
    """Judge a repeater. `held` are the troubles that stood at the last judgement, and since when: a
    standing one ends later than a new one begins."""
    repeater = hearing.learned.repeater
    if not hearing.reporting:
        return Health(repeater, (), None)
    stood = held or {}
    judged = (
        _deaf(hearing, share, now_ms, stood.get(Trouble.DEAF)),
        _degraded(hearing, now_ms, stood.get(Trouble.DEGRADED)),
        _stuck(hearing, learning, now_ms),
        _busy(hearing, learning, now_ms, stood.get(Trouble.BUSY)),
    )
    findings = tuple(finding for finding, _ in judged if finding)
    times = [ms for _, ms in judged if ms is not None and ms > now_ms]
    return Health(repeater, findings, min(times, default=None))


# -- deaf ------------------------------------------------------------------------------------------


def shares(learneds: Mapping[str, Learned], repeater: str) -> Share:
    """The shares by what all repeaters learned: of the cell where that is known, else of the
    station; None where fewer than ten overs were heard.

    The overs of all repeaters are added up as if no two had heard the same one. So the share is too
    small where repeaters overlap, never too large; a station that spends half of its time on
    another repeater is then not missed after all.
    """

    def share(over: Elsewhere) -> float | None:
        by_repeater = {
            name: (
                learned.stations.get(over.station)
                if over.cell is None
                else learned.cells.get(over.cell)
            )
            for name, learned in learneds.items()
        }
        counts = {name: sums.overs for name, sums in by_repeater.items() if sums is not None}
        total = sum(counts.values())
        return counts.get(repeater, 0.0) / (total + _SHARE_WORTH) if total >= 10 else None

    return share


@dataclass(slots=True)
class _Meeting:
    """Stations that the repeater usually hears, on another one at about the same time."""

    began_ms: int
    last_ms: int
    shares: dict[str, list[float]] = field(default_factory=dict)

    @property
    def decades(self) -> float:
        means = [math.fsum(parts) / len(parts) for parts in self.shares.values()]
        one = -math.log10(1 - min(MOST_SHARE, math.fsum(means) / len(means)))
        return one * len(means) / (1 + (len(means) - 1) * TOGETHER)


def _deaf(hearing: Hearing, share: Share, now_ms: int, held_ms: int | None) -> _Judged:
    began = (hearing.last_heard_ms, hearing.reporting_since_ms)
    since_ms = max((ms for ms in began if ms is not None), default=None)
    known = sum(sums.overs for sums in hearing.learned.stations.values())
    stood = since_ms is not None and held_ms == since_ms
    if since_ms is None or (known < KNOWN_OVERS and not stood):
        return None, None
    missed = [
        over
        for over in hearing.elsewhere
        if since_ms < over.ms <= now_ms and over.repeater != hearing.learned.repeater
    ]
    meetings = _meetings(missed, share)
    stations = {station for meeting in meetings for station in meeting.shares}
    phi = math.fsum(meeting.decades for meeting in meetings)
    enough = phi >= DEAF_PHI and len(stations) >= DEAF_STATIONS
    # Once called deaf it is until it hears somebody, though the others fall silent at night.
    if not enough and not stood:
        return None, None
    if now_ms - since_ms < DEAF_SILENCE_MS:
        return None, since_ms + DEAF_SILENCE_MS
    silence = f"heard nothing for {_long(now_ms - since_ms)}"
    if stations:
        names = _count(len(stations), "station")
        were = "was" if len(stations) == 1 else "were"
        silence += f" while {names} it usually hears {were} heard elsewhere"
    evidence = {
        "phi": phi,
        "stations": float(len(stations)),
        "meetings": float(len(meetings)),
        "silence_s": (now_ms - since_ms) / 1000,
    }
    return Finding(Trouble.DEAF, since_ms, (silence,), evidence), None


def _meetings(overs: Sequence[Elsewhere], share: Share) -> list[_Meeting]:
    """What was missed, as pieces of evidence that have little to do with each other.

    Those who talk on another repeater within the hour may have chosen it together, be they two or a
    net: a meeting counts by the mean of its stations' shares, and little more for many. Nor is it
    news that a station which uses another repeater still does: it counts in its first meeting, and
    again hours later.
    """
    found: list[_Meeting] = []
    running: dict[str, _Meeting] = {}
    counted: dict[str, tuple[int, _Meeting]] = {}
    for over in sorted(overs, key=lambda over: (over.ms, over.repeater, over.station)):
        part = share(over)
        if part is None or part < LEAST_SHARE:
            continue
        meeting = running.get(over.repeater)
        if (
            meeting is None
            or over.ms - meeting.last_ms > VISIT_GAP_MS
            or over.ms - meeting.began_ms > MEETING_MS
        ):
            meeting = running[over.repeater] = _Meeting(over.ms, over.ms)
            found.append(meeting)
        meeting.last_ms = over.ms
        at_ms, where = counted.get(over.station, (over.ms - AGAIN_MS, meeting))
        if where is meeting or over.ms - at_ms >= AGAIN_MS:
            counted[over.station] = over.ms, meeting
            meeting.shares.setdefault(over.station, []).append(part)
    return [meeting for meeting in found if meeting.shares]


# -- degraded --------------------------------------------------------------------------------------


def _degraded(hearing: Hearing, now_ms: int, held_ms: int | None) -> _Judged:
    charts = signal_loss(hearing.recent, hearing.learned.stations, now_ms)
    signal, errors = charts
    told = [chart for chart in charts if chart.raises or (held_ms is not None and chart.lasts)]
    if not told:
        return None, None
    began = [chart.since_ms for chart in told if chart.since_ms is not None]
    since_ms = held_ms if held_ms is not None else min(began)
    reasons = [_weaker(chart) if chart is signal else _more_errors(chart) for chart in told]
    evidence = {
        "cusum": signal.cusum,
        "ewma_db": signal.ewma,
        "loss_db": signal.loss,
        "overs": float(max(chart.overs for chart in told)),
        "stations": float(max(chart.stations for chart in told)),
        "weaker_stations": float(signal.worse),
        "errors_cusum": errors.cusum,
        "errors_ewma_pct": errors.ewma,
    }
    newest = [chart.newest_ms for chart in told if chart.newest_ms is not None]
    finding = Finding(Trouble.DEGRADED, since_ms, tuple(reasons), evidence)
    return finding, max(newest) + WINDOW_MS


def _weaker(chart: Loss) -> str:
    if chart.loss < chart.ewma / 2:  # the run is over; what is left is the memory of it
        return f"overs still come in about {chart.ewma:.1f} dB weaker than usual"
    return (
        f"{_count(chart.overs, 'over')} of {_count(chart.stations, 'station')} came in "
        f"{chart.loss:.1f} dB weaker than these stations usually do here"
    )


def _more_errors(chart: Loss) -> str:
    if chart.loss < chart.ewma / 2:
        return f"overs still have about {chart.ewma:.1f} % more errors than usual"
    return (
        f"{_count(chart.overs, 'over')} of {_count(chart.stations, 'station')} had "
        f"{chart.loss:.1f} % more errors than these stations usually have here"
    )


# -- stuck and busy --------------------------------------------------------------------------------


def _stuck(hearing: Hearing, learning: Learning, now_ms: int) -> _Judged:
    """By the newest over alone: whoever is heard after it shows that it ended."""
    over = max(hearing.recent, key=lambda over: (over.ms, over.over), default=None)
    if over is None or over.ms > now_ms:
        return None, None
    longest_ms = round(learning.carrier_stuck_after_s * 1000)
    if over.duration_ms:
        end_ms = over.ms + over.duration_ms
        if over.duration_ms <= longest_ms or now_ms >= end_ms + LONG_OVER_HELD_MS:
            return None, None
        reason = (
            f"{over.station} was sending for {_long(over.duration_ms)}; "
            f"no over should last longer than {_long(longest_ms)}"
        )
        evidence = {"duration_s": over.duration_ms / 1000}
        return Finding(Trouble.STUCK, over.ms, (reason,), evidence), end_ms + LONG_OVER_HELD_MS
    return _endless(over, hearing, longest_ms, now_ms)


def _endless(over: HeardOver, hearing: Hearing, longest_ms: int, now_ms: int) -> _Judged:
    """The newest over, whose end never came."""
    # Not every gateway tells how long overs were; then no end is ever known.
    if not any(earlier.duration_ms for earlier in hearing.recent):
        return None, None
    # An end that was due before the gateway came back was lost with its connection.
    restarted = hearing.reporting_since_ms is not None and over.ms < hearing.reporting_since_ms
    lasted_ms = now_ms - over.ms
    if restarted or lasted_ms >= STUCK_HELD_MS:
        return None, None
    if lasted_ms <= longest_ms:
        return None, over.ms + longest_ms + 1
    reason = (
        f"{over.station} has been sending for {_long(lasted_ms)} without end: "
        "a carrier may be stuck, or the end was lost on the way"
    )
    evidence = {"duration_s": lasted_ms / 1000}
    return Finding(Trouble.STUCK, over.ms, (reason,), evidence), over.ms + STUCK_HELD_MS


def air_share(air: Sequence[tuple[int, int]], span_ms: int, now_ms: int) -> float:
    """Share (0 to 1) of the last 15 minutes that was on the air; of the span that began before them
    so much as lies within."""
    from_ms = now_ms - BUSY_SPAN_MS
    total = 0.0
    for start_ms, air_ms in air:
        if start_ms <= now_ms:
            inside = min(1.0, max(0.0, (start_ms + span_ms - from_ms) / span_ms))
            total += air_ms * inside
    # An over counts where it began, so that a span may hold more than its own length.
    return min(1.0, total / BUSY_SPAN_MS)


def _busy(hearing: Hearing, learning: Learning, now_ms: int, held_ms: int | None) -> _Judged:
    begins = learning.busy_pct / 100
    ends = begins * BUSY_ENDS
    share = air_share(hearing.air, hearing.air_span_ms, now_ms)
    if share < (begins if held_ms is None else ends):
        return None, None
    later = (now_ms + step * MINUTE_MS for step in range(1, 22))
    next_ms = next(
        (ms for ms in later if air_share(hearing.air, hearing.air_span_ms, ms) < ends), None
    )
    reason = f"on the air {100 * share:.0f} % of the last {BUSY_SPAN_MS // MINUTE_MS} min"
    since_ms = now_ms if held_ms is None else held_ms
    return Finding(Trouble.BUSY, since_ms, (reason,), {"air_pct": 100 * share}), next_ms


# -- words -----------------------------------------------------------------------------------------


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _long(ms: int) -> str:
    """A time as people say it: 50 s, 4 min, 7 h."""
    if ms < 2 * MINUTE_MS:
        return f"{ms // 1000} s"
    minutes = ms // MINUTE_MS
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h"
