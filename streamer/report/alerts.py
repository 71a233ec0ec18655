"""Alerts that stood in the time of a report: what became of each, and sums over them."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from statistics import median

from streamer.clock import from_ms, to_ms
from streamer.contract.published import Alert, AlertState, Severity
from streamer.report.facts_alerts import AlertRow, AlertSums, AlertTurn, AlertTurnRow, HeldRow
from streamer.report.published import SaidAlert
from streamer.report.scope import Scope

_WORST_FIRST = (Severity.CRITICAL, Severity.WARNING, Severity.NOTICE)


def alert_rows(scope: Scope) -> tuple[AlertRow, ...]:
    """One for each run of trouble, in the order in which they opened."""
    rows = []
    for said in _episodes(scope):
        stood = _stood(said, scope)
        if stood:
            rows.append(_row(said, stood, scope))
    return tuple(sorted(rows, key=lambda row: (row.opened_at, row.id)))


def alert_sums(rows: Sequence[AlertRow]) -> AlertSums:
    """Over the rows. A median of none is null."""
    waited_s = [row.acknowledge_s for row in rows if row.acknowledge_s is not None]
    severities = [row.severity for row in rows]
    return AlertSums(
        alerts=len(rows),
        critical=severities.count(Severity.CRITICAL),
        warning=severities.count(Severity.WARNING),
        notice=severities.count(Severity.NOTICE),
        acknowledged=sum(row.acknowledged_at is not None for row in rows),
        never_acknowledged=sum(row.acknowledged_at is None for row in rows),
        acknowledged_beforehand=sum(row.acknowledged_beforehand for row in rows),
        median_acknowledge_s=median(waited_s) if waited_s else None,
        longest_acknowledge_s=max(waited_s, default=None),
        still_standing=sum(row.state is not AlertState.CLEARED for row in rows),
        held=len({held.id for row in rows for held in row.held}),
        reopened=sum(row.opened_times > 1 for row in rows),
    )


def _episodes(scope: Scope) -> Iterator[list[SaidAlert]]:
    """The messages of each run of trouble up to the end of the time, by version."""
    by_episode: dict[tuple[str, str], list[SaidAlert]] = defaultdict(list)
    for (alert_id, _), said in sorted(scope.record.published.alerts.items()):
        if said.noted_ms <= scope.until_ms:
            # Earlier versions did not name it: there, each opening was another.
            episode = said.alert.episode or said.alert.opened_at.isoformat()
            by_episode[alert_id, episode].append(said)
    yield from by_episode.values()


def _stood(said: Sequence[SaidAlert], scope: Scope) -> Sequence[tuple[int, int]]:
    """When it stood, within the time of the report; of no length if it came at the very end."""
    spans: list[tuple[int, int]] = []
    since_ms: int | None = None
    for one in said:
        if one.alert.state is AlertState.CLEARED:
            if since_ms is not None:
                spans.append((since_ms, _at_ms(one)))
            since_ms = None
        elif since_ms is None:
            since_ms = to_ms(one.alert.opened_at)
    if since_ms is not None:
        spans.append((since_ms, scope.until_ms))
    inside = ((max(a, scope.from_ms), min(b, scope.until_ms)) for a, b in spans)
    return [(a, b) for a, b in inside if a <= b]


def _at_ms(said: SaidAlert) -> int:
    cleared_at = said.alert.cleared_at
    return said.noted_ms if cleared_at is None else to_ms(cleared_at)


def _row(said: Sequence[SaidAlert], stood: Sequence[tuple[int, int]], scope: Scope) -> AlertRow:
    alerts = [one.alert for one in said]
    first, last = alerts[0], alerts[-1]
    taken = [a for a in alerts if a.acknowledged_at is not None]
    by_people = [a for a in taken if a.maintenance is None]
    taken_first = next(iter(by_people or taken), None)
    cleared = last if last.state is AlertState.CLEARED else None
    return AlertRow(
        id=first.id,
        episode=first.episode,
        kind=last.kind,
        severity=min((a.severity for a in alerts), key=_WORST_FIRST.index),
        subject=last.subject,
        title=last.title,
        reasons=last.reasons,
        next_step=last.next_step,
        of_duty=_of_duty(alerts, scope),
        since_at=first.since,
        opened_at=first.opened_at,
        opened_times=max(a.opened_times for a in alerts),
        acknowledged_at=None if taken_first is None else taken_first.acknowledged_at,
        acknowledged_by=None if taken_first is None else taken_first.acknowledged_by,
        acknowledged_beforehand=bool(taken) and not by_people,
        acknowledge_s=_waited_s(by_people[0]) if by_people else None,
        note=None if taken_first is None else taken_first.note,
        cleared_at=None if cleared is None else cleared.cleared_at,
        cleared_because=None if cleared is None else cleared.cleared_because,
        open_s=sum(b - a for a, b in stood) / 1000,
        state=last.state,
        unsteady=any(a.unsteady for a in alerts),
        escalated=max(a.escalated for a in alerts),
        maintenance=next((a.maintenance for a in reversed(alerts) if a.maintenance), None),
        affects=tuple(dict.fromkeys(name for a in alerts for name in a.affects)),
        held=_held(alerts),
        turns=tuple(_turns(said)),
    )


def _waited_s(taken: Alert) -> float:
    assert taken.acknowledged_at is not None
    return max(0, to_ms(taken.acknowledged_at) - to_ms(taken.opened_at)) / 1000


def _held(alerts: Iterable[Alert]) -> tuple[HeldRow, ...]:
    """All that it ever held, each as last told."""
    found = {held.id: held for alert in alerts for held in alert.held}
    return tuple(
        HeldRow(
            id=held.id,
            kind=held.kind,
            severity=held.severity,
            subject=held.subject,
            title=held.title,
            since_at=held.since,
        )
        for _, held in sorted(found.items())
    )


def _of_duty(alerts: Iterable[Alert], scope: Scope) -> bool:
    touched = {name for a in alerts for name in (a.subject, a.group, a.repeater, *a.affects)}
    return not touched.isdisjoint(scope.concerned)


# -- turns ---------------------------------------------------------------------------------------


def _turns(said: Sequence[SaidAlert]) -> Iterator[AlertTurnRow]:
    """What became of it from message to message; a message in other words alone is no turn."""
    first = said[0]
    yield _turn(first, AlertTurn.OPENED, to_ms(first.alert.opened_at))
    if first.alert.acknowledged_at is not None:
        yield _taken(first, said)
    if first.alert.state is AlertState.CLEARED:
        yield _cleared(first)
    for before, after in pairwise(said):
        yield from _changes(before.alert, after, said)


def _changes(old: Alert, now: SaidAlert, said: Sequence[SaidAlert]) -> Iterator[AlertTurnRow]:
    new, noted_ms = now.alert, now.noted_ms
    opens = old.state is AlertState.CLEARED and new.state is not AlertState.CLEARED
    if opens:
        yield _turn(now, AlertTurn.REOPENED, to_ms(new.opened_at))
    worse = _WORST_FIRST.index(old.severity) - _WORST_FIRST.index(new.severity)
    if worse > 0:
        yield _turn(now, AlertTurn.WORSE, noted_ms)
    elif worse < 0 and not opens and new.state is not AlertState.CLEARED:
        yield _turn(now, AlertTurn.LESS, noted_ms)
    if new.unsteady and not old.unsteady:
        yield _turn(now, AlertTurn.UNSTEADY, noted_ms, text="it comes and goes")
    if new.escalated > old.escalated:
        text = f"in nobody's hand: step {new.escalated} of escalation"
        yield _turn(now, AlertTurn.ESCALATED, noted_ms, text=text)
    if new.acknowledged_at is not None and new.acknowledged_at != old.acknowledged_at:
        yield _taken(now, said)
    if new.state is AlertState.CLEARED and old.state is not AlertState.CLEARED:
        yield _cleared(now)


def _taken(now: SaidAlert, said: Sequence[SaidAlert]) -> AlertTurnRow:
    alert = now.alert
    assert alert.acknowledged_at is not None
    at_ms = to_ms(alert.acknowledged_at)
    known = said_at(said, at_ms)
    if known.alert.state is AlertState.CLEARED:
        known = now  # it opened again and was taken in hand in one message
    return _turn(
        known, AlertTurn.ACKNOWLEDGED, at_ms, alert.acknowledged_by or "", alert.note or ""
    )


def said_at(said: Sequence[SaidAlert], ms: int) -> SaidAlert:
    """Of messages by version, not none: what stood published at a time, or the first."""
    known = [one for one in said if one.noted_ms <= ms]
    return known[-1] if known else said[0]


def _cleared(now: SaidAlert) -> AlertTurnRow:
    return _turn(now, AlertTurn.CLEARED, _at_ms(now), text=now.alert.cleared_because or "")


def _turn(
    told: SaidAlert, turn: AlertTurn, at_ms: int, by: str = "", text: str = ""
) -> AlertTurnRow:
    return AlertTurnRow(
        at=from_ms(at_ms),
        turn=turn,
        severity=told.alert.severity,
        title=told.alert.title,
        told_at=from_ms(told.noted_ms),
        by=by,
        text=text,
    )
