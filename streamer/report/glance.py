"""What to look at first in a report: the worst of it, and what is still open. Pure."""

from collections.abc import Iterator, Sequence

from streamer.contract.published import AlertState, Severity, Standing
from streamer.domain.plain_words import age, plural
from streamer.report.alert_section import taken_in_hand
from streamer.report.facts import AvailabilityRow
from streamer.report.facts_alerts import AlertRow
from streamer.report.layout import Making, Point
from streamer.report.reach_words import (
    in_whose_hand,
    named_with,
    spoken_silence,
    still_out,
)
from streamer.report.words import MOST_NAMED, count_of, named, number, percent

ALL_QUIET = Point(
    "Nothing stands out in the record.", "That is no proof that all was well.", "limits"
)
_LEAST_STARVED_S = 60
_MANY = "gateways and repeaters"


def points(making: Making) -> tuple[Point, ...]:
    """In the order in which somebody should look; ALL_QUIET alone where there is nothing."""
    found = (
        *_running(making), *_people(making), *_alerts(making), *_network(making),
        *_record(making), *_rest(making),
    )  # fmt: skip
    return found or (ALL_QUIET,)


def _running(making: Making) -> Iterator[Point]:
    if making.report.duty.ended_at is None:
        until = making.times.full(making.report.record.time.until_at)
        yield Point(
            "The duty had not ended at the end of the record.",
            f"This report goes to {until} and no further.",
            "glance",
        )


def _record(making: Making) -> Iterator[Point]:
    record = making.report.record
    if record.unknown_s > 0:
        share = 100 * record.unknown_s / record.time.length_s if record.time.length_s else None
        yield Point(
            f"No record of {age(record.unknown_s)} ({percent(share)} of the time), in "
            f"{plural(len(record.gaps), 'gap')}.",
            "What happened then is not known: it counts neither as up nor as down.",
            "limits",
        )
    if lost := sum(row.lost for row in making.report.events_lost):
        yield Point(
            f"{plural(lost, 'event')} of gateways never came into the record.",
            f"Of {named(row.gateway for row in making.report.events_lost)}.",
            "refused",
        )


_STANDINGS = (
    (Standing.OVERDUE, "Silent for longer than is usual for them."),
    (Standing.BLIND, "Their repeater or gateway did not report: nothing can be said of them."),
)


def _unreached(making: Making) -> Iterator[Point]:
    """Everybody who was out of reach, one by one, longest silence first; of very many the others by
    their call signs, all of them."""
    rows = making.report.out_of_reach
    for row in rows[:MOST_NAMED]:
        yield Point(
            f"Out of reach {'at the end' if still_out(row) else 'for a time'}: "
            f"{named_with(row)}, {spoken_silence(making, row)}.",
            f"{in_whose_hand(making, row)}. This is no sign of danger by itself.",
            "out-of-reach",
        )
    if others := rows[MOST_NAMED:]:
        yield Point(
            f"Out of reach for shorter: {plural(len(others), 'other')}: "
            f"{named((row.station for row in others), len(others))}.",
            "This is no sign of danger by itself.",
            "out-of-reach",
        )


def _people(making: Making) -> Iterator[Point]:
    yield from _unreached(making)
    for standing, detail in _STANDINGS:
        so = [row.station for row in making.report.check_ins if row.standing is standing]
        if so:
            words = standing.value.replace("_", " ")
            yield Point(f"At the end {words}: {count_of(so, 'station')}.", detail, "stations")
    numbers = making.report.accountability
    if numbers.not_heard:
        yield Point(
            f"On the roster and never heard: {count_of(numbers.not_heard, 'station')}.",
            "Not heard does not mean missing: they may not have keyed, or no gateway heard them.",
            "stations",
        )
    if numbers.heard_not_checked_in:
        yield Point(
            "On the roster, heard, but not checked in: "
            f"{count_of(numbers.heard_not_checked_in, 'station')}.",
            "They keyed, but to no group of the duty.",
            "stations",
        )
    if numbers.not_on_roster and making.report.duty.roster:
        yield Point(
            f"Checked in but not on the roster: {count_of(numbers.not_on_roster, 'station')}.",
            "Call signs are not authenticated on the air.",
            "stations",
        )


def _alerts(making: Making) -> Iterator[Point]:
    standing = [row for row in making.report.alerts if row.state is not AlertState.CLEARED]
    for state, words in (
        (AlertState.OPEN, "in nobody's hand"),
        (AlertState.ACKNOWLEDGED, "taken in hand, not over"),
    ):
        of_state = _worst_first([row for row in standing if row.state is state])
        if of_state:
            yield Point(
                f"Alerts that stood at the end, {words}: {len(of_state)}.",
                _titles(of_state),
                "alerts",
            )
    never = [
        row
        for row in making.report.alerts
        if row.state is AlertState.CLEARED
        and row.acknowledged_at is None
        and not row.acknowledged_beforehand
    ]
    if never:
        yield Point(
            f"Alerts that cleared with nobody having taken them in hand: {len(never)}.",
            _titles(_worst_first(never)),
            "alerts",
        )
    if words := taken_in_hand(making.report):
        yield Point(words, "Counted from the first opening.", "alerts")


def _titles(rows: Sequence[AlertRow], most: int = 3) -> str:
    more = len(rows) - most
    return "; ".join(row.title for row in rows[:most]) + (f"; and {more} more" if more > 0 else "")


_BY_SEVERITY = tuple(Severity)


def _worst_first(rows: Sequence[AlertRow]) -> list[AlertRow]:
    return sorted(rows, key=lambda row: (_BY_SEVERITY.index(row.severity), row.opened_at))


def _network(making: Making) -> Iterator[Point]:
    out = [row for row in making.report.availability if row.ended_out]
    if out:
        yield Point(
            "Not reporting at the end: "
            f"{count_of([row.name for row in out], 'gateway or repeater', _MANY)}.",
            "What they would have heard is not in the record.",
            "availability",
        )
    worst = min(
        (row for row in making.report.availability if row.outages and not row.ended_out),
        key=_reported,
        default=None,
    )
    if worst:
        yield Point(
            f"Worst of those that came back: {worst.name}, reporting "
            f"{percent(worst.reporting_pct)} of the recorded time.",
            f"{plural(worst.outages, 'outage')}, the longest {age(worst.longest_outage_s)}.",
            "availability",
        )
    starved = [
        (one.wanted_s - one.both_s, group.group, one.repeater)
        for group in making.report.groups
        for one in group.sums
        if one.wanted_s - one.both_s >= _LEAST_STARVED_S
    ]
    if starved:
        longest, group, repeater = max(starved, key=lambda row: (row[0], row[1:]))
        yield Point(
            f"Wanted but not carried, longest: {group} on {repeater}, {age(longest)}.",
            f"{plural(len(starved), 'pair')} of group and repeater lacked a minute or more. A "
            "repeater that does not say what it carries counts as not carrying.",
            "groups",
        )


def _reported(row: AvailabilityRow) -> tuple[float, str]:
    return (100.0 if row.reporting_pct is None else row.reporting_pct, row.name)


def _rest(making: Making) -> Iterator[Point]:
    if refused := sum(row.count for row in making.report.refused):
        yield Point(
            f"{number(refused)} pieces of input were not accepted.",
            "What they would have told is not in this report.",
            "refused",
        )
    if apart := [row.call for row in making.report.quarantined]:
        yield Point(
            f"Kept apart: {count_of(apart, 'identity', 'identities')}.",
            "They are no call signs and never became members.",
            "refused",
        )
