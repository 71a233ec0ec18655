"""From conditions to alerts: opened, acknowledged, cleared. Pure; the only place that decides."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from streamer.alerts.conditions import Condition
from streamer.clock import from_ms
from streamer.contract.duty import DutyMark
from streamer.contract.published import Alert, AlertKind, AlertState, Severity

_RANK: Final = {Severity.NOTICE: 0, Severity.WARNING: 1, Severity.CRITICAL: 2}
_ENDED: Final = {
    AlertKind.GATEWAY_LOST: "it reports again",
    AlertKind.REPEATER_LOST: "it is up again, or its gateway is lost altogether",
    AlertKind.MEMBER_OVERDUE: "no longer followed",
    AlertKind.MEMBER_OUT_OF_REACH: "no longer followed",
    AlertKind.REPEATER_STARVED: "it carries the group, or need not any more, or cannot say",
    AlertKind.LOOP: "no new loop for a while",
    AlertKind.CLOCK_SKEW: "the clock is near enough",
    AlertKind.EVENTS_LOST: "they have arrived",
    AlertKind.TWO_PLACES: "nothing new for a while",
    AlertKind.REPEATER_DEAF: "it hears somebody, has begun anew, or does not report",
    AlertKind.REPEATER_DEGRADED: "it hears its stations as usual again, or cannot say",
    AlertKind.CARRIER_STUCK: "it ended some time ago, or others were heard since",
    AlertKind.REPEATER_BUSY: "there is room on the air again, or it does not report",
}
"""What is said where nothing better is known."""


@dataclass(slots=True)
class Changes:
    """What becomes of one owner's alerts: all that remain, and which of them are to be told."""

    remaining: dict[str, Alert] = field(default_factory=dict)
    changed: list[Alert] = field(default_factory=list)
    cleared: list[Alert] = field(default_factory=list)

    @property
    def nothing(self) -> bool:
        return not self.changed and not self.cleared


def reconcile(
    region: str,
    known: Mapping[str, Alert],
    conditions: Sequence[Condition],
    now_ms: int,
    endings: Mapping[str, str] | None = None,
    duties: tuple[DutyMark, ...] = (),
) -> Changes:
    """Compare an owner's known alerts with what is wrong now.

    New conditions open; changed ones are told again, under their acknowledgement unless they have
    become more severe; alerts whose condition has gone are cleared, with the reason, which
    `endings` may give by id. `duties` are those that run, for the messages.
    """
    changes = Changes()
    for condition in conditions:
        if not condition.opens and condition.id not in known:
            continue
        alert = _alert(region, condition, known.get(condition.id), now_ms, duties)
        changes.remaining[alert.id] = alert
        if alert is not known.get(alert.id):
            changes.changed.append(alert)
    for alert_id, alert in known.items():
        if alert_id not in changes.remaining:
            changes.cleared.append(
                alert.model_copy(
                    update={
                        "state": AlertState.CLEARED,
                        "cleared_at": from_ms(now_ms),
                        "cleared_because": (endings or {}).get(alert_id, _ENDED[alert.kind]),
                        "version": alert.version + 1,
                    }
                )
            )
    return changes


def _alert(
    region: str,
    condition: Condition,
    known: Alert | None,
    now_ms: int,
    duties: tuple[DutyMark, ...],
) -> Alert:
    fields: dict[str, Any] = {
        "kind": condition.kind,
        "severity": condition.severity,
        "subject": condition.subject,
        "title": condition.title,
        "reasons": condition.reasons,
        "next_step": condition.next_step,
        "affects": condition.affects,
        "since": from_ms(condition.since_ms),
        "duties": duties,
    }
    if known is None:
        return Alert(
            region=region,
            id=condition.id,
            version=now_ms,  # above any version of an earlier alert of this id
            state=AlertState.OPEN,
            opened_at=from_ms(now_ms),
            **fields,
        )
    if all(getattr(known, name) == value for name, value in fields.items()):
        return known
    if _RANK[condition.severity] > _RANK[known.severity]:
        # Whoever took the lesser trouble in hand has not seen this one.
        fields |= {"state": AlertState.OPEN, "acknowledged_by": None, "acknowledged_at": None}
    return known.model_copy(update={**fields, "version": known.version + 1})


def acknowledge(
    alert: Alert, by: str, note: str | None, now_ms: int, *, take_over: bool = False
) -> Alert:
    """The alert in the hands of somebody.

    Raises ValueError if it is cleared, or in the hands of somebody else and not to be taken over.
    """
    if alert.state is AlertState.CLEARED:
        raise ValueError(f"alert {alert.id} is cleared: there is nothing to acknowledge")
    holder = alert.acknowledged_by
    if holder is not None and holder != by and not take_over:
        since = f" since {alert.acknowledged_at:%H:%M:%S}Z" if alert.acknowledged_at else ""
        raise ValueError(
            f"alert {alert.id} is in the hands of {holder}{since}; ask them, or take it over"
        )
    return alert.model_copy(
        update={
            "state": AlertState.ACKNOWLEDGED,
            "acknowledged_by": by,
            "acknowledged_at": from_ms(now_ms),
            "note": note,
            "version": alert.version + 1,
        }
    )
