"""`streamer journal`: what files hold, and what is wrong with them."""

import argparse
import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from streamer.clock import from_ms
from streamer.journal import lines as journal
from streamer.journal.reader import JournalError, Report, find_files, scan

WELL, FOUND_WRONG, USED_WRONGLY = 0, 1, 2
_OF_THE_FILE = (journal.BEGIN, journal.END, journal.REGION)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("paths", nargs="+", type=Path, metavar="FILE", help="files or folders")
    parser.add_argument("--json", action="store_true", help="one JSON object a file")


def main(arguments: argparse.Namespace) -> int:
    """1 if a file is damaged or none of a journal; a file that was not closed is told, and well:
    its worker was killed, or is writing it."""
    try:
        reports = [scan(path) for path in find_files(arguments.paths)]
    except (JournalError, OSError) as error:
        print(f"streamer journal: {error}", file=sys.stderr)
        return USED_WRONGLY
    for report in reports:
        print(json.dumps(_as_json(report)) if arguments.json else _as_text(report))
    if not arguments.json:
        print(_together(reports))
    return FOUND_WRONG if any(report.damaged for report in reports) else WELL


def _as_json(report: Report) -> dict[str, Any]:
    head = report.head
    return {
        "file": str(report.path),
        "size_bytes": report.size_bytes,
        "region": head.region if head else None,
        "worker": head.worker if head else None,
        "software": (head.software or None) if head else None,
        "lines": dict(sorted(report.kinds.items())),
        "first_at": _moment(report.first_ms),
        "last_at": _moment(report.last_ms),
        "closed": report.closed,
        "checksum": {True: "right", False: "wrong", None: "none"}[report.summed],
        "troubles": report.troubles,
    }


def _as_text(report: Report) -> str:
    head = report.head
    if head is None:
        return f"{report.path}\n  " + "; ".join(report.troubles)
    kinds = ", ".join(
        f"{count:,} {kind}" for kind, count in sorted(report.kinds.items())
        if kind not in _OF_THE_FILE
    )  # fmt: skip
    closed = "closed" if report.closed else "not closed: being written, or its worker was killed"
    sums = {True: "checksum right", False: "CHECKSUM WRONG", None: "no checksum beside it"}
    lines = [
        str(report.path),
        f"  region {head.region}, worker {head.worker}, streamer {head.software or 'unknown'}",
        f"  {_moment(report.first_ms)} to {_moment(report.last_ms)}, {report.size_bytes:,} bytes",
        f"  {kinds or 'nothing was noted'}",
        f"  {closed}; {sums[report.summed]}",
        *(f"  ! {trouble}" for trouble in report.troubles),
    ]
    return "\n".join(lines)


def _together(reports: Sequence[Report]) -> str:
    good = [r for r in reports if r.head is not None]
    kinds: Counter[str] = sum((r.kinds for r in good), Counter())
    events = sum(kinds[k] for k in (journal.HEARD, journal.ROUTE, journal.QUARANTINED))
    damaged = sum(r.damaged for r in reports)
    words = f"{damaged} damaged or none of a journal" if damaged else "none damaged"
    return f"{len(reports)} files, {events:,} events, {kinds[journal.REFUSED]:,} refused; {words}"


def _moment(ms: int | None) -> str | None:
    return None if ms is None else f"{from_ms(ms):%Y-%m-%dT%H:%M:%SZ}"
