"""What was committed is published, the newest last, whoever dies in between."""

from collections.abc import Iterator
from itertools import count

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from streamer.clock import ManualClock
from streamer.mqtt.connection import Incoming
from streamer.state.shapes import Claim, Outcome, OutMessage
from streamer.state.store import LEASE_MS, Store, connect
from streamer.worker.batch import Batch
from streamer.worker.intake import Intake
from tests.servers import Redis
from tests.state.scene import START_MS, Bench, Teller, region

pytestmark = pytest.mark.redis
TOPIC = "net/scene/fanout/NET"


@pytest.fixture
def store(empty_redis: Redis) -> Iterator[Store]:
    client = connect(empty_redis.url)
    yield Store(client, region())
    client.close()


class Group:
    """NET, looked at again and again; each time it has something new to say."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.partition = store.keys.partition_of("NET")
        self._versions = count(1)
        self.newest = 0

    def claim(self, now_ms: int = START_MS) -> Claim:
        self.store.wake(["g/NET"], now_ms)
        (claim,) = self.store.claim_due(self.partition, now_ms)
        return claim

    def outcome(self, claim: Claim, *messages: OutMessage) -> Outcome:
        (snapshot,) = self.store.groups(["NET"])
        return Outcome(claim, snapshot.rev, snapshot.ver, messages=list(messages))

    def say(self, now_ms: int = START_MS, *, retain: bool = True) -> list[OutMessage]:
        """Commit the next version; what the committer may send at once."""
        self.newest = next(self._versions)
        message = OutMessage(TOPIC, str(self.newest), f'{{"n":{self.newest}}}', retain)
        sent = self.commit(self.outcome(self.claim(now_ms), message), now_ms)
        assert sent is not None
        return sent

    def commit(self, outcome: Outcome, now_ms: int = START_MS) -> list[OutMessage] | None:
        """What the committer may send at once; None if the outcome was outdated."""
        ((_, sent),) = self.store.commit([outcome], now_ms)
        return sent

    def take(self, now_ms: int = START_MS) -> list[OutMessage]:
        return self.store.claim_out(self.partition, now_ms, 100)

    def confirm(self, messages: list[OutMessage], now_ms: int = START_MS) -> None:
        self.store.confirm(self.partition, messages, now_ms)


def merge(store: Store, *said: Incoming) -> None:
    """What a worker does with messages before it looks at anything."""
    batch = Batch()
    for message in said:
        Intake(store.view).take(message, START_MS, batch)
    store.apply_gateways(batch.gateways, START_MS)
    tells = store.apply_stations(batch.keyings, START_MS)
    store.apply_groups(tells, batch.routes, START_MS)


@pytest.fixture
def net(store: Store) -> Group:
    return Group(store)


class TestOutbox:
    def test_who_commits_sends(self, net: Group) -> None:
        (message,) = net.say()
        assert net.take(START_MS + LEASE_MS - 1) == []  # nobody else does meanwhile
        net.confirm([message])
        assert net.take(START_MS + 10 * LEASE_MS) == []
        assert net.store.waiting_out() == 0
        assert net.store.published(net.partition, [TOPIC]) == [message]

    def test_who_dies_before_sending_is_replaced_after_the_lease(self, net: Group) -> None:
        (message,) = net.say()
        assert net.store.waiting_out() == 1
        assert net.take(START_MS + LEASE_MS) == [message]
        assert net.take(START_MS + 2 * LEASE_MS - 1) == []
        assert net.take(START_MS + 2 * LEASE_MS) == [message]  # the replacement died too

    def test_newer_content_waits_for_the_older_in_flight_and_goes_out_last(
        self, net: Group
    ) -> None:
        first = net.say(START_MS)
        assert net.say(START_MS + 10) == []  # not beside the first: they might change places
        assert net.take(START_MS + 20) == []
        net.confirm(first, START_MS + 30)
        (second,) = net.take(START_MS + 30)
        assert second.token == "2"
        net.confirm([second], START_MS + 40)
        assert net.store.waiting_out() == 0
        assert net.store.published(net.partition, [TOPIC]) == [second]

    def test_of_many_newer_ones_the_newest_alone_goes_out(self, net: Group) -> None:
        first = net.say()
        for _ in range(5):
            assert net.say() == []
        net.confirm(first)
        assert [m.token for m in net.take()] == ["6"]

    def test_a_late_word_about_an_older_one_does_not_hide_the_newer(self, net: Group) -> None:
        first = net.say()
        net.confirm(first)
        second = net.say()
        net.confirm(first)  # the same confirmation once more
        assert [m.token for m in net.take(START_MS)] == ["2"]
        net.confirm(second)
        net.confirm(first)
        assert [m.token for m in net.take(START_MS + LEASE_MS)] == ["2"]

    def test_what_is_not_retained_is_kept_until_it_is_sent(self, net: Group) -> None:
        sent = net.say(retain=False)
        net.confirm(sent)
        assert net.store.published(net.partition, [TOPIC]) == [None]
        assert net.store.waiting_out() == 0

    def test_content_survives_as_it_was(self, net: Group) -> None:
        odd = OutMessage("net/scene/reply/ridge#x", "7", "two\nlines \u00e9\u4e2d", False)
        assert OutMessage.from_content(odd.name, odd.content()) == odd
        assert odd.topic == "net/scene/reply/ridge"
        sent = net.commit(net.outcome(net.claim(), odd))
        assert sent == [odd]
        assert net.take(START_MS + LEASE_MS) == [odd]


steps = st.lists(st.sampled_from(["say", "send", "die", "take", "wait"]), max_size=30)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps)
def test_whatever_happens_the_reader_ends_with_the_newest(
    redis_server: Redis, what: list[str]
) -> None:
    """Workers that send within their lease, or die: nothing older is ever sent after newer."""
    client = connect(redis_server.url)
    client.flushall()
    net, clock = Group(Store(client, region())), ManualClock(START_MS)
    in_hand: list[OutMessage] = []
    arrived: list[int] = []

    def send() -> None:
        arrived.extend(int(m.token) for m in in_hand)
        net.confirm(in_hand, clock.now_ms())
        in_hand.clear()

    for step in what:
        if step == "say":
            in_hand += net.say(clock.now_ms())
        elif step == "send":
            send()
        elif step == "die":
            in_hand.clear()
        elif step == "take":
            in_hand += net.take(clock.now_ms())
        else:
            in_hand.clear()  # whoever still holds something after the lease has died
            clock.advance_s(LEASE_MS / 1000)
    send()
    for _ in range(3):
        clock.advance_s(LEASE_MS / 1000)
        in_hand += net.take(clock.now_ms())
        send()
    assert arrived == sorted(arrived)
    assert (arrived[-1] if arrived else 0) == net.newest
    assert net.store.waiting_out() == 0
    client.close()


class TestCommit:
    def test_a_stale_one_is_refused_and_the_subject_looked_at_again(self, net: Group) -> None:
        claim = net.claim()
        outcome = net.outcome(claim, OutMessage(TOPIC, "1", "{}", True))
        outcome.fields["#conditions"] = "told"
        merge(net.store, Teller("ridge").route(START_MS, "NET", "carrying"))
        assert net.commit(outcome, START_MS + 1) is None
        assert net.store.waiting_out() == 0
        # Neither what was told nor that nothing was: whatever is found is told again.
        assert net.store.groups(["NET"])[0].conditions == "outdated"
        assert [c.subject for c in net.store.claim_due(net.partition, START_MS + 1)] == ["g/NET"]

    def test_of_two_who_looked_at_the_same_time_one_commits(self, net: Group) -> None:
        claim = net.claim()
        both = [net.outcome(claim, OutMessage(TOPIC, n, "{}", True)) for n in "12"]
        assert net.commit(both[0]) is not None
        assert net.store.claim_due(net.partition, START_MS + LEASE_MS) == []
        assert net.commit(both[1]) is None
        # What the loser had seen may be something else: it is looked at once more.
        assert [c.subject for c in net.store.claim_due(net.partition, START_MS)] == ["g/NET"]

    def test_of_several_subjects_the_outdated_alone_are_refused(self, net: Group) -> None:
        groups = ["NET", "TALK", "RESCUE"]
        net.store.wake([f"g/{name}" for name in groups], START_MS)
        claims = [c for p in net.store.partitions for c in net.store.claim_due(p, START_MS)]
        found = net.store.groups([c.name for c in claims])
        outcomes = [
            Outcome(
                c, s.rev, s.ver, messages=[OutMessage(f"net/scene/x/{c.name}", "1", "{}", True)]
            )
            for c, s in zip(claims, found, strict=True)
        ]
        outcomes[0].messages.append(OutMessage(f"{TOPIC}/more", "1", "{}", True))
        merge(net.store, Teller("ridge").route(START_MS, "TALK", "carrying"))
        sent = {o.claim.name: m for o, m in net.store.commit(outcomes, START_MS)}
        assert sent == {o.claim.name: o.messages for o in outcomes} | {"TALK": None}
        assert net.store.waiting_out() == 3

    def test_the_next_time_is_kept(self, net: Group) -> None:
        outcome = net.outcome(net.claim())
        outcome.next_ms = START_MS + 60_000
        net.commit(outcome)
        assert net.store.claim_due(net.partition, START_MS + 59_999) == []
        assert len(net.store.claim_due(net.partition, START_MS + 60_000)) == 1

    def test_without_a_next_time_it_rests(self, net: Group) -> None:
        net.commit(net.outcome(net.claim()))
        assert net.store.claim_due(net.partition, START_MS + 10**9) == []

    def test_a_claimer_who_dies_is_replaced_after_the_lease(self, net: Group) -> None:
        net.claim()
        assert net.store.claim_due(net.partition, START_MS + LEASE_MS - 1) == []
        assert len(net.store.claim_due(net.partition, START_MS + LEASE_MS)) == 1

    def test_a_wake_during_the_look_stands(self, net: Group) -> None:
        claim = net.claim()
        outcome = net.outcome(claim)
        outcome.next_ms = START_MS + 60_000
        net.store.wake(["g/NET"], START_MS + 5)
        assert net.commit(outcome, START_MS + 6) is not None
        assert len(net.store.claim_due(net.partition, START_MS + 6)) == 1

    def test_waking_never_puts_a_subject_off(self, net: Group) -> None:
        net.store.wake(["g/NET"], START_MS)
        net.store.wake(["g/NET"], START_MS + 50_000)
        assert len(net.store.claim_due(net.partition, START_MS)) == 1

    def test_fields_are_set_and_dropped(self, net: Group) -> None:
        outcome = net.outcome(net.claim())
        outcome.fields |= {"#conditions": "abc", "#fanout_version": "4"}
        net.commit(outcome)
        assert net.store.groups(["NET"])[0].fanout_version == 4
        outcome = net.outcome(net.claim())
        outcome.drop = ["#conditions"]
        net.commit(outcome)
        (snapshot,) = net.store.groups(["NET"])
        assert (snapshot.conditions, snapshot.fanout_version, snapshot.ver) == ("", 4, 2)


class TestForgetting:
    """Stations that nobody heard of for longer than the latest event that still counts."""

    def test_a_station_is_forgotten_and_can_come_again(self, empty_redis: Redis) -> None:
        bench = Bench(region(), empty_redis.url)
        worker, ridge = bench.worker(), Teller("ridge")
        worker.run([ridge.heard(START_MS, "QA1ABC", "o1", to="TALK")])
        worker.settle()
        bench.clock.advance_s(worker.store.forget_ms / 1000 - 0.001)
        worker.settle()
        assert worker.store.station("QA1ABC") is not None
        bench.clock.advance_s(0.001)
        worker.settle()
        assert worker.store.station("QA1ABC") is None
        assert worker.store.groups(["TALK"])[0].members == ()
        assert worker.store.untold_stations(bench.clock.now_ms() + 10**9) == []
        now_ms = bench.clock.now_ms()
        worker.run([ridge.heard(now_ms, "QA1ABC", "o2", to="TALK")])
        assert [m.station for m in worker.store.groups(["TALK"])[0].members] == ["QA1ABC"]

    def test_one_heard_meanwhile_is_not(self, empty_redis: Redis) -> None:
        bench = Bench(region(), empty_redis.url)
        worker, ridge = bench.worker(), Teller("ridge")
        worker.run([ridge.heard(START_MS, "QA1ABC", "o1", to="TALK")])
        worker.settle()
        bench.clock.advance_s(worker.store.forget_ms / 1000)
        worker.run([ridge.heard(bench.clock.now_ms(), "QA1ABC", "o2")])
        worker.settle()
        record = worker.store.station("QA1ABC")
        assert record is not None
        assert record.place.over == "o2"

    def test_a_group_drops_a_station_only_as_it_knew_it(self, net: Group) -> None:
        """Told of it again meanwhile, it keeps it: the outcome was worked out before."""
        merge(net.store, Teller("ridge").heard(START_MS, "QA1ABC", "o1", to="NET"))
        (snapshot,) = net.store.groups(["NET"])
        outcome = net.outcome(net.claim())
        outcome.drop_stations = [("QA1ABC", str(int(snapshot.members[0].rev) - 1))]
        assert net.commit(outcome) is not None
        assert len(net.store.groups(["NET"])[0].members) == 1
        outcome = net.outcome(net.claim())
        outcome.drop_stations = [("QA1ABC", snapshot.members[0].rev)]
        assert net.commit(outcome) is not None
        assert net.store.groups(["NET"])[0].members == ()


def test_what_was_taken_back_lately_is_taken_back_again_from_a_broker_that_forgot(
    store: Store,
) -> None:
    """As after kill -9 of a broker that had not saved yet that something is gone."""
    group = Group(store)
    partition = group.partition
    store.confirm(partition, group.say(), START_MS)
    back = OutMessage(TOPIC, "99", "", True)
    sent = group.commit(group.outcome(group.claim(), back))
    assert sent == [back]
    store.confirm(partition, sent, START_MS + 1000)
    assert store.published(partition, [TOPIC]) == [None]
    assert store.claim_out(partition, START_MS + 2000, 100) == []
    store.offer_all(START_MS + 3000)
    (again,) = store.claim_out(partition, START_MS + 3000, 100)
    assert (again.topic, again.payload, again.retain) == (TOPIC, "", True)
    store.confirm(partition, [again], START_MS + 3000)
    # What is there again since is not taken back.
    store.confirm(partition, group.say(START_MS + 4000), START_MS + 4000)
    store.offer_all(START_MS + 5000)
    (there,) = store.claim_out(partition, START_MS + 5000, 100)
    assert there.payload
    store.confirm(partition, [there], START_MS + 5000)


def test_what_was_taken_back_long_ago_is_forgotten(store: Store) -> None:
    group = Group(store)
    sent = group.commit(group.outcome(group.claim(), OutMessage(TOPIC, "99", "", True)))
    assert sent is not None
    store.confirm(group.partition, sent, START_MS)
    store.offer_all(START_MS + 3_600_001)
    assert store.claim_out(group.partition, START_MS + 3_600_001, 100) == []
