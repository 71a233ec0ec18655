"""A board that shows a record instead of the present: what its pages need besides, and their API.

`Playing` is whatever plays the record; a board without one has nothing of this.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Final, Protocol, cast

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request

from streamer.board.access import Role, need
from streamer.board.problems import responses
from streamer.board.rows import Count, Row
from streamer.clock import from_ms, to_ms
from streamer.contract.common import Moment
from streamer.contract.published import Severity

REPLAY_TABLE: Final = "replay"
PATH: Final = "/api/replay"
FASTEST: Final = 3600.0
_CHANGES: Final = (400, 401, 403, 411, 413, 421, 422)

router = APIRouter(tags=["replay"])


class AlertTick(Row):
    """When an alert was raised or cleared, as the record has it."""

    at: Moment
    raised: bool
    severity: Severity


class ReplayRow(Row):
    """Table `replay`, key `replay`: where in a record the board is. `now` is the time by which
    every age and every table is meant."""

    begin: Moment
    end: Moment
    now: Moment
    speed: float = Field(description="seconds of the record in a second")
    playing: bool
    moving_to: Moment | None = Field(description="where it was asked to go and is not yet")
    moved_pct: Count | None = Field(description="of the way to there; null: it is not moving")
    moves: Count = Field(description="rises with each move that was made")
    trouble: str | None = Field(description="why it cannot go on")
    said: str = Field(description="for people: which record, which time, that it is not live")


class ReplayDocument(ReplayRow):
    """The same, with the record's alerts. Of very many some are left out, evenly."""

    alerts: tuple[AlertTick, ...]


class Ask(BaseModel):
    """What to change; what is not given stays."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    to: Moment | None = None
    speed: float | None = Field(None, gt=0, le=FASTEST)
    playing: bool | None = None


class Playing(Protocol):
    """Plays a record. From any thread."""

    def status(self) -> ReplayRow:
        """Where it is."""

    @property
    def ticks(self) -> Sequence[AlertTick]:
        """The record's alerts."""

    def ask(
        self, *, to_ms: int | None = None, speed: float | None = None, playing: bool | None = None
    ) -> ReplayRow:
        """Have it go somewhere, run so fast, run or rest; it does so soon. `to_ms` lies within
        the record."""


def words(begin_ms: int, end_ms: int, now_ms: int) -> str:
    """What the banner says: `2026-11-28 12:55 to 13:40, at 13:02:11Z`."""
    begin, end, now = (from_ms(ms) for ms in (begin_ms, end_ms, now_ms))
    one_day = begin.date() == end.date()
    until = f"{end:%H:%M}" if one_day else f"{end:%Y-%m-%d %H:%M}"
    at = f"{now:%H:%M:%S}Z" if one_day else f"{now:%Y-%m-%d %H:%M:%S}Z"
    return f"of {begin:%Y-%m-%d %H:%M} to {until}, at {at}: not live"


def playing_of(request: Request) -> Playing | None:
    """None on a board that shows the present."""
    return cast(Playing | None, request.app.state.replay)


def replay_of(request: Request) -> ReplayRow | None:
    """Where the replay is, for a page that is made."""
    playing = playing_of(request)
    return None if playing is None else playing.status()


def _player(request: Request) -> Playing:
    playing = playing_of(request)
    assert playing is not None, "these routes are those of a replay"
    return playing


WithPlayer = Annotated[Playing, Depends(_player)]


@router.get(PATH, dependencies=[Depends(need(Role.VIEW))], responses=responses(401, 403, 421))
def replay(player: WithPlayer) -> ReplayDocument:
    """Which record is shown, and which moment of it."""
    return ReplayDocument(**dict(player.status()), alerts=tuple(player.ticks))


@router.post(PATH, dependencies=[Depends(need(Role.VIEW))], responses=responses(*_CHANGES))
def ask(player: WithPlayer, given: Ask) -> ReplayRow:
    """Go to a moment, forwards or backwards; play or rest; how fast. Answered at once: `moving_to`
    tells what is still to be done."""
    return player.ask(
        to_ms=None if given.to is None else _within(player.status(), given.to),
        speed=given.speed,
        playing=given.playing,
    )


def _within(status: ReplayRow, to: datetime) -> int:
    if not status.begin <= to <= status.end:
        raise HTTPException(
            422,
            f"body.to: the record goes from {status.begin.isoformat()} to "
            f"{status.end.isoformat()}; give a time within it",
        )
    return to_ms(to)
