"""An alert as it is published, made from a case. Pure."""

from dataclasses import replace
from typing import Any, Final

from streamer.alerts.case import Case
from streamer.alerts.conditions import Condition
from streamer.clock import from_ms
from streamer.contract.published import (
    Alert,
    AlertKind,
    AlertState,
    HeldAlert,
    Maintenance,
    Severity,
)

RANK: Final = {Severity.NOTICE: 0, Severity.WARNING: 1, Severity.CRITICAL: 2}
ENDED: Final = {
    AlertKind.GATEWAY_LOST: "it reports again",
    AlertKind.REPEATER_LOST: "its gateway reports it up again",
    AlertKind.MEMBER_OVERDUE: "no longer followed, and why is not known: ask who had it",
    AlertKind.MEMBER_OUT_OF_REACH: "no longer followed, and why is not known: ask who had it",
    AlertKind.REPEATER_STARVED: "it carries the group now, is not wanted any more, or cannot say",
    AlertKind.LOOP: "no new loop for a while",
    AlertKind.CLOCK_SKEW: "the clock is near enough",
    AlertKind.EVENTS_LOST: "they have arrived",
    AlertKind.GATEWAY_FLOODING: "nothing more of it was refused for a while",
    AlertKind.TWO_PLACES: "nothing new for a while",
    AlertKind.REPEATER_DEAF: "it hears somebody, has begun anew, or does not report",
    AlertKind.REPEATER_DEGRADED: "it hears its stations as usual again, or cannot say",
    AlertKind.CARRIER_STUCK: "it ended some time ago, or others were heard since",
    AlertKind.REPEATER_BUSY: "there is room on the air again, or it does not report",
    AlertKind.NETWORK_LOST: "most of them report again; those that do not have alerts of their own",
    AlertKind.BROKER_LOST: "a worker is connected to the broker again",
    AlertKind.WORKER_LOST: "it works again, or was taken out of service",
    AlertKind.CHANNEL_LOST: "its messages are taken again; what was given up is not sent again",
}
"""What is said where nothing better is known."""


IN_NOBODYS_HANDS: Final[dict[str, Any]] = {
    "state": AlertState.OPEN, "acknowledged_by": None, "acknowledged_at": None, "note": None,
}  # fmt: skip


_PLANNED: Final = "maintenance until "


def nobodys(now_ms: int) -> dict[str, Any]:
    """In nobody's hand from now on; whoever is to be told if it stays so is told anew."""
    return {**IN_NOBODYS_HANDS, "unheld_since": from_ms(now_ms), "escalated": 0}


def alert_of(case: Case) -> Alert:
    assert case.alert is not None
    return case.alert


def words(case: Case) -> dict[str, Any]:
    """The fields of an alert that its condition says."""
    said = case.condition
    return {
        "kind": said.kind,
        "severity": said.severity,
        "subject": said.subject,
        "group": said.group or None,
        "repeater": said.repeater or None,
        "title": said.title,
        "reasons": said.reasons,
        "next_step": said.next_step,
        "affects": said.affects,
        "since": from_ms(said.since_ms),
        "last_heard_at": None if said.heard_ms is None else from_ms(said.heard_ms),
        "duties": case.duties,
    }


def covered(alert: Alert, work: Maintenance | None, now_ms: int) -> Alert:
    """Whoever planned the work has it in hand; when that is over nobody has, unless somebody took
    it in hand for another reason."""
    if work is None:
        if alert.maintenance is None:
            return alert
        planned = (alert.note or "").startswith(_PLANNED)
        freed = nobodys(now_ms) if planned or alert.acknowledged_by is None else {}
        return alert.model_copy(update={"maintenance": None, **freed})
    changes: dict[str, Any] = {"maintenance": work.id}
    if alert.state is AlertState.OPEN:
        until = f"{_PLANNED}{work.until:%H:%M}Z"
        changes |= {
            "state": AlertState.ACKNOWLEDGED,
            "unheld_since": None,
            "acknowledged_by": work.by,
            "acknowledged_at": from_ms(now_ms),
            "note": f"{until}: {work.note}" if work.note else until,
        }
    return alert.model_copy(update=changes)


def like(said: Condition, before: Condition) -> Condition:
    """Nothing new can be said: neither what it is nor how bad."""
    return replace(said, kind=before.kind, severity=before.severity, since_ms=before.since_ms)


def no_less(said: Condition, known: Alert) -> Condition:
    """Of a person: what is known to be so bad is no better because a time ran out. Only that it is
    heard, checks out or is taken off by hand ends it."""
    if RANK[said.severity] >= RANK[known.severity]:
        return said
    return replace(said, severity=known.severity)


def held(said: Condition) -> HeldAlert:
    return HeldAlert(
        id=said.id, kind=said.kind, severity=said.severity, subject=said.subject,
        title=said.title, since=from_ms(said.since_ms),
    )  # fmt: skip


def hushed(alert: Alert) -> bool:
    """Planned work covers it, and nobody's reach depends on it: not for channels."""
    return alert.maintenance is not None and alert.severity is not Severity.CRITICAL
