"""A duty as it is named in other messages."""

from enum import StrEnum

from streamer.contract.common import Message, Name


class DutyKind(StrEnum):
    """What a duty is: practised, or in earnest."""

    EXERCISE = "exercise"
    ACTUAL = "actual"


class DutyMark(Message):
    """A duty that runs while something is said. It does not say that trouble is played: a gateway
    that is lost during an exercise is lost."""

    id: Name
    title: str
    kind: DutyKind
