"""Charts over time: where members were heard and how they stood, and the fan-out of a group."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from streamer.contract.published import Standing
from streamer.domain.plain_words import age, plural
from streamer.reading.common import spoken
from streamer.report.charts import TimeAxis, drawn, plain, time_size
from streamer.report.facts import FanOutRow, GroupFacts, MemberFacts
from streamer.report.layout import Chart, Column, Making, Row, Table

_MOST_ROWS: Final = 40
"""Rows of a chart: what a page of Letter holds below a heading."""
_LOOKS: Final[dict[Standing, dict[str, Any]]] = {
    Standing.IN_REACH: {"facecolor": "white"},
    Standing.OVERDUE: {"facecolor": "white", "hatch": "////"},
    Standing.OUT_OF_REACH: {"facecolor": "black"},
    Standing.BLIND: {"facecolor": "white", "hatch": "xxxx"},
    Standing.EXPIRED: {"facecolor": "white", "hatch": "----"},
    Standing.CHECKED_OUT: {"facecolor": "0.82"},
}
_WORST_FIRST: Final = (
    Standing.OUT_OF_REACH, Standing.BLIND, Standing.OVERDUE, Standing.EXPIRED, Standing.IN_REACH,
    Standing.CHECKED_OUT,
)  # fmt: skip
_WANTED: Final = {"facecolor": "white", "hatch": "////"}
_CARRIED: Final = {"facecolor": "black", "height": 0.34}


# -- members ------------------------------------------------------------------------------------


def charted(members: Sequence[MemberFacts], most: int) -> tuple[MemberFacts, ...]:
    """Members with something to show, by name; if they are too many, those whose worst standing
    was worst."""
    shown = [one for one in members if one.path or one.standings]
    worst = sorted(shown, key=lambda one: (_worst(one), one.station))[:most]
    return tuple(sorted(worst, key=lambda one: one.station))


def _worst(member: MemberFacts) -> int:
    had = {row.standing for row in member.standings}
    return min((_WORST_FIRST.index(one) for one in had), default=len(_WORST_FIRST))


def codes(names: Iterable[str]) -> dict[str, str]:
    """A short letter for each name, in order of the names: A to Z, then A2 to Z2."""
    return {
        name: chr(ord("A") + n % 26) + (str(n // 26 + 1) if n >= 26 else "")
        for n, name in enumerate(sorted(set(names)))
    }


def code_words(code: dict[str, str]) -> str:
    """`A ridge/uhf, B hill/vhf`."""
    return ", ".join(f"{letter} {name}" for name, letter in code.items())


def member_charts(making: Making, members: Sequence[MemberFacts]) -> Iterator[Chart]:
    """As many charts as it takes, none with more than a page's rows."""
    code = codes(visit.repeater for one in members for visit in one.path)
    for n, some in enumerate(_pages(members), 1):
        here = {visit.repeater: code[visit.repeater] for one in some for visit in one.path}
        title = f"Members {some[0].station} to {some[-1].station}: path and standing"
        caption = (
            f"{title}, {making.times.name}. The upper row of each is where it was heard, from its "
            "first over there to its last before it was heard elsewhere; between two, nobody knows "
            "where it was. Below, its standing in each group as published. Repeaters: "
            f"{code_words(dict(sorted(here.items()))) or 'none heard them'}."
        )
        svg = drawn(
            f"chart-members-{n}", time_size(sum(map(_rows_of, some)), making.times), title,
            f"{plural(len(some), 'member')}; the table after the charts has the same as text.",
            lambda figure, some=some: _draw_members(figure, making, some, code),  # type: ignore[misc]
        )  # fmt: skip
        yield Chart(svg, title, caption)


def _groups_of(member: MemberFacts) -> list[str]:
    return sorted({row.group for row in member.standings})


def _rows_of(member: MemberFacts) -> int:
    return 1 + max(1, len(_groups_of(member)))


def _pages(members: Sequence[MemberFacts]) -> Iterator[list[MemberFacts]]:
    page: list[MemberFacts] = []
    for member in members:
        if page and sum(map(_rows_of, page)) + _rows_of(member) > _MOST_ROWS:
            yield page
            page = []
        page.append(member)
    if page:
        yield page


