"""`python -m tests.bench.reach [SEEDS]`: who is told to be out of reach, against the truth.

Three judges watch the same days (`days.py`): a fixed time-out of 15 minutes, one of 30 minutes, and
ours (`streamer.domain.verdict`). All three leave out times in which a repeater that is known to be
down could not have heard anybody, so that only the law of silence is compared.

An episode is ten minutes or more in which a member truly could not be heard. It is detected if an
alarm stands in it; the time to detect runs from its begin, and is 0 if the alarm stood before.
Raised in time counts only an alarm raised in the episode: one that stood since before, raised while
the member could still be heard, tells nobody that it has left, and is a false alarm that happens to
become true. A false alarm is one raised while the member could be heard. Where nobody can say (a
level within 3 dB of the weakest that is heard, or a repeater that has failed), an alarm is neither.
"""

import sys
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from statistics import fmean, median

from streamer.config import Learning, Policy
from streamer.domain.cells import cell_at
from streamer.domain.coverage import Coverage
from streamer.domain.membership import when_silent_ms
from streamer.domain.model import Fix, Learned, PathEntry, Presence, Sums
from streamer.domain.outlook import Signs, Watcher
from streamer.domain.verdict import Silences, Verdict
from tests.bench.days import MINUTE_S, Day, Kind, Over, Person, make_day, radio

GRAIN_S = 60
PATH = 16
KEPT = 64
EPISODE_MIN = 10
TRAINING = tuple((seed, kind) for seed in (900, 901) for kind in Kind)
"""Days whose overs coverage is learned from; no day that is judged is among them."""


def listening(day: Day, repeater: str, from_s: float, to_s: float) -> list[tuple[float, float]]:
    """When the repeater was known to be down, cut to the time asked for."""
    return [
        (max(begin, from_s), min(end, to_s))
        for name, begin, end in day.failures
        if name == repeater and begin < to_s and end > from_s
    ]


