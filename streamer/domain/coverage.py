"""What a repeater hears where, learned from the overs that it heard; and until it has learned, by
distance alone. Pure.

Level of a cell = power of a usual station - free-space loss (ITU-R P.525) - what the smooth earth
takes beyond the horizon - excess - shadow. The excess (houses, trees, antennas) is one number per
repeater, learned from all its cells; the shadow (hills) is a number per cell, alike in cells close
by. A cell's own overs, then those of its neighbours, then the distance say what it is, each with
its uncertainty. The chance to be heard is the share of overs above the threshold.

Weak, and known: only what was heard is known. Within a cell that is corrected for (`levels`), but a
cell in which nobody was ever heard is judged by its neighbours and the distance even if it lies
behind a hill. An over that others heard and this repeater did not is no evidence here: it may have
been on another frequency (what follows from many of them: `repeater_health`).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from streamer.config import Learning, Site
from streamer.domain.cells import Ring, boundary, cell_at, resolution_of, ring_of, spacing_km
from streamer.domain.level_law import LevelLaw, heard_of, scatter_db, threshold_dbm
from streamer.domain.levels import Belief, Signal, believe, phi
from streamer.domain.model import Learned, Sums

SHADOW_REACH_KM: Final = 6.0
"""Over this distance the likeness of shadows falls to 1/e (Gudmundson's exponential law, from
memory). The distance is an assumption: of 4 to 7 km, which did about as well on the demo's land."""
_Z90: Final = 1.645
_SHARE_WORTH: Final = 2.0


class Basis(StrEnum):
    """What a chance rests on."""

    LEARNED = "learned"
    NEIGHBOURS = "neighbours"
    PHYSICS = "physics"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Chance:
    """The chance that an over from a cell is heard (0 to 1; None: nothing can be said), with the
    interval that holds it nine times in ten; the mean level (dBm); overs heard from the cell, older
    ones counted less; and the reason in words."""

    chance: float | None
    low: float
    high: float
    level_dbm: float | None
    overs: float
    basis: Basis
    reason: str


def or_zero(chance: Chance | None) -> float:
    """The chance as a number; 0 where nothing is known."""
    return 0.0 if chance is None or chance.chance is None else chance.chance


