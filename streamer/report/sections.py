"""The tables of the report that are no forms: roll calls, availability, groups and what was
refused. Pure."""

from collections.abc import Iterator, Sequence
from typing import Final

from streamer.reading.common import spoken
from streamer.report.facts import (
    AnswerRow,
    AvailabilityRow,
    GroupFacts,
    RollCallFacts,
    Span,
)
from streamer.report.layout import Column, Heading, Making, Row, Section, Table, first_and_last
from streamer.report.words import hms, named, number, percent

OUTAGES_FILE: Final = "outages.csv"
_MOST_SILENT: Final = 200
_MOST_SUMS: Final = 60
_MOST_REFUSED: Final = 200


# -- roll calls ---------------------------------------------------------------------------------


def roll_calls(making: Making) -> Section:
    """Each roll call: who answered, when and how, and who did not."""
    found = making.report.roll_calls
    parts = [part for n, call in enumerate(found, 1) for part in _roll_call(making, call, n)]
    return Section(
        "roll-calls",
        "Roll calls",
        (
            "A station answers by being heard on the air after the call began, or by a mark at the "
            "desk. No answer is no proof of anything."
            if found
            else "No roll call was held in the time of the report.",
        ),
        tuple(parts),
    )


def _roll_call(making: Making, call: RollCallFacts, n: int) -> Iterator[Heading | Table]:
    clock = making.times.clock
    ended = (
        f"ended {clock(call.ended_at)} by {call.ended_by}"
        if call.ended_at
        else "not ended in the time of the report"
    )
    yield Heading(
        f"{call.group}, {clock(call.started_at)}",
        (
            f"Begun {clock(call.started_at)} by {call.started_by}, {ended}: "
            f"{len(call.answered)} answered, {len(call.silent)} did not.",
        ),
    )
    yield Table(
        f"roll-call-{n}",
        f"Answers to the roll call of {call.group}, {clock(call.started_at)}",
        (Column("Station", 30), Column("Answered", 30), Column("How", 40)),
        first_and_last(
            call.answered, making.most.stations, "answers", "roll_calls.csv",
            lambda row: _answer_row(making, row),
        ),
        empty="Nobody answered.",
        notes=(f"Did not answer: {named(call.silent, _MOST_SILENT)}." if call.silent
               else "Every member answered.",),
    )  # fmt: skip


def _answer_row(making: Making, row: AnswerRow) -> Row:
    how = {"air": "heard on the air", "desk": "marked at the desk", None: "not told"}[row.how]
    return (
        row.station,
        making.times.clock(row.at) or "time not told",
        how + (f" by {row.by}" if row.by else ""),
    )


# -- availability -------------------------------------------------------------------------------


def availability(making: Making) -> Section:
    """How long each gateway and repeater reported, and when not."""
    rows = making.report.availability
    return Section(
        "availability",
        "Availability of gateways and repeaters",
        (
            "Reporting means that it told us so; it is no measure of what could be heard there. "
            "Shares are of the time that is known: a gap in the record counts neither as up nor as "
            "down. Times are h:mm:ss.",
        ),
        tuple(
            Table(
                f"availability-{kind}",
                f"{many}: {len([row for row in rows if row.kind == kind])}",
                (
                    Column("Name", 17),
                    Column("Reporting %", 11, numbers=True),
                    Column("Reporting", 11, numbers=True),
                    Column("Not reporting", 11, numbers=True),
                    Column("Not known", 9, numbers=True),
                    Column("Outages", 9, numbers=True),
                    Column("Longest", 9, numbers=True),
                    Column("When it did not report", 23),
                ),
                tuple(_availability_row(making, row) for row in rows if row.kind == kind),
                empty="The region file names none.",
            )
            for kind, many in (("gateway", "Gateways"), ("repeater", "Repeaters"))
        ),
    )


def _availability_row(making: Making, row: AvailabilityRow) -> Row:
    if row.never_reported:
        when: tuple[str, ...] = ("no word of its own in the record",)
    else:
        when = tuple(_spans(making, row.not_reporting))
    return (
        row.name,
        percent(row.reporting_pct).removesuffix(" %"),
        hms(row.reporting_s),
        hms(row.not_reporting_s),
        hms(row.unknown_s),
        str(row.outages),
        hms(row.longest_outage_s),
        (*when, *(["still out at the end"] if row.ended_out else [])),
    )


