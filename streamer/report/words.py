"""Moments, lengths and numbers as the printed report writes them. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final
from zoneinfo import ZoneInfo, available_timezones

from streamer.contract.duty import DutyKind
from streamer.domain.plain_words import plural, printable
from streamer.problems import suggestion
from streamer.reading.common import Misuse
from streamer.report.facts import RecordFacts

MARKS: Final = {DutyKind.EXERCISE: "EXERCISE", DutyKind.ACTUAL: "ACTUAL"}
"""What stands on every page."""
_MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip
MOST_NAMED: Final = 12
LONGEST_HEAD: Final = 60
"""Characters of a duty's title in the line that runs over each page."""


def zone_named(name: str) -> tzinfo:
    """A zone of the IANA time zone database by its name. Raises Misuse for an unknown one."""
    if name.upper() in ("UTC", "Z"):
        return UTC
    known = available_timezones()
    if name not in known:
        raise Misuse(
            f"--zone {printable(name)}: no such zone in this machine's time zone database; "
            f"{suggestion(name, sorted(known))}; without --zone times are UTC"
        )
    return ZoneInfo(name)


@dataclass(frozen=True, slots=True)
class Times:
    """Moments in one zone, 24 h. Within a report of one day the date is left out where it is that
    day's, within a year the year; the offset from UTC is written where it changes within the
    report."""

    zone: tzinfo
    day: str | None
    """The one date of the report, None where it has several."""
    year: int | None
    """The one year of the report."""
    offset: str | None
    """The one offset from UTC of the report, None where it changes."""

    @classmethod
    def of(cls, record: RecordFacts, zone: tzinfo) -> "Times":
        first, last = (at.astimezone(zone) for at in (record.time.from_at, record.time.until_at))
        hours = int((last - first) / timedelta(hours=1))
        offsets = {_offset(first + timedelta(hours=n)) for n in range(min(hours, 24 * 400) + 1)}
        offsets.add(_offset(last))
        return cls(
            zone,
            f"{first:%Y-%m-%d}" if first.date() == last.date() else None,
            first.year if first.year == last.year else None,
            offsets.pop() if len(offsets) == 1 else None,
        )

    @property
    def name(self) -> str:
        """`UTC`, or the zone with its offset."""
        if self.zone is UTC:
            return "UTC"
        return f"{self.zone} ({f'UTC{self.offset}' if self.offset else 'offset from UTC beside'})"

    def clock(self, at: datetime | None) -> str:
        """`14:02:11`, `2 Mar 14:02:11` in a report of several days; '' for None."""
        if at is None:
            return ""
        here = at.astimezone(self.zone)
        dated = "" if f"{here:%Y-%m-%d}" == self.day else f"{self.date(at)} "
        return f"{dated}{self._bare(here)}"

    def span(self, begin: datetime, end: datetime) -> str:
        """`14:02:11 to 14:05:40`; the date once where it is the same."""
        here, there = begin.astimezone(self.zone), end.astimezone(self.zone)
        second = self._bare(there) if here.date() == there.date() else self.clock(end)
        return f"{self.clock(begin)} to {second}"

    def date(self, at: datetime) -> str:
        """`2 Mar`, with the year if it is not the report's one."""
        here = at.astimezone(self.zone)
        words = f"{here.day} {_MONTHS[here.month - 1]}"
        return words if here.year == self.year else f"{words} {here.year}"

    def _bare(self, here: datetime) -> str:
        text = f"{here:%H:%M:%S}"
        return text if _offset(here) == self.offset else f"{text} {_offset(here)}"

    def full(self, at: datetime | None) -> str:
        """`2026-03-01 14:02:11 UTC`, or with the offset from UTC; '' for None."""
        if at is None:
            return ""
        here = at.astimezone(self.zone)
        return f"{here:%Y-%m-%d %H:%M:%S} {'UTC' if self.zone is UTC else _offset(here)}"

    def period(self, begin: datetime, end: datetime | None) -> str:
        """Both in full; an open end says so."""
        return f"{self.full(begin)} to {self.full(end) if end else 'still running'}"


def _offset(at: datetime) -> str:
    text = f"{at:%z}"
    return f"{text[:3]}:{text[3:5]}"


def hms(seconds: float | None) -> str:
    """`1:02:05`, whole seconds as `age` counts them, so that one length reads alike everywhere; ''
    for what is not known."""
    if seconds is None:
        return ""
    whole = int(round(seconds, 3))  # 59.9999999 of a subtraction is 60
    return f"{whole // 3600}:{whole % 3600 // 60:02}:{whole % 60:02}"


def number(value: float | None, digits: int = 0) -> str:
    """`12,345` or `12.3`; '' for what is not known."""
    return "" if value is None else f"{value:,.{digits}f}"


def percent(value: float | None) -> str:
    """With two decimals, never rounded up to 100 or down to 0, so that one minute in a week still
    shows; 'not known' for None."""
    if value is None:
        return "not known"
    if value <= 0 or value >= 100:
        return f"{value:.0f} %"
    return f"{min(99.99, max(0.01, value)):.2f} %"


def named(names: Iterable[str], most: int = MOST_NAMED) -> str:
    """`A, B, C and 4 more`."""
    listed = list(names)
    more = len(listed) - most
    return ", ".join(listed[:most]) + (f" and {more} more" if more > 0 else "")


def count_of(names: Sequence[str], one: str, many: str | None = None) -> str:
    """`2 members: QA1AA, QB1BB`."""
    return f"{plural(len(names), one, many)}: {named(names)}"


def css_string(text: str) -> str:
    """`text` as a string of CSS, quotes included, safe within <style>: all but ASCII letters,
    digits and blanks as escapes (CSS Syntax Level 3, 4.3.7: a backslash, hexadecimal digits, a
    blank)."""
    plain = printable(text)
    return '"' + "".join(c if _bare(c) else f"\\{ord(c):x} " for c in plain) + '"'


def _bare(c: str) -> bool:
    return c.isascii() and (c.isalnum() or c == " ")


def shortened(text: str, most: int = LONGEST_HEAD) -> str:
    """At most so many characters, the last one an ellipsis where some are left out."""
    plain = printable(text)
    return plain if len(plain) <= most else f"{plain[: most - 1].rstrip()}…"
