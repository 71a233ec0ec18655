"""`streamer forget`: takes a station out of the state and out of the journal's closed files."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from streamer.clock import Clock, SystemClock, from_ms
from streamer.domain.callsign import Reason, Rejected
from streamer.forget.name import Name, Nameless
from streamer.forget.outcome import Forgot, OpenFile, lines_of, searched_in
from streamer.forget.rights import faults_of
from streamer.forget.task import Outcome, Task
from streamer.journal.names import folder_of_journal
from streamer.reading.common import (
    WELL,
    WRONG,
    Answer,
    Desk,
    Misuse,
    NotFound,
    add_common,
    answer,
    typed,
)

LONGEST_NAME: Final = 64


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Forgets a station: its record, memberships, presence and positions, what was learned of "
        "it, alerts about it, its lines on rosters, and its name wherever else it stands in Redis; "
        "in the journal's closed files a random name stands instead, and positions, texts and "
        "names of people beside it go. This cannot be undone. "
        "Exit code 0: done, or nothing is known of it (dry run: counted); 1: something remains, or "
        "a folder holds no journal of the region, and is told; 2: called wrongly."
    )
    parser.add_argument("station", metavar="STATION", help="its call sign, without a suffix")
    parser.add_argument("--by", metavar="NAME", help="who orders it; stands in the log")
    parser.add_argument(
        "--journal", action="append", type=folder_of_journal, metavar="FOLDER",
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
    faults = [fault for folder in folders for fault in faults_of(folder, desk.view.name)]
    if faults and not dry:
        raise NotFound("\n".join([*faults, "nothing was changed; mend that, and go on"]))
    task = Task(desk.reader, name, clock)
    no_call = _is_no_call(desk, name)
    outcome = task.searched(folders) if dry or no_call else None
    if outcome is not None and outcome.is_clean and no_call:
        where = searched_in(outcome.found.searched)
        raise Misuse(
            f"{name.call} is neither a call sign by the rules of this region nor an accepted "
            f"identity, and nothing is known of it {where}: is it typed right?"
        )
    if outcome is None or not dry:
        outcome = task.forgotten(folders, by)
    document = _document(desk, name, folders, outcome, faults if dry else [], dry=dry)
    return document, lambda: lines_of(document), WELL if document.done else WRONG


def _is_no_call(desk: Desk, name: Name) -> bool:
    """Whether it cannot have been heard, as far as the rules of now say; one that the region file
    denies may be a station all the same."""
    rules = desk.view.call_sign_rules(desk.store.accepted())
    verdict = rules.judge_exact(name.call)
    return isinstance(verdict, Rejected) and verdict.reason is not Reason.DENIED


def _document(
    desk: Desk, name: Name, folders: Sequence[Path], outcome: Outcome, faults: Sequence[str], *,
    dry: bool,
) -> Forgot:  # fmt: skip
    found = outcome.found
    return Forgot(
        **desk.header() | {"notes": (*desk.notes, *_notes(name, folders))},
        station=name.call, known=outcome.known, dry_run=dry,
        places=dict(sorted(outcome.places.items())), left=dict(sorted(outcome.left.items())),
        to_take_back=outcome.to_take_back, journal_lines=found.lines, journal_files=found.files,
        searched_files=found.searched, troubles=tuple(found.troubles),
        open_files=tuple(OpenFile(file=str(p), until=from_ms(ms)) for p, ms in found.open),
        other_regions=dict(sorted(found.others.items())),
        no_journal=tuple(map(str, found.empty)),
        unchangeable=tuple(faults), failed=tuple(found.failed),
    )  # fmt: skip


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
