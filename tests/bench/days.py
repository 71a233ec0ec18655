"""Invented days with the truth known: who could have been heard when, and what was heard.

The land, the repeaters and the way waves cross it are the demo's; people move and talk here at the
pace of life. Made to be hard to judge:
- terrain shadows: roads lead behind ridges, and signals fade by some decibels from one minute to
  the next;
- people simply stop talking for an hour or two while they could be heard, at night all of them do;
- batteries die, some in the very minute in which a repeater fails;
- few send their position by themselves, and those who do send it less often when they are parked;
- some are new and nothing is known of them.
"""

import math
import random
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib import resources
from typing import Final

import numpy as np
from numpy.typing import NDArray

from streamer.config import RegionView, load_region
from streamer.demo.land import (
    HEARD_DBM,
    Land,
    Place,
    bit_errors_pct,
    received_dbm,
    to_degrees,
)
from streamer.demo.world import Receiver, receivers_of

HOUR_S: Final = 3600
MINUTE_S: Final = 60
START_S: Final = 1_800_000_000 // 86_400 * 86_400
"""Midnight before the day that is judged."""
_STEP_KM: Final = 0.5
_HALF_X_KM, _HALF_Y_KM = 70, 52
MARGIN_DB: Final = 3.0
"""Within so much of the weakest signal nobody can say whether a station can be heard."""


class Kind(StrEnum):
    QUIET = "quiet"
    NET = "net in session"
    EXERCISE = "exercise with failures"


@dataclass(frozen=True, slots=True)
class Radio:
    """The levels of each receiver over the land, on a grid; NaN where it is too far away."""

    view: RegionView
    receivers: tuple[Receiver, ...]
    levels_dbm: NDArray[np.float32]

    def at(self, place: Place) -> NDArray[np.float32]:
        x = round((place.x_km + _HALF_X_KM) / _STEP_KM)
        y = round((place.y_km + _HALF_Y_KM) / _STEP_KM)
        shape = self.levels_dbm.shape
        found: NDArray[np.float32] = self.levels_dbm[
            :, min(max(x, 0), shape[1] - 1), min(max(y, 0), shape[2] - 1)
        ]
        return found


@cache
def radio() -> Radio:
    """Worked out once for all days, about ten seconds."""
    with resources.as_file(resources.files("streamer.demo").joinpath("region.toml")) as path:
        view = load_region(path)
    receivers = tuple(receivers_of(view))
    land = Land()
    columns = round(2 * _HALF_X_KM / _STEP_KM) + 1
    rows = round(2 * _HALF_Y_KM / _STEP_KM) + 1
    levels = np.full((len(receivers), columns, rows), np.nan, np.float32)
    for n, receiver in enumerate(receivers):
        for x in range(0, columns, 2):
            for y in range(0, rows, 2):
                place = Place(x * _STEP_KM - _HALF_X_KM, y * _STEP_KM - _HALF_Y_KM)
                if place.distance_km(receiver.place) <= receiver.range_km:
                    level = received_dbm(
                        land, place, receiver.place, receiver.mast_m, receiver.freq_mhz
                    )
                    levels[n, x : x + 2, y : y + 2] = level
    return Radio(view, receivers, levels)


@dataclass(frozen=True, slots=True)
class Over:
    """One that was heard: `at_s` since 1970."""

    at_s: float
    station: str
    repeater: str
    rssi_dbm: float
    ber_pct: float
    lat: float | None
    lon: float | None
    speed_mps: float
    course_deg: float


