"""Has Redis merge what has arrived, while its caller may read what arrives next."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from streamer.state.base import Begun
from streamer.state.shapes import Tell
from streamer.state.store import Store
from streamer.worker.intake import Batch


@dataclass(slots=True)
class Merged:
    """A batch and what the gateways' counts said of it, see `Store.apply_gateways`."""

    batch: Batch
    received_ms: int
    verdicts: dict[str, tuple[str, str]] = field(default_factory=dict)


class Merger:
    """Merges one arrival at a time; `begin` and `finish` raise StoreUnavailable. Then some of it
    may be merged, and all of it must be begun again."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._arrival: list[Merged] = []
        self._counts: list[Begun[dict[str, tuple[str, str]]]] = []
        self._tells: list[Begun[list[Tell]]] = []

    def begin(self, arrival: Sequence[Merged]) -> None:
        """Have events counted and stations merged; `finish` must be called before the next."""
        assert not self._arrival
        self._arrival = list(arrival)
        try:
            for merged in arrival:
                batch, now_ms = merged.batch, merged.received_ms
                self._counts.append(self._store.begin_gateways(batch.gateways, now_ms))
                self._tells.append(self._store.begin_stations(batch.keyings, now_ms))
        except BaseException:
            self.abandon()
            raise

    def finish(self) -> list[Merged]:
        """Wait for it and tell the groups; returns what was begun, empty if nothing was."""
        arrival = self._arrival
        try:
            for merged, counts, told in zip(arrival, self._counts, self._tells, strict=True):
                merged.verdicts = counts.finish()
                tells, routes = told.finish(), merged.batch.routes
                if tells or routes:
                    self._store.apply_groups(tells, routes, merged.received_ms)
        except BaseException:
            self.abandon()
            raise
        self._arrival, self._counts, self._tells = [], [], []
        return arrival

    def abandon(self) -> None:
        """Do not wait for what was begun."""
        for counts in self._counts:
            counts.abandon()
        for tells in self._tells:
            tells.abandon()
        self._arrival, self._counts, self._tells = [], [], []
