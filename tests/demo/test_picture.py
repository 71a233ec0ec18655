"""The picture keeps the newest version of what is published, and tells what is new."""

from streamer.clock import from_ms
from streamer.contract import topics
from streamer.contract.published import (
    Alert,
    AlertKind,
    AlertState,
    Carriage,
    FanOut,
    FanOutRepeater,
    Member,
    Reach,
    Severity,
    Standing,
    Why,
    WorkerState,
)
from streamer.contract.replies import AckReply
from streamer.demo.picture import ChangeKind, Picture

NOW = 1_767_225_600_000
REGION = "farisle"


def fanout(
    version: int,
    *names: str,
    group: str = "SHORE",
    carriage: Carriage = Carriage.CARRIED,
    at_ms: int = NOW,
) -> bytes:
    repeaters = tuple(
        FanOutRepeater(
            repeater=name, why=(Why.MEMBER,), members=("QA1ABC",), carriage=carriage,
            since=from_ms(NOW),
        )
        for name in names
    )  # fmt: skip
    message = FanOut(
        region=REGION, group=group, version=version, at=from_ms(at_ms), repeaters=repeaters
    )
    return message.model_dump_json().encode()


def worker(at_ms: int, name: str = "worker-1", *, up: bool = True, waiting: int = 0) -> bytes:
    said = WorkerState(
        region=REGION,
        name=name,
        up=up,
        at=from_ms(at_ms),
        next_within_s=5 if up else None,
        waiting=waiting if up else None,
    )
    return said.model_dump_json().encode()


def reach(version: int, repeater: str, standing: Standing) -> bytes:
    member = Member(
        station="QA1ABC",
        standing=standing,
        repeater=repeater,
        last_heard_at=from_ms(NOW),
        checked_in_at=from_ms(NOW),
    )
    message = Reach(
        region=REGION, group="SHORE", version=version, at=from_ms(NOW), members=(member,)
    )
    return message.model_dump_json().encode()


def alert(version: int, state: AlertState) -> bytes:
    message = Alert(
        region=REGION,
        id="repeater_lost-1",
        version=version,
        kind=AlertKind.REPEATER_LOST,
        severity=Severity.CRITICAL,
        state=state,
        subject="ost/vhf",
        title="Repeater ost/vhf is lost",
        reasons=("its gateway says so",),
        next_step="Look at the radio.",
        since=from_ms(NOW),
        opened_at=from_ms(NOW),
    )
    return message.model_dump_json().encode()


def test_an_older_fanout_does_not_replace_a_newer_one() -> None:
    picture, topic = Picture(REGION), topics.fanout_topic(REGION, "SHORE")
    assert len(picture.take(topic, fanout(2, "ost/vhf"), NOW)) == 1
    assert picture.take(topic, fanout(1, "nyr/vhf"), NOW) == []
    assert [r.repeater for r in picture.fanouts["SHORE"].repeaters] == ["ost/vhf"]
    (change,) = picture.take(topic, fanout(3, "nyr/vhf"), NOW)
    assert change.text == "SHORE: +nyr/vhf (1 here) -ost/vhf"


def test_moves_and_standings_are_told() -> None:
    picture, topic = Picture(REGION), topics.reach_topic(REGION, "SHORE")
    picture.take(topic, reach(1, "ost/vhf", Standing.IN_REACH), NOW)
    changes = picture.take(topic, reach(2, "nyr/vhf", Standing.OUT_OF_REACH), NOW)
    assert [(c.kind, c.text) for c in changes] == [
        (ChangeKind.MOVED, "QA1ABC from ost/vhf to nyr/vhf"),
        (ChangeKind.STANDING, "QA1ABC in SHORE: out of reach"),
    ]


def test_an_alert_is_counted_when_it_opens_and_goes_when_it_clears() -> None:
    picture, topic = Picture(REGION), topics.alert_topic(REGION, "repeater_lost-1")
    assert picture.take(topic, alert(1, AlertState.OPEN), NOW)[0].loud
    assert picture.take(topic, alert(2, AlertState.ACKNOWLEDGED), NOW) == []
    assert len(picture.alerts) == 1
    assert picture.take(topic, alert(3, AlertState.CLEARED), NOW)[0].text.startswith("cleared")
    assert picture.take(topic, b"", NOW) == []
    assert picture.take(topic, alert(1, AlertState.OPEN), NOW) == []  # late, and older
    assert picture.alerts == {}
    assert picture.alert_kinds == {"repeater_lost": 1}


def test_events_are_counted_with_their_stations() -> None:
    picture = Picture(REGION)
    common = (
        '"v":1,"boot":"00000001","sent_at":"2026-01-01T00:00:00Z","repeater":"ost/vhf",'
        '"over":"x1","phase":"start"'
    )
    payload = f'[{{{common},"seq":1,"station":"QA1ABC"}},{{{common},"seq":2,"station":"QX3DEF"}}]'
    topic = topics.gateway_topic(REGION, "ost", topics.Kind.HEARD)
    picture.take(topic, payload.encode(), NOW)
    assert picture.stations == {"QA1ABC", "QX3DEF"}
    assert picture.events == 2
    assert picture.events_per_s(NOW) == 0.4  # 2 in 5 s
    assert picture.events_per_s(NOW + 6_000) == 0
    assert picture.newest_ms == NOW  # 2026-01-01T00:00:00Z is Unix time 1 767 225 600


