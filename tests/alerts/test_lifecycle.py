"""Alerts open, are acknowledged, change and clear. common practice, no source."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.alerts.conditions import Condition
from streamer.alerts.lifecycle import acknowledge, reconcile
from streamer.clock import from_ms
from streamer.contract.published import Alert, AlertKind, AlertState, Severity

NOW_MS = 1_800_000_000_000


def condition(subject: str = "ridge", **changes: Any) -> Condition:
    made = Condition(
        f"gateway_lost.{subject}",
        AlertKind.GATEWAY_LOST,
        Severity.WARNING,
        subject,
        f"Gateway {subject} is lost",
        ("no heartbeat",),
        "Call its keeper.",
        NOW_MS - 90_000,
    )
    return replace(made, **changes)


def opened(now_ms: int = NOW_MS) -> Alert:
    (alert,) = reconcile("scene", {}, [condition()], now_ms).changed
    return alert


def test_a_new_condition_opens_an_alert() -> None:
    changes = reconcile("scene", {}, [condition()], NOW_MS)
    alert = changes.remaining["gateway_lost.ridge"]
    assert changes.changed == [alert]
    assert changes.cleared == []
    assert not changes.nothing
    assert alert.state is AlertState.OPEN
    assert (alert.region, alert.subject, alert.title) == (
        "scene",
        "ridge",
        "Gateway ridge is lost",
    )
    assert alert.since == from_ms(NOW_MS - 90_000)
    assert alert.opened_at == from_ms(NOW_MS)
    assert alert.cleared_at is None


def test_while_nothing_changes_nothing_is_told() -> None:
    alert = opened()
    changes = reconcile("scene", {alert.id: alert}, [condition()], NOW_MS + 60_000)
    assert changes.nothing
    assert changes.remaining == {alert.id: alert}


@pytest.mark.parametrize(
    "change",
    [
        {"severity": Severity.CRITICAL},
        {"reasons": ("no heartbeat", "2 members behind it cannot be judged")},
        {"affects": ("QA1ABC",)},
        {"title": "Gateway ridge is lost again"},
        {"next_step": "Drive there."},
        {"since_ms": NOW_MS},
    ],
    ids=lambda change: next(iter(change)),
)
def test_any_change_of_what_it_says_is_told_under_a_higher_version(
    change: dict[str, Any],
) -> None:
    alert = opened()
    changes = reconcile("scene", {alert.id: alert}, [condition(**change)], NOW_MS + 5)
    (told,) = changes.changed
    assert told.version == alert.version + 1
    assert told.opened_at == alert.opened_at
    assert told != alert.model_copy(update={"version": told.version})


def test_an_acknowledgement_outlives_a_change() -> None:
    taken = acknowledge(opened(), "QA1ABC", "on my way", NOW_MS)
    assert (taken.state, taken.acknowledged_by, taken.note) == (
        AlertState.ACKNOWLEDGED,
        "QA1ABC",
        "on my way",
    )
    assert taken.version == NOW_MS + 1
    other = condition(reasons=("another reason",))
    (told,) = reconcile("scene", {taken.id: taken}, [other], NOW_MS).changed
    assert (told.state, told.acknowledged_by, told.note) == (
        AlertState.ACKNOWLEDGED,
        "QA1ABC",
        "on my way",
    )


def test_trouble_that_gets_worse_is_open_again() -> None:
    taken = acknowledge(opened(), "QA1ABC", "on my way", NOW_MS)
    worse = condition(severity=Severity.CRITICAL)
    (told,) = reconcile("scene", {taken.id: taken}, [worse], NOW_MS).changed
    assert (told.state, told.acknowledged_by, told.acknowledged_at) == (AlertState.OPEN, None, None)
    less = condition(severity=Severity.WARNING)
    taken = acknowledge(told, "QA1ABC", None, NOW_MS)
    (told,) = reconcile("scene", {taken.id: taken}, [less], NOW_MS).changed
    assert told.state is AlertState.ACKNOWLEDGED


def test_nobody_loses_an_alert_without_a_word() -> None:
    taken = acknowledge(opened(), "QA1ABC", "on my way", NOW_MS)
    with pytest.raises(ValueError, match="in the hands of QA1ABC since"):
        acknowledge(taken, "QB2DEF", None, NOW_MS + 1000)
    assert acknowledge(taken, "QA1ABC", "there", NOW_MS + 1000).note == "there"
    mine = acknowledge(taken, "QB2DEF", None, NOW_MS + 1000, take_over=True)
    assert (mine.acknowledged_by, mine.acknowledged_at) == ("QB2DEF", from_ms(NOW_MS + 1000))


def test_what_only_keeps_an_alert_opens_none() -> None:
    kept = condition(opens=False)
    assert reconcile("scene", {}, [kept], NOW_MS).nothing
    alert = opened()
    assert not reconcile("scene", {alert.id: alert}, [kept], NOW_MS).cleared


def test_a_cleared_alert_says_why() -> None:
    alert = opened()
    (cleared,) = reconcile("scene", {alert.id: alert}, [], NOW_MS).cleared
    assert cleared.cleared_because == "it reports again"
    (cleared,) = reconcile("scene", {alert.id: alert}, [], NOW_MS, {alert.id: "seen"}).cleared
    assert cleared.cleared_because == "seen"


def test_when_the_trouble_is_over_the_alert_clears_whoever_had_it() -> None:
    for alert in (opened(), acknowledge(opened(), "QA1ABC", None, NOW_MS)):
        changes = reconcile("scene", {alert.id: alert}, [], NOW_MS + 1000)
        (cleared,) = changes.cleared
        assert changes.remaining == {}
        assert changes.changed == []
        assert cleared.state is AlertState.CLEARED
        assert cleared.cleared_at == from_ms(NOW_MS + 1000)
        assert cleared.version == alert.version + 1
        assert cleared.acknowledged_by == alert.acknowledged_by


def test_a_cleared_alert_cannot_be_acknowledged() -> None:
    alert = opened()
    (cleared,) = reconcile("scene", {alert.id: alert}, [], NOW_MS).cleared
    with pytest.raises(ValueError, match=r"gateway_lost\.ridge is cleared"):
        acknowledge(cleared, "QA1ABC", None, NOW_MS)


def test_one_of_several_comes_or_goes_alone() -> None:
    first = opened()
    changes = reconcile("scene", {first.id: first}, [condition(), condition("lake")], NOW_MS + 1000)
    assert [a.subject for a in changes.changed] == ["lake"]
    both = changes.remaining
    changes = reconcile("scene", both, [condition("lake")], NOW_MS + 2000)
    assert [a.subject for a in changes.cleared] == ["ridge"]
    assert set(changes.remaining) == {"gateway_lost.lake"}


# What happens to one alert, second by second: its condition (None: gone) or an acknowledgement.
steps = st.lists(st.sampled_from(["well", "wrong", "worse", "taken"]), max_size=20)


@given(steps)
def test_versions_rise_through_clearing_and_reopening(what: list[str]) -> None:
    """A reader keeps the highest version: one that fell would hide all that follows it."""
    known: dict[str, Alert] = {}
    told: list[int] = []
    for second, step in enumerate(what):
        now_ms = NOW_MS + 1000 * second
        if step == "taken":
            if known:
                known = {i: acknowledge(a, "QA1ABC", None, now_ms) for i, a in known.items()}
                told += [a.version for a in known.values()]
            continue
        severity = Severity.CRITICAL if step == "worse" else Severity.WARNING
        wrong = [] if step == "well" else [condition(severity=severity)]
        changes = reconcile("scene", known, wrong, now_ms)
        told += [a.version for a in [*changes.changed, *changes.cleared]]
        known = changes.remaining
    assert told == sorted(set(told))