class Coverage:
    """Learned coverage of one repeater. Never changed once made: make a new one when more was
    learned. Cells of another size than `learning.cell_resolution` are passed over.

    Without a position there is no law of distance, only cells that were heard and those around
    them. Without a frequency the law holds once anything was heard: the excess takes up the
    difference.
    """

    def __init__(self, learned: Learned, site: Site | None, learning: Learning) -> None:
        self.repeater = learned.repeater
        self.site = site
        self._learning = learning
        self.resolution = learning.cell_resolution
        self._sums = {
            cell: sums
            for cell, sums in learned.cells.items()
            if sums.overs > 0 and resolution_of(cell) == self.resolution
        }
        self._chances: dict[str, Chance] = {}
        self._signals: dict[str, Signal] = {}
        self._told: dict[str, tuple[float, float] | None] = {}
        self._threshold_dbm = threshold_dbm(self._sums.values(), learning.hears_dbm)
        self._scatter_db = scatter_db(self._sums.values(), self._threshold_dbm)
        self._law = LevelLaw.of(site, self._sums, learning, self._threshold_dbm, self._scatter_db)
        step_km = spacing_km(self.resolution)
        self._alike = (
            math.exp(-step_km / SHADOW_REACH_KM),
            math.exp(-2 * step_km / SHADOW_REACH_KM),
        )

    @property
    def place(self) -> tuple[float, float] | None:
        """(lat, lon) of the repeater."""
        if self.site is None or self.site.lat is None or self.site.lon is None:
            return None
        return self.site.lat, self.site.lon

    @property
    def excess_db(self) -> tuple[float, float]:
        """The learned excess and its standard error."""
        return self._law.excess_db, self._law.excess_error_db

    def cell_of(self, lat: float, lon: float) -> str:
        """The cell of a place in degrees."""
        return cell_at(lat, lon, self.resolution)

    def chance_at(self, lat: float, lon: float) -> Chance:
        return self.chance(self.cell_of(lat, lon))

    def cells(self) -> Iterator[tuple[str, Chance]]:
        """The cells that it heard stations in, each with its chance."""
        return ((cell, self.chance(cell)) for cell in self._sums)

    @staticmethod
    def boundary(cell: str) -> Ring:
        """See `cells.boundary`."""
        return boundary(cell)

    def chance(self, cell: str) -> Chance:
        """The chance that an over from a cell of `resolution` is heard. Raises ValueError (of h3)
        for what is no cell."""
        known = self._chances.get(cell)
        if known is None:
            known = self._chances[cell] = self._judge(cell)
        return known

    @property
    def hears_dbm(self) -> float:
        """The weakest signal that it hears, as learned."""
        return self._threshold_dbm

    def signal(self, cell: str) -> Signal | None:
        """What an over of a usual station comes in with from a cell; None where nothing can be
        said. It is above `hears_dbm` with `chance(cell)`."""
        self.chance(cell)
        return self._signals.get(cell)

    def _judge(self, cell: str) -> Chance:
        law = self._law
        sums = self._sums.get(cell)
        shift, error_var, near = self._neighbours(cell)
        if not law.holds and sums is None and not near:
            reason = "nothing was heard near here, and where the repeater stands is not known"
            if law.placed:
                reason = "nothing was heard yet, and the repeater's frequency is not known"
            return Chance(None, 0.0, 1.0, None, 0.0, Basis.UNKNOWN, reason)
        prior_dbm = law.level_dbm(cell) + shift
        if sums is None:
            belief = Belief(prior_dbm, math.sqrt(error_var), None, math.inf)
            basis = Basis.NEIGHBOURS if near else Basis.PHYSICS
            reason = _near_words(near) if near else law.words(cell)
        else:
            belief = self._believe(prior_dbm, error_var, sums)
            basis, reason = Basis.LEARNED, _own_words(sums)
        signal = Signal(belief.mean_dbm, math.hypot(self._scatter_db, belief.error_db))
        self._signals[cell] = signal
        return self._chance(belief, signal, 0.0 if sums is None else sums.overs, basis, reason)

    def _chance(
        self, belief: Belief, signal: Signal, overs: float, basis: Basis, reason: str
    ) -> Chance:
        over_db = belief.mean_dbm - self._threshold_dbm
        spare_db = _Z90 * belief.error_db
        chance = signal.above(self._threshold_dbm)
        return Chance(
            chance,
            min(chance, phi((over_db - spare_db) / self._scatter_db)),
            max(chance, phi((over_db + spare_db) / self._scatter_db)),
            belief.mean_dbm,
            overs,
            basis,
            reason,
        )

    def _believe(self, prior_dbm: float, prior_var: float, sums: Sums) -> Belief:
        heard = heard_of(sums)
        return believe(prior_dbm, prior_var, heard, self._scatter_db, self._threshold_dbm)

    def _told_by(self, cell: str) -> tuple[float, float] | None:
        """What the overs of a cell say by themselves: dB above the law, and the variance."""
        if cell in self._told:
            return self._told[cell]
        found = None
        sums = self._sums.get(cell)
        if sums is not None:
            law_dbm = self._law.level_dbm(cell)
            belief = self._believe(law_dbm, self._law.variance, sums)
            if belief.told_dbm is not None:
                # An over that was just above the threshold says "weak", not how weak.
                bound = 3 * math.sqrt(self._law.variance)
                told = min(max(belief.told_dbm - law_dbm, -bound), bound)
                found = told, belief.told_var
        self._told[cell] = found
        return found

    def _neighbours(self, cell: str) -> tuple[float, float, int]:
        """What the cells around say of this one: dB above the law, variance left, how many cells.

        The best weights would need a system of equations per cell (kriging). These are the weights
        of neighbours that know nothing of each other, with the variance that such an average truly
        has when they do: no more is claimed than is known.
        """
        total = self._law.variance
        common = self._law.excess_error_db**2
        shadow = self._law.shadow_db**2
        likes = [(like * shadow + common) / total for like in self._alike]
        terms = []
        for ring, like in enumerate(likes, start=1):
            for near in ring_of(cell, ring):
                if near in self._sums and (told := self._told_by(near)) is not None:
                    value, var = told
                    terms.append((like / (total * (1 - like * like) + var), value, var, like))
        if not terms:
            return 0.0, total, 0
        whole = sum(weight for weight, _, _, _ in terms)
        mean = sum(weight * value for weight, value, _, _ in terms) / whole
        with_it = total * sum(weight * like for weight, _, _, like in terms) / whole
        squares = sum(weight * weight for weight, _, _, _ in terms)
        among = total * likes[1] * (whole * whole - squares)
        own = sum(weight * weight * (total + var) for weight, _, var, _ in terms)
        variance = (own + among) / (whole * whole)
        return (
            with_it / variance * mean,
            max(total - with_it**2 / variance, 0.1 * total),
            len(terms),
        )


def _count(overs: float) -> str:
    number = max(1, round(overs))
    return f"{number} over" if number == 1 else f"{number} overs"


def _own_words(sums: Sums) -> str:
    text = f"heard about {_count(sums.overs)} from here"
    if sums.signals <= 0:
        return f"{text}, how strong is not known"
    return f"{text}, {sums.signal_sum / sums.signals:.0f} dBm on average"


def _near_words(cells: int) -> str:
    around = "1 cell" if cells == 1 else f"{cells} cells"
    return f"nothing heard from here yet: judged by {around} close by"
