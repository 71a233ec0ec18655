"""The load of one repeater and what would become of it, in numbers.

What is asked is always: how many of a group's overs find the repeater busy with *others*? Members
of one group hear each other there and take turns.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from typing import Final

from streamer.domain.channel_load import FindsBusy, Model, erlangs, finds_busy
from streamer.lab.day import CarriedSpan, Day
from streamer.lab.load_air import (
    Collisions,
    Hours,
    Source,
    Tally,
    air_of,
    by_hour,
    collisions,
    gateway_of,
    spans_of,
    speaking,
)
from streamer.state.keys import HOUR_MS

ENOUGH_MS: Final = HOUR_MS // 2
"""An hour of which less was recorded is not called the busiest."""

AirMs = Callable[[Source, Tally], float]
"""How long a source is on the air, by its tally: as it was, or as it would be."""


def as_it_was(_: Source, tally: Tally) -> float:
    return tally.air_ms


def grown(group: str, factor: float) -> AirMs:
    """That group with so many times its overs, each as long as before."""

    def air_ms(source: Source, tally: Tally) -> float:
        return tally.air_ms * (factor if source == (group, "") else 1)

    return air_ms


def barred(group: str, *, moved: bool) -> AirMs:
    """That group no longer sent on here; `moved`: nor is it heard here any more."""

    def air_ms(source: Source, tally: Tally) -> float:
        if source != (group, ""):
            return tally.air_ms
        return 0 if moved else tally.heard_ms

    return air_ms


@dataclass(frozen=True, slots=True)
class Expected:
    """Of a group's overs on one repeater, how many should find it busy with others: by the model if
    blocked ones are given up, and at most, if all of them wait. `variance` is of the first number,
    if chance alone made it; `models` are the formulas that were used."""

    overs: int
    busy: float
    waiting: float
    variance: float
    models: frozenset[Model]


@dataclass(frozen=True)
class Weighed:
    """One repeater on a recorded day, from `begin_ms` to `end_ms`."""

    repeater: str
    begin_ms: int
    end_ms: int
    hours: Hours
    met: Collisions
    dark: tuple[tuple[int, int], ...]

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

    def all_hours(self) -> Iterator[int]:
        """Every hour that the recording touches, those in which nothing was heard too."""
        first = self.begin_ms // HOUR_MS
        return iter(range(first, max(first + 1, -(-self.end_ms // HOUR_MS))))

    def erlangs(self, hour: int, air_ms: AirMs = as_it_was) -> float:
        """The offered load of an hour: its air-time by what was recorded of it."""
        return erlangs(self._air_ms(hour, air_ms), self.recorded_ms(hour))

    def mean_erlangs(self, air_ms: AirMs = as_it_was) -> float:
        """The offered load of the whole recording."""
        total_ms = sum(self._air_ms(hour, air_ms) for hour in self.hours)
        return erlangs(total_ms, self.end_ms - self.begin_ms)

    def _air_ms(self, hour: int, air_ms: AirMs) -> float:
        return sum(air_ms(*tallied) for tallied in self.hours.get(hour, {}).items())

    def busiest(self) -> int:
        """The full hour with the most load, the first of several."""
        return max(self.full_hours(), key=self.erlangs)

    def full_hours(self) -> list[int]:
        """Those of which at least half was recorded; all, where there is none."""
        hours = list(self.all_hours())
        return [hour for hour in hours if self.recorded_ms(hour) >= ENOUGH_MS] or hours

    def others(self, hour: int, group: str, air_ms: AirMs = as_it_was) -> FindsBusy:
        """How an over to a group finds the repeater in that hour."""
        recorded_ms = self.recorded_ms(hour)
        return finds_busy(
            [
                erlangs(air_ms(source, tally), recorded_ms)
                for source, tally in self.hours.get(hour, {}).items()
                if source != (group, "")
            ]
        )

    def expected(self, group: str, air_ms: AirMs = as_it_was) -> Expected:
        """Over all hours, each weighed by the overs that the group began in it."""
        overs, busy, waiting, variance = 0, 0.0, 0.0, 0.0
        models = set()
        for hour, sources in self.hours.items():
            tally = sources.get((group, ""))
            if tally is None or not tally.overs:
                continue
            found = self.others(hour, group, air_ms)
            overs += tally.overs
            busy += tally.overs * found.chance
            waiting += tally.overs * found.waiting
            variance += tally.overs * found.chance * (1 - found.chance)
            models.add(found.model)
        return Expected(overs, busy, waiting, variance, frozenset(models))

    @cached_property
    def usual(self) -> dict[str, Expected]:
        """Of each group that was on the air here, as it was."""
        return {group: self.expected(group) for group in self.groups}


def _overlap_ms(hour: int, begin_ms: int, end_ms: int) -> int:
    return max(0, min(end_ms, (hour + 1) * HOUR_MS) - max(begin_ms, hour * HOUR_MS))


@dataclass(frozen=True, slots=True)
class Scales:
    """All repeaters of a day. `keyed` are the stations that keyed to each group, `heard_at` the
    repeaters that were the place of each station. `also` says of a group's overs with their place
    at a repeater (the key), how many others heard, and under its own name how many there were.
    `silent` are gateways that never said what they carry; `ruled`: the rules speak for them."""

    day: Day
    repeaters: Mapping[str, Weighed]
    keyed: Mapping[str, frozenset[str]]
    heard_at: Mapping[str, frozenset[str]]
    also: Mapping[tuple[str, str], Mapping[str, int]]
    silent: tuple[str, ...]
    ruled: bool

    def members(self, group: str, repeater: str) -> int:
        """Stations that keyed to the group and were at the repeater at some time of the day."""
        return sum(repeater in self.heard_at[station] for station in self.keyed.get(group, ()))


def weigh(day: Day, ruled: tuple[CarriedSpan, ...] | None = None) -> Scales:
    """Put a day on the scales. `ruled` is the fan-out by the rules as spans: used for gateways that
    never say what they carry; without it of those only what they heard is known."""
    aired = air_of(day, spans_of(day, ruled or ()))
    begin_ms = min(day.begin_ms, day.overs[0].began_ms) if day.overs else day.begin_ms
    end_ms = max(day.end_ms, max((over.ended_ms for over in day.overs), default=day.end_ms))
    keyed: dict[str, set[str]] = defaultdict(set)
    heard_at: dict[str, set[str]] = defaultdict(set)
    also: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for over in day.overs:
        heard_at[over.station].add(over.repeater)
        if over.group:
            keyed[over.group].add(over.station)
            names = {over.repeater, *(h.repeater for h in over.heard)}
            also[over.group, over.repeater].update(names)
    weighed = {
        repeater: Weighed(
            repeater, begin_ms, end_ms, by_hour(day, codes), collisions(day, codes),
            day.dark.get(repeater, ()),
        )
        for repeater, codes in sorted(aired.items())
    }  # fmt: skip
    gateways = set(map(gateway_of, aired))
    return Scales(
        day, weighed,
        {group: frozenset(stations) for group, stations in keyed.items()},
        {station: frozenset(repeaters) for station, repeaters in heard_at.items()},
        also, tuple(sorted(gateways - speaking(day))), ruled is not None,
    )  # fmt: skip
