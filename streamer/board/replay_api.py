"""The API of a board that shows a record: where it is, where it shall go. No other board has it.

Plain functions: they run in threads.
"""

from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Depends
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request

from streamer.board.access import Role, need
from streamer.board.problems import responses
from streamer.board.replaying import Playing, ReplayDocument, ReplayRow, playing_of
from streamer.clock import to_ms

PATH: Final = "/api/replay"
FASTEST: Final = 3600.0
_CHANGES: Final = (400, 401, 403, 411, 413, 421, 422)

router = APIRouter(tags=["replay"])


class Ask(BaseModel):
    """What to change; what is not given stays."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    to: AwareDatetime | None = None
    speed: float | None = Field(None, gt=0, le=FASTEST)
    playing: bool | None = None


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
