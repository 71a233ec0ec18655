"""A member who expires behind a machine that fails is named by the alert of that machine, which
stays critical and is told. common practice, no source; the times are worked out by hand from the
settings: an alert opens after 5 s, a critical one in nobody's hand is told every 900 s, any other
every 12 h."""

from dataclasses import replace
from typing import Any

import pytest

from streamer.alert_settings import WebhookSettings
from streamer.alerts.conditions import Condition
from streamer.alerts.notice import Turn
from streamer.contract.published import AlertKind, AlertState, Severity
from tests.alerts.story import Story, condition, member
from tests.alerts.test_causes import lost
from tests.alerts.test_routing import channel, told

RIDGE = "gateway_lost.ridge"
CRITICAL = channel(least=Severity.CRITICAL)
PEOPLE = channel("people", kinds=(AlertKind.MEMBER_OUT_OF_REACH,))
FOUR_HOURS_S = 4 * 3600


def machine(kind: AlertKind, subject: str, **more: Any) -> Condition:
    return condition(
        subject,
        id=f"{kind}.{subject}".replace("/", "."),
        kind=kind,
        title=f"{subject} fails",
        **more,
    )


def expired(station: str = "QA1ABC") -> Condition:
    return member(
        station, severity=Severity.WARNING,
        title=f"{station} was never heard again and is no longer counted in NET",
    )  # fmt: skip


def opened(*conditions: Condition) -> Story:
    """Told to both channels, and in nobody's hands."""
    story = Story().say(*conditions)
    for after_s in (0, 5):
        story.look(after_s)
        told(story, CRITICAL, PEOPLE)
    return story


def notices(
    story: Story, seconds: float, *channels: WebhookSettings
) -> list[tuple[float, str, Turn, tuple[str, ...]]]:
    """What is told meanwhile, a look each ten seconds: when in s, the channel, turn, whom it names
    in its reasons."""
    found, begun_ms = [], story.now_ms
    for _ in range(round(seconds / 10)):
        story.look(10)
        for one in told(story, *channels):
            said = " ".join(one.notice.alert.reasons)
            named = tuple(s for s in ("QA1ABC", "QB2DEF", "QC3GHI") if s in said)
            at_s = (story.now_ms - begun_ms) / 1000
            found.append((at_s, one.channel, one.notice.turn, named))
    return found


@pytest.mark.parametrize(
    "cause",
    [
        condition(),
        machine(AlertKind.REPEATER_LOST, "ridge/uhf"),
        machine(AlertKind.REPEATER_DEAF, "ridge/uhf"),
    ],
    ids=lambda c: str(c.kind),
)
def test_who_expires_behind_it_is_named_and_told_of_to_those_who_want_critical(
    cause: Condition,
) -> None:
    before = replace(cause, severity=Severity.CRITICAL, affects=("QA1ABC",))
    story = opened(before)
    notices(story, FOUR_HOURS_S, CRITICAL, PEOPLE)
    # The group counts it no more, so the machine has nobody behind it: as its owner says.
    story.say(expired(), replace(cause, severity=Severity.WARNING, affects=()))
    found = notices(story, 910, CRITICAL, PEOPLE)
    assert [(name, turn, named) for _, name, turn, named in found] == [
        ("hook", Turn.REMINDED, ("QA1ABC",)),
        ("people", Turn.REMINDED, ("QA1ABC",)),
    ]
    alert = story.alert(cause.id)
    assert alert.severity is Severity.CRITICAL
    assert alert.affects == ("QA1ABC",)
    assert alert.reasons[-1] == "never heard again, and no longer counted as members: QA1ABC"
    assert alert.next_step.endswith(
        "Find out by another way whether those no longer counted went home."
    )
    assert [h.title for h in alert.held] == [expired().title]
    # Then as often as anything critical that nobody has in hand.
    assert [turn for _, name, turn, _ in notices(story, 3600, CRITICAL)] == [Turn.REMINDED] * 4


def test_whoever_has_it_in_hand_is_told_at_once_and_once() -> None:
    story = opened(condition(severity=Severity.CRITICAL, affects=("QA1ABC",)))
    story.take(RIDGE)
    assert notices(story, FOUR_HOURS_S, CRITICAL) == []
    story.say(expired(), condition())
    assert notices(story, FOUR_HOURS_S, CRITICAL) == [(10, "hook", Turn.REMINDED, ("QA1ABC",))]
    assert story.alert(RIDGE).state is AlertState.ACKNOWLEDGED


