"""structlog as JSON lines on standard error, for every command that stays."""

import logging
import sys

import structlog

from streamer.scrub import scrub, scrubbed


def _scrub(
    _logger: object, _method: str, line: structlog.typing.EventDict
) -> structlog.typing.EventDict:
    """What looks like a secret is taken out; JSON keeps a text from forging another line."""
    return {scrub(key): scrubbed(value) for key, value in line.items()}


def configure_logs(level: int = logging.INFO) -> None:
    """One JSON object a line: timestamp (UTC, RFC 3339), level, event and its fields."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _scrub,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        # Whatever standard error is when something is said, not when this was called.
        logger_factory=lambda *_: structlog.WriteLogger(sys.stderr),
    )
