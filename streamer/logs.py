"""structlog as JSON lines on standard error, for every command that stays."""

import logging
import sys

import structlog


def configure_logs(level: int = logging.INFO) -> None:
    """One JSON object a line: timestamp (UTC, RFC 3339), level, event and its fields."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        # Whatever standard error is when something is said, not when this was called.
        logger_factory=lambda *_: structlog.WriteLogger(sys.stderr),
    )
