"""What a worker notes in its journal: what it took in, what the broker took over, what people
ordered. Without a journal nothing is noted."""

import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from streamer import __version__
from streamer.clock import Clock, to_ms
from streamer.config import RegionView
from streamer.journal import lines as journal
from streamer.journal.reader import settings_text
from streamer.journal.writer import Retention, Writer
from streamer.state.entries import Entry
from streamer.state.shapes import OutMessage
from streamer.state.store import Store
from streamer.worker.batch import Batch
from streamer.worker.metrics import Metrics

DAY_MS = 86_400_000
ACTS_BEFORE_MS = DAY_MS
"""A worker that begins notes what was ordered up to so long ago: nobody may have been there to note
it. What was noted twice counts once."""


def writer_for(view: RegionView, worker: str, folder: Path | None) -> Writer | None:
    """The journal that the region file asks for, in another folder if one is given."""
    settings = view.region.journal
    where = folder or settings.folder
    if where is None:
        return None
    retention = Retention(round(settings.keep_days * DAY_MS), round(settings.keep_gb * 1e9))
    return Writer(where, view.name, worker, __version__, retention)


class Recorder:
    """For one worker."""

    def __init__(self, writer: Writer | None, store: Store, clock: Clock, metrics: Metrics) -> None:
        self._writer = writer
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._acts = OrdersSeen(store)
        self._counted = 0, 0
        metrics.journal_well.set(1)  # also where none is wanted: nothing is amiss

    def prepared(self, view: RegionView, now_ms: int) -> None:
        """A region file is in use from `now_ms` on."""
        if self._writer is not None:
            self._writer.settings_are(settings_text(view), now_ms)

    def batch(self, received_ms: int) -> Batch:
        """An empty batch that keeps its lines if they are wanted."""
        return Batch(noted_ms=received_ms, lines=None if self._writer is None else [])

    def merged(self, batch: Batch) -> None:
        """Note what was taken in; to be called before it is acknowledged."""
        if self._writer is not None and batch.lines:
            self._writer.write(batch.lines, batch.noted_ms)

    def published(self, messages: Sequence[OutMessage]) -> None:
        """Note what the broker has taken over."""
        if self._writer is not None:
            now_ms = self._clock.now_ms()
            lines = [journal.published(now_ms, m.topic, m.payload, m.retain) for m in messages]
            self._writer.write(lines, now_ms)

    def tick(self) -> None:
        """Note what was ordered, end files whose hour is over. Raises StoreUnavailable."""
        writer, metrics = self._writer, self._metrics
        if writer is None:
            return
        now_ms = self._clock.now_ms()
        texts = self._acts.news(lambda entry: to_ms(entry.at) >= now_ms - ACTS_BEFORE_MS)
        writer.write([journal.act(now_ms, text) for text in texts], now_ms)
        writer.tick(now_ms)
        metrics.journal_lines.inc(writer.written - self._counted[0])
        metrics.journal_lost_lines.inc(writer.lost - self._counted[1])
        self._counted = writer.written, writer.lost
        metrics.journal_well.set(writer.well)
        free = writer.free_ratio()
        metrics.journal_disk_free_ratio.set(math.nan if free is None else free)

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close(self._clock.now_ms())


class OrdersSeen:
    """The log of what people ordered, as far as it was seen."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._heads: dict[int | str, str] = {}
        self._begun = False

    def news(self, wanted_at_first: Callable[[Entry], bool]) -> list[str]:
        """Entries that are new since the last time, oldest first; of those that were there at first
        the wanted ones. Raises StoreUnavailable."""
        heads = self._store.log_heads()
        found: list[str] = []
        for partition, head in heads.items():
            known = self._heads.get(partition)
            if head == known:
                continue
            found += _newer(self._store.log_of(partition), known)
        self._heads = heads
        found.reverse()  # each part of the log has its newest first
        entries = [(Entry.model_validate_json(text), text) for text in found]
        if not self._begun:
            self._begun = True
            entries = [(entry, text) for entry, text in entries if wanted_at_first(entry)]
        return [text for _, text in sorted(entries, key=lambda pair: pair[0].at)]


def _newer(texts: Iterable[str], known: str | None) -> list[str]:
    """Entries before one that is known. That one may have been put in other words since, or taken
    out (forgotten, or older than is kept): then those after its time are the new ones."""
    found: list[str] = []
    for text in texts:
        if text == known:
            return found
        found.append(text)
    if known is None:
        return found
    at = Entry.model_validate_json(known).at
    return [text for text in found if Entry.model_validate_json(text).at > at]
