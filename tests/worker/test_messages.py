"""What was worked out, as messages of the contract."""

import json
from dataclasses import replace
from typing import Any

import pytest

from streamer.clock import from_ms
from streamer.config import Policy
from streamer.contract.common import MAX_TEXT
from streamer.contract.events import State
from streamer.contract.published import Carriage, FanOut, Reach, Why
from streamer.contract.replies import AckReply, TimeReply
from streamer.domain.fanout import FanOutResult, Wanted
from streamer.domain.membership import judge
from streamer.domain.model import Carrying, Fix, GroupSnapshot, Summary
from streamer.worker.messages import (
    carried_after_s,
    fanout_body,
    fanout_message,
    reach_body,
    reach_message,
    replies,
    time_reply,
)
from tests.domain.make import LAKE, MILL, POLICY, RIDGE, at, group, sight, station


def wanted(
    repeater: str = RIDGE,
    *,
    why: tuple[Why, ...] = (Why.MEMBER,),
    until: float | None = None,
    carriage: Carriage = Carriage.CARRIED,
) -> Wanted:
    members = ("QA1ABC",) if Why.MEMBER in why else ()
    until_ms = None if until is None else at(until)
    return Wanted(repeater, why, members, at(10), until_ms, carriage)


class TestFanOut:
    RESULT = FanOutResult(
        (
            wanted(carriage=Carriage.NOT_CARRIED),
            wanted(LAKE),
            wanted(MILL, why=(Why.LINGER,), until=40, carriage=Carriage.NOT_CARRIED),
        ),
        (("ridge/vhf", at(3)),),
        ("lake/vhf",),
        None,
    )

    def test_it_says_where_and_why(self) -> None:
        snapshot = group(carrying={LAKE: (12.5, True)})
        body = fanout_body("scene", snapshot, self.RESULT)
        message = fanout_message(body, 7, at(50))
        assert (message.topic, message.retain) == ("net/scene/fanout/RESCUE", True)
        assert message.token == "7"
        told = FanOut.model_validate_json(message.payload)
        assert (told.region, told.group, told.version) == ("scene", "RESCUE", 7)
        assert told.at == from_ms(at(50))
        assert [r.repeater for r in told.repeaters] == [RIDGE, LAKE, MILL]
        assert [r.carried_after_s for r in told.repeaters] == [None, 2.5, None]
        assert [r.until for r in told.repeaters] == [None, None, from_ms(at(40))]
        assert told.starved == (RIDGE,)  # a linger alone starves nobody
        assert [(i.repeater, i.since) for i in told.idle] == [("ridge/vhf", from_ms(at(3)))]
        assert told.barred == ("lake/vhf",)

    def test_the_body_does_not_depend_on_version_and_time(self) -> None:
        body = fanout_body("scene", group(), self.RESULT)
        assert body == fanout_body("scene", group(fanout_version=9), self.RESULT)

    @pytest.mark.parametrize(
        ("carriage", "said", "expected"),
        [
            (Carriage.CARRIED, Carrying(at(12.5), True, None, at(12.5)), 2.5),
            (Carriage.CARRIED, Carrying(at(10), True, None, at(10)), 0.0),
            (
                Carriage.CARRIED,
                Carrying(at(9), True, None, at(9)),
                None,
            ),  # before it was called for
            (Carriage.CARRIED, None, None),
            (Carriage.NOT_CARRIED, Carrying(at(12), False, None, at(12)), None),
            (Carriage.UNKNOWN, Carrying(at(12), True, None, at(12)), None),
        ],
    )
    def test_how_long_it_took_to_be_carried(
        self, carriage: Carriage, said: Carrying | None, expected: float | None
    ) -> None:
        assert carried_after_s(wanted(carriage=carriage), said) == expected


def judged(summary: Summary, now: float, policy: Policy = POLICY) -> tuple[Summary, Any]:
    return summary, judge(summary, policy, sight(summary.place.repeater), at(now))


