"""Alerts brought up to date in a real Redis, also when two do it at once."""

from collections.abc import Iterator

import pytest

from streamer.alerts.conditions import Condition
from streamer.alerts.desk import AlertConflict, acknowledge_alert, raise_alerts
from streamer.contract.published import Alert, AlertKind, AlertState
from streamer.state.keys import ALERTS
from streamer.state.shapes import OutMessage
from streamer.state.store import LEASE_MS, Store, connect
from tests.alerts.test_lifecycle import NOW_MS, condition
from tests.servers import Redis
from tests.state.scene import region

pytestmark = pytest.mark.redis
OWNER = "w/ridge"
TOPIC = "net/scene/alert/gateway_lost.ridge"


@pytest.fixture
def store(empty_redis: Redis) -> Iterator[Store]:
    client = connect(empty_redis.url)
    yield Store(client, region())
    client.close()


def stored(store: Store) -> dict[str, Alert]:
    return {i: Alert.model_validate_json(t) for i, t in store.all_alerts().items()}


def take_out(store: Store, now_ms: int) -> list[OutMessage]:
    return store.claim_out(ALERTS, now_ms, 100)


def test_a_condition_becomes_a_retained_message_once(store: Store) -> None:
    (message,) = raise_alerts(store, OWNER, [condition()], NOW_MS)
    assert (message.topic, message.retain) == (TOPIC, True)
    assert Alert.model_validate_json(message.payload) == stored(store)["gateway_lost.ridge"]
    assert raise_alerts(store, OWNER, [condition()], NOW_MS + 1000) == []
    assert store.alerts_by_kind()[AlertKind.GATEWAY_LOST] == 1
    assert store.owner_of_alert("gateway_lost.ridge") == OWNER


def test_who_raised_it_and_dies_is_replaced_after_the_lease(store: Store) -> None:
    raise_alerts(store, OWNER, [condition()], NOW_MS)
    assert take_out(store, NOW_MS + LEASE_MS - 1) == []
    assert [m.topic for m in take_out(store, NOW_MS + LEASE_MS)] == [TOPIC]


def test_clearing_says_so_and_removes_what_was_retained(store: Store) -> None:
    raised = raise_alerts(store, OWNER, [condition()], NOW_MS)
    store.confirm(ALERTS, raised, NOW_MS)
    last, gone = raise_alerts(store, OWNER, [], NOW_MS + 1000)
    assert (last.topic, last.retain) == (TOPIC, False)
    assert Alert.model_validate_json(last.payload).state is AlertState.CLEARED
    assert (gone.topic, gone.retain, gone.payload) == (TOPIC, True, "")
    assert stored(store) == {}
    assert store.owner_of_alert("gateway_lost.ridge") is None
    store.confirm(ALERTS, [last, gone], NOW_MS + 1000)
    assert store.waiting_out() == 0
    assert store.published(ALERTS, [TOPIC, last.name]) == [None, None]


def test_owners_do_not_touch_each_other(store: Store) -> None:
    raise_alerts(store, OWNER, [condition()], NOW_MS)
    raise_alerts(store, "w/lake", [condition("lake")], NOW_MS)
    raise_alerts(store, OWNER, [], NOW_MS + 1)
    assert set(stored(store)) == {"gateway_lost.lake"}


def test_an_acknowledgement_is_kept_and_offered_to_the_workers_at_once(store: Store) -> None:
    raised = raise_alerts(store, OWNER, [condition()], NOW_MS)
    store.confirm(ALERTS, raised, NOW_MS)
    taken = acknowledge_alert(store, "gateway_lost.ridge", "QA1ABC", "on my way", NOW_MS + 10)
    assert taken.state is AlertState.ACKNOWLEDGED
    assert stored(store) == {taken.id: taken}
    (message,) = take_out(store, NOW_MS + 10)
    assert Alert.model_validate_json(message.payload) == taken
    assert raise_alerts(store, OWNER, [condition()], NOW_MS + 20) == []


@pytest.mark.parametrize("known", [True, False])
def test_what_is_not_there_cannot_be_acknowledged(store: Store, known: bool) -> None:
    if known:
        raise_alerts(store, OWNER, [condition()], NOW_MS)
    with pytest.raises(KeyError, match=r"gateway_lost\.lake"):
        acknowledge_alert(store, "gateway_lost.lake", "QA1ABC", None, NOW_MS)


class Meddling(Store):
    """Between reading and storing, somebody else changes the same alerts, `times` times."""

    times = 0
    other: Store

    def alerts_of(self, owner: str) -> tuple[int, dict[str, str]]:
        answer = super().alerts_of(owner)
        if self.times > 0:
            self.times -= 1
            self.meddle(owner)
        return answer

    def meddle(self, owner: str) -> None:
        reasons = (f"{self.times} more to come",)
        raise_alerts(self.other, owner, [condition(reasons=reasons)], NOW_MS)


@pytest.fixture
def meddling(store: Store, empty_redis: Redis) -> Iterator[Meddling]:
    client = connect(empty_redis.url)
    made = Meddling(client, region())
    made.other = store
    yield made
    client.close()


def test_a_conflict_is_read_again_and_nobody_is_overwritten(
    meddling: Meddling, store: Store
) -> None:
    raise_alerts(store, OWNER, [condition()], NOW_MS)
    meddling.times = 1
    taken = acknowledge_alert(meddling, "gateway_lost.ridge", "QA1ABC", None, NOW_MS)
    assert taken.state is AlertState.ACKNOWLEDGED
    assert taken.reasons == ("0 more to come",)
    assert stored(store) == {taken.id: taken}


def test_the_later_of_two_raisers_sees_what_the_first_did(meddling: Meddling, store: Store) -> None:
    meddling.times = 1
    wrong: list[Condition] = [condition(), condition("lake")]
    messages = raise_alerts(meddling, OWNER, wrong, NOW_MS)
    # The other's message is still being sent: ours goes out behind it, not beside it.
    assert [m.topic for m in messages] == ["net/scene/alert/gateway_lost.lake"]
    assert stored(store)["gateway_lost.ridge"].version == NOW_MS + 1
    assert stored(store)["gateway_lost.ridge"].reasons == ("no heartbeat",)


def test_endless_conflict_is_given_up_with_a_word(meddling: Meddling, store: Store) -> None:
    meddling.times = 50
    with pytest.raises(AlertConflict, match=OWNER):
        raise_alerts(meddling, OWNER, [condition()], NOW_MS)
    raise_alerts(store, OWNER, [condition()], NOW_MS)
    with pytest.raises(AlertConflict, match=r"gateway_lost\.ridge"):
        acknowledge_alert(meddling, "gateway_lost.ridge", "QA1ABC", None, NOW_MS)
