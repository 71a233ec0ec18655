"""The JSON API that acts. `by` is always who is signed in; each act and its log entry are one step
in Redis, and what follows from it comes to every page by the feed.

Plain functions: each waits for Redis in a thread.
"""

import re
from typing import Annotated, Final

from fastapi import APIRouter, Body, Depends, Path
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from streamer.acts.acts import LONGEST_ORDER_S
from streamer.acts.maintenance import LONGEST_MAINTENANCE_S
from streamer.board.access import Role, Who, need
from streamer.board.api import Group, WithActs
from streamer.board.problems import CHANGES, responses
from streamer.contract.common import GROUP_PATTERN, NAME_PATTERN, GroupName, Name
from streamer.contract.duty import DutyKind
from streamer.contract.published import Alert, Duty, Maintenance, Order, OrderKind, RollCall
from streamer.domain.plain_text import NOTE_FORM, TITLE_FORM
from streamer.domain.quarantine import quarantine_name
from streamer.domain.roster import RosterLine

SHORTEST_ORDER_S = 60.0
MOST_GROUPS = 1000
_SUBJECT_FORM: Final = rf"^({NAME_PATTERN}(/{NAME_PATTERN})?|{GROUP_PATTERN}|\*)$"

router = APIRouter(prefix="/api/v1", tags=["acts"], responses=responses(*CHANGES))

Operator = Annotated[Who, Depends(need(Role.OPERATE))]
Admin = Annotated[Who, Depends(need(Role.ADMIN))]


def _printable(text: str) -> str:
    """It is shown, logged and printed."""
    if not re.search(NOTE_FORM, text):
        raise ValueError("must not hold control characters")
    return text


def _one_line(text: str) -> str:
    if not re.search(TITLE_FORM, text):
        raise ValueError("must be one line without control characters")
    return text


_Note = Annotated[
    str,
    StringConstraints(strip_whitespace=True, max_length=300),
    AfterValidator(_printable),
    Field(json_schema_extra={"pattern": NOTE_FORM}),
]
Title = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=80),
    AfterValidator(_one_line),
    Field(json_schema_extra={"pattern": TITLE_FORM}),
]
RosterFile = Annotated[
    str,
    StringConstraints(min_length=1),
    Field(
        description="a table in CSV, of at most 500 kB; its first line names the columns call, "
        "name, agency, assignment, group, of which only call must be there",
        examples=["call,name\nQA1ABC,Ann\n"],
    ),
]
Station = Annotated[str, Path(min_length=1, max_length=32, examples=["QA1ABC"])]
Call = Annotated[str, Path(min_length=1, max_length=32, examples=["QPATROL"])]


