"""What a newer program, or a fault, has left in the store and this one cannot read stops no round,
and is left as it stands. Real Redis."""

import json
from typing import Any

import pytest
from structlog.testing import capture_logs

from streamer.alerts.conditions import Condition
from streamer.alerts.desk import acknowledge_alert, say_alerts_anew
from streamer.contract.published import AlertKind, Severity
from tests.alerts.story import condition, member
from tests.alerts.test_desk import Office, office_of
from tests.servers import Redis

pytestmark = pytest.mark.redis
RIDGE, MEMBER = "gateway_lost.ridge", "member.NET.QA1ABC"
NEWER = "antenna_iced"
"""A kind that this program does not know."""
ICED = f"{NEWER}.ridge"
SPOILT = ["{", "[]", "null", '"text"', '{"conditions": 5}', '{"conditions": null}', "{}x"]


@pytest.fixture
def office(empty_redis: Redis) -> Office:
    return office_of(empty_redis.url, settle_s=0, clear_s=0, broker_settle_s=0)


def newer(text: str) -> str:
    """The same as of a kind that only a newer program knows."""
    return text.replace(RIDGE, ICED).replace(AlertKind.GATEWAY_LOST.value, NEWER)


def beside(office: Office, key: str, field: str, text: str) -> None:
    """Put into the store what this program would not."""
    office.store._client.hset(key, field, text)
    office.store.wake_desk(office.now_ms)


def kept(office: Office, key: str, field: str) -> Any:
    return office.store._client.hget(key, field)


def add_to_report(office: Office, owner: str, *conditions: dict[str, object]) -> str:
    """A report as a newer program would store it, which says more."""
    said = json.loads(office.store.report_of(owner) or '{"conditions": []}')
    text = json.dumps({**said, "conditions": [*said["conditions"], *conditions]})
    beside(office, office.store.keys.found(), owner, text)
    return text


def iced() -> dict[str, object]:
    made: dict[str, object] = {
        "id": ICED, "kind": NEWER, "severity": "warning", "subject": "ridge", "title": "iced",
        "reasons": [], "next_step": "", "since_ms": 1,
    }  # fmt: skip
    return made


def test_a_case_of_an_unknown_kind_is_left_and_the_others_go_on(office: Office) -> None:
    office.say(condition())
    office.turn()
    cases = office.store.keys.cases()
    text = newer(kept(office, cases, RIDGE))
    beside(office, cases, ICED, text)
    beside(office, office.store.keys.alerts(), ICED, newer(office.store.all_alerts()[RIDGE]))
    office.say(condition("lake"), owner="w/lake")
    office.say()
    with capture_logs() as logs:
        for _ in range(3):
            office.turn(1)
            office.store.wake_desk(office.now_ms)
    assert kept(office, cases, ICED) == text
    assert sorted(office.store.all_alerts()) == [ICED, "gateway_lost.lake"]
    assert [line["case"] for line in logs if line["log_level"] == "error"] == [ICED]  # once
    say_alerts_anew(office.store, office.now_ms)
    with pytest.raises(ValueError, match="another version"):
        acknowledge_alert(office.store, ICED, "ann", None, office.now_ms)


def test_alerts_of_unknown_kinds_are_counted_as_other(office: Office) -> None:
    office.say(condition())
    office.turn()
    table, text = office.store.keys.alerts(), office.store.all_alerts()[RIDGE]
    beside(office, table, ICED, newer(text))
    beside(office, table, "x", text.replace('"warning"', '"grave"'))
    beside(office, table, "y", "{")
    counted = {of: n for of, n in office.store.alerts_counted().items() if n}
    assert counted == {
        ("gateway_lost", "warning"): 1, ("other", "warning"): 1,
        ("gateway_lost", "critical"): 1, ("other", "critical"): 1,
    }  # fmt: skip
    office.store._client.hdel(table, ICED, "x", "y")
    assert {of for of in office.store.alerts_counted() if of[0] == "other"} == {
        ("other", severity.value) for severity in Severity
    }


def test_what_else_is_in_a_report_of_an_unknown_kind_is_heard(office: Office) -> None:
    """The member is in the same report: it must be neither lost nor taken for safe."""
    office.say(member(), owner="g/NET")
    office.turn()
    text = add_to_report(office, "g/NET", iced())
    office.turn(1)
    assert set(office.alerts) == {MEMBER}
    assert office.store.report_of("g/NET") == text
    office.store.wake_desk(office.now_ms)
    office.say(member(), member("QB2DEF"), owner="g/NET")
    office.turn(1)
    assert set(office.alerts) == {MEMBER, "member.NET.QB2DEF"}


def test_a_report_of_which_nothing_is_known_stays(office: Office) -> None:
    text = add_to_report(office, "w/ridge", iced())
    office.turn()
    assert office.store.report_of("w/ridge") == text
    assert office.alerts == {}


@pytest.mark.parametrize("text", SPOILT)
def test_nothing_that_a_spoilt_report_may_be_about_is_over(office: Office, text: str) -> None:
    """That its owner is well again, nobody has said."""
    missing = member(repeater="mill/vhf")
    found = {"g/NET": missing, "w/ridge": condition(), "w/lake": condition("lake")}
    for owner, one in found.items():
        office.say(one, owner=owner)
    office.turn()
    for owner in ("g/NET", "w/ridge"):
        beside(office, office.store.keys.found(), owner, text)
    office.say(owner="w/lake")
    office.turn(1)
    assert set(office.alerts) == {RIDGE, MEMBER}
    assert office.store.report_of("g/NET") == text
    office.say(owner="g/NET")  # it says so now
    office.turn(1)
    assert set(office.alerts) == {RIDGE}


@pytest.mark.parametrize("part", ["endings", "duties"])
def test_a_report_whose_other_parts_are_spoilt_still_says_what_is_wrong(
    office: Office, part: str
) -> None:
    office.say(condition())
    said = json.loads(office.store.report_of("w/ridge") or "")
    beside(office, office.store.keys.found(), "w/ridge", json.dumps({**said, part: 5}))
    office.turn()
    assert set(office.alerts) == {RIDGE}


def test_a_condition_that_can_no_more_be_read_keeps_its_alert(office: Office) -> None:
    office.say(member(), owner="g/NET")
    office.turn()
    said = json.loads(office.store.report_of("g/NET") or "")
    said["conditions"][0]["severity"] = "grave"
    beside(office, office.store.keys.found(), "g/NET", json.dumps(said))
    office.turn(1)
    assert set(office.alerts) == {MEMBER}


def test_trouble_whose_case_is_spoilt_is_told_anew(office: Office) -> None:
    """Told twice is better than never."""
    missing: Condition = member()
    office.say(missing, owner="g/NET")
    office.turn()
    beside(office, office.store.keys.cases(), MEMBER, "{")
    office.say(missing, owner="g/NET")
    (message,) = office.turn(1)
    assert message.topic == f"net/scene/alert/{MEMBER}"
    assert office.alerts[MEMBER].opened_times == 1
