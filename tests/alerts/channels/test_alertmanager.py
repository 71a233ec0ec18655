"""What a real Alertmanager (Debian's prometheus-alertmanager) holds and tells, by its own API."""

import json
import shutil
import urllib.request
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from streamer.alert_settings import AlertmanagerSettings
from streamer.alerts.channels.alertmanager import BEAT_NAME, TEST_NAME, AlertmanagerChannel
from streamer.alerts.notice import Turn, Undelivered
from streamer.clock import Clock, ManualClock, SystemClock
from streamer.contract.published import Alert, AlertKind, Beat, Severity
from streamer.reading.channels import trial_parcel
from tests.alerts.channels.making import (
    PLAYED,
    Listener,
    alert,
    at,
    cleared,
    in_hand,
    member,
    notice,
    parcel,
)
from tests.servers import Server, free_port, program, wait_until

CONFIG = """
route: {{receiver: hook, group_by: [alert_id], group_wait: 50ms, group_interval: 200ms}}
receivers: [{{name: hook, webhook_configs: [{{url: "{url}"}}]}}]
"""


class Alertmanager(Server):
    """On a free port, without a cluster; tells `hook` what it tells people."""

    def __init__(self, hook: str = "http://127.0.0.1:1/") -> None:
        super().__init__()
        self._program = program("prometheus-alertmanager", "alertmanager")
        self.port = free_port()
        (self.folder / "config.yml").write_text(CONFIG.format(url=hook))

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        return [
            self._program, "--config.file=config.yml", "--storage.path=data",
            f"--web.listen-address=127.0.0.1:{self.port}", "--cluster.listen-address=",
            "--log.level=warn",
        ]  # fmt: skip

    def answers(self) -> bool:
        try:
            return self.ask("status") is not None
        except OSError:
            return False

    def ask(self, path: str) -> Any:
        with urllib.request.urlopen(f"{self.url}/api/v2/{path}", timeout=5) as answer:
            return json.load(answer)

    def alerts(self, region: str) -> dict[str, dict[str, Any]]:
        """Those of a region that stand, by id; none twice."""
        found = self.ask("alerts?filter=" + quote(f'region="{region}"'))
        by_id = {a["labels"].get("alert_id", a["labels"]["alertname"]): a for a in found}
        assert len(by_id) == len(found), found
        return by_id

    def silences(self, region: str) -> list[dict[str, Any]]:
        """Those that count."""
        found = self.ask("silences?filter=" + quote(f'region="{region}"'))
        return [s for s in found if s["status"]["state"] != "expired"]

    def silence(self, **matched: str) -> None:
        """As somebody does by hand, for an hour."""
        now_ms = SystemClock().now_ms()
        data = {
            "matchers": [
                {"name": n, "value": v, "isRegex": False, "isEqual": True}
                for n, v in matched.items()
            ],
            "startsAt": _text(now_ms), "endsAt": _text(now_ms + 3_600_000),
            "createdBy": "zoe", "comment": "by hand",
        }  # fmt: skip
        request = urllib.request.Request(
            f"{self.url}/api/v2/silences", json.dumps(data).encode(),
            {"content-type": "application/json"},
        )  # fmt: skip
        urllib.request.urlopen(request, timeout=5).close()


def _text(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1000).astimezone().isoformat()


@pytest.fixture(scope="module")
def server() -> Iterator[Alertmanager]:
    server = Alertmanager()
    server.start()
    yield server
    server.close()


_regions = iter(f"r{n}" for n in range(1000))


@pytest.fixture
def region() -> str:
    """One that no other test uses."""
    return next(_regions)


def channel(
    server: Alertmanager | Listener, region: str, clock: Clock | None = None, **more: Any
) -> AlertmanagerChannel:
    fields = {"refresh_s": 600, "timeout_s": 5, **more}
    settings = AlertmanagerSettings(type="alertmanager", name="am", url=server.url, **fields)
    return AlertmanagerChannel(settings, region, clock or SystemClock())


def long_ago() -> ManualClock:
    """So that the times that a test lets pass lie behind the server's clock too."""
    return ManualClock(SystemClock().now_ms() - 1000_000)


