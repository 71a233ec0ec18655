"""The level of a cell as a repeater's distance, horizon and range have it, with what is learned for
the repeater as a whole: excess loss, spread of signals, weakest signal. Pure."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from streamer.config import Learning, Site
from streamer.domain.cells import sphere_km
from streamer.domain.levels import Heard, believe, cut_at, hazard
from streamer.domain.model import Sums
from streamer.domain.propagation import (
    beyond_horizon_loss_db,
    free_space_loss_db,
    radio_horizon_km,
)

EXCESS_DB: Final = 30.0
"""Losses in houses, woods and cars, less the gain of antennas; common practice, no source."""
EXCESS_ERROR_DB: Final = 10.0
SHADOW_DB: Final = 9.0
"""Textbooks give 5 to 12 dB for the spread of shadowing by ground and buildings."""
SCATTER_DB: Final = 6.0
"""Of the signals of one cell round their mean: places in it, stations, fading; an assumption until
enough was heard."""
LEAST_SCATTER_DB: Final = 4.0
_SCATTER_WORTH: Final = 20.0  # overs that the assumption is worth
ALIKE_OVERS: Final = 8.0
"""Overs of one cell count as so many independent ones at most: one parked station makes hundreds
that all say the same."""
_SILENT_OVERS: Final = 2.0  # overs without a level: the same, and they say little
_ABOVE_DB: Final = 1.0  # the average of what was heard is at least so much above the weakest
STATION_M: Final = 2.0
"""Height of a station's antenna."""
_RANGE_DB_PER_KM: Final = 2.0  # beyond the range that the keeper states; an assumption
_ENOUGH_OVERS: Final = 3.0
_TAUGHT_BY: Final = 400  # cells at most that the excess is learned from
_CELLS_ALIKE: Final = 4.0  # neighbouring cells share their shadow: so many count as one
_OPEN_VAR: Final = 20.0**2  # what a cell's overs say is asked without much of an expectation
_TURNS: Final = 6  # of a computation that comes close in three
_NO_LAW_ERROR_DB: Final = 15.0
_NO_FREQUENCY_ERROR_DB: Final = 30.0
_NO_FREQUENCY_MHZ: Final = 250.0


@dataclass(frozen=True, slots=True)
class LevelLaw:
    """The level by distance. `holds` is False where nothing but the cells heard can tell."""

    holds: bool
    lat: float | None
    lon: float | None
    mhz: float
    start_dbm: float
    excess_db: float
    excess_error_db: float
    shadow_db: float
    edges: tuple[tuple[float, float | None], ...]
    """Where it ends (km), with the dB per km beyond; None: the horizon."""

    @property
    def placed(self) -> bool:
        return self.lat is not None

    @property
    def variance(self) -> float:
        return self.shadow_db**2 + self.excess_error_db**2

    @classmethod
    def of(
        cls,
        site: Site | None,
        sums: Mapping[str, Sums],
        learning: Learning,
        threshold_dbm: float,
        scatter_db: float,
    ) -> "LevelLaw":
        """The law of a repeater, its excess learned from the cells."""
        if site is None or site.lat is None or site.lon is None:
            usual = sum(s.signal_sum for s in sums.values()) / max(
                sum(s.signals for s in sums.values()), 1e-9
            )
            start = usual if usual < 0 else threshold_dbm + SCATTER_DB
            error = _NO_LAW_ERROR_DB
            return cls(False, None, None, 1.0, start, 0.0, error / 2, error, ())
        known = site.freq_mhz is not None
        farthest = max(
            (sphere_km(site.lat, site.lon, c) for c, s in sums.items() if s.overs >= _ENOUGH_OVERS),
            default=0.0,
        )
        law = cls(
            known or bool(sums),
            site.lat,
            site.lon,
            site.freq_mhz or _NO_FREQUENCY_MHZ,
            learning.station_dbm,
            0.0,
            EXCESS_ERROR_DB if known else _NO_FREQUENCY_ERROR_DB,
            SHADOW_DB,
            _edges(site, farthest),
        )
        excess, left = law._excess(sums, threshold_dbm, scatter_db)
        return replace(law, excess_db=excess, excess_error_db=left)

    def level_dbm(self, cell: str) -> float:
        """What the law expects of a cell."""
        if self.lat is None or self.lon is None:
            return self.start_dbm
        km = sphere_km(self.lat, self.lon, cell)
        level = self.start_dbm - free_space_loss_db(self.mhz, km) - self.excess_db
        for edge_km, per_km in self.edges:
            if per_km is None:
                level -= beyond_horizon_loss_db(self.mhz, km - edge_km)
            else:
                level -= per_km * max(km - edge_km, 0.0)
        return level

    def words(self, cell: str) -> str:
        """What it rests on when nothing was heard near."""
        if self.lat is None or self.lon is None:
            return "nothing heard near here"
        km = sphere_km(self.lat, self.lon, cell)
        text = f"nothing heard near here yet: by its distance of {km:.0f} km alone"
        passed = [edge for edge in self.edges if km > edge[0]]
        for edge_km, per_km in passed[:1]:
            what = "radio horizon" if per_km is None else "range"
            text += f", which is beyond the {what} of {edge_km:.0f} km"
        return text

    def _excess(
        self, sums: Mapping[str, Sums], threshold_dbm: float, scatter_db: float
    ) -> tuple[float, float]:
        """(dB, standard error). Each cell is one measurement, cut off below: a cell that lies a
        scatter below the threshold is hardly ever heard, so it is not among these."""
        rows = []
        taught = sorted(cell for cell, s in sums.items() if s.signals > 0)
        for cell in taught[:: max(1, math.ceil(len(taught) / _TAUGHT_BY))]:
            law_dbm, heard = self.level_dbm(cell), heard_of(sums[cell])
            told = believe(law_dbm - EXCESS_DB, _OPEN_VAR, heard, scatter_db, threshold_dbm)
            if told.told_dbm is not None:
                wide = math.sqrt(self.shadow_db**2 + told.told_var)
                weight = min(1.0, sums[cell].signals) / _CELLS_ALIKE
                rows.append((law_dbm, max(told.told_dbm, threshold_dbm - scatter_db), wide, weight))
        excess, prior, worth = EXCESS_DB, self.excess_error_db**2, 0.0
        for _ in range(20):
            slope = worth = 0.0
            for law_dbm, told_dbm, wide, weight in rows:
                level = law_dbm - excess
                rate, spread = hazard((threshold_dbm - scatter_db - level) / wide)
                slope -= weight * ((told_dbm - level) / wide - rate) / wide
                worth += weight * spread / (wide * wide)
            step = (slope + (EXCESS_DB - excess) / prior) / (worth + 1 / prior)
            excess += min(max(step, -10.0), 10.0)
            if abs(step) < 0.01:
                break
        return excess, math.sqrt(1 / (worth + 1 / prior))


