"""Of everything that a report shows, what it says of alerts: see `streamer.report.facts`."""

from enum import StrEnum

from pydantic import Field

from streamer.contract.common import Moment
from streamer.contract.published import AlertKind, AlertState, Severity
from streamer.reading.common import Document


class AlertTurn(StrEnum):
    """What became of an alert, as it was published."""

    OPENED = "opened"
    REOPENED = "reopened"
    WORSE = "worse"
    LESS = "less grave"
    ACKNOWLEDGED = "acknowledged"
    UNSTEADY = "unsteady"
    ESCALATED = "escalated"
    CLEARED = "cleared"


class AlertTurnRow(Document):
    """One turn of one alert. `severity` and `title` are those of the message that told of it (of an
    acknowledgement: of what stood published when somebody took it in hand), not what the alert
    became later. `told_at` is when the broker had that message; where it is well after `at`, as of
    an alert that opened before the record began, the alert may have been called otherwise at first.
    """

    at: Moment
    turn: AlertTurn
    severity: Severity
    title: str
    told_at: Moment
    by: str
    text: str


class HeldRow(Document):
    """Trouble that an alert explained and held back."""

    id: str
    kind: AlertKind
    severity: Severity
    subject: str
    title: str
    since_at: Moment


class AlertRow(Document):
    """One run of trouble (an episode) that stood in the time of the report.

    `acknowledge_s` from the first opening to the first acknowledgement; null if nobody took it in
    hand, or somebody had beforehand (`acknowledged_beforehand`, by a maintenance). `open_s` is how
    long it stood within the time of the report, closings between reopenings left out.
    """

    id: str
    episode: str
    kind: AlertKind
    severity: Severity = Field(description="the worst it had; at each turn: see turns")
    subject: str
    title: str = Field(description="as last told; at each turn: see turns")
    reasons: tuple[str, ...]
    next_step: str
    of_duty: bool = Field(
        description="about a group, member or somebody expected of the duty, or a gateway or "
        "repeater that its groups were on"
    )
    since_at: Moment
    opened_at: Moment
    opened_times: int
    acknowledged_at: Moment | None
    acknowledged_by: str | None
    acknowledged_beforehand: bool
    acknowledge_s: float | None
    note: str | None
    cleared_at: Moment | None
    cleared_because: str | None
    open_s: float
    state: AlertState = Field(description="at the end of the time of the report")
    unsteady: bool
    escalated: int
    maintenance: str | None
    affects: tuple[str, ...]
    held: tuple[HeldRow, ...]
    turns: tuple[AlertTurnRow, ...]


class AlertSums(Document):
    """Over the alerts of the report."""

    alerts: int
    critical: int
    warning: int
    notice: int
    acknowledged: int
    never_acknowledged: int
    acknowledged_beforehand: int
    median_acknowledge_s: float | None
    longest_acknowledge_s: float | None
    still_standing: int
    held: int
    reopened: int = Field(description="alerts that opened more than once")
