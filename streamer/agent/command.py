"""`streamer agent CONFIG`: run a gateway's agent, check its file, or try its patterns.

Exit codes: 0 well, 1 found wrong (the file, a line, the spool), 2 used wrongly.
"""

import argparse
import contextlib
import json
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from streamer.agent.agent import run_agent
from streamer.agent.config import AgentConfigError, AgentSettings, SourceSettings, load_settings
from streamer.agent.events import EventError, RepeaterChange
from streamer.agent.intake import ClockWatch, Intake
from streamer.agent.logs import Log, log_to
from streamer.agent.nmea import NmeaError
from streamer.agent.nmea import require as require_nmea
from streamer.agent.patterns import PatternError, compile_map
from streamer.agent.sources.base import SourceError
from streamer.agent.spool import Spool, SpoolError
from streamer.clock import Clock, SystemClock, from_ms
from streamer.contract.topics import Kind

_NO_TIME: Final = "what is read late counts as of when the file was last written"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `streamer agent`."""
    parser.add_argument("config", metavar="CONFIG", type=Path, help="the agent's TOML file")
    parser.add_argument(
        "--check",
        action="store_true",
        help="check the file, its pattern map, and the files that [broker] names",
    )
    parser.add_argument(
        "--try",
        dest="sample",
        metavar="FILE",
        type=Path,
        help="show the events that the lines of FILE would give; nothing is sent or stored",
    )
    parser.add_argument(
        "--source",
        metavar="NAME",
        help="with --try: the source whose format the lines have (its name or number); else the "
        "first one whose format suits the first line",
    )


def main(args: argparse.Namespace) -> int:
    """Do what the arguments ask; returns the exit code."""
    try:
        settings = load_settings(args.config)
    except AgentConfigError as error:
        print(error, file=sys.stderr)
        return 1
    if args.sample is not None:
        return _try(settings, args.sample, args.source, SystemClock())
    if args.source is not None:
        print("--source goes with --try FILE", file=sys.stderr)
        return 2
    try:
        if any(source.format == "nmea" for source in settings.source):
            require_nmea()
    except NmeaError as error:
        print(f"{args.config}: a source of format nmea: {error}", file=sys.stderr)
        return 1
    if args.check:
        return _check(args.config, settings, SystemClock())
    return _run(settings)


def _check(path: Path, settings: AgentSettings, clock: Clock) -> int:
    from streamer.agent.files_check import (  # noqa: PLC0415 - memory, where it is not asked for
        CredentialsError,
        check_credentials,
    )

    try:
        found = check_credentials(settings.broker, path.parent, from_ms(clock.now_ms()))
    except CredentialsError as error:
        for problem in error.problems:
            print(f"{path}: {problem}", file=sys.stderr)
        return 1
    sources = ", ".join(source.label for source in settings.source) or "none"
    until = f", certificate until {found.until:%Y-%m-%d}" if found.until else ""
    print(
        f"{path}: well. Gateway {settings.gateway} of region {settings.region}, "
        f"repeaters: {', '.join(one.id for one in settings.repeater) or 'none'}, "
        f"patterns: {len(settings.pattern)}, sources: {sources}{until}"
    )
    if found.elsewhere:
        folder = path.parent.resolve()
        print(f"Names of files begin where it is started: start it in {folder}, as its unit does.")
    for warning in _timeless(settings):
        print(f"{path}: {warning}")
    return 0


def _timeless(settings: AgentSettings) -> Iterator[str]:
    """Patterns of followed files that take no time. Of JSON lines only `--try` can tell."""
    maps = compile_map(settings.pattern)
    for source in settings.source:
        if source.type != "file" or source.format != "pattern":
            continue
        for pattern in maps[source.patterns or ""]:
            if not pattern.tells_time:
                yield (
                    f"take care: source {source.label}: a {pattern.settings.event} pattern of map "
                    f"{pattern.settings.map!r} takes no time from its lines: after a stop or a "
                    f"full disk {_NO_TIME}. Name a group time if the lines have one "
                    f"({pattern.settings.regex[:60]})"
                )


def _run(settings: AgentSettings) -> int:
    if not settings.source:
        print("no [[source]] in the agent's file: there is nothing to read", file=sys.stderr)
        return 1
    stop = threading.Event()
    before = {
        number: signal.signal(number, lambda *_: stop.set())
        for number in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        with log_to():
            return run_agent(settings, SystemClock(), stop)
    except (SpoolError, SourceError) as error:
        print(error, file=sys.stderr)
        return 1
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _try(settings: AgentSettings, sample: Path, name: str | None, clock: Clock) -> int:
    try:
        lines = sample.read_bytes().splitlines()
    except OSError as error:
        print(f"{sample}: cannot be read: {error.strerror}", file=sys.stderr)
        return 2
    source = _suiting(settings, lines) if name is None else _chosen(settings, name)
    known = ", ".join(f"{n} {s.label}" for n, s in enumerate(settings.source, 1)) or "none"
    if source is None:
        what = "no [[source]] in the agent's file" if name is None else f"--source {name}"
        print(f"{what}: no such source; there are: {known}", file=sys.stderr)
        return 2
    if name is None and len(settings.source) > 1:
        print(
            f"{sample}: read as format {source.format} of source {source.label}; "
            f"--source takes another: {known}",
            file=sys.stderr,
        )
    log = Log(clock)
    spool = Spool(":memory:", clock.now_ms())
    intake = Intake(settings, spool, ClockWatch(clock, log), log, lambda *_: [])
    wrong = 0
    for number, line in enumerate(lines, 1):
        shown, bad = _shown(intake, source, line)
        wrong += bad
        print(f"{sample}:{number}: {shown}", file=sys.stderr if bad else sys.stdout)
    spool.close()
    return 1 if wrong else 0


def _shown(intake: Intake, source: SourceSettings, line: bytes) -> tuple[str, bool]:
    """What a line gives, as text, and whether it is wrong."""
    unmatched = intake.counts["unmatched"]
    try:
        made = intake.try_line(source, line)
    except (EventError, PatternError, NmeaError) as error:
        return f"wrong: {error}", True
    if made is None:
        return ("no pattern matches" if intake.counts["unmatched"] > unmatched else "-"), False
    if isinstance(made.what, RepeaterChange):
        return f"repeater {made.what.port} {'up' if made.what.up else 'down'}", False
    fields: dict[str, Any] = json.loads(made.what.fields)
    remarks = "".join(f"  ({remark})" for remark in made.remarks)
    if source.type == "file" and made.what.kind is Kind.HEARD and "started_at" not in fields:
        remarks += f"  (it tells no time: {_NO_TIME})"
    return f"{made.what.kind} {json.dumps(fields)}{remarks}", False


def _chosen(settings: AgentSettings, name: str) -> SourceSettings | None:
    for number, source in enumerate(settings.source, 1):
        if name in (str(number), source.label):
            return source
    return None


def _suiting(settings: AgentSettings, lines: Sequence[bytes]) -> SourceSettings | None:
    """The first source of the format that the first line seems to have, or else of another."""
    first = next((line.strip() for line in lines if line.strip()), b"")
    formats = ["pattern", "nmea", "json"]
    if first.startswith((b"$", b"!")):  # how a sentence of NMEA 0183 begins
        formats = ["nmea", "pattern", "json"]
    elif first.startswith((b"{", b"[")):
        with contextlib.suppress(ValueError):
            json.loads(first)
            formats = ["json", "pattern", "nmea"]
    return min(settings.source, key=lambda s: formats.index(s.format), default=None)
