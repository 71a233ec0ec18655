"""From a source's lines to the spool: read, judged, numbered and stored, in one transaction."""

import contextlib
import threading
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from pydantic_core import from_json

from streamer.agent.clock_offset import Exchange, OffsetFilter
from streamer.agent.config import AgentSettings, SourceSettings
from streamer.agent.events import EventError, EventMaker, Made, RepeaterChange
from streamer.agent.logs import Log
from streamer.agent.nmea import NmeaError
from streamer.agent.patterns import Pattern, PatternError, compile_map
from streamer.agent.spool import Body, Spool, SpoolError
from streamer.clock import Clock, from_ms

OVERS_OPEN = 256
"""Overs whose end is awaited at most."""
_LATE_MS: Final = 5_000
"""Lines whose file was last written so long ago are not of now. The files of some cards know the
time to two seconds only."""

Keep = Callable[[Sequence[tuple[str, str]]], object]
OnRepeaters = Callable[[Sequence[RepeaterChange], Keep], list[RepeaterChange]]
"""See `Heartbeat.repeaters_changed`."""


class ClockWatch:
    """The offset that events are stamped with; shared by the sources and the sender."""

    def __init__(self, clock: Clock, log: Log) -> None:
        self._clock = clock
        self._log = log
        self._filter = OffsetFilter()
        self._lock = threading.Lock()
        self.steps = 0

    def now(self) -> tuple[int, float | None]:
        """The time in ms and the offset known for it; forgets the offset if the clock was set."""
        with self._lock:
            now_ms = self._clock.now_ms()
            if self._filter.stepped(now_ms, self._clock.monotonic_s()):
                self.steps += 1
                self._log.warning("clock_stepped", note="the offset will be measured anew")
            return now_ms, self._filter.offset_s

    def monotonic_s(self) -> float:
        return self._clock.monotonic_s()

    def add(self, exchange: Exchange) -> bool:
        with self._lock:
            return self._filter.add(exchange)

    @property
    def best(self) -> Exchange | None:
        with self._lock:
            return self._filter.best


