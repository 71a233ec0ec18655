"""The picture keeps the newest version of what is published, and tells what is new."""

from streamer.clock import from_ms
from streamer.contract import topics
from streamer.contract.published import (
    AckReply,
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
)
from streamer.demo.picture import ChangeKind, Picture

NOW = 1_767_225_600_000
REGION = "farisle"


def fanout(version: int, *names: str, group: str = "SHORE") -> bytes:
    repeaters = tuple(
        FanOutRepeater(
            repeater=name, why=(Why.MEMBER,), members=("QA1ABC",), carriage=Carriage.CARRIED
        )
        for name in names
    )
    message = FanOut(
        region=REGION, group=group, version=version, at=from_ms(NOW), repeaters=repeaters
    )
    return message.model_dump_json().encode()


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
