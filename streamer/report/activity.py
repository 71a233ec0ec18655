"""The activity log: what people did, what alerts did, and what became of gateways and repeaters."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final

from streamer.clock import to_ms
from streamer.contract.duty import DutyKind
from streamer.domain.plain_words import age, plural
from streamer.lab.load_air import gateway_of
from streamer.report.alerts import said_at
from streamer.report.facts import (
    ActivityKind,
    ActivityRow,
    AvailabilityRow,
    Span,
)
from streamer.report.facts_alerts import AlertRow, AlertTurn, AlertTurnRow
from streamer.report.published import SaidAlert
from streamer.report.scope import Scope
from streamer.state.entries import Act, Entry

_OF_A_GROUP: Final = frozenset(
    {
        Act.CHECK_OUT,
        Act.PIN,
        Act.BAR,
        Act.LIFT,
        Act.START_ROLL_CALL,
        Act.END_ROLL_CALL,
        Act.MARK_ANSWERED,
    }
)
"""Acts whose subject begins with a group."""
_OF_A_DUTY: Final = frozenset({Act.START_DUTY, Act.END_DUTY, Act.SET_ROSTER})
_TURNS: Final = {
    AlertTurn.WORSE: "became worse",
    AlertTurn.LESS: "became less grave",
    AlertTurn.CLEARED: "cleared, until then",
}
LATE_S: Final = 60
"""What was told so much later than it was may have been called otherwise before."""
_ROLL_CALLS: Final = frozenset({Act.START_ROLL_CALL, Act.END_ROLL_CALL, Act.MARK_ANSWERED})


def activity_rows(
    scope: Scope,
    alerts: Sequence[AlertRow],
    availability: Sequence[AvailabilityRow],
    gaps: Sequence[Span],
) -> tuple[ActivityRow, ...]:
    """In order of time, of the time of the report. Acts about other groups and other duties are
    left out; alerts are those of the whole region."""
    said = _by_alert(scope)
    rows = [_act_row(entry, said) for entry in scope.record.day.acts if _belongs(entry, scope)]
    rows += _alert_rows(alerts)
    rows += _turn_rows(availability)
    rows += _gap_rows(gaps)
    inside = [row for row in rows if scope.holds(to_ms(row.at))]
    return tuple(sorted(inside, key=lambda row: row.at))


def _belongs(entry: Entry, scope: Scope) -> bool:
    if entry.act in _OF_A_GROUP:
        return entry.subject.partition(" ")[0] in scope.duty.groups
    return entry.act not in _OF_A_DUTY or entry.subject == scope.duty.id


def _act_row(entry: Entry, said: Mapping[str, Sequence[SaidAlert]]) -> ActivityRow:
    kind = ActivityKind.ROLL_CALL if entry.act in _ROLL_CALLS else ActivityKind.ACT
    told = said.get(entry.subject) if entry.act is Act.ACKNOWLEDGE else None
    alert = said_at(told, to_ms(entry.at)).alert if told else None
    text = act_text(entry, None if alert is None else f"{alert.severity}: {alert.title}")
    if entry.note:
        text = f"{text}: {entry.note}"
    return ActivityRow(at=entry.at, kind=kind, by=entry.by, subject=entry.subject, text=text)


def _by_alert(scope: Scope) -> Mapping[str, Sequence[SaidAlert]]:
    """What was said of each alert, by id, by version."""
    found: dict[str, list[SaidAlert]] = defaultdict(list)
    for (alert_id, _), one in sorted(scope.record.published.alerts.items()):
        found[alert_id].append(one)
    return found


# -- acts in words -------------------------------------------------------------------------------


def act_text(entry: Entry, alert: str | None = None) -> str:
    """What somebody did, in words that follow their name; the note is left out. `alert`: what the
    alert that was acted on said then, None if that is not in the record."""
    words = _WORDS.get(entry.act)
    if entry.act is Act.ACKNOWLEDGE:
        taken = "took over" if entry.details.get("take_over") else "took in hand"
        return f"{taken} the alert, {alert or f'not in the record: {entry.subject}'}"
    return f"did {entry.act} of {entry.subject}" if words is None else words(entry)


def _two(entry: Entry) -> tuple[str, str]:
    first, _, second = entry.subject.partition(" ")
    return first, second


def _until(entry: Entry) -> str:
    """`12:30:00Z`, with the date if it is another day's."""
    at = datetime.fromisoformat(str(entry.details["until"]))
    return f"{at:%H:%M:%S}Z" if at.date() == entry.at.date() else f"{at:%Y-%m-%d %H:%M:%S}Z"


def _pin(entry: Entry) -> str:
    group, repeater = _two(entry)
    return f"ordered that {repeater} always carries {group}, until {_until(entry)}"


def _bar(entry: Entry) -> str:
    group, repeater = _two(entry)
    return f"ordered that {repeater} never carries {group}, until {_until(entry)}"


def _start_duty(entry: Entry) -> str:
    kind = DutyKind(entry.details["kind"]).value.upper()
    return f"began the duty, {kind}: {entry.details['title']}"