@dataclass(slots=True)
class Heard:
    """What was heard of one member, and what the state would keep of it."""

    overs: list[Over]
    times_s: list[float]
    grains: list[int]

    @classmethod
    def of(cls, overs: list[Over]) -> "Heard":
        grains = sorted({int(o.at_s) // GRAIN_S * GRAIN_S for o in overs})
        return cls(overs, [o.at_s for o in overs], grains)

    def presence(self, at_s: float) -> Presence:
        at = bisect_right(self.grains, at_s)
        return tuple(reversed(self.grains[max(0, at - KEPT) : at]))

    def signs(self, newest: int) -> Signs:
        """As known after the over number `newest`."""
        overs = self.overs[max(0, newest - PATH + 1) : newest + 1]
        fixes = [o for o in overs if o.lat is not None]
        fix = None
        if fixes:
            o = fixes[-1]
            assert o.lat is not None
            assert o.lon is not None
            fix = Fix(round(o.at_s * 1000), o.lat, o.lon, o.speed_mps, o.course_deg)
        path = tuple(
            PathEntry(round(o.at_s * 1000), o.repeater, f"{o.at_s}", 2000, o.rssi_dbm, o.ber_pct)
            for o in reversed(overs)
        )
        return Signs(path, fix)


Judge = Callable[[Day, Mapping[str, Heard], Person, int, float], float]
"""(day, all that was heard, member, number of its newest over, end of the silence) -> after how
many seconds of listening the alarm is raised."""


def time_out(limit_s: float) -> Judge:
    return lambda day, heard, person, newest, end_s: limit_s


@cache
def coverages(learning: Learning) -> dict[str, Coverage]:
    """Learned from other days."""
    cells: dict[str, dict[str, list[Over]]] = defaultdict(lambda: defaultdict(list))
    for seed, kind in TRAINING:
        for over in make_day(seed, kind).overs:
            if over.lat is not None and over.lon is not None:
                cell = cell_at(over.lat, over.lon, learning.cell_resolution)
                cells[over.repeater][cell].append(over)
    sites = radio().view.sites
    return {
        name: Coverage(
            Learned(name, {cell: sums(overs) for cell, overs in cells[name].items()}, {}),
            site,
            learning,
        )
        for name, site in sites.items()
        if name.endswith("vhf")
    }


def sums(overs: Sequence[Over]) -> Sums:
    rssi, ber = [o.rssi_dbm for o in overs], [o.ber_pct for o in overs]
    return Sums(
        len(overs), len(rssi), sum(rssi), sum(v * v for v in rssi),
        len(ber), sum(ber), sum(v * v for v in ber),
    )  # fmt: skip


class Ours:
    """The product's own rules, fed with what the state would have kept."""

    def __init__(self, policy: Policy, learning: Learning) -> None:
        self._policy = policy
        self._learning = learning
        known = list(coverages(learning).values())
        self._watcher = Watcher(learning, lambda lat, lon: known)
        self._of: tuple[Day, Silences] | None = None
        self._newest: dict[str, int] = {}
        self._heard: Mapping[str, Heard] = {}

    def _silences(self, day: Day, heard: Mapping[str, Heard]) -> Silences:
        if self._of is None or self._of[0] is not day:
            self._heard = heard
            presences = {name: tuple(reversed(h.grains)) for name, h in heard.items()}
            since = day.duty_since_s
            silences = Silences(
                self._policy, self._learning, presences.__getitem__, presences, duty_since_s=since,
                watcher=self._watcher,
                signs=lambda name: self._heard[name].signs(self._newest[name]),
            )  # fmt: skip
            self._of = day, silences
        return self._of[1]

    def __call__(
        self, day: Day, heard: Mapping[str, Heard], person: Person, newest: int, end_s: float
    ) -> float:
        """The first alarm that people get of a member."""
        return self._verdict(day, heard, person, newest, end_s).overdue_s

    def out_of_reach(
        self, day: Day, heard: Mapping[str, Heard], person: Person, newest: int, end_s: float
    ) -> float:
        """The second, which calls it out of reach."""
        return self._verdict(day, heard, person, newest, end_s).lost_s

    def _verdict(
        self, day: Day, heard: Mapping[str, Heard], person: Person, newest: int, end_s: float
    ) -> Verdict:
        silences = self._silences(day, heard)
        self._newest[person.call] = newest
        over = heard[person.call].overs[newest]
        start_ms = round(over.at_s * 1000)
        spans = listening(day, over.repeater, over.at_s, end_s)
        dark = tuple((round(a * 1000), round(b * 1000)) for a, b in spans)
        silence_s = end_s - over.at_s - sum(b - a for a, b in spans)
        return silences.verdict(
            person.call, start_ms, silence_s, dark,
            lambda seconds: when_silent_ms(start_ms, round(seconds * 1000), dark),
        )  # fmt: skip


# -- scoring -------------------------------------------------------------------------------------


@dataclass(slots=True)
class Score:
    member_days: float = 0.0
    false: int = 0
    episodes: int = 0
    detected: int = 0
    raised: int = 0
    delays_min: list[int] = field(default_factory=list)
    """Of the episodes detected."""
    raised_min: list[int] = field(default_factory=list)
    """Of those in which the alarm was raised."""

    def add(self, other: "Score") -> None:
        self.member_days += other.member_days
        self.false += other.false
        self.episodes += other.episodes
        self.detected += other.detected
        self.raised += other.raised
        self.delays_min += other.delays_min
        self.raised_min += other.raised_min

    @property
    def false_a_day(self) -> float:
        return self.false / self.member_days if self.member_days else 0.0

    def __str__(self) -> str:
        delays, raised = self.delays_min, self.raised_min
        typical = f"{median(delays):5.1f} / {fmean(delays):5.1f}" if delays else "     - /     -"
        strict = f"{median(raised):5.1f} / {fmean(raised):5.1f}" if raised else "     - /     -"
        return (
            f"{self.false_a_day:7.2f} {self.detected:6}/{self.episodes:<4} {typical}"
            f" {self.raised:9}/{self.episodes:<4} {strict}"
        )


def alarms(day: Day, heard: Mapping[str, Heard], person: Person, judge: Judge) -> list[bool]:
    """Minute by minute: does an alarm stand?"""
    minutes = len(day.reachable[person.call])
    stands = [False] * minutes
    own = heard[person.call]
    for newest, over in enumerate(own.overs):
        end_s = own.times_s[newest + 1] if newest + 1 < len(own.overs) else day.end_s
        if end_s <= day.begin_s or end_s - over.at_s < 240:
            continue
        after_s = judge(day, heard, person, newest, end_s)
        spans = listening(day, over.repeater, over.at_s, end_s)
        dark = [(round(a * 1000), round(b * 1000)) for a, b in spans]
        raised_s = when_silent_ms(round(over.at_s * 1000), round(after_s * 1000), dark) / 1000
        # Nothing begins while its repeater is known to be down.
        first = max(0, -int(-(raised_s - day.begin_s) // MINUTE_S))
        for minute in range(first, min(minutes, -int(-(end_s - day.begin_s) // MINUTE_S))):
            stands[minute] = True
    return stands


def episodes(truth: Sequence[bool | None], start: int) -> Iterator[tuple[int, int]]:
    run = 0
    for minute, value in enumerate((*truth, True)):
        if value is False:
            run += 1
            continue
        if run >= EPISODE_MIN and minute - run > start:
            yield minute - run, minute
        run = 0


def judged(day: Day, heard: Mapping[str, Heard], person: Person, judge: Judge) -> Score:
    truth, stands = day.reachable[person.call], alarms(day, heard, person, judge)
    start = max(0, round((person.in_s - day.begin_s) / MINUTE_S))
    score = Score((len(truth) - start) / 1440)
    for begin, end in episodes(truth, start):
        score.episodes += 1
        within = [m for m in range(begin, end) if stands[m]]
        if within:
            score.detected += 1
            score.delays_min.append(within[0] - begin)
        raised = [m for m in range(max(1, begin - 2), end) if stands[m] and not stands[m - 1]]
        if raised:
            score.raised += 1
            score.raised_min.append(max(0, raised[0] - begin))
    for minute in range(max(1, start), len(truth)):
        if (
            stands[minute]
            and not stands[minute - 1]
            and all(truth[max(0, minute - 2) : minute + 1])
        ):
            score.false += 1
    return score


def kind_of(person: Person) -> str:
    if person.beacon_s is not None:
        return "sends its position by itself"
    return "sends it with its overs" if person.says_position else "never says where it is"


def compare(
    judges: Mapping[str, Judge], days: Sequence[tuple[int, Kind]]
) -> dict[tuple[str, str], Score]:
    """(judge, part) -> score; parts are kinds of days and of members, and 'all'."""
    found: dict[tuple[str, str], Score] = defaultdict(Score)
    for seed, kind in days:
        day = make_day(seed, kind)
        by_call: dict[str, list[Over]] = defaultdict(list)
        for over in day.overs:
            by_call[over.station].append(over)
        heard = {p.call: Heard.of(by_call[p.call]) for p in day.people}
        for name, judge in judges.items():
            for person in day.people:
                score = judged(day, heard, person, judge)
                for part in ("all", kind.value, kind_of(person)):
                    found[name, part].add(score)
    return dict(found)


def table(scores: Mapping[tuple[str, str], Score]) -> str:
    head = (
        f"{'':30}{'':16}  false  detected     minutes        raised in time  minutes\n"
        f"{'':30}{'':16}  a day               median/mean                  median/mean"
    )
    lines = [head]
    parts = list(dict.fromkeys(part for _, part in scores))
    for part in parts:
        for name in dict.fromkeys(judge for judge, _ in scores):
            lines.append(f"{part:30}{name:16}{scores[name, part]}")
    return "\n".join(lines)


FIXED: dict[str, Judge] = {"15 minutes": time_out(900), "30 minutes": time_out(1800)}


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    days = [(seed, kind) for kind in Kind for seed in range(seeds)]
    ours = Ours(Policy(), Learning())
    judges: dict[str, Judge] = {**FIXED, "ours: overdue": ours, "ours: out": ours.out_of_reach}
    print(table(compare(judges, days)))


if __name__ == "__main__":
    main()
