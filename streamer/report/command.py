"""`streamer report`: after a duty, on paper and as tables, from its journal alone."""

import argparse
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final, TypeVar

from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.contract.common import Moment
from streamer.contract.duty import DutyKind
from streamer.domain.coarse import LEAST_KM, MOST_KM
from streamer.domain.plain_words import plural
from streamer.journal.lines import Line
from streamer.journal.reader import JournalError, OnTrouble, find_files
from streamer.lab.asking import add_day, ask
from streamer.problems import suggestion
from streamer.reading.common import MISUSED, WRONG, Document, Misuse, NotFound
from streamer.reading.text import complain, table
from streamer.report.duties import duties_of
from streamer.report.facts import DutyFacts, DutyReport
from streamer.report.make import report_of
from streamer.report.page import write_page
from streamer.report.pdf import PdfMissing
from streamer.report.record import Record, record_of
from streamer.report.tables import write_tables
from streamer.report.words import zone_named

PAPERS: Final = ("A4", "Letter")
Made = TypeVar("Made")


class ListedDuty(Document):
    """A duty of the record; `ended_at` null: it still ran at the end of it."""

    id: str
    title: str
    kind: DutyKind
    groups: tuple[str, ...]
    started_at: Moment
    started_by: str
    ended_at: Moment | None
    expected: int


class DutyList(Document):
    """The duties that began in a record."""

    region: str
    from_at: Moment
    until_at: Moment
    duties: tuple[ListedDuty, ...]


class Written(Document):
    """What was written where, and what may be doubted about it."""

    duty: str
    title: str
    folder: str
    files: tuple[str, ...]
    overs: int
    alerts: int
    limits: tuple[str, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.usage = "streamer report [DUTY] FILES... [--out FOLDER] [options]"
    parser.description = (
        "The report of a duty from its journal: report.html for print, report.json, a CSV file for "
        "each table. Without DUTY the duties in the journal are listed. Exit code 1: part of the "
        "journal could not be read (the report is written from the rest), or there is no such "
        "duty."
    )
    add_day(parser)
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="where the files go")
    parser.add_argument(
        "--coarse",
        type=_km,
        metavar="KM",
        help="round positions to cells of this size, and all that follows from them",
    )
    parser.add_argument(
        "--no-positions", action="store_true", help="leave positions out, and the map"
    )
    parser.add_argument("--pdf", action="store_true", help="write report.pdf too")
    parser.add_argument(
        "--zone", default="UTC", metavar="NAME",
        help="times on the pages in this IANA zone; JSON and CSV stay UTC",
    )  # fmt: skip
    parser.add_argument("--paper", choices=PAPERS, default=PAPERS[0], help="of the PDF (A4)")


def _km(word: str) -> float:
    try:
        km = float(word)
    except ValueError:
        km = -1.0
    if not LEAST_KM <= km <= MOST_KM:
        raise argparse.ArgumentTypeError(
            f"must be {LEAST_KM:g} to {MOST_KM:g} kilometres, but is {word!r}"
        )
    return km


def main(arguments: argparse.Namespace) -> int:
    try:
        wanted = _duty_word(arguments)
        zone = zone_named(arguments.zone)
    except Misuse as error:
        complain("report", str(error))
        return MISUSED
    missing: list[PdfMissing] = []

    def work(
        record: Record, troubles: Sequence[str]
    ) -> tuple[Document, Callable[[], Sequence[str]]]:
        duties = _read(lambda: duties_of(record.day.acts))
        if wanted is None:
            listed = _listed(record, duties.values())
            return listed, lambda: _list_lines(listed)
        if wanted not in duties:
            raise NotFound(_unknown(wanted, duties))
        report = _read(
            lambda: report_of(
                record,
                duties[wanted],
                files=[path.name for path in find_files(arguments.files)],
                troubles=[_without_folders(words, arguments.files) for words in troubles],
                coarse_km=arguments.coarse,
                positions=not arguments.no_positions,
            )
        )
        folder: Path = arguments.out
        folder.mkdir(parents=True, exist_ok=True)
        files = write_tables(report, folder)
        try:
            files += write_page(report, folder, arguments.pdf, zone=zone, paper=arguments.paper)
        except PdfMissing as error:
            files.append(folder / "report.html")
            missing.append(error)
        written = _written(report, folder, files)
        return written, lambda: _lines(written)

    code = ask("report", arguments, _gather, work)
    for one in missing:
        complain("report", str(one))
    return max(code, WRONG) if missing else code