def state(server: Alertmanager, region: str, alert_id: str) -> str:
    return str(server.alerts(region)[alert_id]["status"]["state"])


# -- one alert's way -------------------------------------------------------------------------------


def test_open_in_hand_and_cleared(server: Alertmanager, region: str) -> None:
    way = channel(server, region)
    lost = alert(region=region)
    way.send(parcel(notice(lost)))
    found = server.alerts(region)[lost.id]
    assert found["labels"] == {
        "alertname": "gateway_lost", "alert_id": lost.id, "region": region,
        "severity": "critical", "subject": "ridge", "exercise": "false",
    }  # fmt: skip
    assert found["annotations"] == {
        "summary": lost.title, "next_step": lost.next_step,
        "description": "\n".join([*lost.reasons, "Concerns: QA1AA, QA1AB."]),
    }  # fmt: skip
    assert datetime.fromisoformat(found["startsAt"]) == lost.opened_at
    assert found["status"]["state"] == "active"

    way.send(parcel(notice(in_hand(lost), Turn.ACKNOWLEDGED, 60)))
    (silence,) = server.silences(region)
    assert (silence["createdBy"], silence["comment"]) == ("ann", "in hand: on my way (streamer)")
    assert state(server, region, lost.id) == "suppressed"
    assert server.alerts(region)[lost.id]["status"]["silencedBy"] == [silence["id"]]

    way.send(parcel(notice(cleared(in_hand(lost)), Turn.CLEARED, 300)))
    assert server.alerts(region) == {}
    assert server.silences(region) == []


def test_it_ends_three_refreshes_after_nobody_speaks_of_it(
    server: Alertmanager, region: str
) -> None:
    begin_ms = SystemClock().now_ms()
    channel(server, region, ManualClock(begin_ms), refresh_s=100).refresh([alert(region=region)])
    ends = datetime.fromisoformat(server.alerts(region)["gateway_lost.ridge"]["endsAt"])
    assert round(ends.timestamp() * 1000) == begin_ms + 300_000


def test_worse_is_one_alert_with_its_new_severity_and_nobodys(
    server: Alertmanager, region: str
) -> None:
    way = channel(server, region)
    late = member(region=region, severity=Severity.WARNING, kind=AlertKind.MEMBER_OVERDUE)
    way.send(parcel(notice(in_hand(late), Turn.ACKNOWLEDGED)))
    assert state(server, region, late.id) == "suppressed"
    way.send(parcel(notice(member(region=region), Turn.WORSE, 600)))
    found = server.alerts(region)[late.id]  # one, or it fails
    assert found["labels"]["severity"] == "critical"
    assert found["labels"]["alertname"] == "member_out_of_reach"
    assert found["status"]["state"] == "active"
    assert server.silences(region) == []


def test_what_another_explains_is_gone(server: Alertmanager, region: str) -> None:
    way = channel(server, region)
    way.send(parcel(notice(alert(region=region)), notice(member(region=region))))
    part = cleared(alert(region=region), "part of: most gateways are silent")
    way.send(parcel(notice(part, Turn.EXPLAINED, 60, cause="network_lost.hill")))
    assert set(server.alerts(region)) == {"member.NET.QA1AA"}


def test_an_exercise_is_in_the_labels_and_in_the_words(server: Alertmanager, region: str) -> None:
    overdue = {"kind": AlertKind.MEMBER_OVERDUE, "title": "QA1AA of NET is overdue"}
    channel(server, region).refresh([member(region=region, duties=(PLAYED,), **overdue)])
    found = server.alerts(region)["member.NET.QA1AA"]
    assert found["labels"]["exercise"] == "true"
    assert found["annotations"]["summary"] == "EXERCISE: QA1AA of NET is overdue"
    assert "heard does not mean safe" in found["annotations"]["description"]
    assert "Running: EXERCISE: winter search." in found["annotations"]["description"]


def test_planned_work_silences_what_is_not_critical(server: Alertmanager, region: str) -> None:
    """Whoever planned it has both in hand; what is critical is told all the same."""
    covered = {"maintenance": "m1", "region": region}
    lost = in_hand(alert(**covered), "bob")
    lesser = in_hand(alert(id="x", severity=Severity.WARNING, **covered), "bob")
    channel(server, region).refresh([lost, lesser])
    assert state(server, region, lost.id) == "active"
    assert state(server, region, "x") == "suppressed"


