"""The section of the report about alerts: the timeline, and each with its reasons and turns. Pure.

Severity and title stand with the time from which on an alert had them: what it was later was not
known when it opened.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from streamer.contract.published import AlertState
from streamer.domain.plain_words import age, plural
from streamer.reading.common import spoken
from streamer.report.facts import DutyReport
from streamer.report.facts_alerts import AlertRow, AlertTurn
from streamer.report.layout import Column, Making, Row, Section, Table, first_and_last
from streamer.report.words import hms, named

ALERTS_FILE: Final = "alerts.csv"
_ANOTHER: Final = (AlertTurn.REOPENED, AlertTurn.WORSE, AlertTurn.LESS)


def alerts(making: Making) -> Section:
    """The timeline with the time to acknowledge, then each alert with its reasons and turns."""
    rows = making.report.alerts
    return Section(
        "alerts",
        "Alerts",
        tuple(_alert_sums(making)),
        (
            Table(
                "alert-timeline",
                "Timeline of alerts",
                (
                    Column("No.", 5, numbers=True),
                    Column("Opened", 11),
                    Column("Severity", 11),
                    Column("What", 32),
                    Column("Taken in hand", 13),
                    Column("After", 8, numbers=True),
                    Column("Cleared", 12),
                    Column("Stood", 8, numbers=True),
                ),
                first_and_last(
                    list(enumerate(rows, 1)), making.most.alerts, "alerts", ALERTS_FILE,
                    lambda pair: _alert_row(making, *pair),
                ),
                empty="No alert stood in the time of the report.",
                notes=(
                    "Severity and What: as published when it opened; what it became later, with "
                    "the time of that. "
                    "After: from the first opening to the first acknowledgement. Stood: within "
                    "the time of the report, closings between reopenings left out. Both h:mm:ss.",
                ),
            ),
            *([_alert_details(making)] if rows else []),
        ),
    )  # fmt: skip


def _alert_sums(making: Making) -> Iterator[str]:
    sums = making.report.alert_sums
    if not sums.alerts:
        return
    yield (
        f"{plural(sums.alerts, 'alert')}, by the worst each became: {sums.critical} critical, "
        f"{sums.warning} warning, {sums.notice} notice; {sums.reopened} opened more than once; "
        f"{sums.held} held back, because another alert explained them."
    )
    yield (
        f"{sums.acknowledged} taken in hand, {sums.never_acknowledged} never, "
        f"{sums.acknowledged_beforehand} beforehand by a maintenance; "
        f"{sums.still_standing} still stood at the end."
    )
    if words := taken_in_hand(making.report):
        yield words


def taken_in_hand(report: DutyReport) -> str:
    """How soon alerts were taken in hand, and how many of all; '' if none was."""
    waited_s = [row.acknowledge_s for row in report.alerts if row.acknowledge_s is not None]
    sums = report.alert_sums
    if not waited_s:
        return ""
    of_all = f"{len(waited_s)} of {plural(len(report.alerts), 'alert')}"
    if len(waited_s) == 1:
        return f"{of_all} was taken in hand, after {age(waited_s[0])}."
    return (
        f"{of_all} were taken in hand: median after {age(sums.median_acknowledge_s or 0)}, longest "
        f"after {age(sums.longest_acknowledge_s or 0)}."
    )


def _alert_row(making: Making, n: int, row: AlertRow) -> Row:
    clock = making.times.clock
    if row.acknowledged_beforehand:
        taken: tuple[str, ...] = ("beforehand",)
    elif row.acknowledged_at:
        taken = (
            clock(row.acknowledged_at),
            *([f"by {row.acknowledged_by}"] if row.acknowledged_by else []),
        )
    else:
        taken = ("never",)
    return (
        str(n),
        (clock(row.opened_at), *([f"{row.opened_times} times"] if row.opened_times > 1 else [])),
        tuple(_severities(making, row)),
        (*_titles(making, row), *([] if row.of_duty else ["not of the duty"]), *_marks(row)),
        taken,
        hms(row.acknowledge_s),
        clock(row.cleared_at) or "not cleared",
        hms(row.open_s),
    )


def _severities(making: Making, row: AlertRow) -> Iterator[str]:
    """As it opened, then each other one with its time."""
    for before, turn in pairwise([None, *row.turns]):
        if turn is not None and (before is None or before.severity != turn.severity):
            since = "" if before is None else f"{making.times.clock(turn.at)} "
            yield f"{since}{turn.severity.value}"


def _titles(making: Making, row: AlertRow) -> Iterator[str]:
    """What it was called as it opened, what at each turn that made it another, what at last."""
    said = ""
    for n, turn in enumerate(row.turns):
        if turn.title != said and (not n or turn.turn in _ANOTHER):
            yield f"{making.times.clock(turn.at)} {turn.title}" if n else turn.title
            said = turn.title
    if row.title != said:
        yield f"at last: {row.title}"


def _marks(row: AlertRow) -> Iterator[str]:
    if row.unsteady:
        yield "came and went"
    if row.escalated:
        yield f"escalated {plural(row.escalated, 'time')}"
    if row.maintenance:
        yield f"under maintenance {row.maintenance}"
    if row.held:
        yield f"held back {plural(len(row.held), 'other')}"


def _alert_details(making: Making) -> Table:
    return Table(
        "alert-details",
        "Alerts one by one: why, what to do, what became of them",
        (
            Column("No.", 5, numbers=True),
            Column("About", 17),
            Column("Why we thought so, and the next step (as last told)", 40),
            Column("What became of it", 38),
        ),
        first_and_last(
            list(enumerate(making.report.alerts, 1)), making.most.alerts, "alerts", ALERTS_FILE,
            lambda pair: _detail_row(making, *pair),
        ),
    )  # fmt: skip


def _detail_row(making: Making, n: int, row: AlertRow) -> Row:
    clock = making.times.clock
    held = [f"Held back: {named(one.title for one in row.held)}"]
    affects = [f"Touches: {named(row.affects)}"]
    turns = [
        f"{clock(turn.at)} {turn.turn.value}, {turn.severity.value}"
        + (f", by {turn.by}" if turn.by else "")
        + (f": {turn.title}" if turn.turn in _ANOTHER else "")
        + (f": {turn.text}" if turn.text else "")
        for turn in row.turns
    ]
    noted = any(turn.text == row.note for turn in row.turns)
    return (
        str(n),
        (spoken(row.kind), row.subject),
        (*row.reasons, *([f"Next: {row.next_step}"] if row.next_step else []),
         *(affects if row.affects else []), *(held if row.held else [])),
        (*turns, *([f"Note: {row.note}"] if row.note and not noted else []),
         *([] if row.state is AlertState.CLEARED else [f"At the end: {row.state.value}"])),
    )  # fmt: skip
