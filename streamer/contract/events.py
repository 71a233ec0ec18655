"""What gateways publish: heard, route and state."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from streamer.contract.common import (
    BootId,
    GroupName,
    Message,
    Moment,
    Name,
    OffsetS,
    OverId,
    RawCallSign,
    RepeaterId,
    Seq,
    ShortText,
)


class Phase(StrEnum):
    START = "start"
    END = "end"


class RouteAction(StrEnum):
    CARRYING = "carrying"
    RELEASED = "released"
    SENT = "sent"


class Position(Message):
    """Where a station said it was. WGS 84 degrees, east and north positive."""

    lat: Annotated[float, Field(ge=-90, le=90)]
    lon: Annotated[float, Field(ge=-180, le=180)]
    at: Moment | None = Field(None, description="time of the fix; absent: the start of the over")
    speed_mps: Annotated[float, Field(ge=0, le=1500)] | None = None
    course_deg: Annotated[float, Field(ge=0, le=360)] | None = None


class Event(Message):
    """The fields that place an event in its agent's sequence and correct its clock."""

    v: Literal[1]
    boot: BootId
    seq: Seq = Field(description="rises by one from event to event of one boot, heard and route")
    sent_at: Moment = Field(description="the agent's clock when the event was recorded")
    clock_offset_s: OffsetS | None = Field(
        None, description="server time minus agent time, as known when the event was recorded"
    )


class Heard(Event):
    """A station was heard on a repeater: key down (`start`) or key up (`end`)."""

    repeater: RepeaterId
    station: RawCallSign
    to: RawCallSign | None = Field(None, description="group or station addressed; null: nobody")
    over: OverId
    phase: Phase
    started_at: Moment | None = Field(
        None, description="key down by the agent's clock; absent: sent_at less duration_s"
    )
    duration_s: Annotated[float, Field(ge=0, le=86_400)] | None = None
    ber_pct: Annotated[float, Field(ge=0, le=100)] | None = None
    rssi_dbm: Annotated[float, Field(ge=-200, le=50)] | None = None
    text: ShortText | None = None
    position: Position | None = None


class Route(Event):
    """A repeater began or ceased to carry a group, or sent one over of it out."""

    repeater: RepeaterId
    group: GroupName
    action: RouteAction
    over: OverId | None = None
    from_gateway: Name | None = Field(None, description="the gateway that handed the over on")
    latency_s: Annotated[float, Field(ge=0, le=86_400)] | None = Field(
        None, description="from the over's key down where it was heard to its being sent here"
    )
    at: Moment


class RepeaterState(Message):
    id: RepeaterId
    up: bool
    changed_at: Moment | None = Field(None, description="since when it is up or down")
    freq_mhz: Annotated[float, Field(gt=0, le=300_000)] | None = None
    lat: Annotated[float, Field(ge=-90, le=90)] | None = None
    lon: Annotated[float, Field(ge=-180, le=180)] | None = None
    antenna_m: Annotated[float, Field(ge=0, le=10_000)] | None = None
    range_km: Annotated[float, Field(gt=0, le=2_000)] | None = None


class State(Message):
    """A gateway's heartbeat, retained; the will is one of these with `up` false.

    Heartbeats are ordered by (boot, session, seq) and not counted with the events: a heartbeat
    that could not be sent is worthless later. The will leaves `seq` out, which makes it the last
    word of its session and older than the first word of the next.
    """

    v: Literal[1]
    boot: BootId
    session: Annotated[int, Field(ge=0, le=2**31)] = Field(
        0, description="rises by one with each connection of one boot"
    )
    seq: Seq | None = None
    sent_at: Moment
    clock_offset_s: OffsetS | None = None
    up: bool
    software: Annotated[str, Field(max_length=64)] | None = None
    spooled: Annotated[int, Field(ge=0)] | None = Field(None, description="events not yet sent")
    dropped: Annotated[int, Field(ge=0)] | None = Field(
        None, description="events given up in this boot because the spool's disk limit was reached"
    )
    repeaters: Annotated[tuple[RepeaterState, ...], Field(max_length=64)] = Field(
        (), strict=False, description="absent in a will"
    )
