"""What the workers judge with, the same for all groups: `[limits]` of a region file."""

from typing import Annotated

from pydantic import Field

from streamer.config_types import PositiveSeconds, Seconds, Table

_Rate = Annotated[float, Field(gt=0, le=1_000_000)]


class Limits(Table):
    """What the workers judge with, the same for all groups.

    The limits of a flood hold for each gateway at each worker. A sound agent sends at most 50
    messages of 256 events a second, and that only while it works off a backlog: a quarter of them.
    """

    gateway_lost_after_s: PositiveSeconds = Field(90, description="no heartbeat for so long")
    future_s: Seconds = Field(30, description="events further ahead are refused")
    clock_skew_s: Seconds = Field(5, description="a clock further off raises an alert")
    clock_doubt_s: Seconds = Field(
        1, description="how far a gateway's clock may be off after its times were corrected"
    )
    events_lost_after_s: Seconds = Field(60, description="a hole in seq, open for so long")
    reply_within_s: Seconds = Field(30, description="older check-ins are not answered on the air")
    max_speed_kmh: Annotated[float, Field(gt=0)] = Field(
        250, description="a station that moves faster is in two places"
    )
    two_places_hold_s: Seconds = Field(900, description="how long the alert stands")
    loop_hold_s: Seconds = Field(300, description="how long the alert stands")
    roster_refresh_s: Seconds = Field(5, description="least time between rosters without a change")
    quarantine_size: Annotated[int, Field(ge=1, le=10_000)] = 200
    refused_size: Annotated[int, Field(ge=1, le=100_000)] = 2000
    flood_messages_per_s: _Rate = Field(
        200, description="messages of one gateway a second; what is beyond is refused unread"
    )
    flood_burst_messages: Annotated[int, Field(ge=1, le=10_000_000)] = Field(
        2000, description="so many at once are still taken"
    )
    flood_mb_per_s: _Rate = Field(20, description="the same in megabytes")
    flood_burst_mb: Annotated[float, Field(ge=1, le=1_000_000)] = 200
    stations_per_h: Annotated[int, Field(ge=1, le=1_000_000)] = Field(
        3000, description="stations heard by one gateway an hour; overs of others are refused"
    )
    flood_hold_s: PositiveSeconds = Field(300, description="how long the alert stands")
    refusals_told_per_s: _Rate = Field(
        2, description="refusals of one gateway told and kept one by one; others are only counted"
    )
    refusals_told_at_once: Annotated[int, Field(ge=1, le=10_000_000)] = 1000
