"""The logs carry the fields of the public forms.

Source of fields: ICS 211 and ICS 214 of FEMA 502-2 (September 2010), their block numbers and names;
ICS 214 blocks 7 and 8 from memory. ICS 309: the two published county versions that agree.
"""

from typing import Any

import pytest

from streamer.report.facts import DutyReport
from tests.report.page_example import NO_COVERAGE, example
from tests.report.reading_page import heads, rows, shown, text_of, words

REPORT = example(stations=8, keyed=40, coverage=NO_COVERAGE, groups=(), members=())


@pytest.fixture(scope="module")
def page() -> Any:
    return shown(REPORT)


def fields(page: Any, form: str) -> dict[str, str]:
    """The blocks around the log of a form: label to what stands in it."""
    found = {}
    for block in page.xpath(f"//article[@id='{form}']//dl[@class='blocks' or 1]/div"):
        label = text_of(block.find("dt"))
        found[label] = " ".join(text_of(dd) for dd in block.findall("dd"))
    return found


BLANK = "to be written in"


def test_ics_309_style(page: Any) -> None:
    told = fields(page, "form-309")
    assert told == {
        "1 Incident name and number":
            "EXERCISE: Spring flood drill duty spring-2026, region far-isle",
        "2 Operational period": "from 2026-03-14 08:00:00 UTC to 2026-03-14 14:00:00 UTC",
        "3 Radio net name": "NET, CREW",
        "4 Radio operator (name, call sign)": BLANK,
        "6 Prepared by (name, call sign)": BLANK,
        "Signature": BLANK,
        "7 Date and time prepared": BLANK,
        "8 Page": "at the top of each page",
    }  # fmt: skip
    assert heads(page, "communications")[1:5] == ["Time", "From", "To", "Message and remarks"]
    (title,) = words(page, "//article[@id='form-309']/h3")
    assert title == "Communications log (ICS 309 style) EXERCISE"
    assert "FEMA" not in text_of(page.xpath("//article[@id='form-309']")[0])
    assert "24 h, UTC" in words(page, "//table[@id='communications']/caption")[0]


def test_ics_211_fields(page: Any) -> None:
    told = fields(page, "form-211")
    assert list(told) == [
        "1 Incident name", "2 Incident number", "3 Check-in location", "4 Start date/time",
        "17 Prepared by: name", "Position/title", "Signature", "Date/time",
    ]  # fmt: skip
    assert told["4 Start date/time"] == "2026-03-14 08:00:00 UTC"
    assert [told[k] for k in ("2 Incident number", "Signature", "Date/time")] == [BLANK] * 3
    labels = " | ".join(heads(page, "check-in-211")).lower().replace("-", "")
    for field in (
        "5 state", "agency", "category", "kind", "type", "resource name or identifier", "st or tf",
        "6 order request #", "7 date/time checkin", "8 leader's name", "9 total persons",
        "10 incident contact", "11 home unit or agency", "12 departure point, date, time",
        "13 method of travel", "14 incident assignment", "15 other qualifications",
        "16 data to resources unit",
    ):  # fmt: skip
        assert field in labels, field


def test_ics_211_lists_those_who_checked_in_and_leaves_blank_what_nobody_told(page: Any) -> None:
    inside = [one for one in REPORT.check_ins if one.first_check_in_at]
    told = rows(page, "check-in-211")
    assert len(told) == len(inside) == 7
    for row, one in zip(told, inside, strict=True):
        assert row[1] == one.agency
        assert row[5] == "|".join(filter(None, (one.station, one.name)))
        assert row[8] == f"{one.first_check_in_at:%Y-%m-%d %H:%M:%S} UTC|by {one.first_repeater}"
        assert row[15] == one.assignment
        blank = [n for n in range(18) if n not in (1, 5, 8, 15)]
        assert [row[n] for n in blank] == [""] * 14


def test_ics_214_fields(page: Any) -> None:
    told = fields(page, "form-214")
    assert list(told) == [
        "1 Incident name", "2 Operational period", "3 Name", "4 ICS position",
        "5 Home agency (and unit)", "8 Prepared by: name", "Position/title", "Signature",
        "Date/time",
    ]  # fmt: skip
    assert words(page, "//table[@id='assigned-214']/caption")[0].startswith("6 Resources assigned")
    assert heads(page, "assigned-214") == [
        "Name", "ICS position", "Home agency (and unit)", "Assignment by the roster",
    ]  # fmt: skip
    assert words(page, "//table[@id='activity-214']/caption")[0].startswith("7 Activity log")
    assert heads(page, "activity-214") == ["Date/time", "Notable activities"]


def test_ics_214_holds_the_roster_and_every_entry(page: Any) -> None:
    assigned = rows(page, "assigned-214")
    assert [row[0].split(", ")[0] for row in assigned] == [r.call for r in REPORT.duty.roster]
    # A roster tells no position: left blank. What it tells stands in a column named so.
    assert {row[1] for row in assigned} == {""}
    assert [row[2:] for row in assigned] == [[r.agency, r.assignment] for r in REPORT.duty.roster]
    assert {row[3] for row in assigned} > {"Supply"}
    told = rows(page, "activity-214")
    entries = REPORT.activity
    for row, one in zip(told, entries, strict=False):
        assert row == [f"{one.at:%H:%M:%S}", f"{one.by} {one.text}".strip()]
    assert told[1] == ["09:00:00", "net control began a roll call"]
    assert told[len(entries)] == ["To be written in by hand: what the record cannot know"]
    assert told[len(entries) + 1 :] == [["", ""]] * 6


def test_a_duty_that_still_runs_says_so_on_the_forms() -> None:
    duty = REPORT.duty.model_copy(update={"ended_at": None, "ended_by": None})
    report: DutyReport = REPORT.model_copy(update={"duty": duty})
    told = fields(shown(report), "form-309")["2 Operational period"]
    assert told.endswith("(end of the record; the duty still ran)")
