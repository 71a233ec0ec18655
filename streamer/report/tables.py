"""The tables of a report as CSV files (RFC 4180, UTF-8), and the report as JSON.

Texts that came from outside must not become formulas where a table is opened in a spreadsheet: a
text that begins with = + - @ gets an apostrophe in front (common practice, no source), one with a
character that is not printed has it written as an escape. Numbers are as they are.
"""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import Any, Final

from streamer.domain.plain_words import printable
from streamer.reading.common import Document
from streamer.report.facts import (
    ActivityRow,
    AnswerRow,
    AvailabilityRow,
    CellRow,
    CheckInRow,
    Count,
    DutyFacts,
    DutyReport,
    FanOutRow,
    FanOutSum,
    GroupFacts,
    LostRow,
    OverRow,
    QuarantinedRow,
    RefusedRow,
    RosterRow,
    Span,
    StandingRow,
    VisitRow,
)
from streamer.report.facts_alerts import AlertRow, AlertTurnRow, HeldRow
from streamer.report.facts_reach import OutOfReachRow

JSON_NAME: Final = "report.json"
_FORMULA: Final = ("=", "+", "-", "@")
_UNITS: Final = {
    "at": "UTC", "s": "s", "pct": "%", "dbm": "dBm", "lat": "degrees", "lon": "degrees"
}  # fmt: skip
"""By the last part of a name."""
_WORDS: Final = {None: "", True: "yes", False: "no"}
_PLAIN: Final = {
    "lat": "latitude", "lon": "longitude", "from": "from", "until": "until",
    "first check in": "first check-in", "fan out": "fan-out",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Table:
    """One CSV file: a column for each of `above`, which say what a row belongs to, then one for
    each field of `model` that is not `left_out`."""

    name: str
    model: type[Document]
    rows: Sequence[tuple[tuple[Any, ...], Document]]
    above: tuple[str, ...] = ()
    left_out: frozenset[str] = frozenset()

    @property
    def fields(self) -> tuple[str, ...]:
        return tuple(name for name in self.model.model_fields if name not in self.left_out)

    def text(self) -> str:
        """The file, its first line the names of its columns."""
        out = io.StringIO()
        writer = csv.writer(out)  # RFC 4180: commas, quotes doubled, lines ended by CRLF
        writer.writerow([heading(name) for name in (*self.above, *self.fields)])
        for above, row in self.rows:
            values = [*above, *(getattr(row, name) for name in self.fields)]
            writer.writerow([cell(value) for value in values])
        return out.getvalue()


def heading(name: str) -> str:
    """The name of a field in plain words, with its unit: `length_s` is `length (s)`."""
    *words, last = name.split("_")
    unit = _UNITS.get(last)
    if unit is None or not (words or last in ("at", "lat", "lon")):
        words, unit = [*words, last], None
    plain = " ".join(words) or ("time" if last == "at" else last)
    plain = _PLAIN.get(plain, plain)
    return plain if unit is None else f"{plain} ({unit})"


def cell(value: Any) -> str:
    """One value as the text of a cell: times as 2026-03-01T12:00:00.250Z, several values parted
    by `; `, what is not known empty."""
    if value is None or isinstance(value, bool):
        return _WORDS[value]
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, Enum):
        return str(value.value).replace("_", " ")
    if isinstance(value, tuple):
        return _harmless("; ".join(cell(one) for one in value))
    return _harmless(value) if isinstance(value, str) else repr(value)


def _harmless(text: str) -> str:
    text = printable(text)
    # Blanks in front do not keep every spreadsheet from reading a formula.
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


def tables_of(report: DutyReport) -> tuple[Table, ...]:
    """All tables, also those without rows."""
    return tuple(_tables(report))


