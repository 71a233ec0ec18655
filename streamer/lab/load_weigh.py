"""The load of one repeater and what would become of it, in numbers.

What is asked is always: how many of a group's overs find the repeater busy with *others*? Members
of one group hear each other there and take turns.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from typing import Final

from streamer.domain.channel_load import FindsBusy, Model, erlangs, finds_busy
from streamer.lab.day import CarriedSpan, Day
from streamer.lab.load_air import (
    Aired,
    Collisions,
    Hours,
    Source,
    Tally,
    air_of,
    by_hour,
    collisions,
    gateway_of,
    on_air,
    reported,
    spans_of,
    speaking,
    unseen,
)
from streamer.state.keys import HOUR_MS

ENOUGH_MS: Final = HOUR_MS // 2
"""An hour of which less counts as recorded is not called the busy hour."""

AirMs = Callable[[Source, Tally], float]
"""How long a source is on the air, by its tally: as it was, or as it would be."""


def as_it_was(_: Source, tally: Tally) -> float:
    return tally.air_ms


def grown(group: str, factor: float) -> AirMs:
    """That group with so many times its overs, each as long as before."""

    def air_ms(source: Source, tally: Tally) -> float:
        return tally.air_ms * (factor if source == (group, "") else 1)

    return air_ms


def off(group: str) -> AirMs:
    """Nothing of that group on the air here any more."""

    def air_ms(source: Source, tally: Tally) -> float:
        return 0 if source == (group, "") else tally.air_ms

    return air_ms


@dataclass(frozen=True, slots=True)
class Expected:
    """Of a group's overs on one repeater, how many should find it busy with others: by the model if
    blocked ones are given up, and at most, if all of them wait. `models` are the formulas that were
    used."""

    overs: int
    busy: float
    waiting: float
    models: frozenset[Model]


@dataclass(frozen=True)
class Weighed:
    """One repeater on a recorded day, from `begin_ms` to `end_ms`. `dark`: it did not report;
    `unseen`: the part of that which does not count as recorded (see `load_air.unseen`); `air`: the
    times in which anything was on its air. All inside the day, in order."""

    repeater: str
    begin_ms: int
    end_ms: int
    hours: Hours
    met: Collisions
    dark: tuple[tuple[int, int], ...]
    unseen: tuple[tuple[int, int], ...]
    air: tuple[tuple[int, int], ...]

    @cached_property
    def groups(self) -> dict[str, Tally]:
        """Of each group that was on the air here, all hours together."""
        totals: dict[str, Tally] = defaultdict(Tally)
        for (group, _), tally in chain.from_iterable(h.items() for h in self.hours.values()):
            if group:
                total = totals[group]
                total.heard += tally.heard
                total.sent_on += tally.sent_on
                total.heard_ms += tally.heard_ms
                total.sent_on_ms += tally.sent_on_ms
        return dict(sorted(totals.items()))

    def recorded_ms(self, hour: int) -> int:
        """How much of an hour the recording covers."""
        return _overlap_ms(hour, self.begin_ms, self.end_ms)

    def dark_ms(self, hour: int) -> int:
        """For how long in an hour it did not report."""
        return sum(_overlap_ms(hour, *span) for span in self.dark)

    def counted_ms(self, hour: int | None = None) -> int:
        """What an hour's load is shared out over, or that of all: recorded, less what is unseen."""
        if hour is not None:
            return self.recorded_ms(hour) - self._unseen_ms.get(hour, 0)
        return self.end_ms - self.begin_ms - sum(self._unseen_ms.values())

    def on_air_ms(self, hour: int | None = None) -> int:
        """For how long in an hour, or in all, anything was on the air; two at once count once."""
        return sum(self._on_air_ms.values()) if hour is None else self._on_air_ms.get(hour, 0)

    @cached_property
    def _unseen_ms(self) -> Counter[int]:
        return _in_hours(self.unseen)

    @cached_property
    def _on_air_ms(self) -> Counter[int]:
        return _in_hours(self.air)

    def air_share(self, group: str) -> float:
        """How much of the air-time here, 0 to 1, was the group's."""
        total_ms = sum(self._air_ms(hour, as_it_was) for hour in self.hours)
        return self.groups[group].air_ms / total_ms if total_ms else 0.0

    def all_hours(self) -> Iterator[int]:
        """Every hour that the recording touches, those in which nothing was heard too."""
        first = self.begin_ms // HOUR_MS
        return iter(range(first, max(first + 1, -(-self.end_ms // HOUR_MS))))

    def erlangs(self, hour: int, air_ms: AirMs = as_it_was) -> float:
        """The offered load of an hour: its air-time by what counts as recorded of it."""
        return erlangs(self._air_ms(hour, air_ms), self.counted_ms(hour))

    def mean_erlangs(self, air_ms: AirMs = as_it_was) -> float:
        """The offered load of the whole recording."""
        total_ms = sum(self._air_ms(hour, air_ms) for hour in self.hours)
        return erlangs(total_ms, self.counted_ms())

    def _air_ms(self, hour: int, air_ms: AirMs) -> float:
        return sum(air_ms(*tallied) for tallied in self.hours.get(hour, {}).items())

    def busy_hour(self, air_ms: AirMs = as_it_was) -> int | None:
        """The hour with the most load, the first of several; of those of which at least half counts
        as recorded, and none where there is no such hour."""
        hours = [hour for hour in self.all_hours() if self.counted_ms(hour) >= ENOUGH_MS]
        return max(hours, key=lambda hour: self.erlangs(hour, air_ms), default=None)

    def others(self, hour: int, group: str, air_ms: AirMs = as_it_was) -> FindsBusy:
        """How an over to a group finds the repeater in that hour."""
        counted_ms = self.counted_ms(hour)
        return finds_busy(
            [
                erlangs(air_ms(source, tally), counted_ms)
                for source, tally in self.hours.get(hour, {}).items()
                if source != (group, "")
            ]
        )

    def expected(self, group: str, air_ms: AirMs = as_it_was) -> Expected:
        """Over all hours, each weighed by the overs that the group began in it."""
        overs, busy, waiting = 0, 0.0, 0.0
        models = set()
        for hour, sources in self.hours.items():
            tally = sources.get((group, ""))
            if tally is None or not tally.overs:
                continue
            found = self.others(hour, group, air_ms)
            overs += tally.overs
            busy += tally.overs * found.chance
            waiting += tally.overs * found.waiting
            models.add(found.model)
        return Expected(overs, busy, waiting, frozenset(models))

    @cached_property
    def usual(self) -> dict[str, Expected]:
        """Of each group that was on the air here, as it was."""
        return {group: self.expected(group) for group in self.groups}


def _overlap_ms(hour: int, begin_ms: int, end_ms: int) -> int:
    return max(0, min(end_ms, (hour + 1) * HOUR_MS) - max(begin_ms, hour * HOUR_MS))


def _in_hours(spans: Iterable[tuple[int, int]]) -> Counter[int]:
    """By hour since 1970, how many ms of the spans lie in it."""
    found: Counter[int] = Counter()
    for begin_ms, end_ms in spans:
        for hour in range(begin_ms // HOUR_MS, -(-end_ms // HOUR_MS)):
            found[hour] += _overlap_ms(hour, begin_ms, end_ms)
    return found


@dataclass(frozen=True, slots=True)
class Scales:
    """All repeaters of a day. `keyed` are the stations that keyed to each group, `heard_at` the
    repeaters that were the place of each station, `hearers` all that ever heard it. `also` says of
    a group's overs with their place at a repeater (the key), how many others heard, and under its
    own name how many there were. `silent` are gateways that never said what they carry; `ruled`:
    the rules speak for them."""

    day: Day
    repeaters: Mapping[str, Weighed]
    keyed: Mapping[str, frozenset[str]]
    heard_at: Mapping[str, frozenset[str]]
    hearers: Mapping[str, frozenset[str]]
    also: Mapping[tuple[str, str], Mapping[str, int]]
    silent: tuple[str, ...]
    ruled: bool

    def members(self, group: str, repeater: str) -> int:
        """Stations that keyed to the group and were at the repeater at some time of the day."""
        return sum(repeater in self.heard_at[station] for station in self.keyed.get(group, ()))

    def keyed_near(self, group: str, repeater: str) -> int:
        """Stations that keyed to the group and of which the repeater heard any over at all, the
        best heard or not and to whomever: of those nobody can say that they do not need it."""
        return sum(repeater in self.hearers[station] for station in self.keyed.get(group, ()))


def weigh(day: Day, ruled: tuple[CarriedSpan, ...] | None = None) -> Scales:
    """Put a day on the scales. `ruled` is the fan-out by the rules as spans: used for gateways that
    never say what they carry; without it of those only what they heard is known."""
    aired = air_of(day, reported(day, spans_of(day, ruled or ())))
    begin_ms = min(day.begin_ms, day.overs[0].began_ms) if day.overs else day.begin_ms
    end_ms = max(day.end_ms, max((over.ended_ms for over in day.overs), default=day.end_ms))
    keyed: dict[str, set[str]] = defaultdict(set)
    heard_at: dict[str, set[str]] = defaultdict(set)
    hearers: dict[str, set[str]] = defaultdict(set)
    also: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for over in day.overs:
        names = {over.repeater, *(h.repeater for h in over.heard)}
        heard_at[over.station].add(over.repeater)
        hearers[over.station] |= names
        if over.group:
            keyed[over.group].add(over.station)
            also[over.group, over.repeater].update(names)
    weighed = {
        repeater: _weighed(day, repeater, codes, begin_ms, end_ms)
        for repeater, codes in sorted(aired.items())
    }
    gateways = set(map(gateway_of, aired))
    return Scales(
        day, weighed,
        {group: frozenset(stations) for group, stations in keyed.items()},
        {station: frozenset(repeaters) for station, repeaters in heard_at.items()},
        {station: frozenset(repeaters) for station, repeaters in hearers.items()},
        also, tuple(sorted(gateways - speaking(day))), ruled is not None,
    )  # fmt: skip


def _weighed(day: Day, repeater: str, codes: Aired, begin_ms: int, end_ms: int) -> Weighed:
    air = on_air(day, codes)
    dark = [(max(a, begin_ms), min(b, end_ms)) for a, b in day.dark.get(repeater, ())]
    inside = tuple((a, b) for a, b in dark if a < b)
    return Weighed(
        repeater, begin_ms, end_ms, by_hour(day, codes), collisions(day, codes),
        inside, unseen(inside, air), air,
    )  # fmt: skip
