"""Has Redis merge batches, in a thread of its own where there is more to read meanwhile."""

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

from streamer.state.store import Store
from streamer.worker.intake import Batch


@dataclass(slots=True)
class Merged:
    """A batch and what the gateways' counts said of it, see `Store.apply_gateways`."""

    batch: Batch
    received_ms: int
    verdicts: dict[str, tuple[str, str]] = field(default_factory=dict)


class Merger:
    """Merges one arrival at a time. Nobody else may merge while one is under way."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="merger")
        self._under_way: Future[list[Merged]] | None = None

    def begin(self, arrival: Sequence[Merged], *, aside: bool) -> None:
        """Start merging; `aside` in the other thread. `finish` must be called before the next."""
        assert self._under_way is None
        if aside:
            self._under_way = self._thread.submit(self._merge_all, list(arrival))
            return
        self._under_way = Future()
        try:
            self._under_way.set_result(self._merge_all(list(arrival)))
        except Exception as error:  # handed on by finish(), as from the other thread
            self._under_way.set_exception(error)

    def finish(self) -> list[Merged]:
        """Wait for what was begun and return it; empty if nothing was.

        Raises StoreUnavailable: then some of it may be merged, and all must be begun again.
        """
        under_way, self._under_way = self._under_way, None
        return under_way.result() if under_way is not None else []

    def _merge_all(self, arrival: list[Merged]) -> list[Merged]:
        for merged in arrival:
            batch, now_ms = merged.batch, merged.received_ms
            if batch.gateways:
                merged.verdicts = self._store.apply_gateways(batch.gateways, now_ms)
            tells = self._store.apply_stations(batch.keyings, now_ms) if batch.keyings else []
            if tells or batch.routes:
                self._store.apply_groups(tells, batch.routes, now_ms)
        return arrival
