"""One alert for a cause, and what it explains held back but named. common practice, no source;
counts are worked out by hand."""

import random

import pytest

from streamer.alerts.conditions import Condition
from streamer.alerts.ears import LIVES_MS, LOST_MS, listening_ms, own_conditions
from streamer.alerts.notice import Turn
from streamer.contract.published import AlertKind, Severity
from streamer.state.alerting import Ears
from tests.alerts.story import NOW_MS, Story, condition, member, starved

NETWORK = "network_lost.scene"
MANY = [f"site-{n:02}" for n in range(40)]


def lost(names: list[str], since_s: float = 0.0, behind: int = 10) -> list[Condition]:
    """Gateways silent since then, each with so many members last heard behind it."""
    return [
        condition(
            name,
            severity=Severity.CRITICAL if behind else Severity.WARNING,
            since_ms=NOW_MS - 90_000 + round(since_s * 1000),
            affects=tuple(f"Q{n}{name[-2:]}AB" for n in range(behind)),
        )
        for name in names
    ]


# -- many gateways at once -----------------------------------------------------------------------


def test_forty_gateways_lost_in_one_second_are_one_alert_and_so_is_their_return() -> None:
    """40 gateways with 10 members each behind them."""
    story = Story(gateways=40)
    chance = random.Random(1)
    order = chance.sample(lost(MANY), 40)
    told = []
    for n in range(0, 40, 8):  # five looks find eight each
        told += story.say(*order[n : n + 8]).look(0.2)
    told += story.until(120)
    assert told == [(NETWORK, Turn.OPENED)]
    assert story.standing == [NETWORK]
    assert len(story.held) == 40
    alert = story.alert(NETWORK)
    assert alert.title == "40 of 40 gateways of scene are lost at once"
    assert [h.subject for h in alert.held] == MANY
    assert (
        "400 members were last heard behind them: silence there says nothing now" in alert.reasons
    )
    assert alert.severity is Severity.CRITICAL
    back = []
    for n in range(0, 40, 8):
        back += story.over(*order[n : n + 8]).look(0.2)
    back += story.until(700)
    assert back == [(NETWORK, Turn.CLEARED)]
    assert story.cases == {}


def test_three_that_stay_away_get_alerts_of_their_own_when_the_others_are_back() -> None:
    story = Story(gateways=40)
    gone = lost(MANY)
    story.say(*gone).look()
    story.until(10)
    story.over(*gone[3:])
    told = story.until(30)
    assert sorted(told) == [
        *((c.id, Turn.OPENED) for c in gone[:3]), (NETWORK, Turn.CLEARED),
    ]  # fmt: skip


def test_those_told_before_it_showed_become_part_of_it() -> None:
    """They fall silent one after the other, 2 s apart: heartbeats come when they come."""
    story = Story(gateways=40)
    told = []
    for n, one in enumerate(lost(MANY)):
        moved = condition(one.subject, since_ms=one.since_ms + n * 2000)
        told += story.say(moved).until(2)
    told += story.until(60)
    turns = [turn for _, turn in told]
    assert turns.count(Turn.OPENED) == turns.count(Turn.EXPLAINED) + 1
    assert story.standing == [NETWORK]
    assert len(story.held) == 40
    assert story.alert(NETWORK).title == "40 of 40 gateways of scene are lost at once"


def test_less_than_half_have_no_common_cause() -> None:
    story = Story(gateways=40).say(*lost(MANY[:19]))
    story.look()
    assert len(story.look(5)) == 19


def test_two_of_two_are_too_few_to_speak_of_a_common_cause() -> None:
    story = Story(gateways=2).say(*lost(MANY[:2]))
    story.look()
    assert len(story.look(5)) == 2


def test_those_lost_hours_apart_have_no_common_cause() -> None:
    story = Story(gateways=4)
    for n in range(4):
        story.say(*lost([MANY[n]], since_s=n * 3600)).until(3600, 60)
    assert len(story.standing) == 4


def test_one_lost_long_before_is_not_part_of_it() -> None:
    story = Story(gateways=4).say(*lost(MANY[:1], since_s=-3600))
    story.look()
    story.look(5)
    story.say(*lost(MANY[1:4], since_s=10)).look(10)
    story.look(5)
    assert story.standing == ["gateway_lost.site-00", NETWORK]
    assert [h.subject for h in story.alert(NETWORK).held] == MANY[1:4]


