"""The printable page: whole, alone, and its numbers those of the report.

Judges from outside: tinyhtml5 (the parse errors of the HTML Standard), lxml, tinycss2, Python's
zoneinfo. Expected texts are written anew here from the report's fields.
"""

import os
import re
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import pytest
import tinycss2  # type: ignore[import-untyped]
from lxml import html
from tinyhtml5.parser import HTMLParser  # type: ignore[import-untyped]

from streamer.contract.duty import DutyKind
from streamer.contract.published import CAUTION, AlertState, Standing
from streamer.reading.common import Document
from streamer.report import facts
from streamer.report.layout import Most
from streamer.report.page import PAGE_FILE, Page, write_page
from streamer.report.tables import tables_of
from streamer.report.words import zone_named
from tests.report.page_example import NO_COVERAGE, example
from tests.report.reading_page import asides, heads, ids, rows, shown, text_of, words

REPORT = example()
MADE = Page(REPORT)
TEXT = MADE.html()
PAGE = html.document_fromstring(TEXT)
SMALL: Final[dict[str, Any]] = {
    "stations": 4, "keyed": 6, "minutes": 30, "coverage": NO_COVERAGE, "groups": ()
}  # fmt: skip
"""A report whose page is quick to make."""


def errors_of(text: str) -> list[Any]:
    """What the HTML Standard calls parse errors; source: tinyhtml5."""
    parser = HTMLParser()
    parser.parse(text)
    return list(parser.errors)


def clock(at: datetime | None) -> str:
    return f"{at:%H:%M:%S}" if at else ""


def hms(seconds: float) -> str:
    return str(timedelta(seconds=int(round(seconds, 3))))


MEDIAN: Final = (
    # On paper: of 195 and 290 s; the median that the example states is 195 s.
    "2 of 4 alerts were taken in hand: median after 3 min 15 s, longest after 4 min 50 s."
)


# -- whole and alone -----------------------------------------------------------------------------


def empty() -> facts.DutyReport:
    """A duty of which nothing is known."""
    numbers = facts.Accountability(
        counts=(), not_heard=(), heard_not_checked_in=(), not_on_roster=()
    )
    sums = REPORT.alert_sums.model_copy(
        update=dict.fromkeys(type(REPORT.alert_sums).model_fields, 0)
        | {"median_acknowledge_s": None, "longest_acknowledge_s": None}
    )
    duty = REPORT.duty.model_copy(
        update={"groups": (), "roster": (), "roster_set_at": None, "ended_at": None, "note": None}
    )
    nothing: dict[str, Any] = dict.fromkeys(
        ("overs", "check_ins", "out_of_reach", "activity", "roll_calls", "alerts", "availability",
         "members", "groups", "refused", "quarantined", "events_lost", "limits"), ()
    )  # fmt: skip
    return example(
        duty=duty, accountability=numbers, coverage=NO_COVERAGE, alert_sums=sums, **nothing
    )


@pytest.mark.parametrize("text", [TEXT, Page(empty()).html()], ids=["full", "empty"])
def test_the_page_has_no_parse_error_and_no_id_twice(text: str) -> None:
    assert errors_of(text) == []
    found = ids(html.document_fromstring(text))
    assert len(found) == len(set(found))


def test_the_judge_of_html_is_at_work() -> None:
    assert errors_of("<!DOCTYPE html><title>x</title><p><b></p>")


def test_every_reference_leads_somewhere() -> None:
    known = set(ids(PAGE))
    links = PAGE.xpath("//a/@href")
    assert len(links) > 10
    assert {link.removeprefix("#") for link in links} <= known
    for name in ("aria-labelledby", "aria-describedby"):
        assert {one for value in PAGE.xpath(f"//@{name}") for one in value.split()} <= known


