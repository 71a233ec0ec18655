"""Notices that cannot be read or sent by a fault of ours hold up nothing for long: real Redis."""

import json

import pytest
from structlog.testing import capture_logs

from streamer.alerts.deliveries import STUCK_MS
from streamer.alerts.notice import Undelivered
from streamer.contract.published import AlertKind, Severity
from streamer.state.alerting import Decided, Waiting
from streamer.worker.sending import FAULT_GIVEN_UP_MS, GIVEN_UP_MS, UNREAD_MS
from tests.servers import Redis
from tests.worker.office import HOOK, Office, Told, office_of

pytestmark = pytest.mark.redis
SECRET = "https://hook.example/token"


@pytest.fixture
def office(empty_redis: Redis) -> Office:
    return office_of(empty_redis.url, HOOK)


def put_newer(office: Office) -> None:
    """Before what waits, the same of a kind that only a newer program knows."""
    waiting = office.store._client.lrange(office.store.keys.waiting("hook"), 0, -1)
    newer = str(waiting[0]).replace(AlertKind.GATEWAY_LOST.value, "antenna_iced")
    assert newer != waiting[0]
    office.store._client.lpush(office.store.keys.waiting("hook"), newer)


def test_a_notice_of_another_version_is_left_to_a_newer_worker_first(office: Office) -> None:
    told = Told()
    old = office.sending(told)
    office.lose("ridge")
    put_newer(office)
    old.round()
    office.clock.advance_s(1)
    taken = office.store.take_parcel(
        "hook", "newer", now_ms=office.clock.now_ms(), lease_ms=10_000, pause_ms=0, begin=False
    )
    assert taken is not None
    assert len(taken.notices) == 2
    assert told.parcels == []


def test_then_the_others_of_its_parcel_are_told_and_it_is_kept(office: Office) -> None:
    told = Told()
    sending = office.sending(told)
    office.lose("ridge")
    put_newer(office)
    began_ms = office.clock.now_ms()
    while not told.parcels:
        sending.round()
        assert office.clock.now_ms() - began_ms < 2 * UNREAD_MS < STUCK_MS
        office.clock.advance_s(1)
    assert [n.alert.id for n in told.notices] == ["gateway_lost.ridge"]
    (letter,) = office.store.dead_letters("hook")
    assert letter["why"] == (
        "1 of 2 notices cannot be read: another version of this program stored them"
    )
    assert len(letter["notices"].split("\n")) == 2
    office.lose("lake")
    sending.round()
    assert told.notices[-1].alert.id == "gateway_lost.lake"


def test_one_of_which_nothing_can_be_read_is_kept_and_told_on_other_channels(
    empty_redis: Redis,
) -> None:
    other = HOOK.model_copy(update={"name": "other"})
    office = office_of(empty_redis.url, HOOK, other)
    bad, good = Told(), Told("other")
    sendings = [office.sending(bad), office.sending(good, settings=other)]
    nothing = Decided({}, waiting=[Waiting("hook", office.clock.now_ms(), '{"id": "x"}')])
    office.store.commit_cases(nothing, office.clock.now_ms())
    office.pass_s(75, sendings)
    assert bad.parcels == []
    (lost,) = good.notices
    assert (lost.alert.id, lost.alert.severity) == ("channel_lost.hook", Severity.CRITICAL)
    assert "1 of 1 notice cannot be read" in lost.alert.reasons[0]


def test_a_fault_of_ours_has_a_reason_and_an_end(office: Office) -> None:
    """The reason goes to people: it must not hold what the fault's own words may."""
    told = Told(fails=RuntimeError(SECRET), fails_beat=False, refresh_s=None)
    sending = office.sending(told)
    office.lose("ridge")
    sending.round()
    waiting, made_ms, why = office.store.undelivered("hook")
    assert (waiting, made_ms) == (1, office.clock.now_ms())
    assert why == "a fault of this program (RuntimeError); the log of worker w1 tells more"
    with capture_logs() as logs:
        while not office.store.dead_letters("hook"):
            office.clock.advance_s(30)
            sending.round()
    assert "a channel failed" in [line["event"] for line in logs]
    assert made_ms is not None
    assert FAULT_GIVEN_UP_MS < office.clock.now_ms() - made_ms < GIVEN_UP_MS
    assert SECRET not in json.dumps(office.store.dead_letters("hook"))
    told.fails = None
    office.lose("lake")
    sending.round()
    assert [n.alert.id for n in told.notices] == ["gateway_lost.lake"]


def test_an_alert_of_another_version_does_not_keep_a_channel_from_showing_the_others(
    office: Office,
) -> None:
    told = Told()
    sending = office.sending(told)
    office.lose("ridge")
    text = office.store.all_alerts()["gateway_lost.ridge"]
    newer = text.replace(AlertKind.GATEWAY_LOST.value, "antenna_iced")
    office.store._client.hset(office.store.keys.alerts(), "antenna_iced.ridge", newer)
    sending.round()
    assert told.standing == [["gateway_lost.ridge"]]


def test_what_the_other_side_refuses_is_told_in_its_own_words(office: Office) -> None:
    sending = office.sending(Told(fails=Undelivered("503")))
    office.lose("ridge")
    sending.round()
    assert office.store.undelivered("hook")[2] == "503"
