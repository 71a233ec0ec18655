"""Who is told of what. common practice, no source."""

from typing import Any

import pytest

from streamer.alert_settings import AlertSettings, WebhookSettings
from streamer.alerts.notice import Turn
from streamer.alerts.routing import Told, concerns, notices_of
from streamer.contract.published import AlertKind, Severity
from tests.alerts.story import Story, condition, member
from tests.alerts.test_lifecycle import work


def channel(name: str = "hook", **more: Any) -> WebhookSettings:
    return WebhookSettings(name=name, type="webhook", url="http://127.0.0.1/", **more)


def told(story: Story, *channels: WebhookSettings) -> list[Told]:
    """What the last look tells, noted in the story's cases."""
    found, cases = notices_of(story.last.turned, channels, story.now_ms)
    story.cases |= cases
    return found


def test_it_is_told_after_gather_s_with_what_went_before() -> None:
    story, hook = Story().say(member()), channel(gather_s=3.0)
    story.look()
    (first,) = told(story, hook)
    assert (first.channel, first.ms) == ("hook", story.now_ms + 3000)
    assert (first.notice.turn, first.notice.earlier) == (Turn.OPENED, ())
    story.over(member()).look(10)
    (last,) = told(story, hook)
    assert last.notice.turn is Turn.CLEARED
    assert [e.id for e in last.notice.earlier] == [first.notice.id]
    assert last.notice.earlier[0].at == first.notice.at
    assert last.notice.id != first.notice.id


@pytest.mark.parametrize(
    ("settings", "is_told"),
    [
        ({}, True),
        ({"least": Severity.CRITICAL}, True),
        ({"kinds": (AlertKind.GATEWAY_LOST,)}, False),
        ({"kinds": (AlertKind.MEMBER_OUT_OF_REACH,)}, True),
        ({"groups": ("NET",)}, True),
        ({"groups": ("TALK",)}, False),
        ({"step": 1}, False),
    ],
    ids=str,
)
def test_what_a_channel_wants(settings: dict[str, Any], is_told: bool) -> None:
    story = Story().say(member())
    story.look()
    assert bool(told(story, channel(**settings))) is is_told


def test_a_channel_for_some_groups_is_told_of_gateways() -> None:
    story = Story().say(condition())
    story.look()
    story.look(5)
    assert told(story, channel(groups=("TALK",)))


PEOPLE = (AlertKind.MEMBER_OVERDUE,)
BEHIND = {"affects": ("QA1ABC",), "severity": Severity.CRITICAL}


@pytest.mark.parametrize(
    ("kind", "more", "is_told"),
    [
        (AlertKind.GATEWAY_LOST, BEHIND, True),
        (AlertKind.GATEWAY_FLOODING, BEHIND, True),
        (AlertKind.REPEATER_LOST, BEHIND, True),
        (AlertKind.REPEATER_DEAF, BEHIND, True),
        (AlertKind.NETWORK_LOST, BEHIND, True),
        (AlertKind.BROKER_LOST, {}, True),  # it hides everybody and names nobody
        (AlertKind.GATEWAY_LOST, {}, False),
        (AlertKind.GATEWAY_FLOODING, {}, False),
        (AlertKind.REPEATER_STARVED, BEHIND, False),  # members there do not hear, but are heard
        (AlertKind.CLOCK_SKEW, {}, False),
        (AlertKind.CHANNEL_LOST, {}, False),
    ],
)
def test_who_asks_for_members_is_told_of_what_hides_them(
    kind: AlertKind, more: dict[str, Any], is_told: bool
) -> None:
    """And who asks for something else is not."""
    story = Story().say(condition(id=f"{kind}.ridge", kind=kind, **more))
    story.until(60)
    alert = story.alert(f"{kind}.ridge")
    assert concerns(channel(kinds=PEOPLE), alert) is is_told
    assert concerns(channel(kinds=(AlertKind.TWO_PLACES,)), alert) is False


def test_what_is_less_than_wanted_is_told_when_it_gets_worse() -> None:
    story, hook = Story().say(condition()), channel(least=Severity.CRITICAL)
    story.look()
    story.look(5)
    assert told(story, hook) == []
    story.say(condition(severity=Severity.CRITICAL)).look(1)
    assert [t.notice.turn for t in told(story, hook)] == [Turn.WORSE]
    story.over(condition()).look()
    story.look(5)
    assert [t.notice.turn for t in told(story, hook)] == [Turn.CLEARED]