def test_those_that_never_reported_are_not_lost_at_once() -> None:
    story = Story(gateways=0).say(*(condition(name, apart=True) for name in MANY))
    story.look()
    assert len(story.look(5)) == 40


# -- a gateway, a repeater -----------------------------------------------------------------------


def test_a_lost_gateway_explains_what_is_said_of_its_repeaters_and_clock() -> None:
    deaf = Condition(
        "repeater_deaf.ridge.uhf", AlertKind.REPEATER_DEAF, Severity.WARNING, "ridge/uhf",
        "Repeater ridge/uhf seems to hear nothing", (), "", NOW_MS, repeater="ridge/uhf",
    )  # fmt: skip
    clock = Condition(
        "clock_skew.ridge", AlertKind.CLOCK_SKEW, Severity.WARNING, "ridge", "clock", (), "", NOW_MS
    )
    story = Story().say(condition(), deaf, clock, starved("NET"))
    story.look()
    assert story.look(5) == [("gateway_lost.ridge", Turn.OPENED)]
    held = [h.id for h in story.alert("gateway_lost.ridge").held]
    assert held == ["clock_skew.ridge", "repeater_deaf.ridge.uhf", "repeater_starved.NET.ridge.uhf"]


def test_when_the_cause_is_gone_what_is_still_wrong_speaks_for_itself() -> None:
    story = Story().say(condition(), starved("NET"))
    story.look()
    story.look(5)
    told = story.over(condition()).until(20)
    assert ("repeater_starved.NET.ridge.uhf", Turn.OPENED) in told


def test_a_repeater_alert_is_part_of_the_gateways_when_that_fails_too() -> None:
    """Its own condition has gone, as nobody reports it down any more: that is no good news."""
    down = Condition(
        "repeater_lost.ridge.uhf", AlertKind.REPEATER_LOST, Severity.WARNING, "ridge/uhf",
        "Repeater ridge/uhf is lost", (), "", NOW_MS, repeater="ridge/uhf",
    )  # fmt: skip
    story = Story().say(down)
    story.look()
    assert story.look(5) == [(down.id, Turn.OPENED)]
    told = story.over(down).say(condition()).until(6)
    assert (down.id, Turn.EXPLAINED) in told
    assert story.alert(down.id).cleared_because == "part of: Gateway ridge is lost"


def test_a_member_alert_that_stands_is_not_taken_back_because_a_gateway_fails() -> None:
    story = Story().say(member())
    story.look()
    blind = member(vague=True, opens=False)
    story.say(blind, condition()).until(10)
    assert "member.NET.QA1ABC" in story.standing


def test_a_member_who_falls_silent_on_a_lost_gateway_is_held() -> None:
    behind = condition(severity=Severity.CRITICAL, affects=("QA1ABC",))
    story = Story().say(behind)
    story.until(6)
    assert story.say(member()).until(6) == []
    assert [h.title for h in story.alert("gateway_lost.ridge").held] == [
        "QA1ABC of NET is out of reach"
    ]


def flood(subject: str) -> Condition:
    return condition(
        subject, id=f"gateway_flooding.{subject}", kind=AlertKind.GATEWAY_FLOODING,
        severity=Severity.CRITICAL, affects=("QA1ABC",), title=f"Gateway {subject} floods",
    )  # fmt: skip


def test_a_flood_explains_what_is_said_of_its_own_gateway_alone() -> None:
    def of(kind: AlertKind, subject: str) -> Condition:
        return condition(subject, id=f"{kind}.{subject}", kind=kind, title=f"{kind} {subject}")

    kinds = (AlertKind.GATEWAY_LOST, AlertKind.CLOCK_SKEW, AlertKind.EVENTS_LOST)
    said = [of(kind, subject) for kind in kinds for subject in ("ridge", "lake")]
    story = Story(gateways=40).say(flood("ridge"), *said)
    story.until(6)
    assert story.standing == ["gateway_flooding.ridge", "gateway_lost.lake"]
    held = {h.id for h in story.alert("gateway_flooding.ridge").held}
    assert held == {f"{kind}.ridge" for kind in kinds}


def test_a_member_who_was_missed_before_a_flood_is_not_held_back_by_it() -> None:
    story = Story().say(flood("ridge"), member())
    story.until(6)
    assert story.standing == ["gateway_flooding.ridge", "member.NET.QA1ABC"]


