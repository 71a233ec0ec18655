"""What the commands that ask a recorded day share: arguments, reading it, errors, exit codes."""

import argparse
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar

from streamer.config import ConfigError, RegionView, load_region
from streamer.journal.frames import NOT_ENDED
from streamer.journal.gaps import telling_gaps
from streamer.journal.lines import Line
from streamer.journal.reader import JournalError, NothingThere, OnTrouble, read
from streamer.lab.day import Day
from streamer.lab.gather import NotADay, day_from
from streamer.reading.common import MISUSED, WELL, WRONG, Document, Misuse, NotFound
from streamer.reading.text import complain, say

Gathered = TypeVar("Gathered")
Work = Callable[[Day, Sequence[str]], tuple[Document, Callable[[], Sequence[str]]]]
"""From the day, and what of it could not be read, to a document and its lines for people."""


def add_day(parser: argparse.ArgumentParser) -> None:
    """The arguments that say which day."""
    parser.add_argument(
        "files", type=Path, nargs="+", metavar="FILES", help="files of a journal, or its folders"
    )
    parser.add_argument(
        "--region",
        type=Path,
        metavar="REGION.toml",
        help="judge by this region file; without it by the one that the journal holds",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def answer(command: str, arguments: argparse.Namespace, work: Work) -> int:
    """Read the day, do the work, print. What could not be read is told on standard error, and the
    exit code is 1 though the answer is given by the rest."""

    def day_of(lines: Iterator[Line], view: RegionView | None, on_trouble: OnTrouble) -> Day:
        return day_from(telling_gaps(lines, partial(complain, command)), view, on_trouble)

    return ask(command, arguments, day_of, work)


def ask(
    command: str,
    arguments: argparse.Namespace,
    gather: Callable[[Iterator[Line], RegionView | None, OnTrouble], Gathered],
    work: Callable[[Gathered, Sequence[str]], tuple[Document, Callable[[], Sequence[str]]]],
) -> int:
    """As `answer`, of what `gather` makes of the lines."""
    troubles: list[str] = []

    def on_trouble(words: str) -> None:
        troubles.append(words)
        complain(command, words)

    try:
        view = load_region(arguments.region) if arguments.region else None
        gathered = gather(read(arguments.files, on_trouble), view, on_trouble)
        document, said = work(gathered, troubles)
    except NothingThere as error:
        complain(command, str(error))
        return MISUSED
    except (ConfigError, JournalError, NotADay, NotFound) as error:
        complain(command, str(error))
        return WRONG
    except OSError as error:
        complain(command, f"{error.filename}: cannot be read: {error.strerror}; mend its rights")
        return WRONG
    except Misuse as error:
        complain(command, str(error))
        return MISUSED
    say([document.model_dump_json(indent=2)] if arguments.json else said())
    # A last part that was not ended is no fault: a worker may be writing it.
    return WRONG if any(NOT_ENDED not in words for words in troubles) else WELL