class Intake:
    """Takes lines and objects in. Safe for use from several threads."""

    def __init__(
        self,
        settings: AgentSettings,
        spool: Spool,
        watch: ClockWatch,
        log: Log,
        on_repeaters: OnRepeaters,
    ) -> None:
        self._offsets: OrderedDict[str, float | None] = OrderedDict()
        self._spool = spool
        self._watch = watch
        self._log = log
        self._on_repeaters = on_repeaters
        self._maps: Mapping[str, tuple[Pattern, ...]] = compile_map(settings.pattern)
        self._maker = EventMaker(settings.gateway, [one.id for one in settings.repeater])
        self._lock = threading.Lock()
        self.counts: Counter[str] = Counter()

    def now(self) -> tuple[int, float]:
        """The time in ms, and on the scale that never jumps in seconds."""
        return self._watch.now()[0], self._watch.monotonic_s()

    def objects(self, given: Sequence[Any], repeater: str | None = None) -> list[int]:
        """Store events given as objects; returns the sequence numbers of heard and route.

        Raises EventError if any of them is wrong (none is stored then), SpoolError if the disk
        does not take them.
        """
        with self._lock, self._undone_if_not_stored():
            now_ms, _ = self._watch.now()
            made = [self._maker.make(one, now_ms, repeater) for one in given]
            return self._store(made, None)

    def lines(
        self,
        source: SourceSettings,
        lines: Sequence[bytes],
        place: tuple[str, str] | None = None,
        written_ms: int | None = None,
    ) -> None:
        """Store what the lines give; bad ones are counted and logged.

        `place` (source, how far it is read) is noted in the same transaction, so that a source
        that can go back neither loses nor repeats a line. Raises SpoolError; for a source without
        a place the lines are lost then, and counted.

        `written_ms` is the latest moment at which they can have been written, now if it is not
        known. If that is long ago, what a line gives without a time of its own is of then.
        """
        # Lines that are lost come no more: what they opened and ended stands.
        undone = contextlib.nullcontext() if place is None else self._undone_if_not_stored()
        with self._lock, undone:
            made: list[Made] = []
            for line in lines:
                try:
                    if (one := self._line(source, line, written_ms)) is not None:
                        made.append(one)
                except (EventError, PatternError, NmeaError) as error:
                    self.bad(source, line, str(error))
                except Exception as error:
                    # A fault of ours: the line must not be met again for ever, nor cost others.
                    self.bad(source, line, f"{type(error).__name__}: {error}")
            try:
                self._store(made, place)
            except SpoolError:
                if place is None:
                    self.counts["lost"] += len(made)
                raise

    @contextlib.contextmanager
    def _undone_if_not_stored(self) -> Iterator[None]:
        """What will be given once more is then met by the same open overs, or the end of one would
        not know its start any more."""
        offsets = self._offsets.copy()
        try:
            with self._maker.undone_if_raised():
                yield
        except BaseException:
            self._offsets = offsets
            raise

    def bad(self, source: SourceSettings, line: bytes, why: str) -> None:
        """Count a line that gives no event."""
        self.counts["bad"] += 1
        excerpt = line[:120].decode(errors="backslashreplace")
        self._log.seldom("bad_line", source.label, source=source.label, why=why, line=excerpt)

    def _line(
        self, source: SourceSettings, line: bytes, written_ms: int | None = None
    ) -> Made | None:
        line = line.strip(b"\r\n\0 \t")
        if not line:
            return None
        self.counts["lines"] += 1
        if len(line) > source.max_line_bytes:
            raise EventError(
                f"{len(line)} bytes: at most {source.max_line_bytes} (max_line_bytes of the source)"
            )
        at_ms, _ = self._watch.now()
        late = False
        if written_ms is not None and written_ms < at_ms - _LATE_MS:
            at_ms, late = written_ms, True
        if source.format == "nmea":
            assert source.repeater is not None
            self._maker.place(line.decode(errors="replace"), source.repeater, at_ms)
            return None
        made = self._given(source, line, at_ms, late)
        for remark in made.remarks if made else ():
            self.counts["remarks"] += 1
            self._log.seldom("remark", f"{source.label} {remark}", source=source.label, why=remark)
        return made

    def _given(self, source: SourceSettings, line: bytes, at_ms: int, late: bool) -> Made | None:
        if source.format == "json":
            try:
                given: Any = from_json(line, allow_inf_nan=False)
            except ValueError as error:
                raise EventError(f"not JSON: {error}") from error
            return self._maker.make(given, at_ms, source.repeater, late=late)
        text = line.decode(errors="replace")
        for pattern in self._maps[source.patterns or ""]:
            if (event := pattern.event(text)) is not None:
                return self._maker.make(event, at_ms, source.repeater, late=late)
        self.counts["unmatched"] += 1
        return None

    def try_line(self, source: SourceSettings, line: bytes) -> Made | None:
        """What a line would give, without storing it. Raises as `EventMaker.make` does."""
        return self._line(source, line)

    def _store(self, made: Sequence[Made], place: tuple[str, str] | None) -> list[int]:
        bodies = [one.what for one in made if isinstance(one.what, Body)]
        changes = [one.what for one in made if isinstance(one.what, RepeaterChange)]
        places = [] if place is None else [place]
        numbers: list[int] = []

        def keep(states: Sequence[tuple[str, str]]) -> None:
            if bodies or places or states:
                numbers.extend(self._spool.record(bodies, self._header, [*places, *states]))

        # In one write, or lines that are tried again would give their events twice.
        unknown: list[RepeaterChange] = []
        if changes:
            unknown = self._on_repeaters(changes, keep)
        else:
            keep(())
        for change in unknown:
            self.counts["bad"] += 1
            self._log.seldom(
                "unknown_repeater",
                port=change.port,
                why="not a [[repeater]] of the agent's file: its state is not reported",
            )
        self.counts["events"] += len(bodies)
        return numbers

    def _header(self, boot: str, seq: int, body: Body) -> bytes:
        now_ms, offset_s = self._watch.now()
        if body.ends and body.over is not None:
            # The end is corrected as the start was, or one over would begin at two times.
            offset_s = self._offsets.pop(body.over, offset_s)
        elif body.over is not None:
            self._offsets[body.over] = offset_s
            if len(self._offsets) > OVERS_OPEN:
                self._offsets.popitem(last=False)
        return header(boot, seq, now_ms, offset_s)


def header(boot: str, seq: int, now_ms: int, offset_s: float | None) -> bytes:
    """The common fields of an event as JSON without braces."""
    at = from_ms(now_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    known = "" if offset_s is None else f',"clock_offset_s":{round(offset_s, 4)}'
    return f'"v":1,"boot":"{boot}","seq":{seq},"sent_at":"{at}"{known}'.encode()
