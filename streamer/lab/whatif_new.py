"""What a repeater that is not there yet would have heard of a recorded day, by its place alone."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import median_low

import numpy as np
from pydantic import ValidationError

from streamer.config import Gateway, Site
from streamer.lab.whatif import interval
from streamer.lab.whatif_ears import Ears
from streamer.lab.whatif_scene import Scene
from streamer.problems import problem_lines

NEW_PORT = "new"
"""The port's name where only a site was named."""
FORM = "NAME,LAT,LON[,ANTENNA_M[,FREQ_MHZ]]"


@dataclass(frozen=True, slots=True)
class Gain:
    """Of the `placed` overs whose station said where it was, the new repeater is expected to hear
    `heard`, nine times in ten between `low` and `high`; `alone` are those among them that one
    repeater alone heard on the day, `stronger` those that it would have heard stronger. Of
    `unknown` overs nobody knows where they came from. `helped` are members of whom one repeater
    alone heard overs, with how many of those it is expected to hear, the most first."""

    repeater: str
    placed: int
    heard: float
    low: float
    high: float
    alone: float
    stronger: float
    unknown: int
    helped: tuple[tuple[str, float], ...]


def new_site(text: str, others: Mapping[str, Site]) -> tuple[Site, tuple[str, ...]]:
    """A site as typed in FORM, with notes on what was taken for what was not said.

    Raises ValueError saying what is wrong.
    """
    name, *numbers = (part.strip() for part in text.split(","))
    if not 2 <= len(numbers) <= 4:
        raise ValueError(f"{text!r}: must be {FORM}")
    gateway, _, port = name.partition("/")
    fields = dict(zip(("lat", "lon", "antenna_m", "freq_mhz"), numbers, strict=False))
    try:
        own = {"id": port or NEW_PORT, **{n: float(v) for n, v in fields.items()}}
    except ValueError as error:
        raise ValueError(f"{text!r}: what follows the name must be numbers; {FORM}") from error
    content = {"id": gateway, "repeater": [own]}
    try:
        told = Gateway.model_validate(content).repeater[0]
    except ValidationError as error:
        wrong = "; ".join(problem_lines(error, Gateway, content))
        raise ValueError(f"{text!r}: {wrong}") from error
    site = Site(
        f"{gateway}/{told.id}", gateway, told.lat, told.lon, told.antenna_m, None, told.freq_mhz
    )
    if site.repeater in others:
        raise ValueError(f"{text!r}: {site.repeater} is in the region already; choose another name")
    return _completed(site, others)


def _completed(site: Site, others: Mapping[str, Site]) -> tuple[Site, tuple[str, ...]]:
    notes = []
    if site.antenna_m is None:
        notes.append(
            f"{site.repeater}: height of the antenna not given: no horizon is taken, so it may "
            "hear less far than is told here"
        )
    if site.freq_mhz is None:
        known = [other.freq_mhz for other in others.values() if other.freq_mhz is not None]
        if not known:
            raise ValueError(
                f"{site.repeater}: give its frequency in MHz: the region file holds none to go by"
            )
        site = replace(site, freq_mhz=median_low(known))
        notes.append(
            f"{site.repeater}: frequency not given: taken as {site.freq_mhz:g} MHz, the middle one "
            "of the region's repeaters"
        )
    return site, tuple(notes)


def gain(scene: Scene, ears: Ears, repeater: str) -> Gain:
    """What the repeater, one of `ears`, would have heard of the day's overs."""
    coverage, overs = ears.coverage(repeater), scene.day.overs
    placed, chance, alone, stronger = [], [], 0.0, 0.0
    helped: dict[str, float] = defaultdict(float)
    for at, known in enumerate(scene.known):
        signal = None if known.cell is None else coverage.signal(known.cell)
        if signal is None:
            continue
        placed.append(at)
        chance.append(signal.above(coverage.hears_dbm - known.stronger_db))
        if len(overs[at].heard) == 1:
            alone += chance[-1]
            if scene.member_ms[at]:
                helped[overs[at].station] += chance[-1]
        if known.heard_dbm is not None:
            level_dbm = max(known.heard_dbm, coverage.hears_dbm)
            stronger += signal.above(level_dbm - known.stronger_db)
    chances = np.array(chance, np.float64)
    least, most = interval(chances, np.ones(len(placed)), scene.station_of[placed])
    return Gain(
        repeater,
        len(placed),
        float(chances.sum()),
        len(placed) - most,
        len(placed) - least,
        alone,
        stronger,
        len(overs) - len(placed),
        tuple(sorted(helped.items(), key=lambda one: (-one[1], one[0]))),
    )