def test_a_trial_is_no_real_alert(server: Alertmanager, region: str) -> None:
    channel(server, region).send(trial_parcel("am", region, SystemClock().now_ms()))
    assert server.alerts(region)["test"]["labels"]["alertname"] == TEST_NAME


# -- again and again, and by several ---------------------------------------------------------------


def test_two_workers_and_many_refreshes_make_one_of_each(server: Alertmanager, region: str) -> None:
    clock = long_ago()
    ways = [channel(server, region, clock) for _ in range(2)]
    standing = [in_hand(alert(region=region)), member(region=region)]
    seen = set()
    for turn in range(8):
        ways[turn % 2].refresh(standing)
        (silence,) = server.silences(region)
        seen.add(silence["id"])
        found = server.alerts(region)
        assert len(found) == 2
        ends = [datetime.fromisoformat(s["endsAt"]) for s in (silence, found[standing[0].id])]
        assert ends[0] > ends[1]  # else the alert would speak up at its end
        clock.advance_s(100)
    assert len(seen) == 1


def test_a_silence_made_twice_at_once_is_one_at_the_next_refresh(
    server: Alertmanager, region: str
) -> None:
    standing = [in_hand(alert(region=region))]
    for _ in range(2):
        server.silence(alert_id="gateway_lost.ridge", region=region)
    channel(server, region).refresh(standing)
    (silence,) = server.silences(region)
    assert silence["createdBy"] == "ann"
    channel(server, region).refresh([in_hand(alert(region=region), "bob", note=None)])
    (silence,) = server.silences(region)
    assert (silence["createdBy"], silence["comment"]) == ("bob", "in hand (streamer)")


def test_what_people_silence_there_is_their_own(server: Alertmanager, region: str) -> None:
    server.silence(region=region, severity="critical")
    way = channel(server, region)
    way.refresh([in_hand(alert(region=region))])
    way.send(parcel(notice(cleared(in_hand(alert(region=region))), Turn.CLEARED, 300)))
    (silence,) = server.silences(region)
    assert silence["createdBy"] == "zoe"


def test_what_stands_no_more_is_ended_unless_somebody_just_spoke_of_it(
    server: Alertmanager, region: str
) -> None:
    """A clearing that never arrived is made good; an alert that another worker has just told, and
    that was not yet there when ours looked, is left alone."""
    clock = long_ago()
    way = channel(server, region, clock)
    way.refresh([in_hand(alert(region=region)), member(region=region)])
    way.refresh([])
    assert len(server.alerts(region)) == 2
    assert len(server.silences(region)) == 1
    clock.advance_s(299)
    way.refresh([member(region=region)])
    assert len(server.alerts(region)) == 2
    clock.advance_s(2)  # more than half of refresh_s since the lost gateway was told
    way.refresh([member(region=region)])
    assert set(server.alerts(region)) == {"member.NET.QA1AA"}
    assert server.silences(region) == []


def test_only_what_the_channel_wants_is_brought_and_what_is_there_is_kept(
    server: Alertmanager, region: str
) -> None:
    wants = {"least": Severity.CRITICAL, "step": 1, "groups": ("NET",)}
    clock = long_ago()
    way = channel(server, region, clock, **wants)
    one = {"region": region, "escalated": 1}
    standing: list[Alert] = [
        member(id="told", **one),
        member(id="not-yet", region=region),
        member(id="lesser", severity=Severity.WARNING, **one),
        member(id="other-group", group="TALK", **one),
    ]
    way.refresh(standing)
    assert set(server.alerts(region)) == {"told"}
    clock.advance_s(301)
    way.refresh([standing[0].model_copy(update={"severity": Severity.WARNING}), *standing[1:]])
    assert set(server.alerts(region)) == {"told"}


