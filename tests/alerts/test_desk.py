"""The desk's rounds in a real Redis, also when two run at once, and parcels of channels."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from streamer.alert_settings import AlertSettings, WebhookSettings
from streamer.alerts.conditions import Condition
from streamer.alerts.desk import AlertConflict, Desk, acknowledge_alert, report, take_back_unknown
from streamer.alerts.notice import Notice, Turn
from streamer.contract.published import Alert, AlertKind, AlertState, Beat, Severity
from streamer.state.alerting import Decided, Ears, TakenParcel
from streamer.state.keys import ALERTS
from streamer.state.shapes import OutMessage
from streamer.state.store import LEASE_MS, Store, connect
from tests.alerts.story import NOW_MS, condition, member
from tests.servers import Redis
from tests.state.scene import region

pytestmark = pytest.mark.redis
OWNER = "w/ridge"
RIDGE = "gateway_lost.ridge"
TOPIC = "net/scene/alert/gateway_lost.ridge"
HOOK = WebhookSettings(name="hook", type="webhook", url="http://127.0.0.1/", gather_s=2)


@dataclass
class Office:
    """A store, a desk, and a clock that the test moves."""

    store: Store
    desk: Desk
    now_ms: int = NOW_MS

    def say(self, *conditions: Condition, owner: str = OWNER, **more: Any) -> None:
        report(self.store, owner, conditions, self.now_ms, **more)

    def turn(self, after_s: float = 0.0) -> list[OutMessage]:
        """A round, so much later; what is about alerts, as if the broker had taken it over."""
        self.now_ms += round(after_s * 1000)
        messages = self.desk.turn(self.now_ms)
        self.store.confirm(ALERTS, messages, self.now_ms)
        return [m for m in messages if "/alert/" in m.name]

    @property
    def alerts(self) -> dict[str, Alert]:
        return {i: Alert.model_validate_json(t) for i, t in self.store.all_alerts().items()}

    def parcel(self, *, owner: str = "w1", begin: bool = False, pause_s: float = 0) -> Any:
        return self.store.take_parcel(
            "hook", owner, now_ms=self.now_ms, lease_ms=10_000, pause_ms=round(pause_s * 1000),
            begin=begin,
        )  # fmt: skip


def office_of(url: str, **settings: Any) -> Office:
    alerts = AlertSettings(**settings).model_dump()
    view = region(alerts=alerts, channel=[HOOK.model_dump(mode="json", exclude_none=True)])
    store = Store(connect(url), view)
    store.wake_desk(NOW_MS)
    return Office(store, Desk(store))


@pytest.fixture
def office(empty_redis: Redis) -> Office:
    return office_of(empty_redis.url, settle_s=0, clear_s=0, broker_settle_s=0)


def test_a_condition_becomes_a_retained_message_once(office: Office) -> None:
    office.say(condition())
    (message,) = office.turn()
    assert (message.topic, message.retain) == (TOPIC, True)
    assert Alert.model_validate_json(message.payload) == office.alerts[RIDGE]
    office.say(condition())
    assert office.turn(1) == []
    counted = office.store.alerts_counted()
    pair = (AlertKind.GATEWAY_LOST, office.alerts[RIDGE].severity)
    assert {of: count for of, count in counted.items() if count} == {pair: 1}
    assert len(counted) == (len(AlertKind) + 1) * len(Severity)  # and those of other kinds
    assert office.store.alert_owners() == [OWNER]


def test_nobody_looks_while_nothing_is_due(office: Office) -> None:
    office.turn()
    office.now_ms += 5000
    assert office.store.claim_desk(office.now_ms) is None
    office.say(condition())
    assert office.store.claim_desk(office.now_ms) == office.now_ms + LEASE_MS


def test_a_round_of_a_worker_that_dies_comes_up_again(office: Office) -> None:
    office.say(condition())
    assert office.store.claim_desk(office.now_ms) is not None  # and then nothing more of it
    assert office.turn(LEASE_MS / 1000 - 0.001) == []
    assert len(office.turn(0.001)) == 1


def test_who_decided_it_and_dies_is_replaced_after_the_lease(office: Office) -> None:
    office.say(condition())
    office.desk.turn(NOW_MS)
    out = office.store.claim_out(ALERTS, NOW_MS + LEASE_MS - 1, 100)
    assert out == []
    out = office.store.claim_out(ALERTS, NOW_MS + LEASE_MS, 100)
    assert TOPIC in [m.topic for m in out]


def test_clearing_says_so_and_removes_what_was_retained(office: Office) -> None:
    office.say(condition())
    office.turn()
    office.say()
    last, gone = office.turn(1)
    assert (last.topic, last.retain) == (TOPIC, False)
    assert Alert.model_validate_json(last.payload).state is AlertState.CLEARED
    assert (gone.topic, gone.retain, gone.payload) == (TOPIC, True, "")
    assert office.alerts == {}
    assert office.store.waiting_out() == 0
    assert office.store.published(ALERTS, [TOPIC, last.name]) == [None, None]
    assert office.store.alert_owners() == []


def test_why_it_is_over_is_said_by_its_owner_and_then_forgotten(office: Office) -> None:
    office.say(member(), owner="g/NET", endings={"member.NET.QB2DEF": "never was in trouble"})
    office.turn()
    office.say(owner="g/NET", endings={"member.NET.QA1ABC": "heard on lake/uhf"})
    assert office.store.report_of("g/NET") is not None
    (last, _) = office.turn(1)
    assert Alert.model_validate_json(last.payload).cleared_because == "heard on lake/uhf"
    assert office.store.report_of("g/NET") is None


def test_owners_do_not_touch_each_other(office: Office) -> None:
    office.say(condition())
    office.say(condition("lake"), owner="w/lake")
    office.turn()
    office.say()
    office.turn(1)
    assert set(office.alerts) == {"gateway_lost.lake"}


def test_an_acknowledgement_is_kept_and_offered_to_the_workers_at_once(office: Office) -> None:
    office.say(condition())
    office.turn()
    taken = acknowledge_alert(office.store, RIDGE, "QA1ABC", "on my way", NOW_MS + 10)
    assert taken.state is AlertState.ACKNOWLEDGED
    assert office.alerts == {taken.id: taken}
    (message,) = office.store.claim_out(ALERTS, NOW_MS + 10, 100)
    assert Alert.model_validate_json(message.payload) == taken
    assert office.turn(1) == []
    assert office.alerts == {taken.id: taken}


@pytest.mark.parametrize("known", [True, False])
def test_what_is_not_there_cannot_be_acknowledged(office: Office, known: bool) -> None:
    if known:
        office.say(condition())
        office.turn()
    with pytest.raises(KeyError, match=r"gateway_lost\.lake"):
        acknowledge_alert(office.store, "gateway_lost.lake", "QA1ABC", None, NOW_MS)


def test_what_is_only_pending_or_over_cannot_be_acknowledged(empty_redis: Redis) -> None:
    office = office_of(empty_redis.url)
    office.say(condition())
    office.turn()
    with pytest.raises(KeyError):
        acknowledge_alert(office.store, RIDGE, "QA1ABC", None, NOW_MS)
    office.turn(5)
    office.say()
    office.turn()
    office.turn(5)
    with pytest.raises(KeyError):
        acknowledge_alert(office.store, RIDGE, "QA1ABC", None, office.now_ms)


class Meddling(Store):
    """Between reading and storing, somebody else takes the alert in hand, `times` times."""

    times = 0
    other: Store

    def commit_cases(self, decided: Decided, now_ms: int) -> list[OutMessage] | None:
        if self.times > 0:
            self.times -= 1
            acknowledge_alert(self.other, RIDGE, "bob", f"{self.times}", now_ms, take_over=True)
        return super().commit_cases(decided, now_ms)


@pytest.fixture
def meddling(office: Office, empty_redis: Redis) -> Iterator[Meddling]:
    client = connect(empty_redis.url)
    made = Meddling(client, office.store.view)
    made.other = office.store
    office.say(condition())
    office.turn()
    yield made
    client.close()


def test_a_conflict_is_read_again_and_nobody_is_overwritten(
    meddling: Meddling, office: Office
) -> None:
    meddling.times = 2
    with pytest.raises(ValueError, match="in the hands of bob"):
        acknowledge_alert(meddling, RIDGE, "ann", None, NOW_MS + 1)
    assert office.alerts[RIDGE].acknowledged_by == "bob"


def test_whoever_keeps_losing_gives_up_for_now(meddling: Meddling) -> None:
    meddling.times = 99
    with pytest.raises(AlertConflict, match=r"gateway_lost\.ridge"):
        acknowledge_alert(meddling, RIDGE, "ann", None, NOW_MS + 1, take_over=True)


def test_a_round_that_was_overtaken_changes_nothing_and_is_run_again(
    meddling: Meddling, office: Office
) -> None:
    meddling.times = 1
    office.say()
    office.now_ms += 1000
    assert Desk(meddling).turn(office.now_ms) == []
    assert office.alerts[RIDGE].acknowledged_by == "bob"
    last, _ = office.turn()
    cleared = Alert.model_validate_json(last.payload)
    assert (cleared.state, cleared.acknowledged_by) == (AlertState.CLEARED, "bob")


def test_two_desks_tell_each_turn_once(office: Office, empty_redis: Redis) -> None:
    other = Desk(Store(connect(empty_redis.url), office.store.view))
    told = []
    for n in range(20):
        office.say(*([condition()] if n % 2 == 0 else []))
        office.now_ms += 1000
        for desk in (office.desk, other):
            messages = desk.turn(office.now_ms)
            office.store.confirm(ALERTS, messages, office.now_ms)
            told += messages
    states = [Alert.model_validate_json(m.payload).state for m in told if "#" in m.name]
    opened = [m for m in told if "/alert/" in m.name and "#" not in m.name and m.payload]
    versions = [int(m.token) for m in opened]
    assert len(set(versions)) == len(versions)
    assert len(opened) + len(states) >= 5  # the third opening makes it unsteady


def test_what_an_older_version_left_standing_is_taken_back_and_said_anew(office: Office) -> None:
    """Before there were cases, the table and what was retained were all there was."""
    office.say(condition())
    office.turn()
    office.store._client.delete(office.store.keys.cases(), office.store.keys.found())
    assert set(office.alerts) == {RIDGE}
    take_back_unknown(office.store, NOW_MS + 10)
    assert office.alerts == {}
    out = office.store.claim_out(ALERTS, NOW_MS + 10 + LEASE_MS, 100)
    assert [(m.topic, m.payload) for m in out] == [(TOPIC, "")]
    assert office.store.gateway("ridge").conditions == "outdated"
    take_back_unknown(office.store, NOW_MS + 20)  # and no more to do


# -- the beat ------------------------------------------------------------------------------------


def test_the_beat_takes_the_same_way_as_alerts(office: Office) -> None:
    office.say(condition())
    messages = {m.topic: m for m in office.desk.turn(NOW_MS)}
    beat = Beat.model_validate_json(messages["net/scene/beat"].payload)
    assert (beat.open, beat.acknowledged, beat.next_within_s) == (1, 0, 60)
    assert messages["net/scene/beat"].retain
    beats = []
    for _ in range(130):
        office.now_ms += 1000
        beats += [m for m in office.desk.turn(office.now_ms) if m.topic.endswith("/beat")]
        office.store.wake_desk(office.now_ms)
    assert len(beats) == 2


def test_a_worker_without_a_broker_raises_the_alarm_through_the_desk(office: Office) -> None:
    office.store.note_ears(Ears("w1", NOW_MS, NOW_MS - 1000, False))
    office.turn()
    assert set(office.alerts) == {"broker_lost.scene"}
    assert office.parcel() is None
    office.now_ms += 2000
    assert office.parcel() is not None
    office.store.note_ears(Ears("w1", office.now_ms, office.now_ms, True))
    office.store.wake_desk(office.now_ms)
    office.turn()
    assert office.alerts == {}


# -- parcels -------------------------------------------------------------------------------------


def notices(parcel: TakenParcel) -> list[Notice]:
    return [Notice.model_validate_json(text) for text in parcel.notices]


def test_what_happens_within_gather_s_goes_into_one_parcel(office: Office) -> None:
    office.say(condition())
    office.turn()
    office.turn(1)
    office.say(condition("lake"), owner="w/lake")
    office.turn()
    assert office.parcel() is None
    office.now_ms += 1000
    parcel = office.parcel()
    assert [(n.alert.subject, n.turn) for n in notices(parcel)] == [
        ("ridge", Turn.OPENED), ("lake", Turn.OPENED),
    ]  # fmt: skip
    assert parcel.tries == 1


def test_a_parcel_is_one_workers_until_its_lease_ends_and_then_the_same_again(
    office: Office,
) -> None:
    office.say(condition())
    office.turn()
    office.now_ms += 2000
    first = office.parcel()
    assert office.parcel(owner="w2") is None
    office.say(condition("lake"), owner="w/lake")
    office.turn(5)
    office.now_ms += 5000
    again = office.parcel(owner="w2")
    assert (again.id, again.notices, again.tries) == (first.id, first.notices, 2)


def test_a_worker_that_is_back_sends_at_once_what_it_had_begun(office: Office) -> None:
    office.say(condition())
    office.turn()
    office.now_ms += 2000
    first = office.parcel()
    assert office.parcel(owner="w2", begin=True) is None
    assert office.parcel(begin=True).id == first.id


def test_delivered_means_that_the_next_is_another_after_a_pause(office: Office) -> None:
    office.say(condition())
    office.turn()
    office.now_ms += 2000
    first = office.parcel()
    assert office.store.parcel_delivered("hook", first, office.now_ms)
    assert not office.store.parcel_delivered("hook", first, office.now_ms)
    office.say()
    office.turn(1)
    office.now_ms += 2000
    assert office.parcel(pause_s=30) is None
    office.now_ms += 27_000
    second = office.parcel(pause_s=30)
    assert second.id != first.id
    (ended,) = notices(second)
    assert (ended.turn, len(ended.earlier)) == (Turn.CLEARED, 1)


def test_what_is_not_taken_comes_again_when_it_is_due(office: Office) -> None:
    office.say(condition())
    office.turn()
    office.now_ms += 2000
    first = office.parcel()
    due_ms = office.now_ms + 500
    assert office.store.parcel_later("hook", first, office.now_ms, due_ms, "refused: 503")
    assert office.store.undelivered("hook") == (1, first.made_ms, "refused: 503")
    assert office.parcel() is None
    office.now_ms += 500
    assert office.parcel().tries == 2


def test_what_was_given_up_is_kept_with_the_reason(office: Office) -> None:
    office.say(condition())
    office.turn()
    office.now_ms += 2000
    first = office.parcel()
    assert office.store.parcel_dead("hook", first, office.now_ms, "no such address")
    (letter,) = office.store.dead_letters("hook")
    assert (letter["id"], letter["why"]) == (first.id, "no such address")
    assert json.loads(letter["notices"])["alert"]["id"] == RIDGE
    assert office.store.undelivered("hook") == (0, None, "")


def test_what_is_done_once_for_a_mark_is_done_by_the_first_that_asks(
    office: Office, empty_redis: Redis
) -> None:
    other = Store(connect(empty_redis.url), office.store.view)
    assert office.store.first_to("hook", "beat", 7)
    assert not other.first_to("hook", "beat", 7)
    assert other.first_to("hook", "beat", 8)
    assert not office.store.first_to("hook", "beat", 7)


def test_an_acknowledgement_is_told_to_whoever_was_told_of_the_alert(office: Office) -> None:
    office.say(condition())
    office.turn()
    acknowledge_alert(office.store, RIDGE, "ann", None, NOW_MS + 10)
    office.now_ms += 2010
    assert [n.turn for n in notices(office.parcel())] == [Turn.OPENED, Turn.ACKNOWLEDGED]
