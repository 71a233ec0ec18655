"""A record as a tape: how long it is, when alerts came and went, its lines up to a time."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from pydantic_core import from_json

from streamer.board.replaying import AlertTick
from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.contract.published import AlertState, Severity
from streamer.contract.topics import alert_topic
from streamer.journal import lines as journal
from streamer.journal.lines import Line
from streamer.journal.reader import JournalError, OnTrouble, region_of

COLUMNS: Final = 400
"""Ticks closer to each other than this part of the record are not told apart anyway."""

Source = Callable[[OnTrouble], Iterator[Line]]
"""Opens the record at its begin: `functools.partial(read, paths)`."""


class Reel:
    """The lines of a record, piece by piece."""

    def __init__(self, lines: Iterator[Line]) -> None:
        self._lines = lines
        self._next: Line | None = None

    def until(self, ms: int) -> Iterator[Line]:
        """Those noted up to a time that were not given yet."""
        while True:
            line = self._next or next(self._lines, None)
            if line is None or line["noted_ms"] > ms:
                self._next = line
                return
            self._next = None
            yield line


@dataclass(frozen=True, slots=True)
class Tape:
    """`view` is the region file at the record's begin; `given` one that is taken instead."""

    source: Source
    view: RegionView
    given: RegionView | None
    begin_ms: int
    end_ms: int
    ticks: tuple[AlertTick, ...]

    def wind(self) -> Reel:
        """From the begin. What cannot be read was told when the tape was looked through."""
        return Reel(self.source(lambda _: None))


def look_through(source: Source, on_trouble: OnTrouble, given: RegionView | None = None) -> Tape:
    """Read a record once. Raises JournalError when nothing can be made of it, OSError."""
    alerts, view = _Alerts(), given
    begin_ms, end_ms = None, 0
    for line in source(on_trouble):
        noted_ms = line["noted_ms"]
        begin_ms = noted_ms if begin_ms is None else min(begin_ms, noted_ms)
        end_ms = max(end_ms, noted_ms)
        if view is None and line["kind"] == journal.REGION:
            view = region_of(line)
        elif view is not None and line["kind"] == journal.PUBLISHED:
            alerts.take(line, alert_topic(view.name, ""))
    if begin_ms is None:
        raise JournalError("the journal holds no line that can be read: nothing to be played")
    if view is None:
        raise JournalError("the journal holds no region file: give --region FILE")
    return Tape(source, view, given, begin_ms, end_ms, alerts.ticks(begin_ms, end_ms))


@dataclass(slots=True)
class _Alerts:
    """From what was published about alerts, by several workers maybe, when each came and went."""

    found: list[tuple[int, bool, Severity]] = field(default_factory=list)
    open: set[str] = field(default_factory=set)

    def take(self, line: Line, prefix: str) -> None:
        topic, payload = line.get("topic"), line.get("payload")
        if not payload or not isinstance(topic, str) or not topic.startswith(prefix):
            return
        try:
            said: dict[str, Any] = from_json(payload)
            name, raised = said["id"], said["state"] != AlertState.CLEARED
            severity = Severity(said["severity"])
        except (ValueError, KeyError, TypeError):
            return  # no alert: there is nothing to be drawn
        if raised != (name in self.open):
            (self.open.add if raised else self.open.remove)(name)
            self.found.append((line["noted_ms"], raised, severity))

    def ticks(self, begin_ms: int, end_ms: int) -> tuple[AlertTick, ...]:
        """One of a kind in each part of the record."""
        part_ms = max(1, (end_ms - begin_ms) // COLUMNS)
        kept = {
            ((ms - begin_ms) // part_ms, raised, severity): ms
            for ms, raised, severity in self.found
        }
        return tuple(
            AlertTick(at=from_ms(ms), raised=raised, severity=severity)
            for (_, raised, severity), ms in kept.items()
        )