def test_nothing_is_asked_from_outside_and_nothing_runs() -> None:
    assert PAGE.xpath("//script | //link | //img | //iframe | //object | //@src") == []
    assert [name for name in PAGE.xpath("//@*") if str(name.attrname).startswith("on")] == []
    hrefs = [*PAGE.xpath("//@href"), *PAGE.xpath("//@*[contains(name(), 'href')]")]
    assert all(href.startswith("#") for href in hrefs)
    (policy,) = PAGE.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert "default-src 'none'" in policy
    style = "".join(PAGE.xpath("//style/text()"))
    assert "@import" not in style
    assert "url(" not in style
    # Namespaces of SVG are names, not addresses that anybody asks.
    assert set(re.findall(r"https?://[^\"' <]+", TEXT)) <= {
        "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink",
    }  # fmt: skip


def test_the_same_report_gives_the_same_bytes_in_another_process() -> None:
    words = (
        "import sys; from streamer.report.page import Page; "
        "from tests.report.page_example import example; "
        "sys.stdout.buffer.write(Page(example()).html().encode())"
    )
    done = subprocess.run(
        [sys.executable, "-c", words], env={**os.environ, "PYTHONHASHSEED": "12345"},
        capture_output=True, check=True, timeout=100,
    )  # fmt: skip
    assert done.stdout.decode() == TEXT


def test_every_section_is_there_in_order() -> None:
    titles = words(PAGE, "//h2")
    assert titles[0] == "At a glance"
    assert [title.split(" ", 1)[1] for title in titles[2:]] == [
        "Alerts", "Check-in list", "Roll calls", "Activity log",
        "Availability of gateways and repeaters", "Members: path and standing",
        "Fan-out and air-time by group", "Learned coverage map", "Refused, kept apart, lost",
        "Cautions and limits", "Communications log",
    ]  # fmt: skip
    assert titles[2].startswith("1 ")
    assert titles[-1] == "Annex: Communications log"
    contents = words(PAGE, "//nav//a")
    assert contents[:-1] == [title.split(" ", 1)[1] for title in titles[2:-1]]
    assert contents[-1] == titles[-1]
    assert len(PAGE.xpath("//h1")) == 1


def test_an_empty_report_says_so_everywhere() -> None:
    page = shown(empty())
    said = text_of(page)
    for expected in (
        "No over was recorded", "Nobody checked in.", "No roster was given",
        "No roll call was held", "No alert stood", "No over with a position was heard.",
    ):  # fmt: skip
        assert expected in said
    assert [point.split(". ")[0] for point in words(page, "//ol[@class='points']/li")] == [
        "The duty had not ended at the end of the record",
        "No record of 12 min (3.33 % of the time), in 1 gap",
    ]


def test_it_is_written_as_one_file_in_utf_8(tmp_path: Path) -> None:
    title = "Søk på fjellet"
    duty = REPORT.duty.model_copy(update={"title": title})
    (written,) = write_page(example(**SMALL, duty=duty), tmp_path)
    assert written == tmp_path / PAGE_FILE
    assert [path.name for path in tmp_path.iterdir()] == [PAGE_FILE]
    read = html.document_fromstring(written.read_bytes())
    assert words(read, "//h1") == [title]


# -- on every page of paper ----------------------------------------------------------------------


def running(page: Any) -> dict[str, str]:
    """What CSS puts into the margins, by box, as tinycss2 reads it."""
    (style,) = page.xpath("//style/text()")
    found: dict[str, str] = {}
    for rule in tinycss2.parse_stylesheet(style, skip_comments=True, skip_whitespace=True):
        assert rule.type != "error", rule.message
        if rule.type != "at-rule" or rule.lower_at_keyword != "page" or rule.content is None:
            continue
        for box in tinycss2.parse_blocks_contents(rule.content):
            if box.type != "at-rule":
                continue
            for one in tinycss2.parse_blocks_contents(box.content):
                if one.type == "declaration" and one.lower_name == "content":
                    strings = [v.value for v in one.value if v.type == "string"]
                    kind = [v.lower_name for v in one.value if v.type == "function"]
                    found[box.lower_at_keyword] = "".join(strings) + " ".join(kind)
    return found


