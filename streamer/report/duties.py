"""The duties in a record, by what people ordered: their rosters and roll calls too."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from streamer.clock import from_ms, to_ms
from streamer.contract.duty import DutyKind
from streamer.contract.published import Answered
from streamer.domain.membership import CLOSED
from streamer.domain.roster import roster_of_details
from streamer.lab.day import RecordedOver
from streamer.report.facts import AnswerRow, DutyFacts, RollCallFacts, RosterRow
from streamer.report.published import Published
from streamer.state.entries import Act, Entry


def duties_of(acts: Iterable[Entry]) -> dict[str, DutyFacts]:
    """By id, in the order in which they began. `acts` in the order of their times. A duty of whose
    begin the record tells nothing is not among them. Raises ValueError for a roster that this
    version cannot read."""
    entries = list(acts)
    found: dict[str, DutyFacts] = {}
    for entry in entries:
        if entry.act is Act.START_DUTY:
            found.setdefault(entry.subject, _begun(entry))
    for entry in entries:
        # A roster given as the duty begins has the same time.
        known = found.get(entry.subject)
        if known is None:
            continue
        if entry.act is Act.END_DUTY and known.ended_at is None:
            found[entry.subject] = known.model_copy(
                update={"ended_at": entry.at, "ended_by": entry.by, "end_note": entry.note}
            )
        elif entry.act is Act.SET_ROSTER:
            rows = tuple(
                RosterRow(**line.model_dump()) for line in roster_of_details(entry.details)
            )
            found[entry.subject] = known.model_copy(
                update={"roster": rows, "roster_set_at": entry.at, "roster_set_by": entry.by}
            )
    return found


def _begun(entry: Entry) -> DutyFacts:
    details = entry.details
    return DutyFacts(
        id=entry.subject,
        title=str(details.get("title", entry.subject)),
        kind=DutyKind(details["kind"]),
        groups=tuple(str(group) for group in details["groups"]),
        note=entry.note,
        started_at=entry.at,
        started_by=entry.by,
        ended_at=None,
        ended_by=None,
        end_note=None,
        roster=(),
        roster_set_at=None,
        roster_set_by=None,
    )


@dataclass(slots=True)
class _Call:
    group: str
    begun: Entry
    marked: dict[str, Entry] = field(default_factory=dict)
    ended: Entry | None = None


def roll_calls_of(
    acts: Iterable[Entry],
    groups: Sequence[str],
    time: tuple[int, int],
    overs: Sequence[RecordedOver],
    published: Published,
) -> tuple[RollCallFacts, ...]:
    """Those of some groups that began in a time (from and until in ms), in order.

    Who answered stands in the entry that ended a call. Of one that had not ended it is who has
    keyed to the group since, or was marked, up to the end of the time; `overs` in order.
    """
    calls: list[_Call] = []
    running: dict[str, _Call] = {}
    for entry in acts:
        group, _, station = entry.subject.partition(" ")
        if group not in groups or to_ms(entry.at) > time[1]:
            continue
        if entry.act is Act.START_ROLL_CALL:
            running[group] = _Call(group, entry)
            if to_ms(entry.at) >= time[0]:
                calls.append(running[group])
        elif entry.act is Act.MARK_ANSWERED and group in running:
            running[group].marked.setdefault(station, entry)
        elif entry.act is Act.END_ROLL_CALL and group in running:
            running.pop(group).ended = entry
    return tuple(_roll_call(call, time[1], overs, published) for call in calls)


def _roll_call(
    call: _Call, until_ms: int, overs: Sequence[RecordedOver], published: Published
) -> RollCallFacts:
    if call.ended is None:
        answered = _answered_by_now(call, until_ms, overs)
        silent = sorted(_members(call.group, until_ms, published) - {a.station for a in answered})
    else:
        details = call.ended.details
        answered = sorted(_answers(details.get("answered", ())), key=_by_time)
        silent = [str(station) for station in details.get("silent", ())]
    return RollCallFacts(
        id=str(call.begun.details.get("id", "")),
        group=call.group,
        started_at=call.begun.at,
        started_by=call.begun.by,
        ended_at=None if call.ended is None else call.ended.at,
        ended_by=None if call.ended is None else call.ended.by,
        answered=tuple(answered),
        silent=tuple(silent),
    )


def _answers(said: Mapping[str, Any] | Sequence[str]) -> Iterator[AnswerRow]:
    """Earlier versions noted names alone."""
    for station in said:
        how = said[station] if isinstance(said, Mapping) else {}
        at = how.get("at")
        yield AnswerRow(
            station=station,
            at=None if at is None else datetime.fromisoformat(at),
            how=how.get("how"),
            by=how.get("by"),
        )


def _answered_by_now(call: _Call, until_ms: int, overs: Sequence[RecordedOver]) -> list[AnswerRow]:
    begun_ms = to_ms(call.begun.at)
    found = {
        station: AnswerRow(station=station, at=entry.at, how=Answered.DESK.value, by=entry.by)
        for station, entry in call.marked.items()
    }
    for over in overs:
        if over.group == call.group and begun_ms <= over.began_ms <= until_ms:
            known, at = found.get(over.station), from_ms(over.began_ms)
            if known is None or known.at is None or at < known.at:
                found[over.station] = AnswerRow(
                    station=over.station, at=at, how=Answered.AIR.value, by=None
                )
    return sorted(found.values(), key=_by_time)


def _by_time(row: AnswerRow) -> tuple[bool, float, str]:
    return row.at is None, 0.0 if row.at is None else row.at.timestamp(), row.station


def _members(group: str, ms: int, published: Published) -> set[str]:
    found = set()
    for name, station in published.standings:
        if name == group:
            stood = published.standing_at(group, station, ms)
            if stood is not None and stood.standing not in CLOSED:
                found.add(station)
    return found
