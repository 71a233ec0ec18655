"""Short ways to say what a repeater heard where, and the demo's land as a truth to learn from."""

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from statistics import NormalDist

import h3

import streamer.demo
from streamer.config import Learning, Site, load_region
from streamer.demo.land import Land, from_degrees, received_dbm
from streamer.domain.cells import centre, disk_of
from streamer.domain.coverage import Coverage
from streamer.domain.model import Learned, Sums

LEARNING = Learning()
SITE = Site("ridge/uhf", "ridge", 0.0, 20.0, None, None, 146.0)


def sums(levels: Sequence[float], silent: float = 0) -> Sums:
    """Overs with these levels (dBm), and `silent` more that told none."""
    return Sums(
        len(levels) + silent,
        len(levels),
        sum(levels),
        sum(level * level for level in levels),
    )


def learned(cells: Mapping[str, Sums], repeater: str = "ridge/uhf") -> Learned:
    return Learned(repeater, cells, {})


def coverage(
    cells: Mapping[str, Sums] | None = None,
    site: Site | None = SITE,
    learning: Learning = LEARNING,
) -> Coverage:
    return Coverage(learned(cells or {}, site.repeater if site else "ridge/uhf"), site, learning)


def everywhere(cells: Iterable[str], level: float, repeater: str) -> Coverage:
    """A repeater without a position that heard each of the cells well, or badly."""
    heard = sums([level - 2, level - 1, level, level + 1, level + 2])
    return Coverage(learned(dict.fromkeys(cells, heard), repeater), None, LEARNING)


@dataclass(frozen=True)
class Truth:
    """A cell of the land: the share of overs that are truly heard, and whether anybody keyed."""

    repeater: str
    cell: str
    share: float
    visited: bool


@cache
def land_levels(repeater: str) -> dict[str, tuple[float, ...]]:
    """Levels (dBm) at four places of each cell round a repeater of the demo's land."""
    site = demo_sites()[repeater]
    assert site.lat is not None
    assert site.lon is not None
    land, rng = Land(), random.Random(repeater)
    mast, mhz = site.antenna_m or 0, site.freq_mhz or 0
    found = {}
    for cell in sorted(disk_of(h3.latlng_to_cell(site.lat, site.lon, 7), 10)):
        places = rng.sample(sorted(h3.cell_to_children(cell, 9)), 4)
        found[cell] = tuple(
            received_dbm(
                land, from_degrees(*centre(p)), from_degrees(site.lat, site.lon), mast, mhz
            )
            for p in places
        )
    return found


@cache
def demo_sites() -> dict[str, Site]:
    return load_region(Path(streamer.demo.__file__).with_name("region.toml")).sites


def learn(
    repeater: str, more_loss_db: float, seed: int, fading_db: float = 4.0
) -> tuple[Coverage, list[Truth], dict[str, Sums]]:
    """A repeater that learned from the overs it heard, no others, of stations in two cells of
    five; the truth; and what it learned from."""
    rng = random.Random(f"{repeater} {seed}")
    threshold = LEARNING.hears_dbm
    cells, truths = {}, []
    for cell, levels in land_levels(repeater).items():
        here = [level - more_loss_db for level in levels]
        share = sum(1 - NormalDist(m, fading_db).cdf(threshold) for m in here) / len(here)
        visited = rng.random() < 0.4
        truths.append(Truth(repeater, cell, share, visited))
        if visited:
            made = (rng.choice(here) + rng.gauss(0, fading_db) for _ in range(rng.randint(1, 16)))
            heard = [level for level in made if level > threshold]
            if heard:
                cells[cell] = sums(heard)
    site = demo_sites()[repeater]
    # The range of the demo's file is a rule of its play, not of its land.
    bare = Site(
        site.repeater, site.gateway, site.lat, site.lon, site.antenna_m, None, site.freq_mhz
    )
    return Coverage(learned(cells, repeater), bare, LEARNING), truths, cells
