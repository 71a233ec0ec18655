"""The radio world: who keys when, where, to whom, and which repeater hears it.

Pure: the caller says how far the show's clock has gone and gets what happened; the same seed
gives the same happenings, however finely the clock is moved.
"""

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from streamer.config import RegionView
from streamer.demo import story
from streamer.demo.cast import Station, make_cast
from streamer.demo.land import (
    HEARD_DBM,
    Land,
    Place,
    bit_errors_pct,
    from_degrees,
    received_dbm,
    to_degrees,
)
from streamer.demo.story import Beat, Turn

_ALSO_HEARD_DB: Final = 3.0  # a second gateway that hears nearly as well reports the over too
_TRY_AGAIN_S: Final = 0.3
_TEXTS: Final = ("AT POST", "MOVING", "WATER OK", "ROAD OPEN", "BATTERY LOW", "RELAY PLEASE")


@dataclass(frozen=True, slots=True)
class Receiver:
    repeater: str
    gateway: str
    place: Place
    mast_m: float
    range_km: float
    freq_mhz: float


@dataclass(frozen=True, slots=True)
class Hearing:
    repeater: str
    gateway: str
    rssi_dbm: float
    ber_pct: float


@dataclass(frozen=True, slots=True)
class Fix:
    lat: float
    lon: float
    speed_mps: float
    course_deg: float


@dataclass(frozen=True, slots=True)
class Over:
    """One transmission; `heard` begins with the repeater that hears it best."""

    over: str
    station: str
    to: str | None
    started_s: float
    duration_s: float
    text: str | None
    fix: Fix | None
    heard: tuple[Hearing, ...]


@dataclass(frozen=True, slots=True)
class Keyed:
    at_s: float
    over: Over


@dataclass(frozen=True, slots=True)
class Unkeyed:
    """The end of an over; `over.heard` has lost the repeaters that went off meanwhile."""

    at_s: float
    over: Over


@dataclass(frozen=True, slots=True)
class Cue:
    """A beat of the story is reached."""

    at_s: float
    beat: Beat


Happening = Keyed | Unkeyed | Cue
_Action = Callable[[float], None]


def receivers_of(view: RegionView) -> list[Receiver]:
    """The region's repeaters as receivers; raises ValueError when one lacks what physics needs."""
    found = []
    for gateway in view.region.gateway:
        for port in gateway.repeater:
            name = f"{gateway.id}/{port.id}"
            if None in (port.lat, port.lon, port.antenna_m, port.range_km, port.freq_mhz):
                raise ValueError(f"{name}: the demo needs position, antenna, range and frequency")
            place = from_degrees(port.lat or 0.0, port.lon or 0.0)
            found.append(
                Receiver(
                    name,
                    gateway.id,
                    place,
                    port.antenna_m or 0.0,
                    port.range_km or 0.0,
                    port.freq_mhz or 0.0,
                )
            )
    return found


