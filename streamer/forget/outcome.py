"""What came of a forgetting, or of a search: as a document, and in words."""

from typing import Final

from streamer.contract.common import Moment
from streamer.reading.common import Document, Header
from streamer.reading.text import plural, wrap

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
    those that could not be changed; `to_take_back` retained messages that wait for a worker.

    `known`: whether anything was found at all. `other_regions` counts the journal's files of other
    regions, which were not searched; `no_journal` are folders without any; `unchangeable` is what
    stands against changing it (dry run), `failed` what could not be opened or changed.
    """

    station: str
    known: bool
    dry_run: bool
    places: dict[str, int]
    left: dict[str, int]
    to_take_back: int
    journal_lines: int
    journal_files: int
    searched_files: int
    open_files: tuple[OpenFile, ...]
    troubles: tuple[str, ...]
    other_regions: dict[str, int]
    no_journal: tuple[str, ...]
    unchangeable: tuple[str, ...]
    failed: tuple[str, ...]

    @property
    def done(self) -> bool:
        """Whether nothing remains to be done; of a dry run, whether it could search what was given
        and a true run could change it."""
        astray = self.other_regions or self.no_journal or self.unchangeable or self.failed
        if self.dry_run:
            return not astray
        return not (
            astray or self.left or self.to_take_back or self.open_files or self.troubles
        )  # fmt: skip


def searched_in(files: int) -> str:
    """What was searched, in words."""
    return f"in Redis and in {plural(files, 'file')} of the journal" if files else "in Redis"


def lines_of(document: Forgot) -> list[str]:
    """For a terminal."""
    lines = [line for note in document.notes for line in wrap(f"Note: {note}", "", "      ")]
    lines += _found(document) if document.known else wrap(_nothing(document))
    for text in (*_of_journal(document), *_of_redis(document)):
        lines += wrap(f"! {text}", "  ", "    ")
    if document.dry_run:
        return lines
    return [*lines, *(wrap(ANEW) if document.known else []), *wrap(BEYOND)]


def _found(document: Forgot) -> list[str]:
    dry = document.dry_run
    lines = ["Dry run, nothing was changed. Found:" if dry else "Forgotten:"]
    lines += [f"  {count:>7,}  {part}" for part, count in document.places.items()]
    if document.searched_files:
        lines.append(
            f"  {document.journal_lines:>7,}  lines of the journal, in "
            f"{plural(document.journal_files, 'file')} of {document.searched_files}"
        )
    return lines


def _nothing(document: Forgot) -> str:
    return (
        f"Nothing is known of {document.station} {searched_in(document.searched_files)}. If that "
        "is not what you expected: is it typed right?"
    )


def _of_journal(document: Forgot) -> list[str]:
    told = [f"{folder} holds no journal: name the right folder, and do this again"
            for folder in document.no_journal]  # fmt: skip
    for region, count in document.other_regions.items():
        are, they = ("is", "it is") if count == 1 else ("are", "they are")
        told.append(
            f"{plural(count, 'file')} of the journal {are} of region {region}: not searched, left "
            f"as {they}; give that region's file with --region"
        )
    told += [
        f"{file.file} is being written and was left as it is; it will be closed by "
        f"{file.until:%Y-%m-%d %H:%M:%S}Z. Do this again then."
        for file in document.open_files
    ]
    told += [f"cannot be searched: {trouble}" for trouble in document.troubles]
    told += [f"could not be changed if this were no dry run: {w}" for w in document.unchangeable]
    could = "could not be opened" if document.dry_run else "could not be changed"
    told += [f"{could}: {words}" for words in document.failed]
    if document.failed and not document.dry_run:
        told.append("Such a file is whole, as it was or as it is to be. Mend that, do this again.")
    return told


def _of_redis(document: Forgot) -> list[str]:
    told = [
        f"{part}: {plural(count, 'place')} could not be changed, workers kept changing them, or it "
        "is being heard. Do this again."
        for part, count in document.left.items()
    ]
    if document.to_take_back:
        messages = plural(document.to_take_back, "retained message")
        told.append(f"{messages} at the broker will be taken back as soon as a worker runs.")
    return told