@pytest.mark.parametrize("kind", DutyKind)
def test_each_page_bears_title_mark_caution_zone_and_number(kind: DutyKind) -> None:
    duty = REPORT.duty.model_copy(update={"kind": kind, "title": 'Drill "one" \\ </style><b>'})
    page = shown(example(**SMALL, duty=duty))
    boxes = running(page)
    mark = {"exercise": "EXERCISE", "actual": "ACTUAL"}[kind.value]
    assert boxes["top-left"] == f'{mark}  Drill "one" \\ </style><b>'
    assert boxes["top-right"] == "page  of counter counter"
    assert boxes["bottom-left"].startswith(CAUTION)
    assert boxes["bottom-left"].endswith("corrected by what they knew of their clocks.")
    assert boxes["bottom-right"] == "24 h, UTC"
    assert words(page, "//header/p[@class='mark']") == [mark]
    assert page.xpath("//title")[0].text == f'{mark}: Drill "one" \\ </style><b>'


def test_the_cautions_are_said_in_words() -> None:
    said = text_of(PAGE.xpath("//section[@id='limits']")[0])
    for caution in (
        "Call signs are not authenticated", "Not heard does not mean in danger",
        "heard does not mean safe", "Local plans, licensed operators and the law come first",
        "Times are as gateways told them", "no promise", *REPORT.limits,
    ):  # fmt: skip
        assert caution in said
    assert CAUTION in words(PAGE, "//section[@id='glance']/p[@class='caution']")[0]


# -- numbers -------------------------------------------------------------------------------------


def test_the_numbers_at_a_glance_are_those_of_the_report() -> None:
    tiles = PAGE.xpath("//ul[@class='tiles']/li")
    assert [(int(text_of(t[0])), text_of(t[1]), text_of(t[2])) for t in tiles] == [
        (one.count, one.what, one.meaning) for one in REPORT.accountability.counts
    ]


def test_the_communications_log_is_every_over() -> None:
    told = rows(PAGE, "communications")
    assert len(told) == len(REPORT.overs) == 240
    for row, over in zip(told, REPORT.overs, strict=True):
        assert row[:3] == [str(over.number), clock(over.at), over.station]
        assert row[3] == (over.to or "nobody") + ("" if over.of_duty else "|not of the duty")
        assert row[4].split("|")[0] == f"voice, {over.length_s:.1f} s"
        assert ("CHECK-IN to " in row[4]) == bool(over.checks_in)
        assert ("CHECK-OUT from " in row[4]) == bool(over.checks_out)
        assert row[5].split(", ")[0] == over.repeater
        assert set(row[5].replace("also ", "").split(", ")[1:]) == set(over.also_heard_by)


def test_the_stations_are_those_of_the_report() -> None:
    for row, one in zip(rows(PAGE, "stations"), REPORT.check_ins, strict=True):
        assert row[0].split("|")[0] == one.station
        assert row[1] == ("on it" if one.on_roster else "not on it")
        first = clock(one.first_check_in_at) or one.how.value
        assert row[2].split("|")[0] == first
        assert row[3] == "|".join(map(clock, one.checked_out_at))
        assert (row[4], row[5]) == (str(one.overs), hms(one.spoken_s))
        assert row[6].split("|")[0] == (clock(one.last_heard_at) or "not heard")
        words_of = {None: "on no group's list", Standing.OUT_OF_REACH: "out of reach"}
        assert row[7].split("|")[0] == words_of.get(one.standing) or (
            row[7].split("|")[0] == str(one.standing).replace("_", " ")
        )