@dataclass(slots=True)
class Person:
    """A member, its radio and its ways. Times in seconds since 1970."""

    call: str
    handicap_db: float
    track: list[tuple[float, Place]]
    in_s: float
    out_s: float
    beacon_s: float | None
    says_position: bool
    pause_s: float
    """Between its conversations, by day."""
    parked_slower: float = 1.0
    """Some beacons come less often while the station stands."""
    silences: list[tuple[float, float]] = field(default_factory=list)
    dead_s: float = math.inf
    """When its battery dies."""

    def place(self, at_s: float) -> tuple[Place, float, float]:
        """Where it is, its speed in m/s and its course in degrees."""
        index = bisect_right(self.track, at_s, key=lambda point: point[0])
        if index == 0 or index == len(self.track):
            return self.track[min(index, len(self.track) - 1)][1], 0.0, 0.0
        (t0, a), (t1, b) = self.track[index - 1], self.track[index]
        length_km = a.distance_km(b)
        if length_km == 0:
            return a, 0.0, 0.0
        course = math.degrees(math.atan2(b.x_km - a.x_km, b.y_km - a.y_km)) % 360
        return a.towards(b, (at_s - t0) / (t1 - t0)), length_km * 1000 / (t1 - t0), course

    def silent(self, at_s: float) -> bool:
        return any(begin <= at_s < end for begin, end in self.silences)


@dataclass(frozen=True, slots=True)
class Day:
    """What happened, and the truth minute by minute."""

    kind: Kind
    begin_s: float
    end_s: float
    people: tuple[Person, ...]
    overs: tuple[Over, ...]
    failures: tuple[tuple[str, float, float], ...]
    """Repeater, from, to: its gateway says that it is down."""
    reachable: dict[str, tuple[bool | None, ...]]
    """For each minute from `begin_s`: could it be heard; None where nobody can say or a failure is
    why it could not."""
    duty_since_s: float | None


SAY_POSITION: Final = 0.75
OF_THEM_BEACONS: Final = 0.75
"""How many send their position by themselves, besides with their overs: assumed, as where a net
asks its members to. What it does to the score is printed by kinds of members."""
BEACONS_S: Final = (60, 120, 180, 300, 600)
_BEGINS = {Kind.QUIET: 6.0, Kind.NET: 9.0, Kind.EXERCISE: 8.0}
_HOURS = {Kind.QUIET: 24.0, Kind.NET: 10.0, Kind.EXERCISE: 10.0}
WARM_HOURS: Final = 16.0
MEMBERS: Final = 16