def test_nobody_is_told_the_end_of_what_he_was_not_told_of() -> None:
    story = Story().say(member())
    story.look()
    told(story, channel(groups=("TALK",)))
    story.over(member()).look(1)
    assert told(story, channel(groups=("TALK",))) == []


def test_each_step_is_told_once_and_all_of_them_the_end() -> None:
    first, second, third = (channel(f"s{n}", step=n) for n in range(3))
    story = Story(steps=(0, 1, 2)).say(member())
    seen = []
    for _ in range(700):
        story.look(1)
        seen += [(t.channel, t.notice.turn) for t in told(story, first, second, third)]
    assert seen == [("s0", Turn.OPENED), ("s1", Turn.ESCALATED), ("s2", Turn.ESCALATED)]
    story.over(member()).look(1)
    assert [t.channel for t in told(story, first, second, third)] == ["s0", "s1", "s2"]


def test_steps_due_at_once_are_told_each_once() -> None:
    """No worker looked for 700 s: with steps each 300 s two are due."""
    channels = [channel(f"s{n}", step=n) for n in range(3)]
    story = Story(steps=(0, 1, 2)).say(member())
    seen, ids = [], set()
    for after_s in (0, 700, 0.001, 0.001):
        story.look(after_s)
        found = told(story, *channels)
        seen += [(t.channel, t.notice.turn) for t in found]
        ids |= {t.notice.id for t in found}
    assert seen == [("s0", Turn.OPENED), ("s1", Turn.ESCALATED), ("s2", Turn.ESCALATED)]
    assert len(ids) == 3


def test_the_second_of_two_steps_does_not_wait() -> None:
    story = Story(steps=(0, 1, 2)).say(member())
    story.look()
    story.look(700)
    assert story.last.next_ms is not None
    assert story.last.next_ms <= story.now_ms + 1


@pytest.mark.parametrize(
    ("settings", "turns"),
    [
        ({}, [Turn.REMINDED, Turn.CLEARED]),
        ({"groups": ("TALK",)}, []),
        # In nobody's hand for 301 s: step 1 is told, step 2 not yet.
        ({"step": 1}, [Turn.REMINDED, Turn.CLEARED]),
        ({"step": 2}, []),
    ],
    ids=str,
)
def test_a_channel_that_is_new_hears_of_what_stands_when_it_is_told_again(
    settings: dict[str, Any], turns: list[Turn]
) -> None:
    once_s = {"escalate_after_s": 301, "repeat_critical_s": 290}
    story, old = Story(AlertSettings(**once_s), steps=(0, 1)).say(member()), channel("old")
    story.until(302)
    told(story, old)
    seen = []
    for _ in range(290):
        story.look(1)
        found = told(story, old, channel("new", **settings))
        seen += [t.notice.turn for t in found if t.channel == "new"]
    story.over(member()).look(1)
    found = told(story, old, channel("new", **settings))
    seen += [t.notice.turn for t in found if t.channel == "new"]
    assert seen == turns


def test_what_is_hushed_is_not_brought_to_a_channel_that_is_new() -> None:
    story, turns, seen = Story(works=[work("ridge", 13 * 3600)]).say(condition()), set(), []
    for _ in range(750):
        turns |= set(story.look(60))
        seen += told(story, channel("new"))
    assert ("gateway_lost.ridge", Turn.REMINDED) in turns
    assert seen == []


def test_whoever_was_told_is_told_that_it_is_in_hand() -> None:
    story, hook, other = Story().say(member()), channel(), channel("other", groups=("TALK",))
    story.look()
    told(story, hook, other)
    story.turned.clear()
    story.take("member.NET.QA1ABC")
    found, _ = notices_of(story.turned, [hook, other], story.now_ms)
    assert [(t.channel, t.notice.turn) for t in found] == [("hook", Turn.ACKNOWLEDGED)]


def test_what_planned_work_covers_is_told_to_nobody() -> None:
    story = Story(works=[work("ridge", 600)]).say(condition())
    story.until(5)
    assert story.last.turned or story.look(1)
    assert told(story, channel()) == []


def test_a_flapping_gateway_makes_six_notices_an_hour() -> None:
    story, hook = Story(), channel()
    turns = []
    for n in range(100):
        story.said.clear()
        for second in range(36):
            if second == 0:
                story.say(condition())
            elif second == 18:
                story.said.clear()
            story.look(1)
            turns += [t.notice.turn for t in told(story, hook)]
        assert len(turns) <= 6, n
    assert turns[-1] is Turn.UNSTEADY
