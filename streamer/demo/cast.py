"""The stations: call signs, homes, routes and habits, all from one seed."""

import itertools
import math
import random
import string
from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from streamer.demo import story
from streamer.demo.land import Place

TIME_LAPSE: Final = 30.0
"""Seconds of road in one second of the show."""
FEWEST: Final = 20
MOST: Final = 300
_MEMBERS_PER_GROUP: Final = 7  # more could not all have a turn before they are overdue
_WALK_MPS: Final = 1.4
_NOT_TO_BE_WORN: Final = frozenset(
    {story.DRIVER, story.LEAVER, story.FORGED, story.LEADER, *story.BASIN}
)


@dataclass(frozen=True, slots=True)
class Track:
    """Where a station is when: points with their times, over and over."""

    points: tuple[tuple[float, Place], ...]

    @property
    def period_s(self) -> float:
        return self.points[-1][0]

    def at(self, now_s: float) -> tuple[Place, float, float]:
        """(place, speed in m/s of the road, course in degrees) at a time of the show."""
        if len(self.points) == 1 or self.period_s <= 0:
            return self.points[0][1], 0.0, 0.0
        t = now_s % self.period_s
        index = min(bisect_right(self.points, t, key=lambda p: p[0]), len(self.points) - 1)
        (t0, a), (t1, b) = self.points[index - 1], self.points[index]
        share = (t - t0) / (t1 - t0) if t1 > t0 else 1.0
        speed_mps = a.distance_km(b) * 1000 / (t1 - t0) / TIME_LAPSE if t1 > t0 else 0.0
        course = math.degrees(math.atan2(b.x_km - a.x_km, b.y_km - a.y_km)) % 360
        return a.towards(b, share), speed_mps, course


@dataclass(frozen=True, slots=True)
class Station:
    call: str
    track: Track
    group: str | None
    reports_position: bool
    in_story: bool = False


def _there_and_back(stops: Iterable[Place], speed_mps: float, rest_s: float) -> Track:
    out = list(stops)
    legs = [*out, *reversed(out[:-1])]
    t, points = 0.0, [(0.0, legs[0])]
    for a, b in itertools.pairwise(legs):
        t += a.distance_km(b) * 1000 / speed_mps / TIME_LAPSE
        points.append((t, b))
        t += rest_s
        points.append((t, b))
    return Track(tuple(points))


def _call_signs(rng: random.Random, count: int) -> list[str]:
    found: dict[str, None] = {}
    while len(found) < count:
        tail = "".join(rng.choices(string.ascii_uppercase, k=3))
        call = f"Q{rng.choice(string.ascii_uppercase)}{rng.randint(1, 9)}{tail}"
        if call not in _NOT_TO_BE_WORN:
            found[call] = None
    return list(found)


def _near(rng: random.Random, site: Place, far_km: float) -> Place:
    angle, off = rng.uniform(0, 2 * math.pi), rng.uniform(1, far_km)
    return Place(site.x_km + off * math.cos(angle), site.y_km + off * math.sin(angle))


def _covered(track: Track, heard: Callable[[Place], bool]) -> bool:
    samples = 30
    return all(heard(track.at(track.period_s * k / samples)[0]) for k in range(samples))


def _route(rng: random.Random, sites: list[Place], heard: Callable[[Place], bool]) -> Track:
    """A fixed post, a walk or a drive that stays in cover all the way."""
    while True:
        home = _near(rng, rng.choice(sites), 7)
        habit = rng.random()
        if habit < 0.25:
            track = Track(((0.0, home),))
        elif habit < 0.45:
            track = _there_and_back([home, _near(rng, home, 4)], _WALK_MPS * 3, 3.0)
        else:
            nearest = sorted(sites, key=home.distance_km)[1:6]
            stops = [home, *(_near(rng, site, 5) for site in rng.sample(nearest, 2))]
            track = _there_and_back(stops, rng.uniform(14, 28), rng.uniform(0, 4))
        if _covered(track, heard):
            return track


def _story_cast() -> list[Station]:
    def at(place: Place) -> Track:
        return Track(((0.0, place),))

    basin = [
        Station(call, at(home), story.BASIN_GROUP, True, True)
        for call, home in zip(story.BASIN, story.BASIN_HOMES, strict=True)
    ]
    return [
        Station(story.DRIVER, Track(story.DRIVE), story.DRIVER_GROUP, True, True),
        Station(story.LEAVER, at(story.LEAVER_HOME), story.LEAVER_GROUP, True, True),
        Station(story.FORGED, at(story.FORGED_HOME), story.FORGED_GROUP, True, True),
        Station(story.LEADER, at(story.LEADER_HOME), story.LEADER_GROUP, True, True),
        *basin,
    ]


def make_cast(
    rng: random.Random,
    count: int,
    groups: Iterable[str],
    sites: list[Place],
    heard: Callable[[Place], bool],
) -> list[Station]:
    """`count` stations (FEWEST to MOST); two thirds belong to groups, within what a group bears.

    `heard(place)` says whether any repeater hears a station there.
    """
    if not FEWEST <= count <= MOST:
        raise ValueError(f"{count} stations: {FEWEST} to {MOST} are possible")
    cast = _story_cast()
    names = sorted(groups)
    room = {
        name: min(_MEMBERS_PER_GROUP, max(3, count * 2 // 3 // len(names)))
        - sum(station.group == name for station in cast)
        for name in names
    }
    for call in _call_signs(rng, count - len(cast)):
        open_groups = [name for name in names if room[name] > 0]
        group = rng.choice(open_groups) if open_groups else None
        if group is not None:
            room[group] -= 1
        cast.append(Station(call, _route(rng, sites, heard), group, rng.random() < 0.7))
    return cast
