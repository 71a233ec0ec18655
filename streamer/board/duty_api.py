"""The JSON API about one duty: who of it is accounted for, its roster, its roll call.

Call signs may be seen by whoever may view; what the roster says of people, by whoever may operate.
Plain functions: each waits for Redis in a thread.
"""

from typing import Annotated

from fastapi import APIRouter, Body, Depends
from pydantic import Field

from streamer.board.access import Role, Who, need
from streamer.board.acting import MOST_GROUPS, Given, Noted, Operator, RosterFile
from streamer.board.api import AtDesk, WithActs
from streamer.board.problems import CHANGES, READS, responses
from streamer.board.rows import Row
from streamer.contract.common import Name
from streamer.contract.published import Duty, RollCall
from streamer.reading.duty_now import DutyNow, duty_now

asked = APIRouter(prefix="/api/v1", tags=["on demand"], responses=responses(*READS, 404, 503))
acts = APIRouter(prefix="/api/v1", tags=["acts"], responses=responses(*CHANGES))

Viewer = Annotated[Who, Depends(need(Role.VIEW))]


class RosterGiven(Noted):
    csv: RosterFile


class EndOfRollCalls(Given):
    roll_calls: list[Name] | None = Field(
        None,
        max_length=MOST_GROUPS,
        description="ids of those that are shown: if another goes on none is ended, 409; null: all "
        "that go on",
    )


class RosterTaken(Row):
    """The duty with those who are expected from now on. `unread` are columns of the file that were
    not read."""

    duty: Duty
    unread: tuple[str, ...]


class RollCallsBegun(Row):
    """Those that were begun, by group; a group that had one keeps it."""

    roll_calls: dict[str, RollCall]


@asked.get("/duties/{duty_id}")
def duty(who: Viewer, desk: AtDesk, done: WithActs, duty_id: Name) -> DutyNow:
    """Who of a duty is accounted for, and who has answered its roll calls. Once it is over: who was
    expected. Names, agencies and assignments are null for the role view."""
    found = duty_now(desk, done.duty(duty_id), done.roster(duty_id))
    return found if who.role.covers(Role.OPERATE) else found.without_names()


@acts.put("/duties/{duty_id}/roster")
def set_roster(done: WithActs, who: Operator, duty_id: Name, given: RosterGiven) -> RosterTaken:
    """Say who is expected, in place of whoever was. All or nothing: a 422 names every faulty
    line."""
    read = done.read_roster(given.csv.encode(), done.duty(duty_id).groups)
    known = done.set_roster(duty_id, read.lines, who.name, given.said)
    return RosterTaken(duty=known, unread=read.unread)


@acts.post("/duties/{duty_id}/roll-call", status_code=201)
def start_roll_call(done: WithActs, who: Operator, duty_id: Name) -> RollCallsBegun:
    """Begin a roll call in each group of the duty that has none."""
    return RollCallsBegun(roll_calls=done.start_duty_roll_call(duty_id, who.name))


@acts.delete("/duties/{duty_id}/roll-call", status_code=204)
def end_roll_call(
    done: WithActs,
    who: Operator,
    duty_id: Name,
    given: Annotated[EndOfRollCalls | None, Body()] = None,
) -> None:
    """End those of its groups; who had answered and who had not stands in the log."""
    done.end_duty_roll_call(duty_id, who.name, given.roll_calls if given is not None else None)
