"""Example messages about trouble: alerts in their forms, maintenance, and the beat."""

from datetime import datetime, timedelta

from streamer.contract import published as out
from streamer.contract import topics
from streamer.contract.example import DESK, GROUP, LEADER, REGION, RIDGE, ROAMER, Example, outgoing

_PORT = f"{RIDGE}/uhf"


def alerts(start: datetime) -> list[Example]:
    """A lost gateway from its opening to its clearing, and one that explains, one that comes and
    goes, one that was foreseen."""
    opened = _lost(start)
    taken = opened.model_copy(
        update={
            "version": opened.version + 1,
            "state": out.AlertState.ACKNOWLEDGED,
            "unheld_since": None,
            "acknowledged_by": LEADER,
            "acknowledged_at": start + timedelta(minutes=2),
            "note": "on the way there",
        }
    )
    cleared = taken.model_copy(
        update={
            "version": taken.version + 1,
            "state": out.AlertState.CLEARED,
            "cleared_at": start + timedelta(minutes=20),
            "cleared_because": "it reports again",
        }
    )
    topic = topics.alert_topic(REGION, opened.id)
    foreseen = _foreseen(start)
    return [
        outgoing("alert-open", topic, "A gateway is lost.", opened),
        outgoing("alert-acknowledged", topic, "Somebody has it in hand.", taken),
        outgoing("alert-cleared", topic, "It is well again; not retained.", cleared, retain=False),
        outgoing(
            "alert-holding", topic,
            "It explains the alert of a member who was out of reach before: that one is held.",
            _holding(opened, start),
        ),
        outgoing(
            "alert-unsteady", topic,
            "It comes and goes, and nobody has it in hand: told to the next step's channels.",
            _unsteady(opened, start),
        ),
        outgoing(
            "alert-maintenance", topics.alert_topic(REGION, foreseen.id),
            "Foreseen: a maintenance covers it, whose orderer has it in hand.", foreseen,
        ),
    ]  # fmt: skip


def _lost(start: datetime) -> out.Alert:
    at = start + timedelta(seconds=16)
    return out.Alert(
        region=REGION,
        id="gateway_lost.ridge",
        version=_ms(at),
        kind=out.AlertKind.GATEWAY_LOST,
        severity=out.Severity.WARNING,
        state=out.AlertState.OPEN,
        subject=RIDGE,
        title="Gateway ridge is lost",
        reasons=("it signed off, or its connection broke",),
        next_step="Call the keeper of ridge: power, network, agent, in this order.",
        since=at,
        episode=f"gateway_lost.ridge@{_ms(at)}",
        opened_at=at,
        unheld_since=at,
        actual=True,
    )


def _holding(opened: out.Alert, start: datetime) -> out.Alert:
    held = out.HeldAlert(
        id=f"member.{GROUP}.{ROAMER}",
        kind=out.AlertKind.MEMBER_OUT_OF_REACH,
        severity=out.Severity.CRITICAL,
        subject=ROAMER,
        title=f"{ROAMER} of {GROUP} is out of reach",
        since=start + timedelta(seconds=12),
    )
    said = "1 member was last heard behind it: silence there says nothing now"
    return opened.model_copy(
        update={
            "version": opened.version + 1,
            "severity": out.Severity.CRITICAL,
            "reasons": (*opened.reasons, said),
            "affects": (ROAMER,),
            "held": (held,),
        }
    )


def _unsteady(opened: out.Alert, start: datetime) -> out.Alert:
    return opened.model_copy(
        update={
            "version": opened.version + 7,
            "since": start + timedelta(minutes=14),
            "opened_at": start + timedelta(minutes=14, seconds=5),
            "opened_times": 3,
            "unsteady": True,
            "escalated": 1,
        }
    )


def _foreseen(start: datetime) -> out.Alert:
    work, at = _work(start), start + timedelta(minutes=31)
    return out.Alert(
        region=REGION,
        id="repeater_lost.ridge.uhf",
        version=_ms(at),
        kind=out.AlertKind.REPEATER_LOST,
        severity=out.Severity.WARNING,
        state=out.AlertState.ACKNOWLEDGED,
        subject=_PORT,
        repeater=_PORT,
        title=f"Repeater {_PORT} is lost",
        reasons=(f"its gateway reports it down since {at:%H:%M:%S}Z",),
        next_step=f"Ask the keeper of {_PORT} to look at the radio.",
        since=at,
        episode=f"repeater_lost.ridge.uhf@{_ms(at)}",
        opened_at=at,
        maintenance=work.id,
        acknowledged_by=work.by,
        acknowledged_at=at,
        note=f"maintenance until {work.until:%H:%M}Z: {work.note}",
    )


# -- maintenance, the beat ---------------------------------------------------------------------


def _work(start: datetime) -> out.Maintenance:
    at = start + timedelta(minutes=30)
    return out.Maintenance(
        region=REGION,
        id="work-20260101-123000-7c1e",
        version=_ms(at),
        subject=_PORT,
        until=at + timedelta(hours=2),
        by=DESK,
        at=at,
        note="new antenna",
    )


def maintenance(start: datetime) -> list[Example]:
    """Planned work that runs, and its end by hand."""
    runs = _work(start)
    changes = {
        "version": runs.version + 1,
        "ended_at": runs.at + timedelta(minutes=55),
        "ended_by": DESK,
    }
    topic, ended = topics.maintenance_topic(REGION, runs.id), runs.model_copy(update=changes)
    return [
        outgoing("maintenance-runs", topic, "Planned work at a repeater.", runs),
        outgoing("maintenance-ended", topic, "It is over; not retained.", ended, retain=False),
    ]


def beat(start: datetime) -> list[Example]:
    """The sign that alerts get through."""
    at = start + timedelta(seconds=30)
    says = "The way of alerts works; one alert is open."
    lives = out.Beat(
        region=REGION, version=_ms(at), at=at, next_within_s=60, open=1, acknowledged=0
    )
    return [outgoing("beat-one", topics.beat_topic(REGION), says, lives)]


def _ms(at: datetime) -> int:
    """Versions are whole milliseconds since 1970."""
    return int(at.timestamp() * 1000)
