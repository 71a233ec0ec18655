"""Has Redis merge what has arrived, while its caller may read what arrives next."""

from dataclasses import dataclass, field

from streamer.state.base import Begun
from streamer.state.shapes import Tell
from streamer.state.store import Store
from streamer.worker.batch import Batch


@dataclass(slots=True)
class Merged:
    """A batch and what the gateways' counts said of it, see `Store.apply_gateways`."""

    batch: Batch
    received_ms: int
    verdicts: dict[str, tuple[str, str]] = field(default_factory=dict)


class Merger:
    """Merges one batch at a time; `begin` and `finish` raise StoreUnavailable. Then some of it may
    be merged, and all of it must be begun again."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._merged: Merged | None = None
        self._counts: Begun[dict[str, tuple[str, str]]] | None = None
        self._told: Begun[list[Tell]] | None = None

    def begin(self, merged: Merged) -> None:
        """Have events counted and stations merged; `finish` must be called before the next."""
        assert self._merged is None
        batch, now_ms = merged.batch, merged.received_ms
        try:
            self._counts = self._store.begin_gateways(batch.gateways, now_ms)
            self._told = self._store.begin_stations(batch.keyings, now_ms)
        except BaseException:
            self.abandon()
            raise
        self._merged = merged

    def finish(self) -> Merged | None:
        """Wait for it and tell the groups; returns what was begun, None if nothing was."""
        merged, counts, told = self._merged, self._counts, self._told
        if merged is None or counts is None or told is None:
            return None
        try:
            merged.verdicts = counts.finish()
            tells, routes = told.finish(), merged.batch.routes
            if tells or routes:
                self._store.apply_groups(tells, routes, merged.received_ms)
        except BaseException:
            self.abandon()
            raise
        self._merged = self._counts = self._told = None
        return merged

    def abandon(self) -> None:
        """Do not wait for what was begun."""
        counts, told = self._counts, self._told
        self._merged = self._counts = self._told = None
        if counts is not None:
            counts.abandon()
        if told is not None:
            told.abandon()
