"""`streamer forget`: takes a station out of the state and out of the journal's closed files."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from streamer.clock import Clock, SystemClock, from_ms
from streamer.contract.common import Moment
from streamer.forget.journals import Found
from streamer.forget.name import Name, Nameless
from streamer.forget.task import Task
from streamer.journal.reader import JournalError
from streamer.reading.common import (
    WELL,
    WRONG,
    Answer,
    Desk,
    Document,
    Header,
    Misuse,
    NotFound,
    add_common,
    answer,
    typed,
)
from streamer.reading.text import plural, wrap

LONGEST_NAME: Final = 64
ANEW: Final = (
    "If the station is heard again, it begins anew; an over that a gateway still holds counts as "
    "that."
)
BEYOND: Final = (
    "Not reached from here: copies and backups of Redis (an append-only file until it is "
    "rewritten: BGREWRITEAOF) and of the journal, log lines of workers, reports that were made, "
    "and what others have read or were sent."
)


class OpenFile(Document):
    """A file that is being written, and when it will be closed."""

    file: str
    until: Moment


class Forgot(Header):
    """`places` are parts of the state by what they are, changed or (dry run) found. `left` are
    those that could not be changed; `to_take_back` retained messages that wait for a worker."""

    dry_run: bool
    places: dict[str, int]
    left: dict[str, int]
    to_take_back: int
    journal_lines: int
    journal_files: int
    searched_files: int
    open_files: tuple[OpenFile, ...]
    troubles: tuple[str, ...]

    @property
    def done(self) -> bool:
        """Whether nothing remains to be done."""
        return not (self.left or self.to_take_back or self.open_files or self.troubles)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Forgets a station: its record, memberships, presence and positions, what was learned of "
        "it, alerts about it, its lines on rosters, and its name wherever else it stands in Redis; "
        "in the journal's closed files a random name stands instead, and positions, texts and "
        "names of people beside it go. This cannot be undone. "
        "Exit code 0: done (dry run: counted); 1: something remains, and is told; 2: called "
        "wrongly."
    )
    parser.add_argument("station", metavar="STATION", help="its call sign, without a suffix")
    parser.add_argument("--by", metavar="NAME", help="who orders it; stands in the log")
    parser.add_argument(
        "--journal", action="append", type=Path, metavar="FOLDER",
        help="a journal to search; may be given again; else [journal] folder of the region file",
    )  # fmt: skip
    parser.add_argument("--dry-run", action="store_true", help="only count, change nothing")
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    used = clock or SystemClock()
    return answer("forget", arguments, lambda desk: _work(desk, arguments, used), used)


def _work(desk: Desk, arguments: argparse.Namespace, clock: Clock) -> Answer:
    dry: bool = arguments.dry_run
    try:
        name = Name(typed(arguments.station), desk.view)
    except Nameless as error:
        raise Misuse(str(error)) from error
    by = _by(arguments, name, dry)
    folders = _folders(desk, arguments.journal)
    task = Task(desk.reader, name, clock)
    found = Found()
    try:
        places = task.search() if dry else task.forget()
        try:
            for folder in folders:
                found.add(task.journal(folder, dry=dry))
        finally:
            if not dry:
                task.log(by, places, found)
    except (OSError, JournalError) as error:
        raise NotFound(
            f"the journal could not be changed: {error}; mend that, and go on"
        ) from error
    document = Forgot(
        **desk.header() | {"notes": (*desk.notes, *_notes(name, folders))},
        dry_run=dry, places=dict(sorted(places.items())),
        left={} if dry else dict(sorted(task.search().items())),
        to_take_back=0 if dry else task.to_take_back(),
        journal_lines=found.lines, journal_files=found.files, searched_files=found.searched,
        open_files=tuple(OpenFile(file=str(p), until=from_ms(ms)) for p, ms in found.open),
        troubles=tuple(found.troubles),
    )  # fmt: skip
    return document, lambda: _lines(document), WELL if dry or document.done else WRONG


def _notes(name: Name, folders: Sequence[Path]) -> list[str]:
    notes = []
    if not folders:
        notes.append("no journal was given, so none was searched: --journal FOLDER names it")
    for alike in name.also_of_region:
        notes.append(f"the region file has something of the name {alike}: that stays")
    listed = {c.upper() for c in (*name.view.region.accepted_calls, *name.view.region.denied_calls)}
    if name.call in listed:
        notes.append("accepted_calls or denied_calls of the region file name it: strike it there")
    return notes


def _by(arguments: argparse.Namespace, name: Name, dry: bool) -> str:
    by = typed(arguments.by or "").strip()
    if dry:
        return by
    if not by or len(by) > LONGEST_NAME or not by.isprintable():
        raise Misuse(f"who orders it? Give --by NAME, at most {LONGEST_NAME} characters")
    if name.in_text(by):
        raise Misuse("the log keeps --by NAME, and that names the station: give another one")
    return by


def _folders(desk: Desk, given: Sequence[Path] | None) -> list[Path]:
    configured = desk.view.region.journal.folder
    folders = list(given or ([configured] if configured is not None else []))
    for folder in folders:
        if not folder.is_dir():
            raise Misuse(f"--journal {folder}: there is no such folder")
    return folders


# -- for people ----------------------------------------------------------------------------------


def _lines(document: Forgot) -> list[str]:
    lines = [line for note in document.notes for line in wrap(f"Note: {note}", "", "      ")]
    head = "Dry run, nothing was changed. Found:" if document.dry_run else "Forgotten:"
    lines.append(head)
    for part, count in document.places.items():
        lines.append(f"  {count:>7,}  {part}")
    lines.append(
        f"  {document.journal_lines:>7,}  lines of the journal, in "
        f"{plural(document.journal_files, 'file')} of {document.searched_files}"
    )
    for file in document.open_files:
        lines += wrap(
            f"! {file.file} is being written and was left as it is; it will be closed by "
            f"{file.until:%Y-%m-%d %H:%M:%S}Z. Do this again then.", "  ", "    ",
        )  # fmt: skip
    for trouble in document.troubles:
        lines += wrap(f"! cannot be searched: {trouble}", "  ", "    ")
    for part, count in document.left.items():
        lines += wrap(
            f"! {part}: {plural(count, 'place')} could not be changed, workers kept changing "
            "them, or it is being heard. Do this again.", "  ", "    ",
        )  # fmt: skip
    if document.to_take_back:
        messages = plural(document.to_take_back, "retained message")
        lines += wrap(
            f"! {messages} at the broker will be taken back as soon as a worker runs.", "  ", "    "
        )
    if not document.dry_run:
        lines += [*wrap(ANEW), *wrap(BEYOND)]
    return lines
