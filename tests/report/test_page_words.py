"""Moments, lengths and numbers as the page writes them.

Sources: the calendar rule of a zone's change of offset (last Sunday of March, 01:00 UTC), tinycss2
as reader of CSS strings; the rest is worked out on paper in the tests.
"""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
import tinycss2  # type: ignore[import-untyped]

from streamer.reading.common import Misuse
from streamer.report.facts import RecordFacts, Span
from streamer.report.layout import Aside, first_and_last
from streamer.report.words import (
    Times,
    count_of,
    css_string,
    hms,
    named,
    number,
    percent,
    shortened,
    zone_named,
)
from tests.report.page_example import example


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def times(begin: str, end: str, zone: str = "UTC") -> Times:
    span = Span(from_at=moment(begin), until_at=moment(end), length_s=0)
    record: RecordFacts = example(stations=2, keyed=1).record
    return Times.of(record.model_copy(update={"time": span}), zone_named(zone))


def test_within_one_day_the_date_is_left_out() -> None:
    one = times("2026-03-14T08:00", "2026-03-14T20:00")
    assert one.clock(moment("2026-03-14T09:05:07.900")) == "09:05:07"
    assert one.clock(moment("2026-03-13T23:59:59")) == "13 Mar 23:59:59"
    assert one.clock(moment("2025-12-31T23:59:59")) == "31 Dec 2025 23:59:59"
    assert one.clock(None) == ""
    assert one.full(moment("2026-03-14T09:05:07")) == "2026-03-14 09:05:07 UTC"
    assert one.span(moment("2026-03-14T09:05:07"), moment("2026-03-14T10:00:00")) == (
        "09:05:07 to 10:00:00"
    )
    assert one.period(moment("2026-03-14T08:00"), None).endswith("to still running")


def test_over_several_days_the_date_is_told_once() -> None:
    several = times("2026-03-14T08:00", "2026-03-16T20:00")
    first, second = moment("2026-03-15T09:05:07"), moment("2026-03-15T10:00:00")
    assert several.clock(first) == "15 Mar 09:05:07"
    assert several.span(first, second) == "15 Mar 09:05:07 to 10:00:00"
    later = second + timedelta(days=1)
    assert several.span(first, later) == "15 Mar 09:05:07 to 16 Mar 10:00:00"


def test_a_year_that_turns_is_told() -> None:
    turn = times("2025-12-31T20:00", "2026-01-01T04:00")
    assert turn.clock(moment("2025-12-31T23:00:00")) == "31 Dec 2025 23:00:00"


def test_an_offset_that_changes_is_told_with_each_time() -> None:
    """On paper: 29 March 2026 is the last Sunday; at 01:00 UTC clocks go from +01:00 to +02:00, so
    00:59:59 UTC is 01:59:59 and 01:00:00 UTC is 03:00:00 there."""
    assert moment("2026-03-29T00:00").weekday() == 6
    changing = times("2026-03-28T23:30", "2026-03-29T05:00", "CET")
    assert changing.name == "CET (offset from UTC beside)"
    assert changing.clock(moment("2026-03-29T00:59:59")) == "01:59:59 +01:00"
    assert changing.clock(moment("2026-03-29T01:00:00")) == "03:00:00 +02:00"
    steady = times("2026-03-28T09:30", "2026-03-28T15:00", "CET")
    assert steady.name == "CET (UTC+01:00)"
    assert steady.clock(moment("2026-03-28T12:00:00")) == "13:00:00"
    assert steady.full(moment("2026-03-28T12:00:00")) == "2026-03-28 13:00:00 +01:00"
    # What lies outside the report has the offset of its own time.
    assert steady.clock(moment("2026-07-01T12:00:00")) == "1 Jul 14:00:00 +02:00"


def test_half_hours_of_offset_keep_their_minutes() -> None:
    west = timezone(-timedelta(hours=3, minutes=30))
    one = Times.of(example(stations=2, keyed=1).record, west)
    assert one.full(moment("2026-03-14T09:05:07")) == "2026-03-14 05:35:07 -03:30"


def test_an_unknown_zone_is_told_with_what_to_do() -> None:
    assert zone_named("utc") is UTC
    with pytest.raises(Misuse, match=r"--zone Etc/GTM-2: no such zone .*did you mean 'Etc/GMT-2'"):
        zone_named("Etc/GTM-2")
    with pytest.raises(Misuse, match=r"without --zone times are UTC"):
        zone_named("../../etc/passwd")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0:00:00"),
        (59.6, "0:00:59"),
        (60 - 1e-9, "0:01:00"),
        (3725, "1:02:05"),
        (360_000, "100:00:00"),
        (None, ""),
    ],
)
def test_lengths(seconds: float | None, text: str) -> None:
    assert hms(seconds) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "not known"), (0, "0 %"), (100, "100 %"), (0.001, "0.01 %"), (99.999, "99.99 %"),
        (54.838709, "54.84 %"),
    ],
)  # fmt: skip
def test_a_share_is_never_rounded_to_all_or_nothing(value: float | None, text: str) -> None:
    assert percent(value) == text


def test_numbers_and_lists() -> None:
    assert (number(12345), number(12.34, 1), number(None)) == ("12,345", "12.3", "")
    assert named(["a", "b"]) == "a, b"
    assert named("abcdefgh", 3) == "a, b, c and 5 more"
    assert count_of(["a"], "station") == "1 station: a"
    assert count_of(["a", "b"], "identity", "identities") == "2 identities: a, b"
    assert shortened("x" * 61) == "x" * 59 + "…"
    assert shortened("x" * 60) == "x" * 60


@pytest.mark.parametrize(
    "text", ["", "Drill 1", "\"\\'", "</style>", "a;}@page{", "Søk æøå", "4f ff", "\N{SNOWMAN}9"]
)
def test_a_css_string_is_read_as_it_was_written(text: str) -> None:
    """Source: tinycss2, an outside reader of CSS."""
    written = css_string(text)
    (read,) = tinycss2.parse_component_value_list(written)
    assert (read.type, read.value) == ("string", text)
    assert set(written) <= set(map(chr, range(32, 127))) - set("<>;{}")


def test_a_css_string_holds_nothing_that_is_not_printed() -> None:
    (read,) = tinycss2.parse_component_value_list(css_string("a\x00\n\u202e"))
    assert read.value == "a\\x00\\n\\u202e"


def test_what_is_too_long_is_cut_in_the_middle_and_counted() -> None:
    def write(row: int) -> tuple[str]:
        return (str(row),)

    whole: Any = first_and_last(range(6), 6, "overs", "overs.csv", write)
    assert whole == tuple((str(n),) for n in range(6))
    cut = first_and_last(range(100), 6, "overs", "overs.csv", write)
    assert cut == (
        ("0",), ("1",), ("2",), ("3",),
        Aside("94 of 100 overs are left out here; all are in overs.csv"),
        ("98",), ("99",),
    )  # fmt: skip