def _draw_members(
    figure: Any, making: Making, members: Sequence[MemberFacts], code: dict[str, str]
) -> None:
    axis = TimeAxis(figure, sum(map(_rows_of, members)), making.report.record, making.times)
    row = 0
    for member in members:
        if row:
            axis.line(row)
        axis.label(row, plain(member.station, 14), bold=True)
        for visit in member.path:
            axis.bar(row, visit.from_at, visit.until_at, code[visit.repeater],
                     height=0.62, facecolor="0.94")  # fmt: skip
        groups = _groups_of(member)
        for n, group in enumerate(groups, 1):
            axis.label(row + n, plain(group, 16))
            for one in member.standings:
                if one.group == group:
                    axis.bar(row + n, one.from_at, one.until_at, spoken(one.standing.value),
                             **_LOOKS[one.standing])  # fmt: skip
        if not groups:
            axis.label(row + 1, "on no list")
        row += _rows_of(member)
    axis.legend({spoken(one.value): look for one, look in _LOOKS.items()})


def member_table(making: Making, members: Sequence[MemberFacts]) -> Table:
    """The same as text."""
    return Table(
        "members-text",
        "Members: path and standing as text",
        (Column("Station", 14), Column("Where it was heard", 43), Column("Standing", 43)),
        tuple(_member_row(making, one) for one in members),
        empty="No member was heard and none was on a group's list.",
    )


def _member_row(making: Making, member: MemberFacts) -> Row:
    span, most = making.times.span, making.most.visits
    path = [
        f"{span(v.from_at, v.until_at)} {v.repeater}, {plural(v.overs, 'over')}"
        for v in member.path
    ]
    standings = [
        f"{span(s.from_at, s.until_at)} {s.group}: {spoken(s.standing.value)}"
        for s in member.standings
    ]
    return (
        (member.station, *([member.name] if member.name else [])),
        _shortened(path, most, "visits.csv") or ("not heard",),
        _shortened(standings, most, "standings.csv") or ("on no group's list",),
    )


def _shortened(lines: list[str], most: int, file: str) -> tuple[str, ...]:
    more = len(lines) - most
    return (*lines[:most], *([f"and {more} more in {file}"] if more > 0 else []))


# -- fan-out ------------------------------------------------------------------------------------


def fan_out_chart(making: Making, group: GroupFacts, n: int) -> Chart | None:
    """Of one group, its repeaters by name; None where no repeater was wanted and none carried it.
    If they are too many, those that were wanted longest."""
    shown = _longest(group, making.most.repeaters_charted)
    if not shown:
        return None
    left = len({row.repeater for row in group.fan_out}) - len(shown)
    title = f"{group.group}: fan-out over time"
    caption = (
        f"{title}, {making.times.name}. Hatched: wanted there, as published. Black: carried, by "
        "the repeater's own word. Hatched without black is wanted and not carried, black alone is "
        "carried for nobody."
        + (f" {plural(left, 'repeater')} wanted for less time left out." if left else "")
    )
    rows = [row for row in group.fan_out if row.repeater in shown]
    wanted_s = sum(row.wanted_s for row in group.sums)
    words = f"{plural(len(shown), 'repeater')}, wanted for {age(wanted_s)} together."
    svg = drawn(
        f"chart-fan-out-{n}", time_size(len(shown), making.times), title, words,
        lambda figure: _draw_fan_out(figure, making, shown, rows),
    )  # fmt: skip
    return Chart(svg, title, caption)


def _longest(group: GroupFacts, most: int) -> list[str]:
    drawn_there = {row.repeater for row in group.fan_out}
    ranked = sorted(group.sums, key=lambda one: (-one.wanted_s, -one.carried_s, one.repeater))
    return sorted([one.repeater for one in ranked if one.repeater in drawn_there][:most])


def _draw_fan_out(
    figure: Any, making: Making, repeaters: Sequence[str], rows: Sequence[FanOutRow]
) -> None:
    axis = TimeAxis(figure, len(repeaters), making.report.record, making.times)
    for n, repeater in enumerate(repeaters):
        axis.label(n, plain(repeater, 22))
    for kind, look in (("wanted", _WANTED), ("carried", _CARRIED)):
        for row in rows:
            if row.kind == kind:
                axis.bar(repeaters.index(row.repeater), row.from_at, row.until_at, "", **look)
    shown = {key: value for key, value in _CARRIED.items() if key != "height"}
    axis.legend({"wanted": _WANTED, "carried": shown})
