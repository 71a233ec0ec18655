"""One JSON object a line on standard error, through the standard library's logging.

The agent does not use structlog: importing it (it brings asyncio, and rich where that is
installed) takes a measured 2 to 7 MB of the 40 MB that an agent may have. paho loads `logging`
anyway. The lines have the same keys as those of the workers.
"""

import contextlib
import json
import logging
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, Final, TextIO

from streamer.clock import Clock
from streamer.scrub import scrubbed

LOGGER: Final = "streamer.agent"
_REPEAT_S: Final = 10.0


class Log:
    """A logger that takes fields: `log.warning("bad_line", source="udp-1", why="...")`."""

    def __init__(self, clock: Clock, **bound: Any) -> None:
        self._clock = clock
        self._bound = bound
        self._logger = logging.getLogger(LOGGER)
        self._quiet_until: dict[str, float] = {}
        self._suppressed: dict[str, int] = {}
        self._lock = threading.Lock()

    def info(self, event: str, **fields: Any) -> None:
        self._write(logging.INFO, event, fields)

    def warning(self, event: str, **fields: Any) -> None:
        self._write(logging.WARNING, event, fields)

    def error(self, event: str, **fields: Any) -> None:
        self._write(logging.ERROR, event, fields)

    def seldom(self, event: str, key: str = "", level: int = logging.WARNING, **more: Any) -> None:
        """Like `warning`, at most once in 10 s for this event and key; tells how many were not."""
        name = f"{event} {key}"
        now_s = self._clock.monotonic_s()
        with self._lock:
            if now_s < self._quiet_until.get(name, now_s):
                self._suppressed[name] = self._suppressed.get(name, 0) + 1
                return
            if len(self._quiet_until) > 1000:
                self._quiet_until.clear()
            self._quiet_until[name] = now_s + _REPEAT_S
            unsaid = self._suppressed.pop(name, 0)
        if unsaid:
            more["suppressed"] = unsaid
        self._write(level, event, more)

    def _write(self, level: int, event: str, fields: dict[str, Any]) -> None:
        if self._logger.isEnabledFor(level):
            self._logger.log(level, event, extra={"fields": {**self._bound, **fields}})


class JsonFormatter(logging.Formatter):
    """A record of `Log` (or of anyone) as one line of JSON."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        line: dict[str, Any] = {
            "timestamp": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "event": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(scrubbed(line), ensure_ascii=True)


@contextlib.contextmanager
def log_to(stream: TextIO | None = None, level: int = logging.INFO) -> Iterator[None]:
    """Send the agent's log to `stream` (standard error); for a program, not for a library."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(JsonFormatter())
    logger = logging.getLogger(LOGGER)
    before = (logger.level, logger.propagate)
    logger.addHandler(handler)
    logger.setLevel(level)
    logger.propagate = False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.setLevel(before[0])
        logger.propagate = before[1]