def _read(work: Callable[[], Made]) -> Made:
    """What is made of the journal's acts and messages. Raises JournalError where they are not of a
    form that this version knows."""
    try:
        return work()
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        words = f"{type(error).__name__}: {error}".splitlines()[0]
        raise JournalError(
            f"what the journal holds of duties is not of a form that this version reads ({words}); "
            "take the version that wrote it"
        ) from error


def _gather(lines: Iterator[Line], view: RegionView | None, on_trouble: OnTrouble) -> Record:
    return record_of(lines, view, on_trouble)


def _duty_word(arguments: argparse.Namespace) -> str | None:
    """The first word, where it names no file: which duty. Raises Misuse."""
    first: Path = arguments.files[0]
    wanted = None
    if not first.exists():
        wanted = str(first)
        arguments.files = arguments.files[1:]
        if not arguments.files:
            raise Misuse(
                f"{wanted}: there is no such file or folder; if it is a duty, say from which "
                f"journal: streamer report {wanted} FILES... --out FOLDER"
            )
        if arguments.out is None:
            raise Misuse("where should the report go? Give --out FOLDER")
    elif arguments.out is not None:
        raise Misuse("which duty? streamer report FILES... lists them; give its id before FILES")
    if arguments.no_positions and arguments.coarse is not None:
        raise Misuse("--coarse and --no-positions: give one of them")
    return wanted


def _unknown(wanted: str, duties: dict[str, DutyFacts]) -> str:
    if not duties:
        return f"no duty {wanted!r}: none began in this record"
    return f"no duty {wanted!r} in the record; {suggestion(wanted, list(duties))}"


def _without_folders(words: str, paths: Sequence[Path]) -> str:
    """A trouble names files with their folders; who reads a report does not know those."""
    for path in find_files(paths):
        words = words.replace(str(path), path.name)
    return words


# -- what is said --------------------------------------------------------------------------------


def _listed(record: Record, duties: Iterable[DutyFacts]) -> DutyList:
    return DutyList(
        region=record.day.view.name,
        from_at=from_ms(record.noted[0]),
        until_at=from_ms(record.noted[1]),
        duties=tuple(
            ListedDuty(
                id=duty.id,
                title=duty.title,
                kind=duty.kind,
                groups=duty.groups,
                started_at=duty.started_at,
                started_by=duty.started_by,
                ended_at=duty.ended_at,
                expected=len(duty.roster),
            )
            for duty in duties
        ),
    )


def _list_lines(found: DutyList) -> list[str]:
    period = f"{found.from_at:%Y-%m-%d %H:%M:%S}Z to {found.until_at:%Y-%m-%d %H:%M:%S}Z"
    if not found.duties:
        return [f"No duty began in this record ({period})."]
    rows = [
        (
            duty.id,
            duty.kind.value.upper(),
            duty.title,
            f"{duty.started_at:%Y-%m-%d %H:%M:%S}Z",
            "still running" if duty.ended_at is None else f"{duty.ended_at:%Y-%m-%d %H:%M:%S}Z",
            " ".join(duty.groups),
        )
        for duty in found.duties
    ]
    return [
        f"{plural(len(rows), 'duty', 'duties')} in this record ({period}):",
        *table(("duty", "kind", "title", "began", "ended", "groups"), rows),
        "Report of one: streamer report DUTY FILES... --out FOLDER",
    ]


def _written(report: DutyReport, folder: Path, files: Sequence[Path]) -> Written:
    return Written(
        duty=report.duty.id,
        title=report.duty.title,
        folder=str(folder),
        files=tuple(path.name for path in files),
        overs=len(report.overs),
        alerts=len(report.alerts),
        limits=report.limits,
    )


def _lines(written: Written) -> list[str]:
    return [
        f"{written.title}: {plural(written.overs, 'over')}, {plural(written.alerts, 'alert')}; "
        f"{plural(len(written.files), 'file')} in {written.folder}",
        f"To print: {Path(written.folder) / 'report.html'}",
        "What it cannot say stands in it under limits; read those first.",
    ]
