"""In which order people look at alerts. Pure."""

from datetime import datetime
from typing import Final

from streamer.contract.published import Alert, AlertKind, AlertState, Severity

_SEVERITIES: Final = {severity: rank for rank, severity in enumerate(Severity)}
_ABOUT_PEOPLE: Final = frozenset(
    {AlertKind.MEMBER_OVERDUE, AlertKind.MEMBER_OUT_OF_REACH, AlertKind.TWO_PLACES}
)


def is_about_people(kind: AlertKind) -> bool:
    """Whether the subject of such an alert is a station, not a machine."""
    return kind in _ABOUT_PEOPLE


def needs_caution(kind: AlertKind) -> bool:
    """Whether such an alert is read with the caution about what silence means: it is about people,
    or leaves nothing to be heard of them though their gateway seems to be there."""
    return is_about_people(kind) or kind is AlertKind.GATEWAY_FLOODING


def urgency(alert: Alert) -> tuple[int, bool, bool, datetime, str]:
    """A sort key: worst first, people before machines, open before in hand, oldest first.

    People before machines: common practice, no source.
    """
    return (
        _SEVERITIES[alert.severity],
        not is_about_people(alert.kind),
        alert.state is AlertState.ACKNOWLEDGED,
        alert.since,
        alert.id,
    )
