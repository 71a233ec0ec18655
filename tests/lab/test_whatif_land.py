"""Are the chances worth anything? Invented days on the demo's land, of which the truth is known:
learned from one, others judged.

Waves cross the land as in the demo, hills included; nothing of that is known to what is judged. An
over is recorded by the repeater that hears it best, by no other, so that the day itself never says
what would have been heard elsewhere: the model alone does. Stations are as unlike as cars and
hand-helds, some say no position.
"""

import random
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

import numpy as np
import pytest

from streamer.config import RegionView, load_region
from streamer.demo.land import HEARD_DBM, Land, Place, received_dbm, to_degrees
from streamer.demo.world import receivers_of
from streamer.domain.model import Fix
from streamer.lab.day import Day, Hearing, RecordedOver
from streamer.lab.whatif import Failure, Rest, Tally, fates, tally
from streamer.lab.whatif_ears import Ears, learn
from streamer.lab.whatif_scene import Scene, Whereabouts

PEOPLE, STOPS, OVERS = 24, 4, 6
FARTHEST_KM: Final = 80
T0_MS: Final = 1_800_000_000_000
LEARNED_FROM, JUDGED = 1, range(2, 7)


@cache
def region() -> RegionView:
    with resources.as_file(resources.files("streamer.demo").joinpath("region.toml")) as path:
        return load_region(path)


@dataclass(frozen=True)
class Invented:
    """`elsewhere[n]` is whether any repeater but the one that recorded over n heard it too."""

    day: Day
    elsewhere: tuple[bool, ...]


def levels_at(place: Place) -> dict[str, float]:
    land = Land()
    return {
        r.repeater: received_dbm(land, place, r.place, r.mast_m, r.freq_mhz)
        for r in receivers_of(region())
        if r.repeater.endswith("vhf") and place.distance_km(r.place) <= FARTHEST_KM
    }


@cache
def invented(seed: int) -> Invented:
    """Everybody at some places one after the other; mostly where they can be heard."""
    dice = random.Random(seed)
    overs: list[RecordedOver] = []
    elsewhere: list[bool] = []
    for person in range(PEOPLE):
        weaker_db = dice.uniform(17, 20) if dice.random() < 0.35 else dice.uniform(4, 12)
        says = dice.random() < 0.8
        for stop in range(STOPS):
            place = Place(dice.uniform(-60, 60), dice.uniform(-45, 45))
            levels = levels_at(place)
            while max(levels.values()) - weaker_db < HEARD_DBM + 4:
                place = Place(dice.uniform(-60, 60), dice.uniform(-45, 45))
                levels = levels_at(place)
            for n in range(OVERS):
                # Where it stands within some metres matters, and from one over to the next.
                more_db = dice.gauss(-weaker_db, 3)
                heard = {r: level + more_db + dice.gauss(0, 1.5) for r, level in levels.items()}
                best = max(heard, key=heard.__getitem__)
                if heard[best] < HEARD_DBM:
                    continue
                ms = T0_MS + (stop * 7200 + n * 600 + person) * 1000
                fix = Fix(ms, *to_degrees(place), 0.0, None) if says else None
                signal = (Hearing(best, round(heard[best], 1), None),)
                overs.append(
                    RecordedOver(
                        f"{person}.{stop}.{n}", f"Q{chr(65 + person)}1LND", None, "",
                        ms, ms + 2000, ms, best, signal, "", "", fix,
                    )
                )  # fmt: skip
                elsewhere.append(sum(level >= HEARD_DBM for level in heard.values()) > 1)
    order = sorted(range(len(overs)), key=lambda at: (overs[at].began_ms, overs[at].station))
    made = tuple(overs[at] for at in order)
    day = Day(region(), made[0].began_ms, made[-1].ended_ms, made, (), {}, ())
    return Invented(day, tuple(elsewhere[at] for at in order))


@cache
def ears() -> Ears:
    sites = {name: s for name, s in region().sites.items() if name.endswith("vhf")}
    return Ears(
        learn(invented(LEARNED_FROM).day.overs, region().learning), sites, region().learning
    )


@dataclass(frozen=True)
class Judged:
    repeater: str
    found: Tally
    truly_lost: int
    """Of those of which something is known."""

    @property
    def within(self) -> bool:
        return self.found.low <= self.truly_lost <= self.found.high


@cache
def judged() -> tuple[Judged, ...]:
    """Each repeater off, on each day."""
    found = []
    for seed in JUDGED:
        made = invented(seed)
        scene = Scene(made.day, Whereabouts({}, {}, {}), ears())
        ones = np.ones(len(made.day.overs))
        for repeater in ears().repeaters:
            failure = Failure(repeater, frozenset({repeater}))
            fate = fates(scene, ears(), failure)
            known = np.array([o.repeater == repeater for o in made.day.overs])
            known &= ~fate.resting_on(Rest.UNKNOWN)
            lost = int((known & ~np.array(made.elsewhere)).sum())
            found.append(Judged(repeater, tally(scene, fate, ones), lost))
    return tuple(found)


def test_what_is_judged_is_hard() -> None:
    """Some of what fails is lost and some is not; some stations say no position."""
    lost = sum(one.truly_lost for one in judged())
    known = sum(one.found.known for one in judged())
    assert 0.2 < lost / known < 0.8
    assert sum(one.found.unknown for one in judged()) > 100
    assert len(judged()) == 60


def test_the_day_itself_says_nothing() -> None:
    assert sum(one.found.rests[Rest.DAY] for one in judged()) == 0


def test_the_true_number_lies_in_the_stated_interval() -> None:
    """Nine in ten are stated. Days and repeaters share what is learned and stations share hills, so
    of 60 more than chance alone may fall out: eight in ten are asked for."""
    within = [one.within for one in judged()]
    assert sum(within) >= 0.8 * len(within)


def test_the_interval_says_something() -> None:
    wide = sum(one.found.high - one.found.low for one in judged())
    assert wide < 0.75 * sum(one.found.known for one in judged())


def test_the_sum_is_near_the_truth() -> None:
    """Over all days, within a fifth; all lost and none lost would be much farther off."""
    lost = sum(one.truly_lost for one in judged())
    assert sum(one.found.lost for one in judged()) == pytest.approx(lost, rel=0.2)


def test_each_is_nearer_than_by_the_usual_share() -> None:
    """Who knew only which share is lost in all, and took it for each, would be farther off."""
    share = sum(one.truly_lost for one in judged()) / sum(one.found.known for one in judged())
    off = sum(abs(one.found.lost - one.truly_lost) for one in judged())
    blunt = sum(abs(share * one.found.known - one.truly_lost) for one in judged())
    assert off < 0.8 * blunt


def test_the_worst_is_found() -> None:
    """The three repeaters of which most is truly lost are among the five of which most is said."""

    def first(of: Mapping[str, float], count: int) -> set[str]:
        return set(sorted(of, key=lambda name: -of[name])[:count])

    true, said = dict.fromkeys(ears().repeaters, 0.0), dict.fromkeys(ears().repeaters, 0.0)
    for one in judged():
        true[one.repeater] += one.truly_lost
        said[one.repeater] += one.found.lost
    assert first(true, 3) <= first(said, 5)