class World:
    """See the module's text. `tag` begins every over's name and sets this run apart."""

    def __init__(self, view: RegionView, seed: int, count: int, tag: str = "o") -> None:
        self._rng = random.Random(seed)  # nosec B311 # chance for a play
        self._land = Land()
        self._tag = tag
        self.receivers = receivers_of(view)
        sites = [receiver.place for receiver in self.receivers]
        self.cast = make_cast(self._rng, count, view.groups, sites, self._in_cover)
        self._by_call = {station.call: station for station in self.cast}
        self._spoke_s = {s.call: -100.0 if s.in_story else -self._rng.random() for s in self.cast}
        self._speaking_until_s: dict[str, float] = {}
        self._busy_until_s: dict[str, float] = {}
        self._off: set[str] = set()
        self._checked_out: set[str] = set()
        self._now_s = 0.0
        self._overs = 0
        self._order = 0
        self._plan: list[tuple[float, int, _Action]] = []
        self._happened: list[Happening] = []
        self._open_plan(view)

    def _open_plan(self, view: RegionView) -> None:
        for beat in story.BEATS:
            self._at(beat.at_s, partial(self._reach, beat=beat))
        for group in sorted(view.groups):
            self._at(self._rng.uniform(0.2, 1.5), partial(self._group_turn, group=group))
        for station in self.cast:
            if station.group is None:
                self._at(self._rng.uniform(0.5, 12), partial(self._chat, station=station))

    def advance(self, until_s: float) -> list[Happening]:
        """Move the show's clock to `until_s`; what happened on the way, in order."""
        while self._plan and self._plan[0][0] <= until_s:
            self._now_s, _, action = heapq.heappop(self._plan)
            action(self._now_s)
        happened, self._happened = self._happened, []
        return happened

    def _at(self, when_s: float, action: _Action) -> None:
        self._order += 1
        heapq.heappush(self._plan, (when_s, self._order, action))

    # -- hearing -----------------------------------------------------------------------------

    def _level_dbm(self, place: Place, receiver: Receiver) -> float | None:
        if place.distance_km(receiver.place) > receiver.range_km:
            return None
        return received_dbm(self._land, place, receiver.place, receiver.mast_m, receiver.freq_mhz)

    def _in_cover(self, place: Place) -> bool:
        """Whether some repeater hears a station there with a few decibels to spare."""
        for receiver in sorted(self.receivers, key=lambda r: place.distance_km(r.place)):
            level = self._level_dbm(place, receiver)
            if level is not None and level > HEARD_DBM + 8:
                return True
        return False

    def hear(self, place: Place) -> tuple[Hearing, ...]:
        """Who hears a station at a place now, best first; draws the fading from the seed."""
        found = []
        for receiver in self.receivers:
            level = self._level_dbm(place, receiver)
            if level is None:
                continue
            level = round(level + self._rng.gauss(0, 1.5), 1)
            if level >= HEARD_DBM and receiver.repeater not in self._off:
                found.append(
                    Hearing(
                        receiver.repeater,
                        receiver.gateway,
                        level,
                        round(bit_errors_pct(level), 3),
                    )
                )
        found.sort(key=lambda h: -h.rssi_dbm)
        return self._reporting(found)

    @staticmethod
    def _reporting(found: list[Hearing]) -> tuple[Hearing, ...]:
        if not found:
            return ()
        best = found[0]
        also = [
            h
            for h in found[1:]
            if h.gateway != best.gateway and best.rssi_dbm - h.rssi_dbm <= _ALSO_HEARD_DB
        ]
        return (best, *also[:1])

    # -- keying ------------------------------------------------------------------------------

    def _speaks(self, call: str, now_s: float) -> bool:
        return self._speaking_until_s.get(call, -1.0) > now_s

    def _key(
        self,
        now_s: float,
        call: str,
        to: str | None,
        place: Place,
        *,
        duration_s: float,
        text: str | None = None,
        fix: Fix | None = None,
    ) -> None:
        """One over goes out; when no repeater hears it, nobody ever knows."""
        self._spoke_s[call] = now_s
        self._speaking_until_s[call] = now_s + duration_s
        heard = self.hear(place)
        if not heard:
            return
        self._overs += 1
        over = Over(f"{self._tag}{self._overs}", call, to, now_s, duration_s, text, fix, heard)
        for hearing in heard:
            self._busy_until_s[hearing.repeater] = now_s + duration_s
        self._happened.append(Keyed(now_s, over))
        self._at(now_s + duration_s, partial(self._unkey, over=over))

    def _unkey(self, now_s: float, over: Over) -> None:
        heard = tuple(h for h in over.heard if h.repeater not in self._off)
        self._happened.append(Unkeyed(now_s, replace(over, heard=heard)))

    def _station_keys(
        self, now_s: float, station: Station, to: str | None, text: str | None = None
    ) -> float:
        """The station speaks from where it is; returns how long."""
        place, speed_mps, course_deg = station.track.at(now_s)
        fix = None
        if station.reports_position:
            lat, lon = to_degrees(place)
            fix = Fix(round(lat, 5), round(lon, 5), round(speed_mps, 1), round(course_deg, 1))
        duration_s = round(self._rng.uniform(0.9, 1.7), 2)
        self._key(now_s, station.call, to, place, duration_s=duration_s, text=text, fix=fix)
        return duration_s

    def _channel_busy(self, now_s: float, station: Station) -> bool:
        """Operators listen before they key: the nearest repeater stands for what they hear."""
        place = station.track.at(now_s)[0]
        nearest = min(self.receivers, key=lambda r: place.distance_km(r.place))
        return self._busy_until_s.get(nearest.repeater, -1.0) > now_s

    def _group_turn(self, now_s: float, group: str) -> None:
        ready = [
            s
            for s in self.cast
            if s.group == group
            and s.call not in self._checked_out
            and not self._speaks(s.call, now_s)
            and not self._channel_busy(now_s, s)
        ]
        wait_s = _TRY_AGAIN_S
        if ready:
            # Mostly the one who has waited longest, as a net's control would call them up.
            longest = min(ready, key=lambda s: self._spoke_s[s.call])
            station = longest if self._rng.random() < 0.9 else self._rng.choice(ready)
            text = self._rng.choice(_TEXTS) if self._rng.random() < 0.08 else None
            wait_s = self._station_keys(now_s, station, group, text)
            wait_s += self._rng.uniform(0.25, 0.9)
        self._at(now_s + wait_s, partial(self._group_turn, group=group))

    def _chat(self, now_s: float, station: Station) -> None:
        wait_s = _TRY_AGAIN_S
        if not self._channel_busy(now_s, station):
            others = [s.call for s in self.cast if s.group is None and s is not station]
            to = self._rng.choice(others) if others and self._rng.random() < 0.4 else None
            wait_s = self._station_keys(now_s, station, to)
            wait_s += 4 + self._rng.expovariate(1 / 14)
        self._at(now_s + wait_s, partial(self._chat, station=station))

    # -- the story ---------------------------------------------------------------------------

    def _reach(self, now_s: float, beat: Beat) -> None:
        self._happened.append(Cue(now_s, beat))
        again_s = now_s + story.PERIOD_S
        self._at(again_s, partial(self._reach, beat=replace(beat, at_s=again_s)))
        match beat.turn:
            case Turn.REPEATER_DOWN:
                self._off.add(beat.subject)
            case Turn.REPEATER_UP:
                self._off.discard(beat.subject)
            case Turn.GATEWAY_KILLED:
                self._off |= self._ports(beat.subject)
            case Turn.GATEWAY_BACK:
                self._off -= self._ports(beat.subject)
            case Turn.MADE_UP | Turn.CHECK_OUT | Turn.CHECK_IN | Turn.REPORT | Turn.FORGE:
                self._act(now_s, beat)
            case _:
                pass

    def _ports(self, gateway: str) -> set[str]:
        return {r.repeater for r in self.receivers if r.gateway == gateway}

    def _act(self, now_s: float, beat: Beat) -> None:
        if self._speaks(beat.subject, now_s):
            self._at(now_s + _TRY_AGAIN_S, partial(self._act, beat=beat))
            return
        station = self._by_call.get(beat.subject, self.cast[0])
        match beat.turn:
            case Turn.MADE_UP:
                place = story.LEADER_HOME
                self._key(now_s, beat.subject, story.LEADER_GROUP, place, duration_s=1.5)
            case Turn.CHECK_OUT:
                self._checked_out.add(beat.subject)
                self._station_keys(now_s, station, story.LEAVER_GROUP, "OUT")
            case Turn.CHECK_IN:
                self._checked_out.discard(beat.subject)
                self._station_keys(now_s, station, story.LEAVER_GROUP, "BACK")
            case Turn.REPORT:
                self._station_keys(now_s, station, station.group, "GOING EAST")
            case _:
                self._forge(now_s, beat.subject)

    def _forge(self, now_s: float, call: str) -> None:
        """The true station speaks, and meanwhile its call sign is used far away."""
        station = self._by_call[call]
        self._key(now_s, call, station.group, station.track.at(now_s)[0], duration_s=3.5)
        far = next(r.place for r in self.receivers if r.repeater == story.FORGERY_AT)
        place = Place(far.x_km + 2, far.y_km + 1)
        forged = partial(self._key, call=call, to=station.group, place=place, duration_s=2.2)
        self._at(now_s + 0.6, forged)
