"""Alerts open, are taken in hand, change, clear and open again. common practice, no source; the
times are worked out by hand from the settings."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.alert_settings import AlertSettings
from streamer.alerts.exercise import is_exercise
from streamer.alerts.notice import Turn
from streamer.alerts.turns import acknowledge
from streamer.clock import from_ms
from streamer.contract.duty import DutyKind, DutyMark
from streamer.contract.published import AlertKind, AlertState, Maintenance, Severity
from tests.alerts.story import NOW_MS, REGION, Story, condition, member

RIDGE = "gateway_lost.ridge"
MEMBER = "member.NET.QA1ABC"
LONG = AlertSettings()


def opened(**changes: Any) -> Story:
    story = Story().say(condition(**changes))
    story.look()
    assert story.look(5) == [(RIDGE, Turn.OPENED)]
    return story


# -- opening -------------------------------------------------------------------------------------


def test_a_lost_gateway_waits_for_settle_s() -> None:
    story = Story().say(condition())
    assert story.look() == []
    assert story.last.next_ms == NOW_MS + 5000
    assert story.look(4.999) == []
    assert story.standing == []
    assert story.look(0.001) == [(RIDGE, Turn.OPENED)]
    alert = story.alert(RIDGE)
    assert alert.state is AlertState.OPEN
    assert (alert.region, alert.subject, alert.title) == (REGION, "ridge", "Gateway ridge is lost")
    assert alert.since == from_ms(NOW_MS - 90_000)
    assert alert.opened_at == from_ms(NOW_MS + 5000)
    assert alert.cleared_at is None


def test_what_passes_within_settle_s_is_never_told() -> None:
    story = Story().say(condition())
    story.look()
    story.over(condition()).look(4)
    assert story.until(20) == []
    assert story.cases == {}


def test_a_member_out_of_reach_is_told_at_once_and_so_is_that_it_was_heard() -> None:
    story = Story().say(member())
    assert story.look() == [(MEMBER, Turn.OPENED)]
    story.endings[MEMBER] = "heard 12:31:00Z on lake/uhf"
    assert story.over(member()).look(1) == [(MEMBER, Turn.CLEARED)]
    assert story.alert(MEMBER).cleared_because == "heard 12:31:00Z on lake/uhf"


def test_a_gateway_silent_before_anybody_listened_is_given_the_time_to_be_heard() -> None:
    """Lost after 90 s; listening since 10 s ago: 80 s are left to it."""
    story = Story(listening_ms=NOW_MS - 10_000).say(condition())
    story.look()
    assert story.last.next_ms == NOW_MS + 80_000
    assert story.until(79) == []
    assert story.look(1) == [(RIDGE, Turn.OPENED)]


def test_one_that_fell_silent_while_somebody_listened_is_not() -> None:
    story = Story(listening_ms=NOW_MS - 100_000).say(condition())
    story.look()
    assert story.look(5) == [(RIDGE, Turn.OPENED)]


def test_what_only_keeps_an_alert_opens_none() -> None:
    kept = condition(opens=False)
    story = Story().say(kept)
    assert story.until(10) == []
    assert story.cases == {}
    story = opened()
    story.say(kept)
    assert story.until(20) == []
    assert story.standing == [RIDGE]


# -- while it stands -----------------------------------------------------------------------------


def test_while_nothing_changes_nothing_is_told() -> None:
    story = opened()
    before = story.alert(RIDGE)
    assert story.look(60) == []
    assert story.last.cases == {}
    assert story.last.published == []
    assert story.alert(RIDGE) == before


@pytest.mark.parametrize(
    "change",
    [
        {"reasons": ("no heartbeat", "2 members behind it cannot be judged")},
        {"affects": ("QA1ABC",)},
        {"title": "Gateway ridge is lost again"},
        {"next_step": "Drive there."},
        {"since_ms": NOW_MS},
    ],
    ids=lambda change: next(iter(change)),
)
def test_other_words_are_published_under_a_higher_version(change: dict[str, Any]) -> None:
    story = opened()
    before = story.alert(RIDGE)
    assert story.say(condition(**change)).look(6) == []
    (told,) = story.published
    assert told.version > before.version
    assert told.opened_at == before.opened_at
    assert told != before.model_copy(update={"version": told.version})


def test_mere_words_are_published_every_five_seconds_at_most() -> None:
    story = opened()
    for second in range(20):
        story.say(condition(reasons=(f"for {second} s",))).look(1)
    assert [a.reasons[0] for a in story.published] == ["for 4 s", "for 9 s", "for 14 s", "for 19 s"]


def test_what_gets_worse_is_told_at_once_and_is_in_nobodys_hands_again() -> None:
    story = opened()
    story.take(RIDGE)
    assert story.say(condition(severity=Severity.CRITICAL)).look(1) == [(RIDGE, Turn.WORSE)]
    alert = story.alert(RIDGE)
    assert (alert.state, alert.acknowledged_by, alert.acknowledged_at) == (
        AlertState.OPEN, None, None,
    )  # fmt: skip
    story.take(RIDGE)
    assert story.say(condition(severity=Severity.WARNING)).look(6) == []
    assert story.alert(RIDGE).state is AlertState.ACKNOWLEDGED
    assert story.alert(RIDGE).severity is Severity.WARNING


def test_who_cannot_be_judged_keeps_kind_and_severity() -> None:
    story = Story().say(member())
    story.look()
    blind = member(vague=True, opens=False, severity=Severity.WARNING, title="cannot be judged")
    assert story.say(blind).look(6) == []
    alert = story.alert(MEMBER)
    assert (alert.severity, alert.title) == (Severity.CRITICAL, "cannot be judged")


# -- in somebody's hands -------------------------------------------------------------------------


def test_an_acknowledgement_outlives_a_change() -> None:
    story = opened()
    taken = story.take(RIDGE, "QA1ABC")
    assert (taken.state, taken.acknowledged_by) == (AlertState.ACKNOWLEDGED, "QA1ABC")
    story.say(condition(reasons=("another reason",))).look(6)
    assert story.alert(RIDGE).state is AlertState.ACKNOWLEDGED
    assert story.alert(RIDGE).acknowledged_by == "QA1ABC"


def test_nobody_loses_an_alert_without_a_word() -> None:
    story = opened()
    story.take(RIDGE, "QA1ABC")
    with pytest.raises(ValueError, match="in the hands of QA1ABC since"):
        story.take(RIDGE, "QB2DEF")
    assert acknowledge(story.cases[RIDGE], "QA1ABC", "there", story.now_ms).alert.note == "there"
    mine = story.take(RIDGE, "QB2DEF", take_over=True)
    assert (mine.acknowledged_by, mine.acknowledged_at) == ("QB2DEF", from_ms(story.now_ms))


def test_a_cleared_alert_cannot_be_acknowledged() -> None:
    story = opened()
    story.over(condition()).until(6)
    with pytest.raises(ValueError, match=r"gateway_lost\.ridge is cleared"):
        story.take(RIDGE)


def test_nobody_has_taken_it_in_hand_the_next_steps_are_told() -> None:
    """Opened at 5 s, 300 s a step; the second step is the last for which there is a channel."""
    story = Story(steps=(0, 1, 2)).say(condition())
    told = [(round((story.now_ms - NOW_MS) / 1000), t) for _ in range(1000) for t in story.look(1)]
    assert told == [
        (6, (RIDGE, Turn.OPENED)), (306, (RIDGE, Turn.ESCALATED)), (606, (RIDGE, Turn.ESCALATED)),
    ]  # fmt: skip
    assert story.alert(RIDGE).escalated == 2


def test_what_is_in_hand_is_not_escalated() -> None:
    story = Story(steps=(0, 1)).say(condition())
    story.look()
    story.look(5)
    story.take(RIDGE)
    assert story.until(1000, 10) == []


def test_what_stands_is_told_again_twice_a_day() -> None:
    """Opened at 5 s; in hand an hour later; 12 h after that a reminder, and after 12 h another."""
    story = opened()
    story.until(3600, 60)
    story.take(RIDGE)
    told = [
        (round((story.now_ms - NOW_MS) / 3600_000, 2), turn)
        for _ in range(25 * 60)
        for _, turn in story.look(60)
    ]
    assert told == [(13.0, Turn.REMINDED), (25.0, Turn.REMINDED)]
    assert story.alert(RIDGE).acknowledged_by == "ann"


# -- over, and again -----------------------------------------------------------------------------


def test_it_must_be_well_for_clear_s() -> None:
    story = opened()
    story.over(condition())
    assert story.look(1) == []
    assert story.look(4.999) == []
    assert story.look(0.001) == [(RIDGE, Turn.CLEARED)]
    alert = story.alert(RIDGE)
    assert alert.state is AlertState.CLEARED
    assert alert.cleared_at == from_ms(story.now_ms)
    assert alert.cleared_because == "it reports again"
    assert story.standing == []


def test_it_was_gone_only_for_a_moment() -> None:
    story = opened()
    story.over(condition()).look(1)
    assert story.say(condition()).until(30) == []
    assert story.standing == [RIDGE]
    assert story.alert(RIDGE).opened_times == 1


def test_what_comes_back_soon_is_the_same_episode() -> None:
    story = opened()
    first = story.alert(RIDGE)
    story.over(condition()).until(6)
    story.say(condition()).until(4)
    assert story.look(1) == []
    assert story.look(1) == [(RIDGE, Turn.REOPENED)]
    again = story.alert(RIDGE)
    assert again.episode == first.episode
    assert (again.opened_times, again.state) == (2, AlertState.OPEN)
    assert again.version > first.version


def test_what_comes_back_later_is_another() -> None:
    """`reopen_s` is 600."""
    story = opened()
    first = story.alert(RIDGE)
    story.over(condition()).until(6)
    story.until(599)
    assert RIDGE in story.cases
    story.look(1)
    assert story.cases == {}
    story.say(condition()).look()
    assert story.look(5) == [(RIDGE, Turn.OPENED)]
    assert story.alert(RIDGE).episode != first.episode


def test_a_gateway_up_and_down_a_hundred_times_in_an_hour() -> None:
    """18 s down, 18 s up: each time long enough to open and to clear by itself."""
    story = Story()
    told = []
    for _ in range(100):
        told += story.say(condition()).until(18)
        told += story.over(condition()).until(18)
    assert [turn for _, turn in told] == [
        Turn.OPENED, Turn.CLEARED, Turn.REOPENED, Turn.CLEARED, Turn.UNSTEADY,
    ]  # fmt: skip
    assert story.alert(RIDGE).unsteady
    assert story.standing == [RIDGE]
    assert len(story.published) <= 60  # one a minute: which words it would have just now
    assert [turn for _, turn in story.until(600)] == [Turn.CLEARED]


def test_an_unsteady_one_that_stays_down_is_told_once_more() -> None:
    story = Story()
    for _ in range(3):
        story.say(condition()).until(18)
        story.over(condition()).until(18)
    assert story.alert(RIDGE).unsteady
    told = story.say(condition()).until(700)
    assert told == [(RIDGE, Turn.REOPENED)]
    assert not story.alert(RIDGE).unsteady


def test_one_of_several_comes_or_goes_alone() -> None:
    story = opened()
    story.say(condition("lake")).look()
    assert story.look(5) == [("gateway_lost.lake", Turn.OPENED)]
    story.over(condition()).look()
    assert story.look(5) == [(RIDGE, Turn.CLEARED)]
    assert story.standing == ["gateway_lost.lake"]


def test_what_is_critical_and_in_nobodys_hand_is_told_every_quarter_of_an_hour() -> None:
    story = Story().say(member())
    story.look()
    told = [round((story.now_ms - NOW_MS) / 60_000) for _ in range(60) for _ in story.look(60)]
    assert told == [15, 30, 45, 60]
    assert {t.turn for t in story.turned[1:]} == {Turn.REMINDED}
    story.take(MEMBER)
    told = [round((story.now_ms - NOW_MS) / 60_000) for _ in range(130) for _ in story.look(60)]
    assert told == [120, 180]  # whoever holds it may have been relieved


def test_a_person_is_no_better_because_a_time_ran_out() -> None:
    """Expired is a warning by itself."""
    story = Story().say(member())
    story.look()
    assert story.say(member(severity=Severity.WARNING, opens=False, title="expired")).look(6) == []
    alert = story.alert(MEMBER)
    assert (alert.severity, alert.title) == (Severity.CRITICAL, "expired")


def test_a_person_is_never_called_unsteady() -> None:
    story = Story()
    for _ in range(5):
        story.say(member()).until(60, 10)
        story.over(member()).until(60, 10)
    turns = [t.turn for t in story.turned]
    assert turns == [Turn.OPENED, Turn.CLEARED, *[Turn.REOPENED, Turn.CLEARED] * 4]


def test_the_clock_of_escalation_runs_from_when_it_was_last_in_nobodys_hand() -> None:
    story = Story(steps=(0, 1, 2)).say(condition())
    story.until(6)
    story.until(60, 10)
    story.take(RIDGE)
    story.until(3600, 60)
    assert story.say(condition(severity=Severity.CRITICAL)).look(1) == [(RIDGE, Turn.WORSE)]
    assert story.alert(RIDGE).unheld_since == from_ms(story.now_ms)
    assert story.until(299) == []
    assert story.look(1) == [(RIDGE, Turn.ESCALATED)]
    assert story.until(299) == []
    assert story.look(1) == [(RIDGE, Turn.ESCALATED)]


PLAYED = DutyMark(id="d1", title="winter search", kind=DutyKind.EXERCISE)
REAL = DutyMark(id="d2", title="flood", kind=DutyKind.ACTUAL)


@pytest.mark.parametrize("after", [(), (PLAYED, REAL)], ids=["over", "in earnest"])
def test_when_an_exercise_is_one_no_more_that_is_told(after: tuple[DutyMark, ...]) -> None:
    overdue = member(kind=AlertKind.MEMBER_OVERDUE, severity=Severity.WARNING)
    story = Story(duties=(PLAYED,)).say(overdue)
    story.look()
    story.take(MEMBER)
    assert is_exercise(story.alert(MEMBER))
    story.duties = after
    assert story.look(60) == [(MEMBER, Turn.ACTUAL)]
    alert = story.alert(MEMBER)
    assert (alert.acknowledged_by, is_exercise(alert)) == (None, False)
    assert story.look(60) == []


def test_what_was_told_as_real_does_not_become_a_part_of_a_play() -> None:
    story = Story().say(member(kind=AlertKind.MEMBER_OVERDUE, severity=Severity.WARNING))
    story.look()
    story.duties = (PLAYED,)
    assert story.look(60) == []
    assert not is_exercise(story.alert(MEMBER))


# -- planned work --------------------------------------------------------------------------------


WORK = {"ridge": "work-1", "lake": "work-2", "*": "work-3", "NET": "work-4", "ridge/uhf": "work-5"}


def work(subject: str, until_s: float, **more: Any) -> Maintenance:
    return Maintenance(
        region=REGION, id=WORK[subject], version=NOW_MS, subject=subject,
        until=from_ms(NOW_MS + round(until_s * 1000)), by="ann", at=from_ms(NOW_MS),
        note="new antenna", **more,
    )  # fmt: skip


def test_planned_work_has_it_in_hand_and_is_hushed() -> None:
    story = Story(works=[work("ridge", 60)], steps=(0, 1)).say(condition())
    story.look()
    story.look(5)
    alert, (turned,) = story.alert(RIDGE), story.turned
    assert turned.hushed
    assert (alert.state, alert.acknowledged_by, alert.maintenance) == (
        AlertState.ACKNOWLEDGED, "ann", "work-1",
    )  # fmt: skip
    assert alert.note is not None
    assert alert.note.endswith(": new antenna")


def test_what_is_still_wrong_when_the_work_is_over_is_told() -> None:
    story = Story(works=[work("ridge", 60)]).say(condition())
    story.until(59)
    assert story.until(1) == [(RIDGE, Turn.OPENED)]
    alert = story.alert(RIDGE)
    assert (alert.state, alert.acknowledged_by, alert.maintenance) == (AlertState.OPEN, None, None)
    assert not story.turned[-1].hushed
    assert story.look(1) == []


def test_who_took_it_in_hand_before_the_work_has_it_after_it() -> None:
    story = opened()
    story.take(RIDGE, "zoe")
    story.works = [work("ridge", 60)]
    assert story.until(20) == []
    assert story.alert(RIDGE).maintenance == "work-1"
    told = story.until(60)
    assert [t for _, t in told] == [Turn.OPENED]
    alert = story.alert(RIDGE)
    assert (alert.acknowledged_by, alert.maintenance) == ("zoe", None)


def test_whoever_cannot_be_heard_because_of_the_work_is_told_all_the_same() -> None:
    story = Story(works=[work("ridge", 60)]).say(condition(severity=Severity.CRITICAL))
    story.look()
    story.look(5)
    assert [t.hushed for t in story.turned] == [False]


@pytest.mark.parametrize(
    ("subject", "covers"),
    [("ridge", True), ("*", True), ("lake", False), ("NET", False), ("ridge/uhf", False)],
)
def test_what_work_covers(subject: str, covers: bool) -> None:
    story = Story(works=[work(subject, 60)]).say(condition())
    story.until(6)
    assert (story.alert(RIDGE).maintenance is not None) is covers


def test_work_at_a_repeater_does_not_hush_the_member_who_was_heard_there() -> None:
    story = Story(works=[work("ridge/uhf", 60), work("ridge", 60)]).say(member())
    story.look()
    assert story.alert(MEMBER).maintenance is None
    story = Story(works=[work("NET", 60), work("*", 60)]).say(member())
    story.look()
    assert story.alert(MEMBER).maintenance is None


# What happens to one alert, second by second: its condition or an acknowledgement.
what_happens = st.lists(st.sampled_from(["well", "wrong", "worse", "taken", "later"]), max_size=40)


@given(what_happens)
def test_versions_rise_and_a_second_look_changes_nothing(what: list[str]) -> None:
    """A reader keeps the highest version: one that fell would hide all that follows it."""
    story = Story(settings=LONG.model_copy(update={"settle_s": 1, "clear_s": 1, "reopen_s": 5}))
    told: list[int] = []
    for step in what:
        if step == "taken":
            if story.standing:
                told.append(story.take(RIDGE).version)
            continue
        if step in ("wrong", "worse"):
            worse = Severity.CRITICAL if step == "worse" else Severity.WARNING
            story.say(condition(severity=worse))
        elif step == "well":
            story.said.clear()
        story.look(3 if step == "later" else 1)
        told += [t.alert.version for t in story.last.turned[-1:]]
        told += [a.version for a in story.last.published]
        assert story.look() == []
        assert story.last.cases == {}
        assert story.last.published == []
    assert told == sorted(set(told))


@given(what_happens)
def test_whoever_was_told_that_it_is_wrong_is_told_how_it_ended(what: list[str]) -> None:
    story = Story(settings=LONG.model_copy(update={"settle_s": 1, "clear_s": 1, "reopen_s": 5}))
    for step in what:
        if step in ("wrong", "worse"):
            story.say(condition())
        elif step == "well":
            story.said.clear()
        story.look(3 if step == "later" else 1)
    story.said.clear()
    story.until(700)
    turns = [t.turn for t in story.turned]
    assert story.cases == {}
    assert not turns or turns[-1] is Turn.CLEARED
    ends = [turn is Turn.CLEARED for turn in turns]
    assert not any(first and second for first, second in pairwise(ends))


def test_a_look_at_any_time_may_be_left_out() -> None:
    """Seldom looks tell less often, never something else in the end."""
    often, seldom = Story().say(condition()), Story().say(condition())
    often.until(60)
    seldom.look()
    seldom.look(60)
    assert often.standing == seldom.standing == [RIDGE]
    quiet = {"version", "opened_at", "episode", "unheld_since"}
    assert often.alert(RIDGE).model_dump(exclude=quiet) == seldom.alert(RIDGE).model_dump(
        exclude=quiet
    )


def test_a_reader_sees_no_change_of_the_condition_alone() -> None:
    story = opened()
    assert story.say(replace(condition(), opens=False)).look(10) == []
    assert story.last.published == []
