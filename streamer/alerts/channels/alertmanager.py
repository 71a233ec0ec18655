"""Prometheus Alertmanager by its API v2, for those who have their routing and silences there.

It is told states, not messages: every alert that stands, again and again, since it forgets what it
hears no more of. Nothing is remembered here: what is to be mended is read from its API, so that a
restart of either side, or a second worker, makes no difference.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from streamer.alert_settings import AlertmanagerSettings
from streamer.alerts.channels.http import Caller, secret_text
from streamer.alerts.exercise import is_exercise, is_test
from streamer.alerts.notice import Notice, Parcel, Turn, Undelivered
from streamer.alerts.routing import concerns
from streamer.alerts.words import CAUTION_LINE, EXERCISE, concerned
from streamer.clock import Clock, from_ms, to_ms
from streamer.contract.published import Alert, AlertState, Beat, Severity
from streamer.domain.duty import duty_text
from streamer.domain.urgency import needs_caution

BEAT_NAME: Final = "streamer_alerts_work"
TEST_NAME: Final = "streamer_test"
_JSON: Final = {"content-type": "application/json"}
_LIVES: Final = 3
"""An alert ends by itself after so many refreshes that did not come."""

Labels = Mapping[str, str]


def labels_of(alert: Alert) -> dict[str, str]:
    """What Alertmanager tells alerts apart by, and routes by."""
    return {
        "alertname": TEST_NAME if is_test(alert) else str(alert.kind),
        "alert_id": alert.id,
        "region": alert.region,
        "severity": str(alert.severity),
        "subject": alert.subject,
        "exercise": "true" if is_exercise(alert) else "false",
    }


def annotations_of(alert: Alert) -> dict[str, str]:
    """What people read of it."""
    mark = f"{EXERCISE}: " if is_exercise(alert) else ""
    duty = duty_text(alert.duties)
    running = (f"Running: {duty}.",) if duty else ()
    caution = (CAUTION_LINE,) if needs_caution(alert.kind) else ()
    return {
        "summary": f"{mark}{alert.title}",
        "description": "\n".join([*alert.reasons, *concerned(alert), *running, *caution]),
        "next_step": alert.next_step,
    }


class AlertmanagerChannel:
    """Implements `Channel`. An acknowledged alert is silenced in the name of whoever has it in
    hand, until it is so no longer. Alertmanager judges by its own clock: it must be right to a
    fraction of `refresh_s`."""

    def __init__(self, settings: AlertmanagerSettings, region: str, clock: Clock) -> None:
        self.name = settings.name
        self.refresh_s: float | None = settings.refresh_s
        self._settings = settings
        self._region = region
        self._clock = clock
        self._life_ms = round(settings.refresh_s * _LIVES * 1000)
        # A silence ends by itself too, but after its alert, which would else speak up at its end.
        self._silence_ms = self._life_ms * 2
        self._caller = Caller(
            lambda: settings.url,
            settings.timeout_s,
            settings.ca_file,
            self._login if settings.username is not None else None,
            show_refusal=True,
        )

    def send(self, parcel: Parcel) -> None:
        last = {notice.alert.id: notice for notice in parcel.notices}
        ends = {i: end for i, notice in last.items() if (end := _ended_at(notice)) is not None}
        self._tell([notice.alert for notice in last.values()], ends, parcel=True)

    def refresh(self, standing: Sequence[Alert]) -> None:
        self._tell(standing, {}, parcel=False)

    def send_beat(self, beat: Beat) -> None:
        """An alert that always stands: who routes it to a watchdog hears when it stops."""
        now_ms = self._clock.now_ms()
        labels = {"alertname": BEAT_NAME, "region": beat.region, "severity": "none"}
        said = {
            "summary": f"The way of alerts of region {beat.region} works",
            "description": "Always there. When it ends, alerts may not arrive.",
        }
        ends_ms = now_ms + round(beat.next_within_s * _LIVES * 1000)
        self._post_alerts([_alert(labels, said, from_ms(now_ms), from_ms(ends_ms))])

    def way(self) -> list[str]:
        """Where it leads, for people; raises Undelivered."""
        return [f"API v2 at {self._caller.place()}"]

    def faults(self) -> list[str]:
        """What is wrong with its settings, before anything is sent."""
        try:
            self._caller.place()
            if self._settings.username is not None:
                self._login()
        except Undelivered as error:
            return [str(error)]
        return []

    def _login(self) -> tuple[str, str]:
        file = self._settings.password_file
        return self._settings.username or "", secret_text(file, "password_file") if file else ""

    # -- alerts --------------------------------------------------------------------------------

    def _tell(self, alerts: Sequence[Alert], ends: Mapping[str, datetime], *, parcel: bool) -> None:
        """Bring alerts up to date, and end what is there of them and should not be. Silences are
        made before their alerts are told, and taken away after it."""
        now_ms = self._clock.now_ms()
        until = from_ms(now_ms + self._life_ms)
        there = self._alerts_there()
        if not parcel:
            told_before = {old["labels"]["alert_id"] for old in there}
            alerts = [a for a in alerts if a.id in told_before or self._is_wanted(a)]
        in_hand = {a.id: a for a in alerts if a.id not in ends and _is_silent(a)}
        silences = self._silences_there()
        self._silence(in_hand.values(), silences, now_ms)
        told = [
            _alert(labels_of(a), annotations_of(a), a.opened_at, ends.get(a.id, until))
            for a in alerts
        ]
        known = {alert.id: labels_of(alert) for alert in alerts}
        for old in there:
            alert_id = old["labels"]["alert_id"]
            if old["labels"] == known.get(alert_id) or (parcel and alert_id not in known):
                continue
            if parcel or self._is_stale(old, now_ms, self._life_ms):
                told.append(_alert(old["labels"], old["annotations"], _at(old), from_ms(now_ms)))
        self._post_alerts(told)
        for alert_id in known if parcel else silences:
            for silence in silences.get(alert_id, []) if alert_id not in in_hand else []:
                if parcel or self._is_stale(silence, now_ms, self._silence_ms):
                    self._expire(silence)

    def _is_wanted(self, alert: Alert) -> bool:
        """Whether it would be told here if it opened now; what is there already is told on."""
        return concerns(self._settings, alert) and self._settings.step <= alert.escalated

    def _is_stale(self, there: Mapping[str, Any], now_ms: int, life_ms: int) -> bool:
        """Whether nobody has spoken of it for half a refresh, by the end that was set then. What is
        newer another worker may have brought that knows more than what we were handed."""
        return now_ms - (_ends_ms(there) - life_ms) > self._settings.refresh_s * 500

    def _alerts_there(self) -> list[dict[str, Any]]:
        """Alerts of the region that stand in Alertmanager."""
        found = self._get("/api/v2/alerts")
        return [alert for alert in found if "alert_id" in alert["labels"]]

    def _post_alerts(self, alerts: Sequence[dict[str, Any]]) -> None:
        if alerts:
            self._caller.post(json.dumps(alerts).encode(), _JSON, "/api/v2/alerts")

    # -- silences ------------------------------------------------------------------------------

    def _silences_there(self) -> dict[str, list[dict[str, Any]]]:
        """Our silences that count, by alert id, the eldest first; those that people made there
        have other matchers and are left alone."""
        found: dict[str, list[dict[str, Any]]] = {}
        silences = self._get("/api/v2/silences")
        for silence in sorted(silences, key=lambda s: (s["startsAt"], s["id"])):
            matched = {m["name"]: m["value"] for m in silence["matchers"]}
            alert_id = matched.get("alert_id")
            if alert_id is None or silence["status"]["state"] == "expired":
                continue
            if _same(silence["matchers"], self._matchers(alert_id)):
                found.setdefault(alert_id, []).append(silence)
        return found

    def _silence(
        self, alerts: Iterable[Alert], there: dict[str, list[dict[str, Any]]], now_ms: int
    ) -> None:
        ends = _text(from_ms(now_ms + self._silence_ms))
        lasts_ms = now_ms + self._life_ms + round(self._settings.refresh_s * 1000)
        for alert in alerts:
            ours = there.get(alert.id, [])
            note = f": {alert.note}" if alert.note else ""
            silence = {
                "matchers": self._matchers(alert.id),
                "startsAt": ours[0]["startsAt"] if ours else _text(from_ms(now_ms)),
                "endsAt": ends,
                "createdBy": alert.acknowledged_by or "somebody",
                "comment": f"in hand{note} (streamer)",
            }
            if not ours:
                self._post_silence(silence)
            elif _ends_ms(ours[0]) < lasts_ms or any(
                ours[0][name] != silence[name] for name in ("createdBy", "comment")
            ):
                self._post_silence({**silence, "id": ours[0]["id"]})
            for double in ours[1:]:
                self._expire(double)

    def _post_silence(self, silence: Mapping[str, Any]) -> None:
        self._caller.post(json.dumps(silence).encode(), _JSON, "/api/v2/silences")

    def _expire(self, silence: Mapping[str, Any]) -> None:
        self._caller.ask("DELETE", f"/api/v2/silence/{silence['id']}")

    def _matchers(self, alert_id: str) -> list[dict[str, Any]]:
        return [
            {"name": name, "value": value, "isRegex": False, "isEqual": True}
            for name, value in (("alert_id", alert_id), ("region", self._region))
        ]

    # -- reading -------------------------------------------------------------------------------

    def _get(self, path: str) -> list[dict[str, Any]]:
        """What is there of our region."""
        answer = self._caller.ask("GET", path, query={"filter": f'region="{self._region}"'})
        try:
            found = json.loads(answer.body)
        except ValueError:
            found = None
        if not isinstance(found, list):
            raise Undelivered(
                f"{self._caller.place()}: no list of {path.rsplit('/', 1)[1]} in its answer: "
                "is an Alertmanager there?"
            )
        return found


def _is_silent(alert: Alert) -> bool:
    """Whether nobody need hear of it. What is critical is heard of during planned work too, though
    it is in hand of whoever planned that."""
    if alert.maintenance is not None and alert.severity is Severity.CRITICAL:
        return False
    return alert.state is AlertState.ACKNOWLEDGED


def _ended_at(notice: Notice) -> datetime | None:
    if notice.turn is Turn.CLEARED:
        return notice.alert.cleared_at or notice.at
    return notice.at if notice.turn is Turn.EXPLAINED else None


def _alert(
    labels: Labels, annotations: Mapping[str, str], starts: datetime, ends: datetime
) -> dict[str, Any]:
    # Empty values mean that there is none, and an end before the begin is refused.
    return {
        "labels": {name: value for name, value in labels.items() if value},
        "annotations": {name: value for name, value in annotations.items() if value},
        "startsAt": _text(starts),
        "endsAt": _text(max(starts, ends)),
    }


def _at(old: Mapping[str, Any]) -> datetime:
    return datetime.fromisoformat(old["startsAt"])


def _ends_ms(there: Mapping[str, Any]) -> int:
    return to_ms(datetime.fromisoformat(there["endsAt"]))


def _text(at: datetime) -> str:
    return at.isoformat(timespec="milliseconds")


def _same(matchers: Iterable[Mapping[str, Any]], ours: Iterable[Mapping[str, Any]]) -> bool:
    def comparable(listed: Iterable[Mapping[str, Any]]) -> list[tuple[Any, ...]]:
        return sorted((m["name"], m["value"], m["isRegex"], m.get("isEqual", True)) for m in listed)

    return comparable(matchers) == comparable(ours)
