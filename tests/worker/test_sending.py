"""What a channel is sent, and what becomes of what it does not take: real Redis, made-up ways."""

import threading
from itertools import pairwise

import pytest

from streamer.alerts.deliveries import STUCK_MS
from streamer.alerts.desk import report
from streamer.alerts.notice import Turn, Undelivered
from streamer.contract.published import AlertKind, Severity
from streamer.worker.sending import GIVEN_UP_MS, Sender, Sending
from tests.alerts.story import NOW_MS, condition, member
from tests.servers import Redis, wait_until
from tests.worker.office import HOOK, Office, Told, office_of

pytestmark = pytest.mark.redis


@pytest.fixture
def office(empty_redis: Redis) -> Office:
    return office_of(empty_redis.url, HOOK)


def test_a_parcel_is_sent_once_under_an_id_of_the_region_and_channel(office: Office) -> None:
    told = Told()
    sending, other = office.sending(told), office.sending(told, "w2")
    office.lose("ridge")
    for _ in range(3):
        sending.round()
        other.round()
    (parcel,) = told.parcels
    assert parcel.id.startswith("scene-hook-")
    assert [(n.turn, n.alert.subject) for n in parcel.notices] == [(Turn.OPENED, "ridge")]
    assert "not authenticated" in parcel.caution


def test_what_is_not_taken_is_tried_again_each_minute_and_then_kept(office: Office) -> None:
    told = Told(fails=Undelivered("503"), clock=office.clock)
    sending = office.sending(told)
    office.lose("ridge")
    while not office.store.dead_letters("hook"):
        sending.round()
        office.clock.advance_s(30)
    assert office.clock.now_ms() - NOW_MS >= GIVEN_UP_MS
    assert office.store.dead_letters("hook")[0]["why"] == "503"
    tries = [at for at in told.tried_ms if at > NOW_MS + 3_600_000]
    pauses_s = [(after - before) / 1000 for before, after in pairwise(tries)]
    assert 30 <= min(pauses_s) <= max(pauses_s) <= 60  # 60 s, spread down to half, in steps of 30
    told.fails = None
    office.lose("lake")
    sending.round()
    assert "lake" in [n.alert.subject for p in told.parcels for n in p.notices]


def test_what_is_refused_for_good_is_kept_at_once(office: Office) -> None:
    sending = office.sending(Told(fails=Undelivered("410 gone", final=True)))
    office.lose("ridge")
    sending.round()
    (letter,) = office.store.dead_letters("hook")
    assert (letter["why"], letter["tries"]) == ("410 gone", "1")
    assert office.metrics.delivery_well.labels("hook")._value.get() == 0


def test_what_happens_while_it_fails_goes_together_afterwards(office: Office) -> None:
    told = Told(fails=Undelivered("away"))
    sending = office.sending(told)
    office.lose("ridge")
    sending.round()
    for n in range(5):
        office.clock.advance_s(1)
        there = [member(f"QA{n}ABC", repeater="lake/uhf")] if n % 2 else []
        report(office.store, "g/NET", there, office.clock.now_ms())
        office.round()
    told.fails = None
    office.clock.advance_s(60)
    sending.round()
    sending.round()
    assert [len(p.notices) for p in told.parcels] == [1, 4]


def test_when_the_other_side_is_back_all_that_waited_goes_within_a_minute(
    empty_redis: Redis,
) -> None:
    """Also where two messages have to be `pause_s` apart: the pause is over long since."""
    hook = HOOK.model_copy(update={"pause_s": 30.0})
    office = office_of(empty_redis.url, hook)
    told = Told(fails=Undelivered("away"))
    sending = office.sending(told, settings=hook)
    office.lose("ridge")
    sending.round()
    office.pass_s(1200, [sending], 10)
    report(office.store, "g/NET", [member(repeater="lake/uhf")], office.clock.now_ms())
    office.round()
    office.pass_s(30, [sending])
    told.fails = None
    back_ms = office.clock.now_ms()
    while "QA1ABC" not in [n.alert.subject for p in told.parcels for n in p.notices]:
        office.pass_s(1, [sending])
    assert office.clock.now_ms() - back_ms <= 62_000