class TestReach:
    def told(self, summary: Summary, now: float) -> Any:
        body = reach_body("scene", group(summary), [judged(summary, now)], POLICY)
        message = reach_message(body, 3, at(now))
        assert (message.topic, message.token, message.retain) == (
            "net/scene/reach/RESCUE",
            "3",
            True,
        )
        told = Reach.model_validate_json(message.payload)
        assert told.version == 3
        assert "not authenticated" in told.caution
        (member,) = told.members
        return member

    def test_a_member(self) -> None:
        member = self.told(station(heard=30, ins=[10, 30], suffix="P"), 40)
        assert (member.station, member.suffix, member.standing) == ("QA1ABC", "P", "in_reach")
        assert (member.repeater, member.last_heard_at) == (RIDGE, from_ms(at(30)))
        assert member.checked_in_at == from_ms(at(10))
        assert member.checked_out_at is None
        assert (member.lat, member.position_at) == (None, None)
        assert member.reasons == ("heard 08:00:30Z on ridge/uhf",)

    def test_one_who_checked_out(self) -> None:
        member = self.told(station(heard=30, ins=[10], out=30), 40)
        assert (member.standing, member.checked_out_at) == ("checked_out", from_ms(at(30)))

    def test_a_position(self) -> None:
        fix = Fix(at(5), -46.5, 20.25, None, None)
        member = self.told(replace(station(ins=[0]), fix=fix), 10)
        assert (member.lat, member.lon, member.position_at) == (-46.5, 20.25, from_ms(at(5)))


class TestReplies:
    """Check-ins and check-outs are answered on the air. common practice, no source."""

    def answers(
        self, summary: Summary, now: float, previous: str | None = None, within: float = 30
    ) -> list[tuple[str, str]]:
        known = {} if previous is None else {summary.station: f"{previous} {RIDGE}"}
        snapshot: GroupSnapshot = group(summary, previous=known)
        made = replies("scene", snapshot, [judged(summary, now)], round(within * 1000), at(now))
        for message in made:
            assert not message.retain
            answer = AckReply.model_validate_json(message.payload)
            assert (answer.station, answer.group) == ("QA1ABC", "RESCUE")
            assert len(answer.text) <= 20
        return [(m.topic, json.loads(m.payload)["text"]) for m in made]

    @pytest.mark.parametrize("previous", [None, "expired", "checked_out"])
    def test_a_check_in(self, previous: str | None) -> None:
        answers = self.answers(station(ins=[0], on=LAKE), 1, previous)
        assert answers == [("net/scene/reply/lake", "IN RESCUE")]

    @pytest.mark.parametrize("previous", ["in_reach", "overdue", "out_of_reach", "blind"])
    def test_a_member_is_not_answered_again(self, previous: str) -> None:
        assert self.answers(station(ins=[0]), 1, previous) == []

    @pytest.mark.parametrize("previous", [None, "in_reach", "overdue", "blind", "expired"])
    def test_a_check_out(self, previous: str | None) -> None:
        for summary in (
            station(heard=5, ins=[0], out=5),
            station(heard=5, ins=[0], words={"OUT": 5, "HELLO": 4}),
        ):
            assert self.answers(summary, 6, previous) == [("net/scene/reply/ridge", "OUT RESCUE")]
            assert self.answers(summary, 6, "checked_out") == []

    def test_late_ones_are_taken_in_silence(self) -> None:
        assert self.answers(station(ins=[0]), 30) != []
        assert self.answers(station(ins=[0]), 30.001) == []
        gone = station(heard=5, ins=[0], out=5)
        assert self.answers(gone, 35) != []
        assert self.answers(gone, 35.001) == []

    def test_the_same_answer_has_the_same_name(self) -> None:
        """So it goes out once, whoever makes it how often."""

        def name(summary: Summary, now: float) -> str:
            (message,) = replies("scene", group(summary), [judged(summary, now)], 30_000, at(now))
            return message.name

        once = station(ins=[3], heard=3)
        assert name(once, 4) == name(once, 9)
        assert name(once, 4) != name(station(ins=[8], heard=8), 9)
        assert name(once, 4) != name(station(heard=3, ins=[1], out=3), 4)

    def test_the_longest_answer_fits(self) -> None:
        assert len("OUT " + "A" * 16) == MAX_TEXT  # GROUP_PATTERN: at most 16


def test_a_heartbeat_is_answered_with_its_own_time_and_ours() -> None:
    """The times T1, T2 and T3 of RFC 5905, section 8 (on-wire protocol)."""
    sent = from_ms(at(-7))
    state = State(v=1, boot="boot0001", session=3, seq=4, sent_at=sent, up=True)
    answer = TimeReply.model_validate_json(time_reply(state, at(1), at(2)))
    assert (answer.boot, answer.session, answer.seq) == ("boot0001", 3, 4)
    assert answer.agent_sent_at == sent
    assert (answer.received_at, answer.replied_at) == (from_ms(at(1)), from_ms(at(2)))
