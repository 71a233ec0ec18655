"""The report as one printable page of HTML: no script, nothing from outside, one file.

It prints on A4 and on Letter. Text from outside is shown as text; what is not printed is shown as
an escape. What is too much for paper is counted, and all of it is in the CSV files.
"""

from collections.abc import Iterator
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any, Final, Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from streamer.domain.plain_words import age, plural, printable
from streamer.report import alert_section, charts_air, charts_map, charts_time, forms, sections
from streamer.report.facts import Accountability, DutyReport
from streamer.report.glance import points
from streamer.report.layout import (
    Block,
    Chart,
    Form,
    Heading,
    Making,
    Most,
    Section,
    Table,
)
from streamer.report.pdf import write_pdf
from streamer.report.reach_words import out_of_reach_table
from streamer.report.words import MARKS, Times, css_string, named, shortened

Paper = Literal["A4", "Letter"]
PAGE_FILE: Final = "report.html"
PDF_FILE: Final = "report.pdf"
TIMES_CAUTION: Final = (
    "Times are as gateways told them, corrected by what they knew of their clocks."
)
_NO_MAP: Final = "Positions are left out of this report, and what follows from them."


def write_page(
    report: DutyReport,
    folder: Path,
    pdf: bool = False,
    *,
    zone: tzinfo = UTC,
    paper: Paper = "A4",
) -> tuple[Path, ...]:
    """Write `report.html`, and `report.pdf` if asked for, into a folder; the files written.

    Raises OSError, and PdfMissing once the HTML is written.
    """
    page = Page(report, zone)
    written = [folder / PAGE_FILE]
    written[0].write_text(page.html(), "utf-8")
    if pdf:
        written.append(folder / PDF_FILE)
        write_pdf(page.html(paper), written[1])
    return tuple(written)


class Page:
    """A report ready to be written out."""

    def __init__(self, report: DutyReport, zone: tzinfo = UTC, most: Most | None = None) -> None:
        making = Making(report, Times.of(report.record, zone), most or Most())
        self._context = {
            "report": report,
            "mark": MARKS[report.duty.kind],
            "times": making.times,
            "period": making.times.period(report.duty.started_at, report.duty.ended_at),
            "lasted": age(report.record.time.length_s),
            "groups": named(report.duty.groups, 40),
            "points": points(making),
            "sections": tuple(_sections(making)),
            "annex": _annex(making),
            "caution": f"{report.caution} {TIMES_CAUTION}",
            "cautions": tuple(_cautions(making)),
            "running_head": css_string(
                f"{MARKS[report.duty.kind]}  {shortened(report.duty.title)}"
            ),
            "running_foot": css_string(f"{report.caution} {TIMES_CAUTION}"),
            "running_times": css_string(f"24 h, {making.times.name}"),
        }

    def html(self, paper: Paper | None = None) -> str:
        """The whole page; with `paper` its size is fixed, else the reader's printer decides."""
        return _environment().get_template("report.html").render(self._context, paper=paper)


def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"markup": _markup, "lines": _lines, "in_rows": _in_rows, "kind": _kind}
    return made


def _kind(part: object) -> str:
    return type(part).__name__


