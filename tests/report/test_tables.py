"""The files of a report, read back by general programs: Python's csv, DuckDB, jsonschema."""

import csv
import io
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest
from jsonschema import Draft202012Validator, ValidationError

from streamer.contract.published import Standing
from streamer.report.facts import DutyReport
from streamer.report.tables import cell, heading, tables_of, write_tables
from tests.report.paper import ROSTER, A, B, act, over, report


def rows_of(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_tables(report(), tmp_path)
    return tmp_path


# -- CSV -----------------------------------------------------------------------------------------


def test_every_table_is_a_file_of_its_own(folder: Path) -> None:
    names = {path.stem for path in folder.glob("*.csv")}
    assert names == {
        "duty", "numbers", "roster", "overs", "check_ins", "activity", "roll_calls", "alerts",
        "alert_turns", "alerts_held", "availability", "outages", "gaps", "visits", "standings",
        "out_of_reach", "groups", "fan_out", "fan_out_sums", "coverage", "refused", "quarantined",
        "events_lost",
    }  # fmt: skip
    for name in names:
        content = (folder / f"{name}.csv").read_bytes()
        assert content.decode("utf-8").endswith("\r\n")
        # RFC 4180, 2.1: a line break is CRLF; none stands alone.
        assert content.count(b"\n") == content.count(b"\r\n") == content.count(b"\r")
        widths = {len(row) for row in csv.reader(io.StringIO(content.decode(), newline=""))}
        assert len(widths) == 1  # 2.4: the same number of fields in each line


def test_overs_read_back(folder: Path) -> None:
    found = report().overs
    rows = rows_of(folder, "overs")
    assert len(rows) == len(found) == 6
    first, row = found[0], rows[0]
    assert row == {
        "number": "1", "time (UTC)": "2027-01-15T08:01:40.000Z", "station": B, "to": "RESCUE",
        "of duty": "yes", "repeater": "ridge/uhf", "also heard by": "lake/uhf",
        "length (s)": "4.0", "text": "", "checks in": "RESCUE", "checks out": "", "rssi (dBm)": "",
        "ber (%)": "", "told after (s)": "0.05",
    }  # fmt: skip
    assert datetime.fromisoformat(row["time (UTC)"]) == first.at
    assert [float(r["length (s)"]) for r in rows] == [o.length_s for o in found]


def test_duckdb_reads_the_same(folder: Path) -> None:
    """Another reader of RFC 4180; it finds out the types by itself."""
    with duckdb.connect() as db:
        db.execute("SET timezone = 'UTC'")
        query = f"FROM read_csv('{folder}/check_ins.csv')"
        found = db.execute(f'SELECT station, overs, "spoken (s)" {query}').fetchall()
        assert found == [(r.station, r.overs, r.spoken_s) for r in report().check_ins]
        query = f"SELECT sum(\"wanted air (s)\") FROM read_csv('{folder}/groups.csv')"
        assert db.execute(query).fetchone() == (4.5,)


def test_roll_calls_have_a_row_for_each_station() -> None:
    """And one for a call that nobody was there for."""
    answered = {A: {"at": "2027-01-15T08:01:41Z", "how": "desk", "by": "desk1"}}
    found = report(
        act(95, "start_roll_call", "RESCUE", details={"id": "c"}),
        act(150, "end_roll_call", "RESCUE",
            details={"id": "c", "answered": answered, "silent": [B], "count": 1}),
        act(10, "start_roll_call", "NET", details={"id": "d"}),
        act(20, "end_roll_call", "NET", details={"id": "d", "answered": {}, "silent": []}),
    )  # fmt: skip
    (text,) = [table.text() for table in tables_of(found) if table.name == "roll_calls"]
    rows = [(r["group"], r["station"], r["answered"]) for r in csv.DictReader(io.StringIO(text))]
    assert rows == [("NET", "", ""), ("RESCUE", A, "yes"), ("RESCUE", B, "no")]


def test_what_would_be_a_formula_is_text() -> None:
    """A cell that begins so is run by spreadsheets. A name by hand, a text by radio."""
    roster = [{**ROSTER[0], "name": name} for name in ("=1+1",)]
    more = [
        act(5, "set_roster", "duty-1", details={"roster": roster}),
        over(20, 60, 1, "lake/uhf", A, "o9", to="NET", text="=cmd|' /C calc'!A0"),
    ]
    found = {table.name: table.text() for table in tables_of(report(*more))}
    names = [row["name"] for row in csv.DictReader(io.StringIO(found["roster"]))]
    assert names == ["'=1+1"]
    texts = [row["text"] for row in csv.DictReader(io.StringIO(found["overs"]))]
    assert texts[0] == "'=cmd|' /C calc'!A0"
    for text in found.values():
        for row in csv.reader(io.StringIO(text)):
            assert not any(c.lstrip().startswith(("=", "+", "@")) for c in row)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""), (True, "yes"), (False, "no"), (-46.5, "-46.5"), (-3, "-3"), (0.1, "0.1"),
        ("plain", "plain"), ("=A1", "'=A1"), ("+1", "'+1"), ("-1", "'-1"), ("@x", "'@x"),
        ("  =A1", "'  =A1"), ("\t=A1", r"\t=A1"), ("\r\n=A1", r"\r\n=A1"), ("a=b", "a=b"),
        ("nul\0", r"nul\x00"), ("\u202eabc", r"\u202eabc"), ("Zoë, Łukasz", "Zoë, Łukasz"),
        (("a", "b"), "a; b"), (("=a", "b"), "'=a; b"), ((), ""),
        (Standing.OUT_OF_REACH, "out of reach"),
        (datetime.fromisoformat("2027-01-15T08:00:00.25+00:00"), "2027-01-15T08:00:00.250Z"),
    ],
)  # fmt: skip
def test_cells(value: Any, text: str) -> None:
    assert cell(value) == text


