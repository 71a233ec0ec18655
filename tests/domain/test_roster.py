"""The import of a roster from CSV.

RFC 4180: quoted fields, doubled quotation marks, CRLF. The synonyms of columns are the words of the
ICS forms 211 (item 11 'Home Unit or Agency', item 14 'Incident Assignment') and 214 (item 4 'ICS
Position'); semicolons, tabs and a BOM are common practice of spreadsheets, no source. A second
reader is that of DuckDB.
"""

from pathlib import Path

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.domain.callsign import CallSignRules
from streamer.domain.roster import (
    LARGEST_BYTES,
    LONGEST,
    MOST_LINES,
    ReadRoster,
    RosterFault,
    RosterLine,
    calls_of,
    must_fit,
    read_roster,
    roster_from,
    roster_of_details,
    roster_text,
)

RULES = CallSignRules(extra_prefixes=["Q"], accepted_calls=["BASE"], denied_calls=["QD9BAD"])
GROUPS = ("NET", "TALK")


def read(text: str | bytes) -> ReadRoster:
    return read_roster(text.encode() if isinstance(text, str) else text, RULES, GROUPS)


def faults(text: str | bytes) -> tuple[str, ...]:
    with pytest.raises(RosterFault) as caught:
        read(text)
    return caught.value.faults


ANN = RosterLine(
    call="QA1ABC", name="Ann, of the hill", agency="Hill club", assignment="net control",
    group="NET",
)  # fmt: skip
BOB = RosterLine(call="QB2DEF", group="TALK")


@pytest.mark.parametrize(
    "text",
    [
        'call,name,agency,assignment,group\nQA1ABC,"Ann, of the hill",Hill club,net control,NET\n'
        "QB2DEF,,,,TALK\n",
        'GROUP;Call Sign;Incident Assignment;Home Unit or Agency;NAME\r\nnet;qa1abc/p;net control;'
        'Hill club;Ann, of the hill\r\n\r\ntalk;QB2DEF\r\n',
        "\ufeffICS Position\tStation\tUnit\tFull name\tNet\nnet control\tQA1ABC\tHill club\t"
        "Ann, of the hill\tNET\n\t QB2DEF \t\t\ttalk",
        '\n"call_sign","Person","agency","role","Talkgroup"\n"QA1ABC","Ann, of the hill",'
        '"Hill club","net control","NET"\n"QB2DEF","","","","TALK"\n',
        "call,name,agency,assignment,group\rQA1ABC,\"Ann, of the hill\",Hill club,net control,NET\r"
        "QB2DEF,,,,TALK\r",
    ],
    ids=["plain", "semicolon-crlf", "bom-tab", "quoted", "old-mac"],
)  # fmt: skip
def test_the_same_people_in_many_forms(text: str) -> None:
    assert read(text) == ReadRoster((ANN, BOB), ())


def test_a_doubled_quotation_mark_is_one() -> None:
    """RFC 4180, section 2, rule 7: its own example is "aaa","b""bb","ccc"."""
    assert read('name,call\n"b""bb",QA1ABC\n').lines == (RosterLine(call="QA1ABC", name='b"bb'),)


def test_columns_that_are_not_known_are_named_not_kept() -> None:
    found = read("call,phone,name,\nQA1ABC,555,Ann,\n")
    assert found.unread == ("phone",)
    assert found.lines == (RosterLine(call="QA1ABC", name="Ann"),)


def test_the_regions_rules_decide_on_call_signs() -> None:
    assert calls_of(read("call\nBASE\nQA1ABC-7\n").lines) == ("BASE", "QA1ABC")
    found = faults("call\nQD9BAD\nBASIS\n")
    assert "QD9BAD is on the deny list" in found[0]
    assert found[1].startswith("line 3: call: 'BASIS' is no call sign here: letters only")


def test_every_faulty_line_is_named_and_nothing_is_taken() -> None:
    text = (
        "call,name,group\n"  # 1
        "QA1ABC,Ann,NET\n"
        "qa1abc/m,Ann again,NET\n"  # 3: doubled, after normalising
        "QB2DEF,Bob,SEARCH\n"  # 4: no such group
        ",Carl,NET\n"  # 5: no call sign
        f"QC3GHI,{'x' * (LONGEST + 1)},\n"  # 6: too long
        "QE4JKL,Eve\x1b[2J,\n"  # 7: a control character
        "QF5MNO,Finn, of the hill,NET\n"  # 8: a comma too many
        "QG6PQR,Gus,NET\n"
        "QG6PQR,Gus,TALK\n"  # 10: doubled
    )
    found = faults(text)
    expected = [
        ("line 3", "QA1ABC stands in line 2 already", "strike out one"),
        ("line 4", "'SEARCH' is no group of this duty; it has NET, TALK", "leave it empty"),
        ("line 5", "call: is empty", "give the call sign"),
        ("line 6", "name: 81 characters", "at most 80"),
        ("line 7", r"name: has the control character \x1b", "take it out"),
        ("line 8", "4 fields, the head has 3", "in quotes"),
        ("line 8", "'OF THE HILL' is no group", "leave it empty"),
        ("line 10", "QG6PQR stands in line 9 already", "strike out one"),
    ]
    assert len(found) == len(expected)
    for fault, (where, what, advice) in zip(found, expected, strict=True):
        assert fault.startswith(f"{where}: "), fault
        assert what in fault
        assert advice in fault


