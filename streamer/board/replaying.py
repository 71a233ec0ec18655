"""A board that shows a record instead of the present: what plays it, and what pages are told.

`Playing` is whatever plays the record; a board without one has nothing of this.
"""

from collections.abc import Sequence
from typing import Final, Protocol, cast

from pydantic import Field
from starlette.requests import Request

from streamer.board.rows import Count, Row
from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.contract.published import Severity

REPLAY_TABLE: Final = "replay"


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
    missing_from: Moment = Field(
        description="before, a gateway that was never heard of may not have had its turn yet"
    )
    moves: Count = Field(description="rises with each move that was made")
    trouble: str | None = Field(description="why it cannot go on")
    said: str = Field(description="for people: which record, which time, that it is not live")


class ReplayDocument(ReplayRow):
    """The same, with the record's alerts. Of very many some are left out, evenly."""

    alerts: tuple[AlertTick, ...]


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