def _edges(site: Site, farthest_km: float) -> tuple[tuple[float, float | None], ...]:
    """See `LevelLaw.edges`. Where stations were heard is no edge."""
    edges: list[tuple[float, float | None]] = []
    if site.antenna_m is not None:
        edges.append((max(radio_horizon_km(site.antenna_m, STATION_M), farthest_km), None))
    if site.range_km is not None:
        edges.append((max(site.range_km, farthest_km), _RANGE_DB_PER_KM))
    return tuple(edges)


def _independent(overs: float, most: float) -> float:
    return overs / (1 + max(0.0, overs - 1) / most)


def heard_of(sums: Sums) -> Heard:
    return Heard(
        _independent(sums.signals, ALIKE_OVERS),
        sums.signal_sum / sums.signals if sums.signals > 0 else 0.0,
        _independent(max(0.0, sums.overs - sums.signals), _SILENT_OVERS),
    )


def threshold_dbm(cells: Iterable[Sums], hears_dbm: float) -> float:
    """The weakest signal heard: as configured, or lower if a cell is heard close to it on average;
    clearly lower if a cell is heard below it, for then what is configured is wrong."""
    means = (s.signal_sum / s.signals for s in cells if s.signals >= _ENOUGH_OVERS)
    lowest = min(means, default=math.inf)
    return min(hears_dbm, lowest - (_ABOVE_DB if lowest > hears_dbm else SCATTER_DB))


def scatter_db(cells: Iterable[Sums], threshold_dbm: float) -> float:
    """The spread of signals within a cell. Where weak signals are missing, those heard spread less:
    by how much follows from how far they are above the threshold on average."""
    rows = []
    for s in cells:
        if s.signals >= 2 and (above := s.signal_sum / s.signals - threshold_dbm) > 0:
            inside = max(0.0, s.signal_squares - s.signal_sum**2 / s.signals) / (s.signals - 1)
            rows.append((above, inside, _independent(s.signals, ALIKE_OVERS) - 1))
    rows = sorted(rows)[:: max(1, math.ceil(len(rows) / _TAUGHT_BY))]
    scatter = SCATTER_DB
    seen = _SCATTER_WORTH * SCATTER_DB**2 + sum(inside * worth for _, inside, worth in rows)
    for _ in range(_TURNS):
        kept = _SCATTER_WORTH + sum(w * hazard(cut_at(a / scatter))[1] for a, _, w in rows)
        scatter = max(LEAST_SCATTER_DB, math.sqrt(seen / kept))
    return scatter
