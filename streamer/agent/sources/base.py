"""What every source does alike: a thread, a stop flag, lines cut from bytes, errors survived."""

import threading
from collections.abc import Sequence
from typing import Final

from streamer.agent.config import SourceSettings
from streamer.agent.intake import Intake
from streamer.agent.logs import Log
from streamer.agent.spool import SpoolError

READ_BYTES: Final = 8_192
POLL_S: Final = 0.1
_RETRY_S: Final = 2.0


class SourceError(Exception):
    """A source cannot be opened; the text says what to do."""


class Source:
    """One `[[source]]`, read by a thread of its own between `start` and `stop`."""

    def __init__(self, settings: SourceSettings, intake: Intake, log: Log) -> None:
        self.settings = settings
        self.intake = intake
        self.log = log
        self.ended = False  # it will give nothing more, and that is well (standard input closed)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def open(self) -> None:
        """Bind or open what can fail at once. Raises SourceError."""

    def start(self) -> None:
        """Begin to read; `open` has been called."""
        self._thread = threading.Thread(
            target=self._guarded, name=f"agent-source-{self.settings.type}", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Read no more; what was read is in the spool when this returns."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5)
        self.close()

    def close(self) -> None:
        """Free what `open` took; safe to call twice."""

    def run(self) -> None:
        """Read until `stopping`."""
        raise NotImplementedError

    @property
    def stopping(self) -> bool:
        return self._stop.is_set()

    def pause(self, seconds: float) -> None:
        """Wait, but not longer than until `stop`."""
        self._stop.wait(seconds)

    def give(self, lines: Sequence[bytes]) -> None:
        """Store lines that cannot be read again; a spool that fails costs them, said aloud."""
        if not lines:
            return
        try:
            self.intake.lines(self.settings, lines)
        except SpoolError as error:
            self.log.seldom("lines_lost", source=self.settings.label, why=str(error))

    def _guarded(self) -> None:
        while not self.stopping and not self.ended:
            try:
                self.run()
            except Exception as error:
                # Whatever a line or a disk does, the agent goes on reading.
                self.log.seldom(
                    "source_failed",
                    self.settings.label,
                    source=self.settings.label,
                    why=f"{type(error).__name__}: {error}"[:300],
                )
                self.pause(_RETRY_S)


class LineCutter:
    """Bytes in, whole lines out; a line longer than the limit is cut short and marked so.

    Of an oversized line only its first `limit` + 1 bytes are kept, so memory stays bounded and the
    intake still sees (and counts) that it was too long.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._rest = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """The lines that `data` completes."""
        *whole, rest = data.split(b"\n")
        lines: list[bytes] = []
        for part in whole:
            self._append(part)
            lines.append(bytes(self._rest))
            self._rest.clear()
        self._append(rest)
        return lines

    def finish(self) -> list[bytes]:
        """A last line without its end, if there is one."""
        rest = bytes(self._rest)
        self._rest.clear()
        return [rest] if rest else []

    def _append(self, part: bytes) -> None:
        room = self._limit + 2 - len(self._rest)
        if room > 0:
            self._rest += part[:room]
