"""Has Redis merge what has arrived, while its caller may read what arrives next."""

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
        self._counts: Begun[dict[str, tuple[str, str]]] | None = None
        self._told: Begun[list[Tell]] | None = None

    def begin(self, arrival: Sequence[Merged]) -> None:
        """Have the first batch counted and merged; `finish` must be called before the next."""
        assert not self._arrival
        self._arrival = list(arrival)
        self._send(self._arrival[0])

    def finish(self) -> list[Merged]:
        """Wait for it, merge the other batches one by one, tell the groups of all; returns what
        was begun, empty if nothing was."""
        arrival, self._arrival = self._arrival, []
        for place, merged in enumerate(arrival):
            merged.verdicts, tells = self._receive()
            if place + 1 < len(arrival):
                self._send(arrival[place + 1])
            if tells or merged.batch.routes:
                self._tell(merged, tells)
        return arrival

    def abandon(self) -> None:
        """Do not wait for what was begun."""
        counts, told = self._counts, self._told
        self._arrival, self._counts, self._told = [], None, None
        if counts is not None:
            counts.abandon()
        if told is not None:
            told.abandon()

    def _send(self, merged: Merged) -> None:
        batch, now_ms = merged.batch, merged.received_ms
        try:
            self._counts = self._store.begin_gateways(batch.gateways, now_ms)
            self._told = self._store.begin_stations(batch.keyings, now_ms)
        except BaseException:
            self.abandon()
            raise

    def _receive(self) -> tuple[dict[str, tuple[str, str]], list[Tell]]:
        assert self._counts is not None
        assert self._told is not None
        try:
            answer = self._counts.finish(), self._told.finish()
        except BaseException:
            self.abandon()
            raise
        self._counts, self._told = None, None
        return answer

    def _tell(self, merged: Merged, tells: Sequence[Tell]) -> None:
        try:
            self._store.apply_groups(tells, merged.batch.routes, merged.received_ms)
        except BaseException:
            self.abandon()
            raise