def test_a_flood_is_named_where_many_are_lost_and_holds_that_not_back() -> None:
    """It may be the cause; but the alert of all names more people than the flood's."""
    story = Story(gateways=40).say(flood("ridge"), *lost(MANY))
    story.until(6)
    assert story.standing == ["gateway_flooding.ridge", NETWORK]
    alert = story.alert(NETWORK)
    assert alert.reasons[1] == "it may be a flood that keeps the broker busy: of ridge"
    assert alert.next_step.startswith("Have the flood of ridge ended. Look at the broker")


def test_several_groups_starved_on_one_repeater_are_one_alert() -> None:
    story = Story().say(starved("NET"), starved("TALK"), starved("NET", "lake/uhf"))
    story.look()
    assert sorted(story.look(5)) == [
        ("repeater_starved.NET.lake.uhf", Turn.OPENED),
        ("repeater_starved.ridge.uhf", Turn.OPENED),
    ]
    alert = story.alert("repeater_starved.ridge.uhf")
    assert alert.title == "2 groups are wanted on ridge/uhf but not carried there"
    assert alert.affects == ("QA1ABC",)


def test_causes_of_causes_lead_to_the_last() -> None:
    """Behind the network: a gateway; behind that: a group that is not carried there."""
    names = ["ridge", "lake", "mill"]
    story = Story(gateways=4).say(*lost(names), starved("NET"))
    story.look()
    assert story.look(5) == [(NETWORK, Turn.OPENED)]
    assert [h.id for h in story.alert(NETWORK).held] == [
        "gateway_lost.lake", "gateway_lost.mill", "gateway_lost.ridge",
        "repeater_starved.NET.ridge.uhf",
    ]  # fmt: skip


# -- our own ears --------------------------------------------------------------------------------


def ears(name: str, *, ago_ms: int = 0, hears: bool = True, since_ms: int = NOW_MS) -> Ears:
    return Ears(name, NOW_MS - ago_ms, since_ms, hears)


def test_listening_since_the_first_of_those_that_hear() -> None:
    heard = [ears("a", since_ms=NOW_MS - 9000), ears("b", since_ms=NOW_MS - 99_000)]
    assert listening_ms(heard, NOW_MS) == NOW_MS - 99_000
    assert listening_ms([ears("a", hears=False)], NOW_MS) is None
    assert listening_ms([ears("a", ago_ms=LIVES_MS)], NOW_MS) is None


def test_without_a_broker_that_is_told_and_explains_the_gateways() -> None:
    own = own_conditions("scene", [ears("a", hears=False), ears("b", hears=False)], NOW_MS)
    assert [(c.id, c.severity) for c in own] == [("broker_lost.scene", Severity.CRITICAL)]
    story = Story(gateways=40, own=tuple(own)).say(*lost(MANY))
    story.look()
    assert story.until(30) == [("broker_lost.scene", Turn.OPENED)]
    assert len(story.alert("broker_lost.scene").held) == 41  # the network's too


def test_one_worker_of_two_without_a_broker_is_a_warning() -> None:
    own = own_conditions("scene", [ears("a", hears=False), ears("b")], NOW_MS)
    assert [(c.id, c.severity) for c in own] == [("worker_lost.a", Severity.WARNING)]


@pytest.mark.parametrize(
    "away", [ears("a", ago_ms=LOST_MS), ears("a", hears=False)], ids=["silent", "cut off"]
)
def test_while_one_of_two_workers_is_away_silences_may_be_judged_wrongly(away: Ears) -> None:
    """Its share of what gateways say waits for it at the broker."""
    (own,) = own_conditions("scene", [away, ears("b")], NOW_MS)
    assert own.id == "worker_lost.a"
    assert own.reasons[1:] == (
        "what the broker keeps for it waits until it is back",
        "until then overs, check-ins and check-outs among it are not known: silences may be judged "
        "wrongly",
    )


def test_a_worker_that_is_silent_for_a_minute_is_told_by_another() -> None:
    heard = [ears("a", ago_ms=LOST_MS - 1), ears("b")]
    assert own_conditions("scene", heard, NOW_MS) == []
    (own,) = own_conditions("scene", heard, NOW_MS + 1)
    assert own.id == "worker_lost.a"
    assert "streamer worker REGION.toml --name a --drain" in own.next_step
