"""Alerts said at the broker as a worker would say them: forms that take long to come about, or
many sites. No worker knows of them, so none takes them back.
"""

from collections.abc import Sequence
from typing import Any, Final

from streamer.clock import SystemClock, from_ms
from streamer.contract.published import (
    Alert,
    AlertKind,
    AlertState,
    Beat,
    HeldAlert,
    Maintenance,
    Severity,
)
from streamer.contract.topics import alert_topic, beat_topic, maintenance_topic
from tests.board.rig import Rig
from tests.integration.stage import Peer

CLOCK: Final = SystemClock()
STORM: Final = "network_lost.farisle"
FLAPPING: Final = "gateway_lost.vostrel"
UNHEEDED: Final = "repeater_deaf.kelmarra.vhf"
AGAIN: Final = "clock_skew.pellanq"
MISSED: Final = "QL3XYZ"
"""A member who was missed before nothing could be said of it any more."""
LOST: Final = ("utterfen", "coldrane", "sarnolf", "yewdrack", "galvern")
MINUTE_MS: Final = 60_000
_DAY_MS: Final = 24 * 60 * MINUTE_MS


class Crier:
    """Says what a worker would; close it."""

    def __init__(self, rig: Rig) -> None:
        self._region = rig.view.name
        self._peer = Peer(rig.broker.port, "crier", [])

    def alert(self, alert: Alert) -> None:
        """Retained, as it is while it stands."""
        topic = alert_topic(self._region, alert.id)
        self._peer.publish(topic, alert.model_dump_json().encode(), retain=True)

    def take_back(self, alert_id: str) -> None:
        self._peer.publish(alert_topic(self._region, alert_id), b"", retain=True)

    def work(self, work: Maintenance) -> None:
        topic = maintenance_topic(self._region, work.id)
        self._peer.publish(topic, work.model_dump_json().encode(), retain=True)

    def last_beat(self) -> None:
        """A sign after which no worker's counts: three seconds later it is missing."""
        now_ms = CLOCK.now_ms()
        said = Beat(
            region=self._region, version=now_ms + _DAY_MS, at=from_ms(now_ms), next_within_s=1,
            open=1, acknowledged=0,
        )  # fmt: skip
        self._peer.publish(beat_topic(self._region), said.model_dump_json().encode(), retain=True)

    def close(self) -> None:
        self._peer.close()

    def troubles(self) -> list[Alert]:
        """One of each form: a storm with what it explains, one that comes and goes, one that nobody
        has taken in hand, one that is back."""
        flapping: dict[str, Any] = {
            "opened_times": 5, "unsteady": True, "episode": _episode(FLAPPING, 25), "since_min": 2,
        }  # fmt: skip
        found = [
            _alert(
                self._region, STORM, AlertKind.NETWORK_LOST, self._region, Severity.CRITICAL,
                "5 of 9 gateways are lost at once", held=_held(), affects=LOST,
            ),
            _alert(
                self._region, FLAPPING, AlertKind.GATEWAY_LOST, "vostrel", Severity.WARNING,
                "Gateway vostrel is lost", **flapping,
            ),
            _alert(
                self._region, UNHEEDED, AlertKind.REPEATER_DEAF, "kelmarra/vhf", Severity.CRITICAL,
                "Repeater kelmarra/vhf seems to hear nothing", escalated=2, since_min=12,
            ),
            _alert(
                self._region, AGAIN, AlertKind.CLOCK_SKEW, "pellanq", Severity.WARNING,
                "The clock of gateway pellanq is wrong", opened_times=3,
                episode=_episode(AGAIN, 40), since_min=1,
            ),
        ]  # fmt: skip
        for alert in found:
            self.alert(alert)
        return found


def _episode(name: str, ago_min: float) -> str:
    return f"{name}@{CLOCK.now_ms() - round(ago_min * MINUTE_MS)}"


def _alert(
    region: str,
    name: str,
    kind: AlertKind,
    subject: str,
    severity: Severity,
    title: str,
    since_min: float = 3,
    **more: Any,
) -> Alert:
    now_ms = CLOCK.now_ms()
    since = from_ms(now_ms - round(since_min * MINUTE_MS))
    return Alert(
        region=region, id=name, version=now_ms, kind=kind, severity=severity,
        state=AlertState.OPEN, subject=subject, title=title, reasons=("said for a picture",),
        next_step="Look at it.", since=since, opened_at=since, **more,
    )  # fmt: skip


def _held() -> Sequence[HeldAlert]:
    """Machines, and one member."""
    now_ms = CLOCK.now_ms()
    gateways = [
        HeldAlert(
            id=f"gateway_lost.{name}", kind=AlertKind.GATEWAY_LOST, severity=Severity.CRITICAL,
            subject=name, title=f"Gateway {name} is lost",
            since=from_ms(now_ms - 3 * MINUTE_MS - number),
        )
        for number, name in enumerate(LOST)
    ]  # fmt: skip
    missed = HeldAlert(
        id=f"member.SHORE.{MISSED}", kind=AlertKind.MEMBER_OUT_OF_REACH,
        severity=Severity.CRITICAL, subject=MISSED,
        title=f"{MISSED} of SHORE was not in reach before and cannot be judged now",
        since=from_ms(now_ms - 9 * MINUTE_MS),
    )  # fmt: skip
    return (*gateways, missed)