def _spans(making: Making, spans: Sequence[Span]) -> Iterator[str]:
    """The longest few, in time order."""
    longest = sorted(spans, key=lambda span: (-span.length_s, span.from_at))[: making.most.spans]
    for span in sorted(longest, key=lambda span: span.from_at):
        yield making.times.span(span.from_at, span.until_at)
    if len(spans) > making.most.spans:
        yield f"and {len(spans) - making.most.spans} shorter in {OUTAGES_FILE}"


# -- groups -------------------------------------------------------------------------------------


def air_time(making: Making) -> Table:
    """Overs and air-time of each group."""
    return Table(
        "air-time",
        "Overs and air-time by group",
        (
            Column("Group", 16),
            Column("Overs", 7, numbers=True),
            Column("Stations", 9, numbers=True),
            Column("Spoken, h:mm:ss", 11, numbers=True),
            Column("Overs with a fan-out", 12, numbers=True),
            Column("Wanted, rep.-s", 11, numbers=True),
            Column("Carried, rep.-s", 12, numbers=True),
            Column("Everywhere, rep.-s", 13, numbers=True),
            Column("Saved, %", 9, numbers=True),
        ),
        tuple(_group_row(group) for group in making.report.groups),
        notes=(
            "A repeater that sends for a second is one repeater-second (rep.-s); the repeater that "
            "heard an over is not counted. Wanted: by the published fan-out when the over began. "
            "Carried: by the repeaters' own word. Everywhere: had every other repeater sent it. "
            "Saved: wanted against everywhere.",
        ),
    )


def _group_row(group: GroupFacts) -> Row:
    return (
        group.group,
        number(group.overs),
        number(group.stations),
        hms(group.spoken_s),
        number(group.overs_with_fan_out),
        number(group.wanted_air_s),
        number(group.carried_air_s),
        number(group.everywhere_air_s),
        "not known" if group.saved_pct is None else number(group.saved_pct, 1),
    )


def fan_out_sums(making: Making, group: GroupFacts, n: int) -> Table:
    """How long each repeater was wanted for a group, and carried it."""
    longest = sorted(group.sums, key=lambda one: (-one.wanted_s, -one.carried_s, one.repeater))
    return Table(
        f"fan-out-{n}",
        f"{group.group}: how long wanted and carried, h:mm:ss",
        (
            Column("Repeater", 32),
            Column("Wanted", 17, numbers=True),
            Column("Carried", 17, numbers=True),
            Column("Wanted and carried", 17, numbers=True),
            Column("Wanted, not carried", 17, numbers=True),
        ),
        first_and_last(
            longest, _MOST_SUMS, "repeaters", "fan_out_sums.csv",
            lambda one: (one.repeater, hms(one.wanted_s), hms(one.carried_s), hms(one.both_s),
                         hms(one.wanted_s - one.both_s)),
        ),
        empty="No repeater was wanted for it or carried it.",
    )  # fmt: skip


# -- refused ------------------------------------------------------------------------------------


def refused(making: Making) -> Section:
    """What did not come into the record, by reason."""
    report = making.report
    return Section(
        "refused",
        "Refused, kept apart, lost",
        ("What is listed here is in no other part of this report.",),
        (
            Table(
                "refused-input",
                f"Input that was not accepted: {number(sum(row.count for row in report.refused))}",
                (
                    Column("Reason", 18),
                    Column("Gateway", 18),
                    Column("Count", 10, numbers=True),
                    Column("Newest example", 54),
                ),
                first_and_last(
                    report.refused, _MOST_REFUSED, "lines", "refused.csv",
                    lambda row: (spoken(row.reason), row.gateway or "could not be told",
                                 number(row.count), row.example),
                ),
            ),
            Table(
                "quarantined",
                f"Identities that are no call signs: {len(report.quarantined)}",
                (
                    Column("Identity", 18),
                    Column("Why", 30),
                    Column("Count", 10, numbers=True),
                    Column("First and last", 22),
                    Column("Gateways", 20),
                ),
                first_and_last(
                    report.quarantined, _MOST_REFUSED, "identities", "quarantined.csv",
                    lambda row: (row.call, row.reason, number(row.count),
                                 making.times.span(row.first_at, row.last_at),
                                 named(row.gateways, 4)),
                ),
            ),
            Table(
                "events-lost",
                "Events that gateways sent and the record never got",
                (Column("Gateway", 50), Column("Events", 50, numbers=True)),
                tuple((row.gateway, number(row.lost)) for row in report.events_lost),
                empty="None that is known of.",
            ),
        ),
    )  # fmt: skip