def test_those_who_expire_one_after_another_make_a_notice_a_quarter_of_an_hour_at_most() -> None:
    names = ("QA1ABC", "QB2DEF", "QC3GHI")
    story = opened(condition(severity=Severity.CRITICAL, affects=names))
    story.take(RIDGE)
    notices(story, FOUR_HOURS_S, CRITICAL)
    found = []
    for n, name in enumerate(names):
        story.say(expired(name), condition(severity=Severity.CRITICAL, affects=names[n + 1 :]))
        found += notices(story, 60, CRITICAL)
    found += notices(story, 7200, CRITICAL)
    assert [named for *_, named in found] == [("QA1ABC",), names]
    assert (story.alert(RIDGE).affects, story.alert(RIDGE).severity) == (names, Severity.CRITICAL)


def test_who_is_heard_again_is_named_no_more_and_when_it_expires_anew_is_told_anew() -> None:
    story = opened(condition(severity=Severity.CRITICAL, affects=("QA1ABC",)))
    story.take(RIDGE)
    story.say(expired(), condition())
    assert len(notices(story, 3600, CRITICAL)) == 1
    story.over(expired()).look(10)
    alert = story.alert(RIDGE)
    assert (alert.severity, alert.affects) == (Severity.WARNING, ())
    assert story.say(expired()).look(10) == [(RIDGE, Turn.WORSE)]


def test_the_end_of_the_machines_trouble_names_who_was_not_heard_all_the_same() -> None:
    """Their own alerts follow as warnings, and not everybody is told of warnings."""
    story = opened(condition(severity=Severity.CRITICAL, affects=("QA1ABC", "QB2DEF")))
    story.say(expired(), expired("QB2DEF"), condition()).look(10)
    told(story, CRITICAL)
    story.over(condition(), expired("QB2DEF")).look(1)  # what the gateway kept comes first
    story.look(5)
    (last,) = [t.notice for t in told(story, CRITICAL)]
    assert (last.turn, last.alert.id) == (Turn.CLEARED, RIDGE)
    assert last.alert.cleared_because == "it reports again; not heard again yet: QA1ABC"
    assert story.until(10) == []
    assert story.standing == ["member.NET.QA1ABC"]


def test_a_member_alert_that_stands_speaks_for_itself() -> None:
    """It was told before the gateway failed, and expires then."""
    story = Story().say(member())
    story.look()
    story.say(condition())
    story.until(6)
    story.say(expired()).until(10)
    assert "member.NET.QA1ABC" in story.standing
    alert = story.alert(RIDGE)
    assert (alert.severity, alert.affects, len(alert.reasons)) == (Severity.WARNING, (), 1)


def test_a_machine_that_holds_a_member_back_is_critical_before_its_owner_says_so() -> None:
    story = opened(condition())
    assert story.say(member()).look(1) == [(RIDGE, Turn.WORSE)]
    alert = story.alert(RIDGE)
    assert (alert.severity, alert.affects) == (Severity.CRITICAL, ("QA1ABC",))
    assert alert.reasons == condition().reasons
    story.say(condition(severity=Severity.CRITICAL, affects=("QA1ABC",)))
    assert story.until(10) == []


def test_of_whom_nothing_was_known_before_nothing_is_said() -> None:
    story = Story().say(replace(expired(), opens=False), condition())
    story.until(10)
    assert story.alert(RIDGE).affects == ()


def test_many_at_once_name_who_expired_behind_them() -> None:
    names = [f"gate-{n}" for n in range(8)]
    gone = replace(expired(), repeater="gate-3/uhf")
    story = opened(*lost(names))
    (network,) = story.standing
    story.take(network)
    assert notices(story, FOUR_HOURS_S, CRITICAL) == []
    story.say(gone)
    assert notices(story, 3600, CRITICAL) == [(10, "hook", Turn.REMINDED, ("QA1ABC",))]
    alert = story.alert(network)
    assert "never heard again, and no longer counted as members: QA1ABC" in alert.reasons
    assert alert.next_step.endswith(
        "Find out by another way whether those no longer counted went home."
    )
    assert "QA1ABC" not in alert.affects  # those are its gateways