def test_lines_are_counted_as_an_editor_counts_them() -> None:
    """A quoted field may go over lines (RFC 4180, rule 6); blank lines count too."""
    found = faults('\ncall,name\n\n"QA1ABC","Ann\nof the hill"\nNOBODY,Bob\n')
    assert [fault.split(":")[0] for fault in found] == ["line 4", "line 6"]
    assert r"control character \n" in found[0]


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"", "it is empty; begin with the head call,name,agency,assignment,group"),
        (b"\n \n", "it is empty"),
        (b"call,name\n", "nobody stands below the head"),
        (b"QA1ABC,Ann\n", "no column is named call"),
        (b"call,name,Call-Sign\nQA1ABC,a,b\n", "'call' and 'Call-Sign' are both the call"),
        ("call,name\nQA1ABC,Zoë\n".encode("latin-1"), "line 2: byte 0xEB is not UTF-8"),
        ("call\nQA1ABC\n".encode("utf-16"), "UTF-16"),
        ("call,name\nQA1ABC,Zo\ufffd\n".encode(), "line 2: a letter was lost"),
        (b'call,name\nQA1ABC,"Ann\n', "line 2: a quotation mark is open"),
        (b'call,name\nQA1ABC,"Ann" of\n', "line 2: a quotation mark is open, or stands within"),
        (b"call\n" + b"x" * LARGEST_BYTES, "larger than 500 kB"),
    ],
)
def test_what_is_no_roster(content: bytes, fault: str) -> None:
    (found,) = faults(content)
    assert fault in found


def test_it_has_an_end() -> None:
    calls = [f"QA{n // 676 % 10}{chr(65 + n // 26 % 26)}{chr(65 + n % 26)}A" for n in range(2100)]
    assert len(set(calls)) == len(calls)
    assert len(read("call\n" + "\n".join(calls[:MOST_LINES])).lines) == MOST_LINES
    assert "more than 2000 people" in faults("call\n" + "\n".join(calls))[0]


def test_not_more_is_told_than_people_read() -> None:
    fault = RosterFault([f"line {n}: wrong" for n in range(1, 31)])
    assert fault.told(30) == list(fault.faults)
    assert fault.told(2) == [*fault.faults[:2], "and 28 more like these: mend those first"]


def test_it_is_kept_as_it_was_read() -> None:
    assert roster_from(roster_text([ANN, BOB])) == (ANN, BOB)
    assert roster_from(None) == ()
    details = {"roster": [{"call": "QB2DEF", "group": "TALK"}]}
    assert roster_of_details(details) == (BOB,)
    with pytest.raises(ValueError, match=r"roster|tuple"):
        roster_of_details({})


def test_a_roster_fits_its_duty() -> None:
    must_fit([ANN, BOB], GROUPS)
    with pytest.raises(RosterFault) as caught:
        must_fit([ANN, BOB, ANN], ["NET"])
    assert caught.value.faults == (
        "QB2DEF: 'TALK' is no group of this duty; it has NET",
        "QA1ABC stands twice",
    )


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp", "Cf")),
                max_size=20)  # fmt: skip


@given(
    st.dictionaries(st.from_regex(r"Q[A-Z][0-9][A-Z]{3}", fullmatch=True), NAMES, min_size=1,
                    max_size=8),
    st.sampled_from([",", ";", "\t"]),
)  # fmt: skip
def test_what_a_writer_by_rfc_4180_writes_is_read(names: dict[str, str], parting: str) -> None:
    """The writer is a few lines by hand: every field quoted, quotation marks doubled."""
    quoted = ['"' + name.replace('"', '""') + '"' for name in names.values()]
    lines = [f'"name"{parting}"call"', *(f"{q}{parting}{c}" for c, q in zip(names, quoted,
                                                                         strict=True))]  # fmt: skip
    denied = "QD9BAD" in names
    if denied or any("\ufffd" in name for name in names.values()):
        return
    found = read("\r\n".join(lines))
    assert {line.call: line.name for line in found.lines} == {
        c: n.strip() for c, n in names.items()
    }


def test_a_second_reader_finds_the_same(tmp_path: Path) -> None:
    """DuckDB's CSV reader on the same file."""
    text = 'call;name;group\nQA1ABC;"Ann; of ""the"" hill";NET\nQB2DEF;Zoë;\nQC3GHI;;TALK\n'
    file = tmp_path / "roster.csv"
    file.write_text(text, "utf-8")
    rows = duckdb.execute(
        "SELECT call, coalesce(name, ''), coalesce(\"group\", '') FROM read_csv(?, delim=';', "
        "header=true, all_varchar=true)",
        [str(file)],
    ).fetchall()
    assert rows == [(line.call, line.name, line.group) for line in read(text).lines]