def test_replies_are_told_and_nonsense_is_counted() -> None:
    picture = Picture(REGION)
    reply = AckReply(
        station="QA1ABC", group="SHORE", repeater="ost/vhf", text="IN SHORE", at=from_ms(NOW)
    )
    topic = topics.reply_topic(REGION, "ost")
    (change,) = picture.take(topic, reply.model_dump_json().encode(), NOW)
    assert "IN SHORE" in change.text
    assert picture.take(topic, b"\xff not JSON", NOW) == []
    assert picture.take("net/elsewhere/other", b"{}", NOW) == []
    assert (picture.replies, picture.unreadable) == (1, 1)


WORKER = topics.worker_topic(REGION, "worker-1")


def told(picture: Picture, now_ms: int) -> list[str]:
    return [change.text for change in picture.watch_workers(now_ms)]


def test_a_frozen_worker_is_told_once_and_its_return_too() -> None:
    picture = Picture(REGION)
    for beat in range(3):
        assert picture.take(WORKER, worker(NOW + 2000 * beat), NOW + 2000 * beat) == []
    last = NOW + 4000
    assert told(picture, last + 15_000) == []
    assert told(picture, last + 15_001) == [
        "TROUBLE worker worker-1 has not spoken for 15 s: what is shown is outdated"
    ]
    assert told(picture, last + 20_000) == []
    picture.take(WORKER, worker(last + 21_000), last + 21_000)
    assert told(picture, last + 21_000) == ["well again: worker-1"]


def test_a_worker_that_says_down_is_trouble_at_once() -> None:
    picture = Picture(REGION)
    picture.take(WORKER, worker(NOW), NOW)
    picture.take(WORKER, worker(NOW - 60_000, up=False), NOW + 1000)  # its will
    assert told(picture, NOW + 1000) == [
        "TROUBLE worker worker-1 is down: what is shown is outdated"
    ]
    assert picture.workers.age_s(NOW + 1000) == 1.0
    picture.take(WORKER, b"", NOW + 2000)  # left for good
    assert told(picture, NOW + 2000) == ["well again: worker-1"]


def test_one_silent_worker_of_two_is_trouble() -> None:
    picture = Picture(REGION)
    picture.take(WORKER, worker(NOW), NOW)
    other = topics.worker_topic(REGION, "worker-2")
    for ms in (NOW, NOW + 16_000):
        picture.take(other, worker(ms, "worker-2"), ms)
    assert told(picture, NOW + 16_000) == [
        "TROUBLE worker worker-1 has not spoken for 16 s: what it was dealt is missing here"
    ]
    assert picture.workers.age_s(NOW + 16_000) == 0


def test_a_retained_word_of_long_ago_is_no_sign_of_life() -> None:
    picture = Picture(REGION)
    for _ in range(2):  # again, as after a reconnection
        picture.take(WORKER, worker(NOW - 600_000), NOW)
    assert picture.workers.age_s(NOW) == 600
    assert len(told(picture, NOW)) == 1


def test_a_clock_that_differs_does_not_matter_once_the_worker_speaks() -> None:
    picture = Picture(REGION)
    for beat in range(2):
        picture.take(WORKER, worker(NOW - 600_000 + 2000 * beat), NOW + 2000 * beat)
    assert picture.workers.age_s(NOW + 2500) == 0.5
    assert told(picture, NOW + 2500) == []


def test_where_no_worker_speaks_at_all_it_is_said_after_a_while() -> None:
    picture = Picture(REGION)
    assert told(picture, NOW) == []
    assert told(picture, NOW + 15_001) == [
        "TROUBLE no worker has ever spoken: nobody keeps what is shown here"
    ]


def test_since_when_a_repeater_is_not_carried() -> None:
    picture, topic = Picture(REGION), topics.fanout_topic(REGION, "SHORE")
    not_carried = Carriage.NOT_CARRIED
    first = fanout(1, "ost/vhf", carriage=not_carried, at_ms=NOW + 1000)
    picture.take(topic, first, NOW + 1000)
    key = ("SHORE", "ost/vhf")
    assert picture.not_carried_ms == {key: NOW}  # wanted since then
    picture.take(
        topic, fanout(2, "ost/vhf", "nyr/vhf", carriage=not_carried, at_ms=NOW + 9000), NOW
    )
    assert picture.not_carried_ms[key] == NOW
    picture.take(topic, fanout(3, "ost/vhf", at_ms=NOW + 10_000), NOW)
    assert picture.not_carried_ms == {}
    picture.take(topic, fanout(4, "ost/vhf", carriage=not_carried, at_ms=NOW + 20_000), NOW)
    assert picture.not_carried_ms == {key: NOW + 20_000}  # it ceased to carry
