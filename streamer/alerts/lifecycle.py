"""From conditions to alerts: opened, acknowledged, cleared. Pure; the only place that decides."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from streamer.alerts.conditions import Condition
from streamer.clock import from_ms
from streamer.contract.published import Alert, AlertState


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
    region: str, known: Mapping[str, Alert], conditions: Sequence[Condition], now_ms: int
) -> Changes:
    """Compare an owner's known alerts with what is wrong now.

    New conditions open, changed ones are told again under their acknowledgement, and alerts whose
    condition has gone are cleared.
    """
    changes = Changes()
    for condition in conditions:
        alert = _alert(region, condition, known.get(condition.id), now_ms)
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
                        "version": alert.version + 1,
                    }
                )
            )
    return changes


def _alert(region: str, condition: Condition, known: Alert | None, now_ms: int) -> Alert:
    fields: dict[str, Any] = {
        "kind": condition.kind,
        "severity": condition.severity,
        "subject": condition.subject,
        "title": condition.title,
        "reasons": condition.reasons,
        "next_step": condition.next_step,
        "affects": condition.affects,
        "since": from_ms(condition.since_ms),
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
    return known.model_copy(update={**fields, "version": known.version + 1})


def acknowledge(alert: Alert, by: str, note: str | None) -> Alert:
    """The alert in the hands of somebody; raises ValueError if it is no longer open."""
    if alert.state is AlertState.CLEARED:
        raise ValueError(f"alert {alert.id} is cleared: there is nothing to acknowledge")
    return alert.model_copy(
        update={
            "state": AlertState.ACKNOWLEDGED,
            "acknowledged_by": by,
            "note": note,
            "version": alert.version + 1,
        }
    )