def test_numbers_come_back_as_they_were() -> None:
    for value in (0.1 + 0.2, 1e-7, 12345678.9, -116.25):
        assert float(cell(value)) == value


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("length_s", "length (s)"), ("at", "time (UTC)"), ("first_check_in_at",
        "first check-in (UTC)"), ("reporting_pct", "reporting (%)"), ("rssi_dbm", "rssi (dBm)"),
        ("lat", "latitude (degrees)"), ("also_heard_by", "also heard by"), ("overs", "overs"),
        ("from_at", "from (UTC)"),
    ],
)  # fmt: skip
def test_headings_are_plain_words_with_units(name: str, words: str) -> None:
    assert heading(name) == words


def test_no_two_columns_of_a_table_are_alike() -> None:
    for table in tables_of(report()):
        heads = next(csv.reader(io.StringIO(table.text())))
        assert len(set(heads)) == len(heads), table.name
        assert not any("_" in head for head in heads)


# -- JSON ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def schema() -> Draft202012Validator:
    found = DutyReport.model_json_schema(mode="serialization")
    Draft202012Validator.check_schema(found)
    return Draft202012Validator(found, format_checker=Draft202012Validator.FORMAT_CHECKER)


def test_the_json_is_what_its_schema_says(folder: Path, schema: Draft202012Validator) -> None:
    document = json.loads((folder / "report.json").read_text("utf-8"))
    schema.validate(document)
    assert DutyReport.model_validate_json((folder / "report.json").read_text("utf-8")) == report()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("limits"),
        lambda d: d["overs"][0].pop("length_s"),
        lambda d: d["overs"][0].update(at="yesterday"),
        lambda d: d["duty"].update(kind="play"),
        lambda d: d["availability"][0].update(known_s="long"),
    ],
)
def test_the_schema_refuses_what_is_not_so(
    folder: Path, schema: Draft202012Validator, spoil: Any
) -> None:
    document = json.loads((folder / "report.json").read_text("utf-8"))
    spoil(document)
    with pytest.raises(ValidationError):
        schema.validate(document)


def test_a_whole_day_is_valid_too(recorded: Any, schema: Draft202012Validator) -> None:
    schema.validate(json.loads(recorded.report.model_dump_json()))
