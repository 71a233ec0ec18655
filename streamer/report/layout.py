"""What the printed page is made of: tables, blocks of a form, charts, points. Pure.

Text is kept as it came; the templates write it out as text, never as markup, with everything that
is not printed as an escape (`streamer.domain.plain_words.printable`).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeVar

from streamer.report.facts import DutyReport
from streamer.report.words import Times, number

T = TypeVar("T")
Cell = str | tuple[str, ...]
"""One text, or several lines."""

BLANK: Final = ""
"""What we cannot know and somebody writes in by hand."""


@dataclass(frozen=True, slots=True)
class Column:
    """`width_pct` of the table's width; `numbers` are aligned to the right."""

    head: str
    width_pct: float
    numbers: bool = False


@dataclass(frozen=True, slots=True)
class Aside:
    """A line across the whole table."""

    text: str


Row = tuple[Cell, ...] | Aside


@dataclass(frozen=True, slots=True)
class Table:
    """`name` is its id on the page. `empty` is said instead of a table without rows; `small` is for
    one with many columns."""

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    empty: str = "None."
    notes: tuple[str, ...] = ()
    small: bool = False
    to_fill_in: bool = False
    """Rows are high enough to write in."""


@dataclass(frozen=True, slots=True)
class Block:
    """A numbered field of a form. Without lines it is left blank to be written in."""

    number: str
    label: str
    lines: tuple[str, ...] = ()
    width_pct: float = 50


@dataclass(frozen=True, slots=True)
class Form:
    """The fields of a public form above and below its log. `wide` turns its pages sideways."""

    name: str
    title: str
    about: tuple[str, ...]
    head: tuple[Block, ...]
    tables: tuple[Table, ...]
    foot: tuple[Block, ...]
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture as SVG of our own making, with what it shows in words."""

    svg: str
    title: str
    caption: str


@dataclass(frozen=True, slots=True)
class Point:
    """One thing to look at first; `where` is the id of the section that tells more."""

    text: str
    detail: str
    where: str


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the report."""

    name: str
    title: str
    intro: tuple[str, ...] = ()
    parts: tuple["Table | Chart | Form | Heading", ...] = ()


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a section."""

    text: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Most:
    """How much is written on the page; all of it is in the CSV files."""

    overs: int = 1500
    stations: int = 600
    activity: int = 800
    alerts: int = 150
    members_charted: int = 60
    visits: int = 12
    groups_charted: int = 20
    repeaters_charted: int = 24
    maps: int = 6
    spans: int = 4


@dataclass(frozen=True, slots=True)
class Making:
    """What every part is made from."""

    report: DutyReport
    times: Times
    most: Most = field(default_factory=Most)


def first_and_last(
    rows: Sequence[T], most: int, what: str, file: str, write: Callable[[T], Row]
) -> tuple[Row, ...]:
    """All rows, or two thirds of `most` from the begin and the rest from the end, with a line
    between that says how many are left out and where they are."""
    if len(rows) <= most:
        return tuple(write(row) for row in rows)
    begin = most * 2 // 3
    left = len(rows) - most
    aside = Aside(
        f"{number(left)} of {number(len(rows))} {what} are left out here; all are in {file}"
    )
    return (
        *(write(row) for row in rows[:begin]),
        aside,
        *(write(row) for row in rows[len(rows) - (most - begin) :]),
    )
