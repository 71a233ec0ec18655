"""An entry of the log: who ordered what, when, and why. Its JSON is what Redis keeps."""

from enum import StrEnum
from typing import Any

from pydantic import BaseModel, ConfigDict

from streamer.contract.common import Moment


class Act(StrEnum):
    """What somebody did."""

    ACKNOWLEDGE = "acknowledge"
    CHECK_OUT = "check_out"
    PIN = "pin"
    BAR = "bar"
    LIFT = "lift"
    START_DUTY = "start_duty"
    END_DUTY = "end_duty"
    START_ROLL_CALL = "start_roll_call"
    END_ROLL_CALL = "end_roll_call"
    MARK_ANSWERED = "mark_answered"
    ACCEPT_CALL = "accept_call"
    RETRACT_CALL = "retract_call"
    SET_ROSTER = "set_roster"
    START_MAINTENANCE = "start_maintenance"
    END_MAINTENANCE = "end_maintenance"
    FORGET = "forget"


class Entry(BaseModel):
    """`by` is the name that was signed in or given; `subject` is what was acted on."""

    model_config = ConfigDict(frozen=True)

    at: Moment
    by: str
    act: Act
    subject: str
    note: str | None = None
    details: dict[str, Any] = {}