def test_no_beat_while_a_message_is_not_taken(office: Office) -> None:
    told = Told(refresh_s=None)
    sending = office.sending(told)
    office.pass_s(61, [sending])
    assert told.beats
    told.fails = Undelivered("away")
    office.lose("ridge")
    office.pass_s(STUCK_MS // 1000 + 1, [sending])
    told.fails_beat, told.beats = False, []
    office.pass_s(180, [sending])
    assert told.beats == []  # they would arrive, the messages do not
    told.fails = None
    office.pass_s(130, [sending])
    assert told.beats


def test_a_channel_that_fails_is_told_on_the_others(empty_redis: Redis) -> None:
    other = HOOK.model_copy(update={"name": "other", "beat": False})
    office = office_of(empty_redis.url, HOOK, other)
    bad, good = Told(fails=Undelivered("503")), Told("other")
    sendings = [office.sending(bad), office.sending(good, settings=other)]
    office.lose("ridge")
    office.pass_s(119, sendings)
    assert [n.alert.kind for n in good.notices] == [AlertKind.GATEWAY_LOST]
    office.pass_s(12, sendings)  # the desk looks each ten seconds
    told = good.notices[-1].alert
    assert (told.id, told.severity, told.subject) == (
        "channel_lost.hook", Severity.CRITICAL, "hook",
    )  # fmt: skip
    # NOW_MS is 2027-01-15T08:00:00Z, by hand: 1 800 000 000 s = 20 833 days and 28 800 s;
    # the parcel was made a second later.
    assert told.title == "Channel hook does not deliver since 08:00:01Z"
    assert told.reasons == ("1 notice not taken: 503",)
    assert "streamer channels REGION.toml --send hook" in told.next_step
    bad.fails = None
    office.pass_s(75, sendings)
    assert good.notices[-1].turn is Turn.CLEARED
    assert {n.alert.kind for n in bad.notices} == {AlertKind.GATEWAY_LOST}


def test_a_channel_on_which_no_worker_sends_is_told_on_the_others(empty_redis: Redis) -> None:
    """It was added, and no worker started again since; or its thread hangs."""
    other = HOOK.model_copy(update={"name": "other", "beat": False})
    office = office_of(empty_redis.url, HOOK, other)
    good = Told("other")
    sendings = [office.sending(good, settings=other)]
    office.lose("ridge")
    office.pass_s(119, sendings)
    assert [n.alert.id for n in good.notices] == ["gateway_lost.ridge"]
    office.pass_s(12, sendings)  # the desk looks each ten seconds
    assert [n.alert.id for n in good.notices[1:]] == ["channel_lost.hook"]
    assert "no worker takes up" in good.notices[-1].alert.reasons[0]
    sendings.append(office.sending(Told()))
    office.pass_s(12, sendings)
    assert (good.notices[-1].turn, good.notices[-1].alert.id) == (
        Turn.CLEARED, "channel_lost.hook",
    )  # fmt: skip


def _gathering(server: Redis) -> tuple[Office, Told, Sending]:
    """A channel that gathers for five seconds."""
    hook = HOOK.model_copy(update={"gather_s": 5.0})
    office = office_of(server.url, hook)
    told = Told()
    return office, told, office.sending(told, settings=hook)


def test_a_notice_from_a_clock_that_was_ahead_holds_up_nothing(empty_redis: Redis) -> None:
    office, told, sending = _gathering(empty_redis)
    office.clock.advance_s(600)
    office.lose("ridge")
    office.clock.advance_s(-600)
    office.lose("lake")
    sending.round()
    assert [n.alert.subject for n in told.notices] == ["ridge", "lake"]


def test_what_two_workers_clocks_differ_by_is_gathered(empty_redis: Redis) -> None:
    office, told, sending = _gathering(empty_redis)
    office.clock.advance_s(60)
    office.lose("ridge")
    office.clock.advance_s(-60)
    sending.round()
    assert told.parcels == []
    office.clock.advance_s(65)
    sending.round()
    assert [n.alert.subject for n in told.notices] == ["ridge"]


def test_what_was_given_up_is_told_on_the_others_for_an_hour(empty_redis: Redis) -> None:
    other = HOOK.model_copy(update={"name": "other", "beat": False})
    office = office_of(empty_redis.url, HOOK, other)
    bad, good = Told(fails=Undelivered("410 gone", final=True)), Told("other")
    sendings = [office.sending(bad), office.sending(good, settings=other)]
    office.lose("ridge")
    office.pass_s(12, sendings)
    alert = good.notices[-1].alert
    assert alert.title == "Channel hook gave up 1 message since 08:00:01Z"
    assert alert.reasons == ("1 message given up, the last at 08:00:01Z: 410 gone",)
    bad.fails = None
    office.pass_s(3570, sendings, 10)
    assert good.notices[-1].turn is not Turn.CLEARED
    office.pass_s(40, sendings)
    assert (good.notices[-1].turn, good.notices[-1].alert.id) == (
        Turn.CLEARED, "channel_lost.hook",
    )  # fmt: skip


def test_a_beat_is_sent_by_one_worker_and_each_once(office: Office) -> None:
    told = Told()
    sendings = [office.sending(told), office.sending(told, "w2")]
    for _ in range(4):
        office.round()
        for sending in sendings * 2:
            sending.round()
        office.clock.advance_s(61)
    assert len(told.beats) == 4
    assert len({beat.at for beat in told.beats}) == 4


def test_a_refresh_names_what_the_channel_should_show_by_one_worker(office: Office) -> None:
    told = Told()
    sendings = [office.sending(told), office.sending(told, "w2")]
    office.lose("ridge")
    report(
        office.store, "w/lake", [condition("lake", severity=Severity.NOTICE)], NOW_MS
    )  # less than it wants
    office.round()
    for _ in range(3):
        for sending in sendings * 2:
            sending.round()
        office.clock.advance_s(10)
    assert told.standing == [["gateway_lost.ridge"]] * 3


def test_a_fault_of_ours_ends_no_thread(office: Office) -> None:
    told = Told(fails=RuntimeError("a fault"), refresh_s=None)
    sender = Sender([office.sending(told)])
    office.lose("ridge")
    sender.start()
    try:
        office.clock.advance_s(60)  # the lease of whoever failed is over
        told.fails = None
        office.clock.advance_s(60)
        wait_until(lambda: told.parcels, "it to be told after all")
    finally:
        sender.stop()
    assert not [t for t in threading.enumerate() if t.name == "channel hook"]


def test_a_worker_that_only_drains_never_sends(office: Office) -> None:
    told = Told()
    office.lose("ridge")
    Sender([office.sending(told)]).stop()
    assert told.parcels == []