def test_the_alerts_are_those_of_the_report() -> None:
    for row, one in zip(rows(PAGE, "alert-timeline"), REPORT.alerts, strict=True):
        assert row[1].split("|")[0] == clock(one.opened_at)
        assert row[2].split("|")[0] == one.turns[0].severity.value
        assert row[2].split("|")[-1].endswith(one.severity.value)
        assert row[3].split("|")[0] == one.turns[0].title
        assert one.title in row[3]
        assert ("not of the duty" in row[3]) == (not one.of_duty)
        taken = "beforehand" if one.acknowledged_beforehand else "never"
        assert row[4].split("|")[0] == (clock(one.acknowledged_at) or taken)
        assert row[5] == ("" if one.acknowledge_s is None else hms(one.acknowledge_s))
        assert row[6] == (clock(one.cleared_at) or "not cleared")
        assert row[7] == hms(one.open_s)
    details = rows(PAGE, "alert-details")
    for row, one in zip(details, REPORT.alerts, strict=True):
        assert set(one.reasons) <= set(row[2].split("|"))
        assert f"Next: {one.next_step}" in row[2]
        assert all(turn.turn.value in row[3] for turn in one.turns)
        assert ("At the end: " in row[3]) == (one.state is not AlertState.CLEARED)
    sums = text_of(PAGE.xpath("//section[@id='alerts']")[0])
    assert (
        "4 alerts, by the worst each became: 1 critical, 2 warning, 1 notice; 1 opened more than "
        "once; 3 held back" in sums
    )
    assert MEDIAN in sums


def test_an_alert_is_told_as_it_was_at_that_time() -> None:
    """It opened overdue, a warning, at 13:01, and was out of reach two minutes later."""
    lost = REPORT.alerts[1].subject
    row = rows(PAGE, "alert-timeline")[1]
    assert row[1] == "13:01:00"
    assert row[2] == "warning|13:03:00 critical"
    assert row[3] == f"{lost} is overdue in CREW|13:03:00 {lost} is out of reach in CREW"
    assert rows(PAGE, "alert-details")[1][3].split("|")[:3] == [
        "13:01:00 opened, warning", f"13:03:00 worse, critical: {lost} is out of reach in CREW",
        "13:05:50 acknowledged, critical, by net control",
    ]  # fmt: skip


def test_who_was_out_of_reach_is_that_of_the_report() -> None:
    assert len(REPORT.out_of_reach) == 2
    for row, one in zip(rows(PAGE, "out-of-reach"), REPORT.out_of_reach, strict=True):
        assert row[0].split("|")[0] == one.station
        assert one.silence_s is not None
        assert (row[2], row[5]) == (hms(one.silence_s), hms(one.out_s))
        assert row[3] == clock(one.last_heard_at)
        assert row[4] == (clock(one.heard_again_at) or "not until the end")
        assert row[6] == (f"{clock(one.taken_at)}|by {one.taken_by}" if one.taken_at else "never")
        assert row[7] == str(one.standing).replace("_", " ")


@pytest.mark.parametrize("kind", ["gateway", "repeater"])
def test_availability_is_that_of_the_report(kind: str) -> None:
    own = [one for one in REPORT.availability if one.kind == kind]
    for row, one in zip(rows(PAGE, f"availability-{kind}"), own, strict=True):
        assert row[0] == one.name
        assert one.reporting_pct is not None
        assert row[1] == ("100" if one.reporting_pct == 100 else f"{one.reporting_pct:.2f}")
        lengths = (one.reporting_s, one.not_reporting_s, one.unknown_s)
        assert row[2:5] == [hms(seconds) for seconds in lengths]
        assert row[5:7] == [str(one.outages), hms(one.longest_outage_s)]
        for out in one.not_reporting:
            assert f"{clock(out.from_at)} to {clock(out.until_at)}" in row[7]


def test_groups_and_fan_out_are_those_of_the_report() -> None:
    for row, one in zip(rows(PAGE, "air-time"), REPORT.groups, strict=True):
        assert row == [
            one.group, str(one.overs), str(one.stations), hms(one.spoken_s),
            str(one.overs_with_fan_out), f"{one.wanted_air_s:,.0f}", f"{one.carried_air_s:,.0f}",
            f"{one.everywhere_air_s:,.0f}", f"{one.saved_pct:.1f}",
        ]  # fmt: skip
    for n, group in enumerate(REPORT.groups, 1):
        told = {row[0]: row[1:] for row in rows(PAGE, f"fan-out-{n}")}
        assert told == {
            one.repeater: [hms(one.wanted_s), hms(one.carried_s), hms(one.both_s),
                           hms(one.wanted_s - one.both_s)]
            for one in group.sums
        }  # fmt: skip