class _Maker:
    def __init__(self, seed: int, kind: Kind) -> None:
        self._dice = random.Random(f"{seed} {kind}")
        self._kind = kind
        self._radio = radio()
        self._vhf = [n for n, r in enumerate(self._radio.receivers) if r.repeater.endswith("vhf")]
        self._begin_s = START_S + _BEGINS[kind] * HOUR_S
        self._end_s = self._begin_s + _HOURS[kind] * HOUR_S
        self._warm_s = self._begin_s - WARM_HOURS * HOUR_S
        self._net = (self._begin_s + HOUR_S, self._begin_s + 8 * HOUR_S)
        self._failures: list[tuple[str, float, float]] = []

    # -- people ------------------------------------------------------------------------------

    def _somewhere(self) -> Place:
        return Place(self._dice.uniform(-69, 69), self._dice.uniform(-51, 51))

    def _stop(self, handicap_db: float) -> Place:
        """Mostly where it can be heard, as people learn where that is."""
        wild = self._dice.random() < 0.3
        while True:
            place = self._somewhere()
            heard = self._best_dbm(place, handicap_db) > HEARD_DBM + 8
            if heard or (wild and self._dice.random() < 0.5):
                return place

    def _levels_dbm(self, place: Place, handicap_db: float) -> list[tuple[int, float]]:
        levels = self._radio.at(place)
        return [(n, float(levels[n]) - handicap_db) for n in self._vhf if levels[n] == levels[n]]

    def _best_dbm(self, place: Place, handicap_db: float) -> float:
        return max((level for _, level in self._levels_dbm(place, handicap_db)), default=-999.0)

    def _track(self, handicap_db: float) -> list[tuple[float, Place]]:
        dice = self._dice
        at_s, here = self._warm_s, self._stop(handicap_db)
        points = [(at_s, here)]
        if handicap_db > 15:
            fixed, speeds, stays = dice.random() < 0.3, (1.0, 1.5), (20, 150)
        else:
            fixed, speeds, stays = dice.random() < 0.2, (9.0, 24.0), (5, 100)
        if fixed:
            return points
        while at_s < self._end_s:
            there = self._stop(handicap_db)
            if handicap_db > 15:  # on foot: not far
                there = Place(here.x_km + dice.gauss(0, 4), here.y_km + dice.gauss(0, 4))
            at_s += dice.uniform(*stays) * MINUTE_S
            points.append((at_s, here))
            at_s += max(60.0, here.distance_km(there) * 1000 / dice.uniform(*speeds))
            points.append((at_s, there))
            here = there
        return points

    def _person(self, number: int) -> Person:
        dice = self._dice
        handheld = dice.random() < 0.35
        handicap_db = dice.uniform(17, 20) if handheld else dice.uniform(4, 12)
        sends = dice.random() < SAY_POSITION
        beacon_s = dice.choice(BEACONS_S) if sends and dice.random() < OF_THEM_BEACONS else None
        new = dice.random() < 0.3
        in_s = self._begin_s + dice.uniform(0, 2) * HOUR_S if new else self._warm_s
        usual_min = {Kind.QUIET: 40, Kind.NET: 35, Kind.EXERCISE: 14}[self._kind]
        person = Person(
            f"Q{chr(65 + number // 10)}{number % 10}DAY", handicap_db, self._track(handicap_db),
            in_s, self._end_s, beacon_s, sends,
            usual_min * MINUTE_S * math.exp(dice.gauss(0, 0.5)),
        )  # fmt: skip
        person.parked_slower = 3.0 if dice.random() < 0.3 else 1.0
        for _ in range(2):
            if dice.random() < 0.4:
                begin_s = dice.uniform(self._begin_s, self._end_s)
                person.silences.append((begin_s, begin_s + dice.uniform(30, 150) * MINUTE_S))
        return person

    # -- failures ----------------------------------------------------------------------------

    def _fail(self, people: Sequence[Person]) -> None:
        if self._kind is not Kind.EXERCISE:
            return
        dice = self._dice
        names = [self._radio.receivers[n].repeater for n in self._vhf]
        for name in dice.sample(names, 3):
            begin_s = dice.uniform(self._begin_s + HOUR_S, self._end_s - 2 * HOUR_S)
            self._failures.append((name, begin_s, begin_s + dice.uniform(20, 70) * MINUTE_S))
        weak = dice.sample(list(people), 3)
        weak[0].dead_s = dice.uniform(self._begin_s + HOUR_S, self._end_s - HOUR_S)
        weak[1].dead_s = weak[2].dead_s = self._failures[0][1]

    def _down(self, repeater: str, at_s: float) -> bool:
        return any(r == repeater and begin <= at_s < end for r, begin, end in self._failures)

    # -- the air -----------------------------------------------------------------------------

    def _transmit(self, person: Person, at_s: float, position: bool, heard: list[Over]) -> bool:
        if not person.in_s <= at_s < min(person.dead_s, person.out_s):
            return False
        dice = self._dice
        place, speed_mps, course_deg = person.place(at_s)
        # Where a car stands within some hundred metres matters for minutes at a time.
        minute = random.Random(f"{person.call} {at_s // 180} {place.x_km:.1f} {place.y_km:.1f}")
        shadow_db = minute.gauss(0, 3.0)
        best: tuple[float, str] | None = None
        for n, mean_dbm in self._levels_dbm(place, person.handicap_db):
            level = mean_dbm + shadow_db + dice.gauss(0, 1.5)
            repeater = self._radio.receivers[n].repeater
            if level >= HEARD_DBM and not self._down(repeater, at_s):
                best = max(best, (level, repeater)) if best else (level, repeater)
        if best is None:
            return False
        lat, lon = to_degrees(place) if position else (None, None)
        level = round(best[0], 1)
        heard.append(
            Over(
                at_s,
                person.call,
                best[1],
                level,
                round(bit_errors_pct(level), 2),
                lat,
                lon,
                speed_mps,
                course_deg,
            )
        )
        return True

    def _talk(self, person: Person, heard: list[Over]) -> None:
        """Conversations of a few overs each, hardly any at night."""
        dice, at_s = self._dice, person.in_s
        self._transmit(person, at_s, person.says_position, heard)
        while at_s < self._end_s:
            hour = at_s / HOUR_S % 24
            slow = 10.0 if hour < 6 or hour >= 23 else 2.0 if hour < 7 or hour >= 21 else 1.0
            step_s = dice.expovariate(1 / (person.pause_s * slow))
            at_s += min(step_s, 40 * MINUTE_S * slow)
            if step_s > 40 * MINUTE_S * slow:
                continue  # look at the clock again
            if person.silent(at_s):
                continue
            for _ in range(1 + min(6, int(dice.expovariate(1 / 2.0)))):
                self._transmit(person, at_s, person.says_position, heard)
                at_s += dice.uniform(10, 50)

    def _send_beacons(self, person: Person, heard: list[Over]) -> None:
        if person.beacon_s is None:
            return
        at_s = person.in_s + self._dice.uniform(0, person.beacon_s)
        while at_s < self._end_s:
            self._transmit(person, at_s, True, heard)
            parked = person.place(at_s)[1] < 0.5
            at_s += (
                person.beacon_s
                * (person.parked_slower if parked else 1.0)
                * self._dice.uniform(0.97, 1.03)
            )

    def _session(self, people: Sequence[Person], heard: list[Over]) -> None:
        """A net calls its members one after the other, over and over."""
        if self._kind is not Kind.NET:
            return
        dice, at_s = self._dice, self._net[0]
        every_s = dice.uniform(9, 16) * MINUTE_S
        while at_s < self._net[1]:
            turn_s = at_s
            for person in people:
                turn_s += dice.uniform(8, 40)
                if not person.silent(turn_s) and dice.random() < 0.93:
                    self._transmit(person, turn_s, person.says_position, heard)
            at_s = max(turn_s, at_s + every_s * dice.uniform(0.8, 1.25))

    def _truth(self, person: Person) -> tuple[bool | None, ...]:
        found: list[bool | None] = []
        for minute in range(round((self._end_s - self._begin_s) / MINUTE_S)):
            at_s = self._begin_s + minute * MINUTE_S
            if at_s >= person.dead_s:
                found.append(False)
                continue
            place = person.place(at_s)[0]
            levels = self._levels_dbm(place, person.handicap_db)
            names = self._radio.receivers
            up = max(
                (v for n, v in levels if not self._down(names[n].repeater, at_s)), default=-999
            )
            best = max((v for _, v in levels), default=-999.0)
            if up >= HEARD_DBM + MARGIN_DB:
                found.append(True)
            elif best < HEARD_DBM - MARGIN_DB:
                found.append(False)
            else:
                found.append(None)
        return tuple(found)

    def make(self) -> Day:
        people = [self._person(n) for n in range(MEMBERS)]
        self._fail(people)
        heard: list[Over] = []
        for person in people:
            self._talk(person, heard)
            self._send_beacons(person, heard)
        self._session(people, heard)
        heard.sort(key=lambda over: over.at_s)
        duty = {Kind.NET: self._net[0], Kind.EXERCISE: self._begin_s}.get(self._kind)
        return Day(
            self._kind, self._begin_s, self._end_s, tuple(people), tuple(heard),
            tuple(self._failures), {p.call: self._truth(p) for p in people}, duty,
        )  # fmt: skip


def make_day(seed: int, kind: Kind) -> Day:
    """The same day each time."""
    return _Maker(seed, kind).make()
