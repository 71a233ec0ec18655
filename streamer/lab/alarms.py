"""Which alerts of silent members a setting would have raised on a recorded day.

The domain judges (`streamer.domain.verdict`), each silence once, at its end: what it finds at one
length of a silence does not depend on what came later. An alert is one silence of one member that
made it overdue before it was heard again, checked out, or expired; it may go on to out of reach.

Where the truth is known, each time that a member was out of reach of all, checked in by the record,
is a `Loss`: when people were told of it is set against when it began. Losses depend on the record
and the truth alone, so under all settings they are the same ones in the same order.

Left out, since a recording does not hold it: what repeaters had been learned to hear before.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, Final

import numpy as np

from streamer.config import Learning, Policy
from streamer.domain.membership import expiry_ms, when_silent_ms
from streamer.domain.model import PathEntry, Presence
from streamer.domain.outlook import Signs, Watcher
from streamer.domain.silence import FULL_PRESENCE
from streamer.domain.verdict import Silences, Verdict, fixed, soonest_s
from streamer.lab.columns import Columns, known
from streamer.lab.hindsight import There
from streamer.lab.listeners import checked_in_spans
from streamer.lab.truth import Truth
from streamer.state.evidence import sample_of
from streamer.state.keys import PATH_LENGTH

DAY_MS: Final = 86_400_000
Duties = Sequence[tuple[int, float | None]]
"""From when on (ms), since when the newest duty of the group runs (s since 1970; None: none)."""


@dataclass(frozen=True, slots=True)
class Loss:
    """A member truly out of reach from a time on (ms), and how long after that (ms) people were
    told that it was overdue, and that it was out of reach; None: not as long as that lasted. 0
    where they had been told before."""

    station: str
    from_ms: int
    overdue_after_ms: int | None
    lost_after_ms: int | None

    @property
    def told(self) -> bool:
        return self.overdue_after_ms is not None


@dataclass(slots=True)
class Alarms:
    """How many alerts were raised; how many of them came to out of reach; of how many the truth is
    known; and how many of those were false: the member was within reach of a repeater. And what
    became of those who truly were not."""

    raised: int = 0
    out_of_reach: int = 0
    judged: int = 0
    false: int = 0
    losses: list[Loss] = field(default_factory=list)

    @property
    def untold(self) -> int:
        """How many were lost and never told of."""
        return sum(not loss.told for loss in self.losses)

    @property
    def told_after_s(self) -> float | None:
        """The median of those told of; None where none was."""
        return _median_s([loss.overdue_after_ms for loss in self.losses])

    @property
    def told_lost_after_s(self) -> float | None:
        """The same until it was told to be out of reach."""
        return _median_s([loss.lost_after_ms for loss in self.losses])


def _median_s(after_ms: Sequence[int | None]) -> float | None:
    told = [ms for ms in after_ms if ms is not None]
    return median(told) / 1000 if told else None


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alert: last heard, raised, out of reach (None: never), and ended, all in ms."""

    heard_ms: int
    raised_ms: int
    lost_ms: int | None
    ended_ms: int

    @property
    def out_of_reach(self) -> bool:
        return self.lost_ms is not None


class _Kept(tuple[int, ...]):
    """All grains of a station, newest first; cut at a time, it holds as many as the state keeps."""

    __slots__ = ()

    def __getitem__(self, at: Any) -> Any:
        if isinstance(at, slice) and at.stop is None:
            return tuple.__getitem__(self, slice(at.start, (at.start or 0) + FULL_PRESENCE))
        return tuple.__getitem__(self, at)


