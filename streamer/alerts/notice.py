"""What channels are told: notices of what became of an alert, and parcels of them.

A notice is made once, in the step that changes the alert. A parcel is fixed before it is sent, so
that what is sent again after a crash is the same under the same id.
"""

from collections.abc import Sequence
from enum import StrEnum
from typing import Protocol

from pydantic import Field

from streamer.contract.common import Message, Moment
from streamer.contract.published import CAUTION, Alert, Beat


class Turn(StrEnum):
    """What became of an alert."""

    OPENED = "opened"
    REOPENED = "reopened"
    WORSE = "worse"
    """Its severity has risen."""
    ACTUAL = "actual"
    """It was told as part of an exercise, which is over or no longer all: it is real."""
    UNSTEADY = "unsteady"
    """It comes and goes; from now on single changes are told no more."""
    ACKNOWLEDGED = "acknowledged"
    ESCALATED = "escalated"
    """Nobody has taken it in hand; told to the next step's channels."""
    REMINDED = "reminded"
    """It still stands, long after anything of it was told."""
    EXPLAINED = "explained"
    """Another alert, told beside or before it, is its cause; it is no alert of its own now."""
    CLEARED = "cleared"


class Earlier(Message):
    """A notice of the same episode that went before, as CAP's `references` needs it."""

    id: str
    at: Moment


class Notice(Message):
    """`id` is unique for each turn of each alert; the same notice always has the same. `at` is in
    whole milliseconds. `earlier` are those that this channel was told of the same episode, oldest
    first, the newest 20."""

    id: str
    turn: Turn
    at: Moment
    alert: Alert = Field(description="as it stood then")
    cause: str | None = Field(None, description="the alert that explains it, in `explained`")
    earlier: tuple[Earlier, ...] = ()


class Parcel(Message):
    """One message of a channel. `id` is unique, and the same when it is sent again."""

    v: int = 1
    region: str
    id: str
    channel: str
    made_at: Moment
    notices: tuple[Notice, ...] = Field(min_length=1, description="in the order of their times")
    caution: str = CAUTION


class Undelivered(Exception):
    """A channel did not take a parcel; the text says why, without secrets. `final`: the other side
    has refused it, and would again."""

    def __init__(self, text: str, *, final: bool = False) -> None:
        super().__init__(text)
        self.final = final


class Channel(Protocol):
    """One way to people. Methods block for at most some timeouts, and may be called from another
    thread than the worker's, one call at a time. All raise Undelivered."""

    name: str
    refresh_s: float | None
    """How often `refresh` is to be called; None: never."""

    def send(self, parcel: Parcel) -> None:
        """Hand a parcel over; returns when the other side has it. A parcel may come twice, after a
        crash: then the other side must be able to tell by its id."""

    def send_beat(self, beat: Beat) -> None:
        """Tell that the way of alerts works."""

    def refresh(self, standing: Sequence[Alert]) -> None:
        """Bring the other side up to date with every alert that is open or acknowledged now."""
