"""Which repeater would have heard an over that it did not hear, by learned coverage.

What repeaters hear where is learned from the recorded overs whose stations said their position, by
the domain's own rule (`streamer.domain.coverage`); of a repeater that is not there yet, its place
alone tells.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from streamer.config import Learning, Site
from streamer.domain.cells import cell_at
from streamer.domain.coverage import Basis, Coverage
from streamer.domain.model import Learned, Sums
from streamer.lab.day import Hearing, RecordedOver

_STRENGTH_WORTH: Final = 5.0  # overs that it takes to believe half of a station's own strength


@dataclass(frozen=True, slots=True)
class Known:
    """What the record tells of one over's signal, in whole dB: the cell it came from (None: not
    known), by how much its station comes in stronger than a usual one, and the strongest that any
    repeater heard it with (None: not said)."""

    cell: str | None
    stronger_db: int = 0
    heard_dbm: int | None = None


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """The repeater that would hear an over best, its chance (0 to 1) and what that rests on."""

    repeater: str
    chance: float
    basis: Basis


def learn(overs: Iterable[RecordedOver], learning: Learning) -> dict[str, Learned]:
    """What each repeater heard from where: as the workers count it, one for each over and repeater
    that heard it, where the over told a position."""
    heard: dict[str, dict[str, list[Hearing]]] = defaultdict(lambda: defaultdict(list))
    for over in overs:
        if over.fix is None:
            continue
        cell = cell_at(over.fix.lat, over.fix.lon, learning.cell_resolution)
        for hearing in over.heard:
            heard[hearing.repeater][cell].append(hearing)
    return {
        repeater: Learned(repeater, {cell: _sums(told) for cell, told in cells.items()}, {})
        for repeater, cells in heard.items()
    }


def _sums(heard: Sequence[Hearing]) -> Sums:
    signals = [h.rssi_dbm for h in heard if h.rssi_dbm is not None]
    errors = [h.ber_pct for h in heard if h.ber_pct is not None]
    return Sums(
        len(heard), len(signals), math.fsum(signals), math.fsum(v * v for v in signals),
        len(errors), math.fsum(errors), math.fsum(v * v for v in errors),
    )  # fmt: skip


class Ears:
    """What all repeaters hear, those included that are only thought of."""

    def __init__(
        self, learned: Mapping[str, Learned], sites: Mapping[str, Site], learning: Learning
    ) -> None:
        self._learning = learning
        self._coverages = {
            name: Coverage(learned.get(name, Learned(name, {}, {})), sites.get(name), learning)
            for name in sorted({*learned, *sites})
        }
        self._known: dict[tuple[Known, frozenset[str]], Elsewhere | None] = {}

    @property
    def repeaters(self) -> tuple[str, ...]:
        return tuple(self._coverages)

    @property
    def unplaced(self) -> tuple[str, ...]:
        """Repeaters of which nobody knows where they stand: little can be said of them."""
        return tuple(n for n, c in self._coverages.items() if c.place is None)

    def cell_of(self, lat: float, lon: float) -> str:
        """The cell of a place in degrees, as learned coverage has it."""
        return cell_at(lat, lon, self._learning.cell_resolution)

    def coverage(self, repeater: str) -> Coverage:
        return self._coverages[repeater]

    def best(self, known: Known, deaf: frozenset[str]) -> Elsewhere | None:
        """The best of the repeaters that are not `deaf`; None where nothing is known of any.

        One station's radio and place are the same for all of them, so the chance that any hears it
        is taken to be that of the best, not more: what one misses, the others mostly miss too.
        Those that did not hear it on the day are taken to hear it no stronger than the one that
        did, for people and networks choose the best (common practice, no source).
        """
        key = known, deaf
        if key not in self._known:
            self._known[key] = self._best(known, deaf)
        return self._known[key]

    def _best(self, known: Known, deaf: frozenset[str]) -> Elsewhere | None:
        found: Elsewhere | None = None
        if known.cell is None:
            return None
        below_dbm = math.inf if known.heard_dbm is None else known.heard_dbm
        for name, coverage in self._coverages.items():
            signal = None if name in deaf else coverage.signal(known.cell)
            if signal is None:
                continue
            hears_dbm = coverage.hears_dbm - known.stronger_db
            chance = signal.above(hears_dbm, below_dbm - known.stronger_db)
            if found is None or chance > found.chance:
                found = Elsewhere(name, chance, coverage.chance(known.cell).basis)
        return found

    def stronger_db(self, overs: Sequence[RecordedOver], cells: Sequence[str | None]) -> int:
        """By how much one station comes in stronger than a usual one, in whole dB, from its overs
        and the cells they came from. Few overs say little."""
        more = []
        for over, cell in zip(overs, cells, strict=True):
            rssi_dbm = over.heard[0].rssi_dbm
            signal = None if cell is None else self._coverages[over.repeater].signal(cell)
            if rssi_dbm is not None and signal is not None:
                more.append(rssi_dbm - signal.mean_dbm)
        return round(math.fsum(more) / (len(more) + _STRENGTH_WORTH))
