"""`streamer catch-up`: after a restore from a backup, feeds what journals hold since into Redis."""

import argparse
from pathlib import Path

from streamer.clock import SystemClock, from_ms
from streamer.config import ConfigError, load_region
from streamer.journal.frames import NOT_ENDED
from streamer.journal.reader import JournalError, NothingThere, find_files, head_of, read
from streamer.lab.catch_up import CatchUp, CaughtUp
from streamer.lab.replay_command import moment_ms
from streamer.reading.common import MISUSED, WELL, WRONG
from streamer.reading.text import complain, say
from streamer.state.base import unavailable_advice
from streamer.state.store import Store, StoreMismatch, StoreUnavailable, connect

_NAME = "catch-up"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("region", type=Path, help="the region file that the workers use")
    parser.add_argument(
        "files", type=Path, nargs="+", metavar="FILES", help="files of a journal, or its folders"
    )
    parser.add_argument(
        "--since",
        type=moment_ms,
        required=True,
        metavar="TIME",
        help="when the backup was begun, or earlier, e.g. 2026-11-28T13:00:00Z; what the state "
        "holds already is taken in again without harm",
    )
    parser.add_argument("--redis", metavar="URL", help="instead of redis_url of the region file")


def main(arguments: argparse.Namespace) -> int:
    """Exit codes as everywhere; 1 also when a part could not be taken in."""
    clock = SystemClock()
    troubles: list[str] = []
    try:
        view = load_region(arguments.region)
        _same_region(arguments.files, view.name)
        store = Store(connect(view.redis_address(arguments.redis)), view)
        store.prepare(clock.now_ms())
        lines = read(arguments.files, troubles.append)
        done = CatchUp(store, clock).play(lines, arguments.since)
    except (NothingThere, ValueError) as error:
        complain(_NAME, str(error))
        return MISUSED
    except (ConfigError, JournalError, StoreMismatch) as error:
        complain(_NAME, str(error))
        return WRONG
    except StoreUnavailable as error:
        complain(_NAME, f"{error}; {unavailable_advice(error)}; nothing is lost, run it again")
        return WRONG
    except OSError as error:
        of_a_file = f"{error.filename}: cannot be read: {error.strerror}; mend its rights"
        complain(_NAME, of_a_file if error.filename else str(error))
        return WRONG
    for words in [*troubles, *done.troubles]:
        complain(_NAME, words)
    say(_words(done, arguments.since))
    bad = [words for words in troubles if NOT_ENDED not in words]
    return WRONG if bad or done.troubles else WELL


def _same_region(files: list[Path], region: str) -> None:
    """Raises JournalError for a journal of another region: its names would be mixed in."""
    for path in find_files(files):
        try:
            found = head_of(path).region
        except JournalError:
            continue  # told by whoever reads the lines
        if found != region:
            raise JournalError(
                f"{path} is of region {found!r}, the region file of {region!r}: give the "
                "journals of that region"
            )


def _words(done: CaughtUp, since_ms: int) -> list[str]:
    return [
        f"{done.lines} lines noted since {from_ms(since_ms):%Y-%m-%d %H:%M:%S}Z",
        f"events: {done.new} new to the state, {done.known} known, {done.too_old} too old to count",
        f"acts done again: {done.acts}",
    ]