def test_members_are_told_as_text_too() -> None:
    told = {row[0].split("|")[0]: row for row in rows(PAGE, "members-text")}
    with_any = [one for one in REPORT.members if one.path or one.standings]
    assert set(told) == {one.station for one in with_any}
    for one in with_any:
        _, path, standings = told[one.station]
        assert path == "|".join(
            f"{clock(v.from_at)} to {clock(v.until_at)} {v.repeater}, "
            f"{v.overs} over{'' if v.overs == 1 else 's'}"
            for v in one.path
        ) or (not one.path and path == "not heard")
        assert standings == "|".join(
            f"{clock(s.from_at)} to {clock(s.until_at)} {s.group}: "
            f"{s.standing.value.replace('_', ' ')}"
            for s in one.standings
        )


def test_what_was_refused_is_that_of_the_report() -> None:
    assert [(row[0], row[2], row[3]) for row in rows(PAGE, "refused-input")] == [
        ("unknown group", "17", "to: 'NETT' is no group of this region"),
        ("json", "2", "not JSON at byte 0"),
    ]
    assert rows(PAGE, "events-lost") == [["tarn", "5"]]
    assert [row[0] for row in rows(PAGE, "quarantined")] == ["Q1QQ"]
    assert "not accepted: 19" in words(PAGE, "//table[@id='refused-input']/caption")[0]


def test_roll_calls_are_those_of_the_report() -> None:
    (call,) = REPORT.roll_calls
    told = rows(PAGE, "roll-call-1")
    assert [row[:2] for row in told] == [[one.station, clock(one.at)] for one in call.answered]
    assert [row[2] for row in told].count("marked at the desk by net control") == 1
    said = text_of(PAGE.xpath("//section[@id='roll-calls']")[0])
    assert "7 answered, 2 did not." in said
    assert f"Did not answer: {', '.join(call.silent)}." in said


def test_coverage_is_that_of_the_report() -> None:
    told = rows(PAGE, "coverage")
    assert [row[:3] for row in told] == [
        [one.repeater, str(one.overs), str(len(one.cells))] for one in REPORT.coverage.repeaters
    ]


# -- hostile and large ---------------------------------------------------------------------------

HOSTILE = (
    "<script>alert(1)</script>\"'><img src=x onerror=alert(1)></table></style></svg></title>",
    "--> ]]> &lt; &#0; {{ 7*7 }}{% include 'x' %} $\\frac{1}{2}$ $ \\22 ; } @page {",
    "a\nb\r\nc\x00\x07\x1b[31m\u202eabc\u2066\u200f\ud800\ufffe",
    "W" * 400,
)


def hostile(value: Any, text: str) -> Any:
    """A copy in which every free text is this one."""
    if isinstance(value, Document):
        changed = {}
        for name, field in type(value).model_fields.items():
            old = getattr(value, name)
            free = (
                isinstance(old, str) and type(old) is str and "Literal" not in str(field.annotation)
            )
            if free and name not in ("cell", "kind"):
                # Rows are found by name where names must differ.
                changed[name] = text
            elif isinstance(old, (tuple, Document)):
                changed[name] = hostile(old, text)
        return value.model_copy(update=changed)
    if isinstance(value, tuple):
        return tuple(text if type(one) is str else hostile(one, text) for one in value)
    return value


@pytest.mark.parametrize("text", HOSTILE, ids=lambda text: ascii(text)[:18])
def test_hostile_text_stays_text(text: str) -> None:
    report = hostile(example(**{**SMALL, "groups": REPORT.groups[:1]}), text)
    made = Page(report).html()
    made.encode("utf-8")
    assert errors_of(made) == []
    page = html.document_fromstring(made)
    assert {element.tag for element in page.iter() if isinstance(element.tag, str)} <= PAGE_TAGS
    assert [one for one in page.xpath("//@*") if str(one.attrname).startswith("on")] == []
    escaped = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
    assert page.xpath("//h1")[0].text == escaped
    assert {row[2] for row in rows(page, "communications")} == {escaped}
    assert not set(made) & set("\x00\x07\x1b\u202e\u2066\u200f\ud800")
    assert running(page)["bottom-left"].startswith(escaped)