def _shown(value: Any) -> Any:
    """Every text that a template writes, before it is escaped for HTML."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return printable(value)
    return value


def _markup(svg: str) -> Markup:
    """SVG that charts.py made, and strings of CSS from `css_string`: both are safe as they are."""
    return Markup(svg)  # nosec B704 # see above


def _lines(cell: str | tuple[str, ...]) -> tuple[str, ...]:
    return (cell,) if isinstance(cell, str) else cell


def _in_rows(blocks: tuple[Block, ...]) -> Iterator[list[Block]]:
    """Blocks side by side until their widths fill the line."""
    row: list[Block] = []
    for block in blocks:
        if row and sum(one.width_pct for one in row) + block.width_pct > 100:
            yield row
            row = []
        row.append(block)
    if row:
        yield row


# -- sections -----------------------------------------------------------------------------------


def _annex(making: Making) -> Section:
    """The longest part, last: every over, to look things up in."""
    log = forms.communications_log(making)
    return Section("communications-log", "Annex: Communications log", (), (log,))


def _sections(making: Making) -> Iterator[Section]:
    yield alert_section.alerts(making)
    yield Section(
        "check-ins",
        "Check-in list",
        tuple(_roster_words(making.report.accountability, bool(making.report.duty.roster))),
        (
            out_of_reach_table(making),
            forms.stations_heard(making),
            forms.check_in_list(making),
        ),
    )
    yield sections.roll_calls(making)
    yield Section("activity", "Activity log", (), (forms.activity_log(making),))
    yield sections.availability(making)
    yield _members(making)
    yield _groups(making)
    yield _coverage(making)
    yield sections.refused(making)


def _roster_words(numbers: Accountability, roster: bool) -> Iterator[str]:
    if not roster:
        yield "No roster was given for this duty."
        return
    for names, words in (
        (numbers.not_heard, "On the roster and never heard"),
        (numbers.heard_not_checked_in, "On the roster, heard, but not checked in"),
        (numbers.not_on_roster, "Checked in but not on the roster"),
    ):
        yield f"{words}: {len(names)}" + (f" ({named(names, 100)})." if names else ".")


def _members(making: Making) -> Section:
    members = making.report.members
    shown = charts_time.charted(members, making.most.members_charted)
    with_any = len([one for one in members if one.path or one.standings])
    intro = (
        f"{with_any} of {plural(len(members), 'station')} were heard or stood on a group's list.",
        *(
            [f"Shown are the {len(shown)} whose standing was worst at some time; all are in the "
             "CSV files."]
            if len(shown) < with_any
            else []
        ),
    )  # fmt: skip
    charts = tuple(charts_time.member_charts(making, shown))
    return Section(
        "members", "Members: path and standing", intro,
        (*charts, charts_time.member_table(making, shown)),
    )  # fmt: skip


def _groups(making: Making) -> Section:
    parts: list[Table | Chart | Form | Heading] = [sections.air_time(making)]
    if air := charts_air.air_chart(making):
        parts.append(air)
    for n, group in enumerate(making.report.groups[: making.most.groups_charted], 1):
        parts.append(Heading(f"Group {group.group}"))
        if chart := charts_time.fan_out_chart(making, group, n):
            parts.append(chart)
        parts.append(sections.fan_out_sums(making, group, n))
    left = len(making.report.groups) - making.most.groups_charted
    intro = [f"{plural(left, 'group')} without a chart here; they are in the CSV files."]
    return Section(
        "groups", "Fan-out and air-time by group", tuple(intro if left > 0 else []), tuple(parts)
    )


def _coverage(making: Making) -> Section:
    coverage, record = making.report.coverage, making.report.record
    name, title = "coverage-map", "Learned coverage map"
    if record.positions_left_out:
        return Section(name, title, (_NO_MAP,))
    intro = [
        f"From {plural(coverage.overs, 'over')} with a position in the time of the report, whoever "
        f"sent them; {plural(coverage.overs_without_position, 'over')} without one could not be "
        "put on the map.",
    ]
    if record.coarse_km is not None:
        intro.append(f"Positions were made coarse to {record.coarse_km:g} km.")
    return Section(
        name, title, tuple(intro),
        (*charts_map.coverage_charts(making), charts_map.coverage_table(making)),
    )  # fmt: skip


def _cautions(making: Making) -> Iterator[str]:
    yield making.report.caution
    yield TIMES_CAUTION
    if making.times.zone is not UTC:
        yield f"Times on these pages are in {making.times.name}; in report.json and CSV files UTC."
    yield "What was so is no promise of what will be."
    yield (
        "The pages for forms carry the fields of public forms in a layout of our own. Where an "
        "authority asks for its own form, that one counts."
    )
