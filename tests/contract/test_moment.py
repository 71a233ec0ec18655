"""Moments of RFC 3339, and leap seconds."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from streamer.contract.moment import Moment, without_leap_second

ADAPTER: TypeAdapter[datetime] = TypeAdapter(Moment)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def read(text: str) -> datetime:
    return ADAPTER.validate_json(f'"{text}"')


@pytest.mark.parametrize(
    ("text", "epoch_s"),
    [  # RFC 3339, section 5.8, as listed in OUTSIDE (list from memory, seconds computed there)
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1996-12-20T00:39:57Z", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
    ],
)
def test_examples_of_the_rfc(text: str, epoch_s: float) -> None:
    assert (read(text) - EPOCH) / timedelta(milliseconds=1) == round(epoch_s * 1000)


@pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
def test_leap_second_of_the_rfc(text: str) -> None:
    """RFC 3339, section 5.8: the leap second at the end of 1990, twice. It becomes second 59."""
    with pytest.raises(ValidationError):  # Python's clock has no second 60
        read(text)
    assert read(without_leap_second(text)) == datetime(1990, 12, 31, 23, 59, 59, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [  # RFC 3339, 5.7 and appendix D: leap seconds come at 23:59:60 UTC
        "1990-12-31T22:59:60Z",
        "1990-12-31T23:58:60Z",
        "1990-12-31T23:59:60-08:00",
        "1990-12-31T23:59:61Z",
        "1990-12-31T23:59:60",
        "1990-12-31T23:59:60+aa:bb",
        "23:59:60Z",
        "",
        "\ud800" * 11 + "23:59:60Z" + "x",
    ],
)
def test_other_seconds_stay(text: str) -> None:
    assert without_leap_second(text) == text


def test_a_fraction_and_small_letters_are_kept() -> None:
    """RFC 3339, 5.6: t and z may be small letters; the offset's minutes may be 60 never."""
    assert without_leap_second("1990-12-31t23:59:60.75z") == "1990-12-31t23:59:59.75z"
    assert without_leap_second("1991-01-01T05:29:60+05:30") == "1991-01-01T05:29:59+05:30"


@pytest.mark.parametrize("text", ["2026-01-01t12:00:00z", "2026-01-01T12:00:00-00:00"])
def test_other_spellings_that_the_rfc_allows(text: str) -> None:
    """RFC 3339, 5.6 (letters) and 4.3 (-00:00: the local offset is not known)."""
    assert read(text) == datetime(2026, 1, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [  # none of them is of the grammar in RFC 3339, 5.6
        "1767268800", "1767268800.5", "2026-01-01", "2026-01-01T12:00Z", "2026-01-01 12:00:00Z",
        "2026-01-01_12:00:00Z", "2026-01-01T12:00:00", "2026-01-01T12:00:00,5Z",
        "2026-01-01T12:00:00.Z", "2026-01-01T12:00:00+0100", "2026-01-01T12:00:00+01",
        "2026-01-01T12:00:00 Z", " 2026-01-01T12:00:00Z", "2026-01-01T12:00:00Z ",
        "2026-1-1T12:00:00Z", "12026-01-01T12:00:00Z", "-2026-01-01T12:00:00Z",
        "\u0662\u0660\u0662\u0666-01-01T12:00:00Z", "2026-01-01T12:00:00\u221208:00",
        "2026-01-01T12:00:00Z\\n",
    ],
)  # fmt: skip
def test_what_others_would_take_is_refused(text: str) -> None:
    with pytest.raises(ValidationError, match="an RFC 3339 date-time is expected"):
        read(text)


@given(st.datetimes(timezones=st.timezones() | st.just(UTC)))
def test_what_we_write_we_read(moment: datetime) -> None:
    utc = moment.astimezone(UTC) if moment.year not in (1, 9999) else moment.replace(tzinfo=UTC)
    assert ADAPTER.validate_json(ADAPTER.dump_json(utc)) == utc


def test_in_python_an_aware_datetime() -> None:
    now = datetime(2026, 1, 1, tzinfo=UTC)
    assert ADAPTER.validate_python(now) is now
    for bad in (datetime(2026, 1, 1), "2026-01-01T00:00:00Z", 0):  # noqa: DTZ001
        with pytest.raises(ValidationError):
            ADAPTER.validate_python(bad)