def grains_of(ms: Sequence[int], grain_s: int) -> Presence:
    """When a station was heard, as the state would keep it if it kept all; `ms` in order."""
    grains = np.unique(np.asarray(ms, np.int64) // (1000 * grain_s)) * grain_s
    return _Kept(grains[::-1].tolist())


class Judge:
    """Judges the silences of one group's members under one policy."""

    def __init__(
        self,
        columns: Columns,
        group: int,
        policy: Policy,
        learning: Learning,
        dark: Mapping[str, Sequence[tuple[int, int]]],
        duties: Duties,
    ) -> None:
        self._columns, self._group = columns, group
        self._policy, self._learning = policy, learning
        self._dark, self._duties = dark, duties
        self._watcher = Watcher(learning)
        self._stations: list[int] = np.unique(columns.overs[group].station).tolist()
        self._grains: dict[str, Presence] = {}
        self._silences: dict[tuple[int, float | None], Silences] = {}
        self._newest = 0
        self._signed: tuple[int, Signs] | None = None

    def alarms(self, truth: Truth) -> Alarms:
        """Of all members, all day long."""
        found = Alarms()
        for station in self._stations:
            there = truth.get(self._columns.stations[station])
            alarms = self.of_station(station) if self._policy.member_alerts else []
            if there is not None:
                found.losses += self._losses(station, there, alarms)
            for alarm in alarms:
                found.raised += 1
                found.out_of_reach += alarm.out_of_reach
                within = None if there is None else _within_reach(there, alarm.raised_ms)
                if within is not None:
                    found.judged += 1
                    found.false += within
        return found

    def of_station(self, station: int) -> list[Alarm]:
        """Of the station with that number, in order."""
        own = self._columns.keyings.of(station)
        ms = self._columns.keyings.ms[own]
        next_ms = np.append(ms[1:], self._columns.horizon_ms)
        soonest_ms = round(soonest_s(self._policy) * 1000)
        long = np.flatnonzero(next_ms - ms > soonest_ms)
        spans = self._checked_in(station)
        begins = [begin for begin, _ in spans]
        found = []
        for at in long.tolist():
            start_ms = int(ms[at])
            span = bisect_right(begins, start_ms) - 1
            if span < 0 or spans[span][1] <= start_ms:
                continue
            ends_ms = min(int(next_ms[at]), spans[span][1], expiry_ms(start_ms, self._policy))
            raised = self._raised(own.start + at, start_ms, ends_ms)
            if raised is not None:
                found.append(raised)
        return found

    def _checked_in(self, station: int) -> list[tuple[int, int]]:
        own = self._columns.keyings.of(station)
        to_group = self._columns.keyings.ms[own][self._columns.keyings.group[own] == self._group]
        outs = self._columns.outs_ms.get((self._group, station), ())
        return checked_in_spans(to_group.tolist(), outs, self._columns.horizon_ms)

    def _losses(
        self, station: int, there: Sequence[There], alarms: Sequence[Alarm]
    ) -> Iterator[Loss]:
        spans = self._checked_in(station)
        for lost_from_ms, lost_until_ms in _out_of_reach(there):
            for begin_ms, end_ms in spans:
                from_ms, until_ms = max(lost_from_ms, begin_ms), min(lost_until_ms, end_ms)
                if from_ms >= until_ms:
                    continue
                overdue = [(a.raised_ms, a.ended_ms) for a in alarms]
                lost = [(a.lost_ms, a.ended_ms) for a in alarms if a.lost_ms is not None]
                yield Loss(
                    self._columns.stations[station], from_ms,
                    _told_after(overdue, from_ms, until_ms), _told_after(lost, from_ms, until_ms),
                )  # fmt: skip

    def _raised(self, keying: int, start_ms: int, ends_ms: int) -> Alarm | None:
        repeater = self._columns.repeaters[int(self._columns.keyings.repeater[keying])]
        dark = [span for span in self._dark.get(repeater, ()) if span[0] < ends_ms]
        unheard_ms = sum(max(0, min(end, ends_ms) - max(a, start_ms)) for a, end in dark)
        silence_s = (ends_ms - start_ms - unheard_ms) / 1000

        def when(needed_s: float) -> int:
            return when_silent_ms(start_ms, round(needed_s * 1000), dark)

        verdict = self._verdict(keying, start_ms, silence_s, dark, when)
        raised_ms = when(verdict.overdue_s)
        if raised_ms >= ends_ms:
            return None
        lost_ms = when(verdict.lost_s)
        return Alarm(start_ms, raised_ms, lost_ms if lost_ms < ends_ms else None, ends_ms)

    def _verdict(
        self,
        keying: int,
        start_ms: int,
        silence_s: float,
        dark: Sequence[tuple[int, int]],
        when: Callable[[float], int],
    ) -> Verdict:
        soonest = soonest_s(self._policy)
        if not self._learning.enabled or soonest >= self._policy.overdue_after_s:
            return fixed(self._policy)
        self._newest = keying
        station = int(np.searchsorted(self._columns.keyings.begins, keying, "right")) - 1
        name = self._columns.stations[station]
        return self._silences_at(start_ms).verdict(name, start_ms, silence_s, dark, when)

    def _silences_at(self, start_ms: int) -> Silences:
        """What is usual changes as members come and go: worked out for each day anew."""
        at = bisect_right(self._duties, start_ms, key=lambda change: change[0]) - 1
        since_s = self._duties[at][1] if at >= 0 else None
        key = start_ms // DAY_MS, since_s
        found = self._silences.get(key)
        if found is None:
            found = self._silences[key] = Silences(
                self._policy,
                self._learning,
                self._presence,
                self._sample(key[0] * DAY_MS),
                duty_since_s=since_s,
                watcher=self._watcher,
                signs=self._signs,
            )
        return found

    def _presence(self, name: str) -> Presence:
        found = self._grains.get(name)
        if found is None:
            own = self._columns.keyings.of(self._columns.stations.index(name))
            grains = grains_of(self._columns.keyings.ms[own].tolist(), self._learning.grain_s)
            found = self._grains[name] = grains
        return found

    def _sample(self, day_ms: int) -> list[str]:
        """Of those who had keyed to the group by the end of the day and were heard since as long
        before it as the workers would ask about."""
        return sample_of(
            self._columns.stations[n] for n in self._stations if self._lives(n, day_ms)
        )

    def _lives(self, station: int, day_ms: int) -> bool:
        since_ms = day_ms - 2 * expiry_ms(0, self._policy)
        own = self._columns.keyings.of(station)
        ms = self._columns.keyings.ms[own]
        first = ms[np.argmax(self._columns.keyings.group[own] == self._group)]
        last = np.searchsorted(ms, day_ms + DAY_MS, "left") - 1
        return bool(first < day_ms + DAY_MS and last >= 0 and ms[last] > since_ms)

    def _signs(self, name: str) -> Signs:
        """As known after its newest keying: of each over the signal of the repeater that it was
        put on."""
        keyings, newest = self._columns.keyings, self._newest
        if self._signed is not None and self._signed[0] == newest:
            return self._signed[1]
        begin = int(keyings.begins[np.searchsorted(keyings.begins, newest, "right") - 1])
        first = max(begin, newest - PATH_LENGTH + 1)
        path = tuple(_entry(self._columns, at) for at in range(newest, first - 1, -1))
        signs = Signs(path, self._columns.signals.fix(newest, begin))
        self._signed = newest, signs
        return signs


def _entry(columns: Columns, at: int) -> PathEntry:
    keyings, signals = columns.keyings, columns.signals
    duration_ms = int(keyings.ended_ms[at] - keyings.ms[at])
    return PathEntry(
        int(keyings.ms[at]), columns.repeaters[int(keyings.repeater[at])], str(at), duration_ms,
        known(signals.rssi_dbm[at]), known(signals.ber_pct[at]),
    )  # fmt: skip


def _out_of_reach(there: Sequence[There]) -> list[tuple[int, int]]:
    """When a station was out of reach of all; spans that touch are one."""
    found: list[tuple[int, int]] = []
    for t in there:
        if t.repeater is not None:
            continue
        if found and found[-1][1] == t.from_ms:
            found[-1] = found[-1][0], t.until_ms
        else:
            found.append((t.from_ms, t.until_ms))
    return found


def _told_after(told: Sequence[tuple[int, int]], from_ms: int, until_ms: int) -> int | None:
    """How long after the begin of a loss the first word stood; `told` from and until, in order."""
    for begin_ms, end_ms in told:
        if begin_ms < until_ms and end_ms > from_ms:
            return max(0, begin_ms - from_ms)
    return None


def _within_reach(there: Sequence[There], ms: int) -> bool | None:
    """None where the truth does not say."""
    at = bisect_right(there, ms, key=lambda t: t.from_ms) - 1
    if at < 0 or ms >= there[at].until_ms:
        return None
    return there[at].repeater is not None
