"""A recorded stream of a gateway is sent once more, through a real broker and worker: nothing
counts, nothing changes, nothing is told. It is recognised by boot and number, or by its times."""

import json
from collections.abc import Sequence
from typing import Any

import pytest

from streamer.contract.topics import Kind
from streamer.mqtt.connection import Incoming
from tests.integration.conftest import MakeStage
from tests.integration.rig import HOUR_S, REGION
from tests.integration.stage import Stage
from tests.servers import wait_until
from tests.state.scene import Teller, message, moment

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.timeout(120)]

OF_OURS = ("gw", "refused", "beat", "worker", "reply")
"""Topics that come about by the clock, or that are what was said. Answers to heartbeats are looked
at apart."""


class Day:
    """What ridge and lake said within the last minutes: members who came, moved and went."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.tellers = {name: Teller(name) for name in ("ridge", "lake")}
        begin_ms = stage.now_ms - 600_000
        self.said: list[Incoming] = [t.state(begin_ms) for t in self.tellers.values()]
        for n in range(30):
            teller = self.tellers["ridge" if n % 3 else "lake"]
            ms, station = begin_ms + n * 10_000, f"QA{n % 5}ABC"
            text = {"text": "OUT"} if n == 25 else {}
            self.said.append(teller.heard(ms, station, f"o{n}", to="NET", **text))
            if n % 7 == 0:
                self.said.append(teller.route(ms, "NET", "carrying"))

    def events_of(self, gateway: str) -> int:
        return self.tellers[gateway].seq


def state_of(stage: Stage) -> dict[str, Any]:
    """What is known and told, without the count of what came again."""
    stations = {name: stage.store.station(name) for name in (f"QA{n}ABC" for n in range(5))}
    return {
        "members": stage.reach("NET").get("members"),
        "fan-out": stage.fanout("NET").get("repeaters"),
        "stations": {
            name: (s.place, s.path, s.check_ins, s.check_outs) for name, s in stations.items() if s
        },
        "ranges": {g: stage.store.gateway(g).ranges for g in ("ridge", "lake")},
    }  # fmt: skip


def told(stage: Stage) -> list[tuple[str, bytes]]:
    return [m for m in list(stage.reader.messages) if m[0].split("/")[2] not in OF_OURS]


@pytest.fixture
def day(make_stage: MakeStage) -> Day:
    stage = make_stage(**{**REGION, "limits": {**REGION["limits"], "roster_refresh_s": HOUR_S}})
    stage.worker()
    day = Day(stage)
    stage.say(*day.said)
    for name in day.tellers:
        stage.expect(lambda n=name: stage.counted(n), day.events_of(name), "all of it")  # type: ignore[misc]
    stage.expect(lambda: len(stage.places("NET")), 5, "the members")
    stage.quiet()
    stage.quiet()
    return day


def sent_again(day: Day, messages: Sequence[Incoming]) -> list[tuple[str, bytes]]:
    """What is told beyond what comes about by the clock."""
    stage = day.stage
    before, answers = len(told(stage)), {g: len(stage.times(g)) for g in day.tellers}
    stage.say(*messages)
    stage.quiet()
    stage.quiet()
    assert {g: len(stage.times(g)) for g in day.tellers} == answers  # an old heartbeat: no answer
    assert [stage.replies(g) for g in day.tellers] == [[], []]
    return told(stage)[before:]


def test_as_it_was_recorded(day: Day) -> None:
    stage = day.stage
    before = state_of(stage)
    assert sent_again(day, day.said) == []
    assert state_of(stage) == before
    for name in day.tellers:
        events = day.events_of(name)
        assert stage.counted(name) == events
        assert stage.store.gateway(name).counts["duplicate"] == events
    assert stage.ever("gateway_lost") == set()


def changed(incoming: Incoming, gateway: str | None = None, **changes: Any) -> Incoming:
    _, _, _, name, kind = incoming.topic.split("/")
    content = {**json.loads(incoming.payload), **changes}
    return message(gateway or name, Kind(kind), content)


def test_under_other_numbers(day: Day) -> None:
    """They count, for nobody can know better, and change nothing: newer is known."""
    stage = day.stage
    before = state_of(stage)
    again = [changed(m, boot="0190000000000000", seq=n) for n, m in enumerate(day.said[2:], 1)]
    assert sent_again(day, again) == []
    after = state_of(stage)
    assert after["members"] == before["members"]
    assert after["fan-out"] == before["fan-out"]
    places = {name: s[0] for name, s in before["stations"].items()}
    assert {name: s[0] for name, s in after["stations"].items()} == places


def test_older_than_is_taken(day: Day) -> None:
    stage = day.stage
    before, old = state_of(stage), moment(stage.now_ms - 25 * 3_600_000)
    heard = [m for m in day.said if m.topic.endswith("heard")]
    again = [
        changed(m, boot="0190000000000002", seq=n, sent_at=old, started_at=old)
        for n, m in enumerate(heard, 1)
    ]
    assert sent_again(day, again) == []
    wait_until(lambda: stage.store.refusals().get("late") == len(heard), "all to be refused")
    assert {k: v for k, v in state_of(stage).items() if k != "ranges"} == {
        k: v for k, v in before.items() if k != "ranges"
    }


def test_under_the_topic_of_another_gateway(day: Day) -> None:
    stage = day.stage
    before = state_of(stage)
    again = [changed(m, gateway="mill") for m in day.said[2:]]
    assert sent_again(day, again) == []
    assert stage.store.refusals()["wrong_gateway"] == len(again)
    assert state_of(stage) == before
