"""What gateways publish: heard, route and state."""

from enum import StrEnum
from typing import Annotated

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
    Version,
)


class Phase(StrEnum):
    """Of an over: `start` is key down, `end` is key up."""

    START = "start"
    END = "end"


class RouteAction(StrEnum):
    """`carrying` and `released`: from now on; `sent`: one over of the group went out."""

    CARRYING = "carrying"
    RELEASED = "released"
    SENT = "sent"


class Position(Message):
    """Where a station said it was. WGS 84 degrees, east and north positive."""

    lat: Annotated[float, Field(ge=-90, le=90, description="degrees, north positive")]
    lon: Annotated[float, Field(ge=-180, le=180, description="degrees, east positive")]
    at: Moment | None = Field(None, description="time of the fix; absent: the start of the over")
    speed_mps: Annotated[float, Field(ge=0, le=1500)] | None = Field(
        None, description="speed over ground, metres a second"
    )
    course_deg: Annotated[float, Field(ge=0, le=360)] | None = Field(
        None, description="course over ground, degrees from true north"
    )


class Event(Message):
    """The fields that place an event in its agent's sequence and correct its clock."""

    v: Version
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
    duration_s: Annotated[float, Field(ge=0, le=86_400)] | None = Field(
        None, description="from key down to key up, seconds"
    )
    ber_pct: Annotated[float, Field(ge=0, le=100)] | None = Field(
        None, description="bit error rate, percent"
    )
    rssi_dbm: Annotated[float, Field(ge=-200, le=50)] | None = Field(
        None, description="strength at the receiver, dBm"
    )
    text: ShortText | None = Field(
        None, description="sent with the over; a check-out word checks the station out"
    )
    position: Position | None = Field(None, description="where the station said it was")


class Route(Event):
    """A repeater began or ceased to carry a group, or sent one over of it out."""

    repeater: RepeaterId
    group: GroupName
    action: RouteAction
    over: OverId | None = Field(None, description="the over that was sent, with `sent`")
    from_gateway: Name | None = Field(None, description="the gateway that handed the over on")
    latency_s: Annotated[float, Field(ge=0, le=86_400)] | None = Field(
        None, description="from the over's key down where it was heard to its being sent here"
    )
    at: Moment = Field(description="when it began, ceased or was sent, by the agent's clock")


class RepeaterState(Message):
    """One repeater of a gateway as the gateway knows it."""

    id: RepeaterId
    up: bool = Field(description="false: it hears and sends nothing")
    changed_at: Moment | None = Field(None, description="since when it is up or down")
    freq_mhz: Annotated[float, Field(gt=0, le=300_000)] | None = Field(
        None, description="frequency it sends on, MHz"
    )
    lat: Annotated[float, Field(ge=-90, le=90)] | None = Field(
        None, description="degrees, north positive"
    )
    lon: Annotated[float, Field(ge=-180, le=180)] | None = Field(
        None, description="degrees, east positive"
    )
    antenna_m: Annotated[float, Field(ge=0, le=10_000)] | None = Field(
        None, description="height of the antenna above ground, metres"
    )
    range_km: Annotated[float, Field(gt=0, le=2_000)] | None = Field(
        None, description="how far it usually hears, kilometres"
    )


class State(Message):
    """A gateway's heartbeat, retained; the will is one of these with `up` false.

    Heartbeats are ordered by (boot, session, seq) and not counted with the events: a heartbeat
    that could not be sent is worthless later. The will leaves `seq` out, which makes it the last
    word of its session and older than the first word of the next.
    """

    v: Version
    boot: BootId
    session: Annotated[int, Field(ge=0, le=2**31)] = Field(
        0, description="rises by one with each connection of one boot"
    )
    seq: Seq | None = Field(
        None, description="rises from heartbeat to heartbeat of one session; a will has none"
    )
    sent_at: Moment = Field(description="the agent's clock; echoed in the answer")
    clock_offset_s: OffsetS | None = Field(None, description="server time minus agent time")
    round_trip_s: Annotated[float, Field(ge=0, le=1e9)] | None = Field(
        None, description="of the exchange it was measured by; it is known to half of that"
    )
    up: bool = Field(description="false in the will and as the last word of a clean stop")
    software: Annotated[str, Field(max_length=64)] | None = Field(
        None, description="name and version of the agent"
    )
    spooled: Annotated[int, Field(ge=0)] | None = Field(None, description="events not yet sent")
    dropped: Annotated[int, Field(ge=0)] | None = Field(
        None, description="events given up in this boot because the spool's disk limit was reached"
    )
    repeaters: Annotated[tuple[RepeaterState, ...], Field(max_length=64)] = Field(
        (), strict=False, description="absent in a will"
    )
