"""`streamer contract`: writes the wire contract's documents, or says which have drifted."""

import argparse
import sys
from datetime import datetime
from pathlib import Path

from streamer.clock import SystemClock, from_ms
from streamer.contract import export
from streamer.contract.example import START

_NEXT = "run `streamer contract` and commit what it writes"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path("shared"),
        help="where the documents are or shall be (default: shared)",
    )
    parser.add_argument(
        "--check", action="store_true", help="write nothing; exit 1 if a file differs"
    )
    parser.add_argument(
        "--start",
        metavar="TIME",
        help="move the examples to this RFC 3339 time, or to `now`, to publish them by hand",
    )


def main(arguments: argparse.Namespace) -> int:
    """Exit codes: 0 well, 1 drift found or a file cannot be used, 2 used wrongly."""
    folder: Path = arguments.folder
    try:
        start = _start(arguments.start)
    except ValueError:
        text = f"{arguments.start!r}: `now` or a time such as 2026-01-01T12:00:00Z is expected"
        return _used_wrongly(f"--start {text}")
    if arguments.check and start is not None:
        return _used_wrongly("--check compares with the fixed times: leave --start out")
    try:
        if arguments.check:
            return _check(folder)
        for path in export.write(folder, start or START):
            print(folder / path)
    except OSError as error:
        print(f"streamer contract: {error.filename}: {error.strerror}", file=sys.stderr)
        return 1
    return 0


def _check(folder: Path) -> int:
    drifted = export.drift(folder)
    for path in drifted:
        print(f"{folder / path}: differs from the models; {_NEXT}", file=sys.stderr)
    return 1 if drifted else 0


def _start(text: str | None) -> datetime | None:
    if text is None:
        return None
    moment = from_ms(SystemClock().now_ms()) if text == "now" else datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError("without an offset from UTC")
    return moment


def _used_wrongly(text: str) -> int:
    print(f"streamer contract: {text}", file=sys.stderr)
    return 2