class Given(BaseModel):
    """Base of what is given with an act; an unknown field is a mistake."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Noted(Given):
    """Why, in words; goes into the log."""

    note: _Note | None = None

    @property
    def said(self) -> str | None:
        """None where nothing was said."""
        return self.note or None


class Acknowledgement(Noted):
    take_over: bool = Field(False, description="also if it is in the hands of somebody else")


class Ordering(Noted):
    order: OrderKind
    for_s: float = Field(
        ge=SHORTEST_ORDER_S, le=LONGEST_ORDER_S, description="from now on", examples=[3600]
    )


_RollCallId = Annotated[
    Name | None,
    Field(
        description="of the one that is shown: another is let be, 409; null: whichever goes on",
        examples=["call-20261128-120000-1a2b"],
    ),
]


class EndOfRollCall(Given):
    roll_call: _RollCallId = None


class AnswerMarked(Noted):
    roll_call: _RollCallId = None


class StartOfDuty(Noted):
    title: Title
    kind: DutyKind
    groups: list[GroupName] = Field(min_length=1, max_length=MOST_GROUPS)
    roster: RosterFile | None = None


class StartOfMaintenance(Noted):
    subject: Annotated[str, StringConstraints(pattern=_SUBJECT_FORM)] = Field(
        description="gateway, gateway/port, group, or * for the whole region", examples=["ridge"]
    )
    for_s: float = Field(
        ge=SHORTEST_ORDER_S, le=LONGEST_MAINTENANCE_S, description="from now on", examples=[7200]
    )


_Nothing = Annotated[Noted | None, Body()]


def _note(given: Noted | None) -> str | None:
    return given.said if given is not None else None


# -- alerts and members --------------------------------------------------------------------------


@router.post("/alerts/{alert_id}/acknowledgement")
def acknowledge(
    acts: WithActs,
    who: Operator,
    alert_id: Annotated[str, Path(min_length=1, max_length=200)],
    given: Annotated[Acknowledgement | None, Body()] = None,
) -> Alert:
    """Take an alert in hand. It stays until its cause is gone."""
    take_over = given is not None and given.take_over
    return acts.acknowledge(alert_id, who.name, _note(given), take_over)


@router.post("/groups/{group}/members/{station}/check-out", status_code=204)
def check_out(
    acts: WithActs, who: Operator, group: Group, station: Station, given: _Nothing = None
) -> None:
    """Check a member out by hand; its next keying to the group checks it in again."""
    acts.check_out(group, station, who.name, _note(given))


# -- pins and bars -------------------------------------------------------------------------------


@router.put("/groups/{group}/orders/{gateway}/{port}")
def order(
    acts: WithActs, who: Operator, group: Group, gateway: Name, port: Name, given: Ordering
) -> Order:
    """Have a repeater carry a group always (pin) or never (bar), for a time."""
    repeater = f"{gateway}/{port}"
    return acts.order(group, repeater, given.order, given.for_s, who.name, given.said)


@router.delete("/groups/{group}/orders/{gateway}/{port}", status_code=204)
def lift(
    acts: WithActs, who: Operator, group: Group, gateway: Name, port: Name, given: _Nothing = None
) -> None:
    """End an order before its time."""
    acts.lift(group, f"{gateway}/{port}", who.name, _note(given))


# -- duties --------------------------------------------------------------------------------------


@router.post("/duties", status_code=201)
def start_duty(acts: WithActs, who: Operator, given: StartOfDuty) -> Duty:
    """Begin an exercise or an incident, with those who are expected; an exercise is marked on every
    page and message."""
    roster: tuple[RosterLine, ...] = ()
    if given.roster is not None:
        roster = acts.read_roster(given.roster.encode(), given.groups).lines
    return acts.start_duty(given.title, given.kind, given.groups, who.name, given.said, roster)


@router.post("/duties/{duty_id}/end")
def end_duty(acts: WithActs, who: Operator, duty_id: Name, given: _Nothing = None) -> Duty:
    """End it."""
    return acts.end_duty(duty_id, who.name, _note(given))


# -- maintenance ---------------------------------------------------------------------------------


@router.post("/maintenance", status_code=201)
def start_maintenance(acts: WithActs, who: Operator, given: StartOfMaintenance) -> Maintenance:
    """Begin planned work: alerts about it are in hand from the start, and of them only critical
    ones are told to channels."""
    return acts.start_maintenance(given.subject, given.for_s, who.name, given.said)


@router.post("/maintenance/{maintenance_id}/end")
def end_maintenance(
    acts: WithActs, who: Operator, maintenance_id: Name, given: _Nothing = None
) -> Maintenance:
    """End it before its time."""
    return acts.end_maintenance(maintenance_id, who.name, _note(given))


# -- roll call -----------------------------------------------------------------------------------


@router.post("/groups/{group}/roll-call", status_code=201)
def start_roll_call(acts: WithActs, who: Operator, group: Group) -> RollCall:
    """Begin to note who answers: by keying to the group, or marked by hand."""
    return acts.start_roll_call(group, who.name)


@router.delete("/groups/{group}/roll-call", status_code=204)
def end_roll_call(
    acts: WithActs,
    who: Operator,
    group: Group,
    given: Annotated[EndOfRollCall | None, Body()] = None,
) -> None:
    """End it; who had answered stands in the log."""
    acts.end_roll_call(group, who.name, given.roll_call if given is not None else None)


@router.post("/groups/{group}/roll-call/answers/{station}", status_code=204)
def answered(
    acts: WithActs,
    who: Operator,
    group: Group,
    station: Station,
    given: Annotated[AnswerMarked | None, Body()] = None,
) -> None:
    """Mark that a member answered otherwise than by keying to the group."""
    call_id = given.roll_call if given is not None else None
    acts.answered(group, station, who.name, _note(given), call_id)


# -- identities ----------------------------------------------------------------------------------


@router.post("/calls/{call:path}", status_code=204)
def accept_call(acts: WithActs, who: Admin, call: Call, given: _Nothing = None) -> None:
    """Take an identity for a station from now on though it is no call sign."""
    acts.accept_call(quarantine_name(call), who.name, _note(given))


@router.delete("/calls/{call:path}", status_code=204)
def retract_call(acts: WithActs, who: Admin, call: Call, given: _Nothing = None) -> None:
    """Take that back; what was heard of it stays."""
    acts.retract_call(quarantine_name(call), who.name, _note(given))
