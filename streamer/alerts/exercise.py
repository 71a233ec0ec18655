"""Whether an alert is to be told as part of an exercise, or is only somebody's try of a channel."""

from typing import Final

from streamer.contract.duty import DutyKind
from streamer.contract.published import Alert, AlertKind

TEST_ID: Final = "test"
"""Id of the alert that `streamer channels --send` sends. No real one has it: theirs begin with a
kind and a dot."""
_PLAYED: Final = frozenset({AlertKind.MEMBER_OVERDUE, AlertKind.REPEATER_STARVED})
"""Kinds that touch nobody outside the group whose duties they bear; of starved repeaters those that
name the group, since one that carries nothing concerns all. A loop is not among them: it keeps
repeaters on the air for everybody. Two places is not either: it is about a call sign, not
about a group, and bears the duties of the whole region; nor is anything at a gateway or repeater:
what is broken during an exercise is broken. And not that somebody is out of reach: an exercise must
not hide who is truly missed, and many who read alerts leave out what is marked as played."""


def is_test(alert: Alert) -> bool:
    """Whether somebody only tries a channel."""
    return alert.id == TEST_ID


def is_exercise(alert: Alert) -> bool:
    """Whether an alert is to be told as part of an exercise: it touches one group alone, and every
    duty that runs for that group is an exercise; what was once told as real stays so. Common
    practice, no source; in doubt an alert is actual.
    """
    return (
        alert.kind in _PLAYED
        and (alert.kind is not AlertKind.REPEATER_STARVED or alert.group is not None)
        and bool(alert.duties)
        and all(duty.kind is DutyKind.EXERCISE for duty in alert.duties)
        and not alert.actual
        and not is_test(alert)
    )


def marked(alert: Alert) -> Alert:
    """The alert as it is told from now on: as real for good, unless it is part of an exercise."""
    return alert.model_copy(update={"actual": not is_exercise(alert)})