PAGE_TAGS = {element.tag for element in PAGE.iter() if isinstance(element.tag, str)}


def test_a_large_duty_is_cut_and_says_what_is_left_out() -> None:
    report = example(stations=500, keyed=20_000, minutes=3000)
    made = Page(report).html()
    assert len(made) < 2_000_000
    page = html.document_fromstring(made)
    told = rows(page, "communications")
    assert len(told) == 1501
    assert asides(page, "communications") == [
        "18,500 of 20,000 overs are left out here; all are in overs.csv"
    ]
    numbers = [int(row[0]) for row in told if len(row) > 1]
    assert numbers == [*range(1, 1001), *range(19_501, 20_001)]
    assert len(rows(page, "stations")) == 501
    assert "Shown are the 60 whose standing was worst at some time" in text_of(page)
    charted = rows(page, "members-text")
    assert len(charted) == 60
    assert all("out of reach" in row[2] for row in charted)


def test_files_that_the_page_names_are_written() -> None:
    small = Most(overs=3, stations=3, activity=3, alerts=2, members_charted=20, visits=1, spans=0)
    many = tuple(
        facts.RefusedRow(reason="json", gateway=f"g{n}", count=1, example="") for n in range(300)
    )
    said = text_of(shown(example(stations=6, keyed=20, refused=many, coverage=NO_COVERAGE), small))
    named = set(re.findall(r"[a-z_]+\.csv", said))
    assert named == {
        "overs.csv", "check_ins.csv", "activity.csv", "alerts.csv", "visits.csv", "standings.csv",
        "outages.csv", "refused.csv", "roll_calls.csv",
    }  # fmt: skip
    assert {*named, "roster.csv", "fan_out_sums.csv", "quarantined.csv"} <= {
        f"{table.name}.csv" for table in tables_of(REPORT)
    }


def test_positions_left_out_leave_no_map() -> None:
    record = REPORT.record.model_copy(update={"positions_left_out": True})
    page = shown(example(stations=4, keyed=6, record=record))
    section = page.xpath("//section[@id='coverage-map']")[0]
    assert section.xpath(".//*[local-name()='svg']") == []
    assert "Positions are left out" in text_of(section)


# -- zones ---------------------------------------------------------------------------------------


def test_another_zone_is_used_everywhere_and_named() -> None:
    zone = zone_named("Etc/GMT-2")  # POSIX sign: two hours ahead of UTC
    report = example(**{**SMALL, "minutes": 360})
    page = html.document_fromstring(Page(report, zone).html())
    first = report.overs[0].at.astimezone(ZoneInfo("Etc/GMT-2"))
    assert rows(page, "communications")[0][1] == f"{first:%H:%M:%S}"
    assert running(page)["bottom-right"] == "24 h, Etc/GMT-2 (UTC+02:00)"
    assert "Times on these pages are in Etc/GMT-2 (UTC+02:00)" in text_of(page)
    assert "2026-03-14 10:00:00 +02:00 to 2026-03-14 16:00:00 +02:00" in text_of(page)


def test_paper_is_the_readers_unless_told() -> None:
    assert "size: landscape" in " ".join(TEXT.split())
    letter = " ".join(MADE.html("Letter").split())
    assert "size: Letter;" in letter
    assert "size: Letter landscape" in letter


def test_heads_stand_over_each_column() -> None:
    for table in PAGE.xpath("//table[thead]"):
        name = table.get("id")
        count = len(heads(PAGE, name))
        assert {len(row) for row in rows(PAGE, name)} - {1} <= {count}
        widths = [float(w.split(":")[1].rstrip("%; ")) for w in table.xpath(".//col/@style")]
        assert len(widths) == count
        assert 95 <= sum(widths) <= 101, name
