"""What becomes of alerts in a round, and of one that somebody takes in hand. Pure."""

from dataclasses import dataclass, field

from streamer.alerts.case import Case, Phase
from streamer.alerts.notice import Turn
from streamer.clock import from_ms
from streamer.contract.published import Alert, AlertState
from streamer.domain.versions import next_version


@dataclass(frozen=True, slots=True)
class Turned:
    """What became of an alert, to be told; `alert` as it stands from now on."""

    case: Case
    turn: Turn
    alert: Alert
    cause: str | None = None
    hushed: bool = False
    """Planned work covers it, and nobody is behind it: not for channels."""


@dataclass(slots=True)
class Changes:
    """What a round changes. `cases`: new or changed; `gone`: no longer kept; `published`: alerts
    whose words alone have changed; `next_ms`: when to look again at the latest."""

    cases: dict[str, Case] = field(default_factory=dict)
    gone: list[str] = field(default_factory=list)
    turned: list[Turned] = field(default_factory=list)
    published: list[Alert] = field(default_factory=list)
    next_ms: int | None = None


def cleared(alert: Alert, because: str, now_ms: int) -> Alert:
    """The same as its last word."""
    return alert.model_copy(
        update={
            "state": AlertState.CLEARED,
            "cleared_at": from_ms(now_ms),
            "cleared_because": because,
            "held": (),
            "unheld_since": None,
            "version": next_version(alert.version, now_ms),
        }
    )


def acknowledge(
    case: Case, by: str, note: str | None, now_ms: int, *, take_over: bool = False
) -> Turned:
    """The alert in the hands of somebody.

    Raises ValueError if it is cleared, or in the hands of somebody else and not to be taken over.
    """
    alert = case.alert
    if alert is None or case.phase is not Phase.STANDING:
        raise ValueError(f"alert {case.id} is cleared: there is nothing to acknowledge")
    holder = alert.acknowledged_by
    if holder is not None and holder != by and not take_over:
        since = f" since {alert.acknowledged_at:%H:%M:%S}Z" if alert.acknowledged_at else ""
        raise ValueError(
            f"alert {case.id} is in the hands of {holder}{since}; ask them, or take it over"
        )
    taken = alert.model_copy(
        update={
            "state": AlertState.ACKNOWLEDGED,
            "unheld_since": None,
            "acknowledged_by": by,
            "acknowledged_at": from_ms(now_ms),
            "note": note,
            "version": next_version(alert.version, now_ms),
        }
    )
    held_by = case.but(alert=taken, published_ms=now_ms, turned_ms=now_ms)
    return Turned(held_by, Turn.ACKNOWLEDGED, taken)