def _end_roll_call(entry: Entry) -> str:
    count, silent = entry.details.get("count"), entry.details.get("silent")
    told = [] if count is None else [f"{count} answered"]
    told += [] if silent is None else [f"{len(silent)} did not"]
    return f"ended the roll call of {entry.subject}" + (f" ({', '.join(told)})" if told else "")


def _start_maintenance(entry: Entry) -> str:
    what = str(entry.details["subject"])
    return f"began maintenance of {_what(what)}, until {_until(entry)}"


def _what(subject: str) -> str:
    return "the whole region" if subject == "*" else subject


_WORDS: Final[Mapping[Act, Callable[[Entry], str]]] = {
    Act.CHECK_OUT: lambda e: f"checked {_two(e)[1]} out of {_two(e)[0]} by hand",
    Act.PIN: _pin,
    Act.BAR: _bar,
    Act.LIFT: lambda e: f"lifted the order of {_two(e)[1]} for {_two(e)[0]}",
    Act.START_DUTY: _start_duty,
    Act.END_DUTY: lambda _: "ended the duty",
    Act.SET_ROSTER: lambda e: (
        f"set the roster: {plural(len(e.details.get('roster') or ()), 'call sign')}"
    ),
    Act.START_ROLL_CALL: lambda e: f"began a roll call of {e.subject}",
    Act.END_ROLL_CALL: _end_roll_call,
    Act.MARK_ANSWERED: lambda e: f"noted at the desk that {_two(e)[1]} answered in {_two(e)[0]}",
    Act.ACCEPT_CALL: lambda e: f"accepted {e.subject} as a station",
    Act.RETRACT_CALL: lambda e: f"no longer accepts {e.subject} as a station",
    Act.START_MAINTENANCE: _start_maintenance,
    Act.END_MAINTENANCE: lambda e: (
        f"ended maintenance of {_what(str(e.details.get('subject', e.subject)))}"
    ),
    Act.FORGET: lambda _: "had a station forgotten",
}


# -- what nobody did -----------------------------------------------------------------------------


def _alert_rows(alerts: Sequence[AlertRow]) -> Iterator[ActivityRow]:
    """Acknowledgements by hand stand among the acts."""
    for alert in alerts:
        for turn in alert.turns:
            if turn.by and not alert.acknowledged_beforehand:
                continue
            yield ActivityRow(
                at=turn.at,
                kind=ActivityKind.ALERT,
                by=turn.by,
                subject=alert.subject,
                text=_turn_text(turn),
            )


def _turn_text(turn: AlertTurnRow) -> str:
    """As it was called at that turn, whatever became of it later."""
    if turn.by:
        return f"had taken in hand beforehand the alert, {turn.severity}: {turn.title}"
    words = _TURNS.get(turn.turn, turn.turn.value)
    late_s = (turn.told_at - turn.at).total_seconds()
    notes = [turn.text] if turn.text else []
    notes += [f"as first told, {age(late_s)} later"] if late_s >= LATE_S else []
    comma = "" if turn.turn is AlertTurn.CLEARED else ","
    text = f"alert {words}{comma} {turn.severity}: {turn.title}"
    return f"{text} ({'; '.join(notes)})" if notes else text


def _turn_rows(availability: Sequence[AvailabilityRow]) -> Iterator[ActivityRow]:
    """What repeaters did because their gateway did is not said again."""
    gateways = {row.name: row for row in availability if row.kind == "gateway"}
    for row in availability:
        above = gateways.get(gateway_of(row.name)) if row.kind == "repeater" else None
        for outage in _outages(row):
            span = _whole(outage)
            if above is not None and any(_within(span, _whole(o)) for o in _outages(above)):
                continue
            yield _turn(span.from_at, row, "is not reporting from here on")
            lasts = row.ended_out and outage[-1] is row.not_reporting[-1]
            if not lasts and all(gap.from_at != span.until_at for gap in row.unknown):
                yield _turn(span.until_at, row, f"reports again, after {age(span.length_s)}")


def _outages(row: AvailabilityRow) -> list[list[Span]]:
    """The spans of each outage: those that only a gap in the record parts are of one."""
    gaps = {gap.from_at: gap.until_at for gap in row.unknown}
    found: list[list[Span]] = []
    for span in row.not_reporting:
        if found and gaps.get(found[-1][-1].until_at) == span.from_at:
            found[-1].append(span)
        else:
            found.append([span])
    return found


def _whole(outage: Sequence[Span]) -> Span:
    begin, end = outage[0].from_at, outage[-1].until_at
    return Span(from_at=begin, until_at=end, length_s=(end - begin).total_seconds())


def _within(inner: Span, outer: Span) -> bool:
    return outer.from_at <= inner.from_at and inner.until_at <= outer.until_at


def _turn(at: datetime, row: AvailabilityRow, words: str) -> ActivityRow:
    text = f"{row.kind} {row.name} {words}"
    return ActivityRow(at=at, kind=ActivityKind.TURN, by="", subject=row.name, text=text)


def _gap_rows(gaps: Sequence[Span]) -> Iterator[ActivityRow]:
    for gap in gaps:
        text = f"nothing was recorded from here on for {age(gap.length_s)}"
        yield ActivityRow(
            at=gap.from_at, kind=ActivityKind.TURN, by="", subject="record", text=text
        )