# -- trouble ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("keeps_data", [True, False])
def test_killed_and_started_again_nothing_is_missing(keeps_data: bool) -> None:
    server = Alertmanager()
    try:
        server.start()
        way = channel(server, "hill")
        standing = [in_hand(alert()), member(), alert(id="b", subject="crag")]
        way.refresh(standing)
        before = server.alerts("hill")
        server.kill()
        with pytest.raises(Undelivered, match="no connection: Connection refused") as caught:
            way.send(parcel(notice(alert(id="c", subject="knoll"))))
        assert not caught.value.final
        if not keeps_data:
            shutil.rmtree(server.folder / "data")
        server.start()
        way.send(parcel(notice(alert(id="c", subject="knoll"))))  # as the worker tries again
        way.refresh([*standing, alert(id="c", subject="knoll")])
        after = server.alerts("hill")
        assert set(after) == {*before, "c"}
        for alert_id, was in before.items():
            for name in ("labels", "annotations", "startsAt"):
                assert after[alert_id][name] == was[name]
            assert after[alert_id]["status"]["state"] == was["status"]["state"]
        assert len(server.silences("hill")) == 1
    finally:
        server.close()


def test_people_hear_of_what_is_open_and_of_its_end_and_not_of_what_is_in_hand() -> None:
    with Listener() as listener:
        server = Alertmanager(listener.url)
        try:
            server.start()
            way = channel(server, "hill")

            def heard(status: str) -> set[str]:
                told = [json.loads(data) for _, _, data in listener.got]
                alerts = [a for one in told for a in one["alerts"]]
                return {a["labels"]["alert_id"] for a in alerts if a["status"] == status}

            lost, held = alert(), in_hand(alert(id="held"))
            way.send(parcel(notice(held, Turn.ACKNOWLEDGED), notice(lost)))
            wait_until(lambda: heard("firing"), "the alert at its receiver")
            way.send(parcel(notice(cleared(lost), Turn.CLEARED, 300)))
            wait_until(lambda: heard("resolved"), "its end at the receiver")
            assert heard("firing") == heard("resolved") == {lost.id}
        finally:
            server.close()


def test_the_beat_stands_and_ends_when_it_is_not_heard(server: Alertmanager, region: str) -> None:
    def beat(version: int, next_within_s: float) -> Beat:
        return Beat(region=region, version=version, at=at(0), next_within_s=next_within_s,
                    open=0, acknowledged=0)  # fmt: skip

    way = channel(server, region)
    for version in (1, 2):
        way.send_beat(beat(version, 60))
        way.refresh([])
        assert set(server.alerts(region)) == {BEAT_NAME}
    other = f"{region}-b"
    way.send_beat(beat(3, 0.3).model_copy(update={"region": other}))
    assert set(server.alerts(other)) == {BEAT_NAME}
    wait_until(lambda: not server.alerts(other), "the beat to end")


def test_four_hundred_at_once(server: Alertmanager, region: str) -> None:
    many = [member(id=f"member.NET.Q{n}", subject=f"Q{n}", region=region) for n in range(400)]
    channel(server, region).send(parcel(*(notice(one) for one in many)))
    assert len(server.alerts(region)) == 400
    over = [notice(cleared(one, "heard"), Turn.CLEARED, 300) for one in many]
    channel(server, region).send(parcel(*over))
    assert server.alerts(region) == {}


def test_something_else_listens_there() -> None:
    with Listener() as listener, pytest.raises(Undelivered, match="is an Alertmanager there"):
        channel(listener, "hill").refresh([alert()])


def test_user_and_password(tmp_path: Path) -> None:
    """Source: the example of RFC 7617, section 2."""
    file = tmp_path / "password"
    file.write_text("open sesame\n")
    with Listener() as listener:
        listener.body = b"[]"
        way = channel(listener, "hill", username="Aladdin", password_file=file)
        way.refresh([alert()])
        assert {headers["authorization"] for _, headers, _ in listener.got} == {
            "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="
        }
        assert way.faults() == []
    file.unlink()
    (fault,) = way.faults()
    assert "password_file" in fault
    assert "cannot be read" in fault


def test_what_it_refuses_is_told_in_its_words(server: Alertmanager) -> None:
    """An empty label value is none: without any the request is refused for good."""
    way = channel(server, "hill")
    with pytest.raises(Undelivered, match="refuses it: 400") as caught:
        way._post_alerts([{"labels": {}, "annotations": {}}])
    assert caught.value.final
