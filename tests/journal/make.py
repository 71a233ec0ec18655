"""Journals for tests: made as a worker makes them, from what gateways of the scene say."""

from collections.abc import Sequence
from pathlib import Path

from streamer.config import RegionView
from streamer.journal.lines import Line
from streamer.journal.reader import settings_text
from streamer.journal.writer import Retention, Writer
from streamer.mqtt.connection import Incoming
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake

FOR_EVER = Retention(10**15, 10**15)


def writer(folder: Path, view: RegionView, worker: str = "worker-1") -> Writer:
    return Writer(folder, view.name, worker, "test", FOR_EVER)


def lines_of_messages(view: RegionView, messages: Sequence[Incoming], now_ms: int) -> list[Line]:
    """What a worker notes that receives messages at one time."""
    batch, intake = Batch(noted_ms=now_ms, lines=[]), Intake(view)
    for message in messages:
        intake.take(message, now_ms, batch)
    assert batch.lines is not None
    return batch.lines


def begun(folder: Path, view: RegionView, now_ms: int, worker: str = "worker-1") -> Writer:
    """A journal in which nothing but its begin is noted yet."""
    made = writer(folder, view, worker)
    made.settings_are(settings_text(view), now_ms)
    return made
