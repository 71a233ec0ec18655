"""What a report cannot say, in words: read before its numbers."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from streamer.domain.plain_words import age, plural
from streamer.report.facts import LostRow, RecordFacts
from streamer.report.scope import Scope

LATE_MS: Final = 60_000
"""An over told so long after its end came late; common practice, no source."""
ALWAYS: Final = (
    "Times are as gateways told them, corrected by what each knew of its clock's error.",
    "Who only listens is in no figure. Who spoke where no repeater heard it is in none either.",
    "Not yet heard is not missing, checked in is not safe, and a roll call not answered proves "
    "nothing.",
    "A standing is what was published at the time; later truths may differ from it.",
    "Air-time wanted is by the fan-out as published at the begin of each over, an estimate; "
    "carried is what gateways said of themselves.",
    "A gateway that reports is not proof that its repeaters hear; one that does not report may "
    "have gone on working for those around it.",
    "Availability goes by a gateway's connections: one that was silent for a while within a "
    "connection that went on counts as reporting in that time; alerts tell of it.",
    "The map shows where stations that told their position were heard, nothing else: an empty "
    "place may be covered or not.",
)
"""What is so of every report."""


def limits_of(
    scope: Scope, record: RecordFacts, lost: Sequence[LostRow], troubles: Sequence[str]
) -> tuple[str, ...]:
    """What the record of this duty lacks first, then what is so of every report."""
    return (*_of_record(scope, record), *_of_events(scope, lost), *troubles, *ALWAYS)


def _of_record(scope: Scope, record: RecordFacts) -> Iterator[str]:
    duty = scope.duty
    if duty.ended_at is None:
        yield (
            "The duty was still running at the end of the record: all figures are up to then, "
            f"{record.until_at:%Y-%m-%d %H:%M:%S}Z."
        )
    for gap in record.gaps:
        yield (
            f"Nothing was recorded from {gap.from_at:%Y-%m-%d %H:%M:%S}Z to "
            f"{gap.until_at:%Y-%m-%d %H:%M:%S}Z ({age(gap.length_s)}): for that time it is not "
            "known what was up and who was heard, but for what gateways had kept and told later."
        )
    missing = [group for group in duty.groups if group not in scope.record.day.view.groups]
    if missing:
        yield (
            f"Groups of the duty that the region file does not have: {', '.join(missing)}; overs "
            "to them are not in here."
        )
    silent = [g for g in duty.groups if not scope.record.published.fanouts.get(g)]
    if silent:
        yield (
            f"The record holds no published fan-out of {', '.join(silent)}: where that was wanted, "
            "and what was saved, is not known."
        )
    if scope.record.forgotten:
        yield (
            f"Somebody was forgotten on request: {plural(scope.record.forgotten, 'line')} of the "
            "record name them no more, and tell no name, text or position of theirs."
        )
    if duty.roster_set_at is None:
        yield "No roster was given: nobody can be said to be expected."
    if record.positions_left_out:
        yield "Positions were left out on request: there is no map."
    elif record.coarse_km is not None:
        yield f"Positions are rounded to cells of {record.coarse_km:g} km on request."


def _of_events(scope: Scope, lost: Sequence[LostRow]) -> Iterator[str]:
    if lost:
        total = sum(row.lost for row in lost)
        named = ", ".join(f"{row.gateway} {row.lost}" for row in lost)
        yield f"{plural(total, 'event')} of gateways never came into the record: {named}."
    late = [o for o in scope.overs if o.noted_ms - o.ended_ms > LATE_MS]
    if late:
        most_ms = max(over.noted_ms - over.ended_ms for over in late)
        yield (
            f"{plural(len(late), 'over')} came late, up to {age(most_ms / 1000)} after the end: "
            "what was published before did not know of them."
        )
    ahead = Counter(gateway for noted_ms, gateway in scope.record.ahead if scope.holds(noted_ms))
    for gateway, count in sorted(ahead.items()):
        yield (
            f"The clock of gateway {gateway} was ahead of the server's {count} times: its times "
            "are in doubt."
        )
    unended = sum(over.ended_ms <= over.began_ms for over in scope.overs)
    if unended:
        yield f"Of {plural(unended, 'over')} the end was not told: they count with no length."
