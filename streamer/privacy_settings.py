"""How long what is known of people is kept: `[privacy]` of a region file.

Each setting is kept by the workers (streamer.state.tidying, station.lua); what is bounded by other
settings stands in DEVELOPERS.md, Bounds.
"""

from typing import Annotated

from pydantic import Field

from streamer.config_types import Table

_Days = Annotated[float, Field(ge=1, le=3660)]


class Privacy(Table):
    """Retention by kind of data. The journal's files have `keep_days` of `[journal]`."""

    positions_keep_h: Annotated[float, Field(gt=0, le=366 * 24)] | None = Field(
        None,
        description="a station's position older than that is neither kept nor published; without "
        "it as long as the station is known. The journal keeps it as long as its files",
    )
    quarantine_keep_days: _Days = Field(
        30, description="identities that are no call signs, after they were last heard"
    )
    refused_keep_days: _Days = Field(30, description="what refused input began with")
    dead_letters_keep_days: _Days = Field(
        30, description="messages to channels that could not be delivered"
    )
    rosters_keep_days: _Days = Field(
        30, description="who was expected at a duty, after its end; in the log too"
    )
    log_keep_days: _Days = Field(
        366,
        description="the log of what people ordered, and duties and planned work after their end",
    )