def _tables(report: DutyReport) -> Iterator[Table]:
    yield Table("duty", DutyFacts, _rows([report.duty]), left_out=frozenset({"roster"}))
    yield Table("numbers", Count, _rows(report.accountability.counts))
    yield Table("roster", RosterRow, _rows(report.duty.roster))
    yield Table("overs", OverRow, _rows(report.overs))
    yield Table("check_ins", CheckInRow, _rows(report.check_ins))
    yield Table("out_of_reach", OutOfReachRow, _rows(report.out_of_reach))
    yield Table("activity", ActivityRow, _rows(report.activity))
    yield _roll_calls(report)
    yield from _alerts(report)
    yield Table(
        "availability", AvailabilityRow, _rows(report.availability),
        left_out=frozenset({"not_reporting", "unknown"}),
    )  # fmt: skip
    outages = [((r.kind, r.name), span) for r in report.availability for span in r.not_reporting]
    yield Table("outages", Span, outages, ("kind", "name"))
    yield Table("gaps", Span, _rows(report.record.gaps))
    visits = [((m.station,), visit) for m in report.members for visit in m.path]
    yield Table("visits", VisitRow, visits, ("station",))
    standings = [((m.station,), one) for m in report.members for one in m.standings]
    yield Table("standings", StandingRow, standings, ("station",))
    yield from _groups(report)
    cells = [((), cell_row) for one in report.coverage.repeaters for cell_row in one.cells]
    yield Table("coverage", CellRow, cells)
    yield Table("refused", RefusedRow, _rows(report.refused))
    yield Table("quarantined", QuarantinedRow, _rows(report.quarantined))
    yield Table("events_lost", LostRow, _rows(report.events_lost))


def _rows(rows: Iterable[Document]) -> list[tuple[tuple[Any, ...], Document]]:
    return [((), row) for row in rows]


def _roll_calls(report: DutyReport) -> Table:
    """A row for each who answered or did not."""
    rows: list[tuple[tuple[Any, ...], Document]] = []
    for call in report.roll_calls:
        above = (call.group, call.started_at, call.started_by, call.ended_at, call.ended_by)
        rows += [((*above, True), answer) for answer in call.answered]
        rows += [((*above, False), _answer(station)) for station in call.silent]
        if not call.answered and not call.silent:
            rows.append(((*above, None), _answer("")))
    above_names = ("group", "started_at", "started_by", "ended_at", "ended_by", "answered")
    return Table("roll_calls", AnswerRow, rows, above_names)


def _answer(station: str) -> AnswerRow:
    return AnswerRow(station=station, at=None, how=None, by=None)


def _alerts(report: DutyReport) -> Iterator[Table]:
    yield Table(
        "alerts", AlertRow, _rows(report.alerts), left_out=frozenset({"held", "turns"})
    )  # fmt: skip
    turns = [((a.id, a.episode), turn) for a in report.alerts for turn in a.turns]
    yield Table("alert_turns", AlertTurnRow, turns, ("alert", "episode"))
    held = [((a.id, a.title), one) for a in report.alerts for one in a.held]
    yield Table("alerts_held", HeldRow, held, ("held_by", "title_of_that"))


def _groups(report: DutyReport) -> Iterator[Table]:
    yield Table(
        "groups", GroupFacts, _rows(report.groups), left_out=frozenset({"fan_out", "sums"})
    )  # fmt: skip
    fan_out = [((g.group,), row) for g in report.groups for row in g.fan_out]
    yield Table("fan_out", FanOutRow, fan_out, ("group",))
    sums = [((g.group,), row) for g in report.groups for row in g.sums]
    yield Table("fan_out_sums", FanOutSum, sums, ("group",))


def write_tables(report: DutyReport, folder: Path) -> list[Path]:
    """Write `report.json` and the CSV files into a folder that is there; the files written.

    Files of the same names are replaced. Raises OSError.
    """
    written = [folder / JSON_NAME]
    written[0].write_text(report.model_dump_json(indent=1) + "\n", "utf-8")
    for table in tables_of(report):
        path = folder / f"{table.name}.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            file.write(table.text())
        written.append(path)
    return written
