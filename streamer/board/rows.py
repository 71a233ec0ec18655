"""What the board says: every row of its tables and every document around them.

These models are the OpenAPI document as well. Times are RFC 3339 in UTC, what is not known is null.
"""

from enum import StrEnum
from typing import Annotated, Any, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from streamer.contract.common import GroupName, Moment, Name, RepeaterId
from streamer.contract.duty import DutyKind, DutyMark
from streamer.contract.published import (
    CAUTION,
    Alert,
    Carriage,
    IdleRepeater,
    Maintenance,
    Member,
    Order,
    RollCall,
    Standing,
    Why,
)
from streamer.domain.group_now import Hears
from streamer.domain.liveness import GatewayStanding
from streamer.reading.group import GroupCounts

Count = Annotated[int, Field(ge=0)]


class Row(BaseModel):
    """Base of what the board makes up itself; never changed once made."""

    model_config = ConfigDict(frozen=True)


def _example(**fields: Any) -> ConfigDict:
    return ConfigDict(frozen=True, json_schema_extra={"examples": [fields]})


# -- head --------------------------------------------------------------------------------------


class WorkerLife(StrEnum):
    """Whether somebody keeps the picture. `silent`: nobody does now; `never`: nobody ever did."""

    LIVE = "live"
    SILENT = "silent"
    NEVER = "never"


class GatewayCounts(Row):
    """Gateways by standing."""

    up: Count = 0
    down: Count = 0
    silent: Count = 0
    flooding: Count = 0
    never: Count = 0


class RepeaterCounts(Row):
    """`unknown`: their gateway never spoke, or does not speak of them."""

    reporting: Count = 0
    dark: Count = 0
    unknown: Count = 0


class AlertCounts(Row):
    """Open alerts by severity; those that somebody has in hand are counted apart."""

    critical: Count = 0
    warning: Count = 0
    notice: Count = 0
    acknowledged: Count = 0


class RunningDuty(Row):
    """A duty that runs now."""

    id: Name
    title: str
    kind: DutyKind
    groups: tuple[GroupName, ...]
    started_at: Moment


class AirSaved(Row):
    """Time on the air that fan-outs saved since `from_at`: the begin of the hour 23 hours before
    the running one, or of the first since then in which an over was counted. Of overs to groups:
    what their fan-outs wanted of other repeaters, against sending each on every other one; the sum
    of repeaters, so two that send for a minute count as two. An estimate: fan-outs as wanted when
    an over was counted, not what repeaters said."""

    from_at: Moment
    overs: Count
    addressed_s: float = Field(description="how long the overs themselves lasted")
    carried_s: float = Field(description="what their fan-outs wanted of other repeaters")
    flooded_s: float = Field(description="what sending them on every other one would have taken")
    saved_pct: float | None = Field(description="null: there was nothing to send on")


class HeadRow(Row):
    """Table `head`, key `head`: how the board itself and the region are.

    `stale_since` is the time up to which everything shown is known to hold; null while all is
    fresh. `notes` say in words what may be doubted.
    """

    region: Name
    title: str
    broker: Literal["connected", "away"]
    redis: Literal["answers", "away"]
    worker: WorkerLife
    stale_since: Moment | None
    notes: tuple[str, ...]
    alerts_silent_since: Moment | None = Field(
        description="the last sign that alerts get through, if three in a row are missing"
    )
    events_per_s: float | None = Field(description="taken over by all workers together")
    waiting: Count = Field(description="messages that workers have and did not take over yet")
    gateways: GatewayCounts
    repeaters: RepeaterCounts
    alerts: AlertCounts
    duties: tuple[RunningDuty, ...]
    air: AirSaved | None = Field(
        description="null before Redis has answered once, and in a replay: it would tell how the "
        "record was played"
    )


# -- alerts, gateways --------------------------------------------------------------------------


class AlertRow(Alert):
    """Table `alerts`, key: its id. As published, with the keeper of the site."""

    first_opened_at: Moment = Field(description="when its episode began")
    keeper: str | None = Field(description="whom to call about the site, from the region file")


class RepeaterOfGateway(Row):
    """A repeater and its place. `reporting` is null if nothing can be said of it."""

    repeater: RepeaterId
    title: str
    reporting: bool | None
    since: Moment | None
    reason: str
    lat: float | None
    lon: float | None
    range_km: float | None
    antenna_m: float | None
    freq_mhz: float | None


class GatewayRow(Row):
    """Table `gateways`, key: the gateway."""

    gateway: Name
    title: str
    keeper: str | None
    standing: GatewayStanding
    since: Moment | None
    reason: str = Field(description="the standing in words")
    software: str | None
    spooled: int | None = Field(description="events that wait at the gateway")
    clock_offset_s: float | None
    repeaters: tuple[RepeaterOfGateway, ...]


# -- groups ------------------------------------------------------------------------------------


class GroupRow(GroupCounts):
    """Table `groups`, key: the group. `would_hear`, `would_not_hear` and `cannot_say` count
    members; `starved` includes `not_yet`, those that are given time by the policy."""

    model_config = _example(
        group="SHORE", title="Shore watch", members=2, standings={"in_reach": 2}, wanted=1,
        carried=1, not_carried=0, unknown=0, starved=[], not_yet=[], barred=[], idle=[],
        would_hear=2, would_not_hear=0, cannot_say=0, orders=[], roll_call=None, duties=[],
    )  # fmt: skip

    idle: tuple[IdleRepeater, ...]
    would_hear: Count
    would_not_hear: Count
    cannot_say: Count
    orders: tuple[Order, ...]
    roll_call: RollCall | None
    duties: tuple[DutyMark, ...]


class RepeaterState(StrEnum):
    """A repeater and a group. `starved`: wanted and not carried; `not_yet`: the same, but within
    the policy's starved_after_s; `not_carried`: not carried, and a linger alone wants it, so that
    nobody misses it; `idle`: carried for nobody; `barred`: held off by a bar."""

    CARRIED = "carried"
    STARVED = "starved"
    NOT_YET = "not_yet"
    NOT_CARRIED = "not_carried"
    IDLE = "idle"
    BARRED = "barred"
    UNKNOWN = "unknown"


class FanOutRow(Row):
    """Table `fanout/{GROUP}`, key: the repeater. Whether an over to the group would go out there
    now, and why that is thought."""

    model_config = _example(
        repeater="ridge/uhf", title="Ridge", state="carried", wanted=True, why=["member"],
        members=["QA1ABC"], until=None, since="2026-01-01T12:00:00Z", carriage="carried",
        carried_after_s=0.8, hears="yes", hears_reason="says it carries the group", order=None,
    )  # fmt: skip

    repeater: RepeaterId
    title: str
    state: RepeaterState
    wanted: bool
    why: tuple[Why, ...]
    members: tuple[str, ...] = Field(description="members of the group whose place it is")
    until: Moment | None = Field(description="end of the linger, if that alone holds it")
    since: Moment | None = Field(description="wanted or, where it is not, carried since")
    carriage: Carriage
    carried_after_s: float | None
    hears: Hears
    hears_reason: str
    order: Order | None


class RosterRow(Member):
    """Table `roster/{GROUP}`, key: the station. Whether it would hear an over to the group now."""

    hears: Hears
    hears_reason: str


class RosterHead(Row):
    """Table `roster/{GROUP}`, key `#roster`. `version` is 0 and `at` null before any roster."""

    group: GroupName
    title: str
    version: Count
    at: Moment | None
    roll_call: RollCall | None
    duties: tuple[DutyMark, ...]
    caution: str = CAUTION


class PlaceRow(Row):
    """Table `places`, key: the station, for members of any group. `standing` is the worst that it
    has in `groups`; without a position it is drawn at its repeater."""

    model_config = _example(
        station="QA1ABC", lat=-45.1, lon=20.02, position_at="2026-01-01T11:58:00Z",
        repeater="ridge/uhf", last_heard_at="2026-01-01T12:00:00Z", standing="in_reach",
        groups=["SHORE"],
    )  # fmt: skip

    station: str
    lat: float | None
    lon: float | None
    position_at: Moment | None
    repeater: RepeaterId
    last_heard_at: Moment
    standing: Standing
    groups: tuple[GroupName, ...]


# -- public ------------------------------------------------------------------------------------


class PublicRegion(Row):
    """Table `public`, key `region`. `trouble`: an alert is open that somebody should look at."""

    kind: Literal["region"] = "region"
    title: str
    state: Literal["well", "trouble", "stale"]
    stale_since: Moment | None
    gateways: GatewayCounts
    repeaters: RepeaterCounts
    alerts: AlertCounts
    exercises: Count = Field(description="exercises that run now")
    actual_duties: Count
    caution: str = CAUTION


class PublicGroup(Row):
    """Table `public`, key `group:{g}`. `starved`: wanted on a repeater that does not carry it;
    `unknown`: it is wanted, and where it is carried cannot be said; `quiet`: nobody wants it, or
    it is only just called for."""

    kind: Literal["group"] = "group"
    title: str
    state: Literal["carried", "starved", "unknown", "quiet"]
    members: Count
    wanted: Count
    carried: Count
    would_hear: Count
    would_not_hear: Count
    cannot_say: Count


class PublicRepeater(Row):
    """Table `public`, key `repeater:{r}`."""

    kind: Literal["repeater"] = "repeater"
    title: str
    state: Literal["reporting", "dark", "unknown"]


PublicRow = Annotated[PublicRegion | PublicGroup | PublicRepeater, Field(discriminator="kind")]

# -- documents ---------------------------------------------------------------------------------

RowT = TypeVar("RowT")


class TableDocument(Row, Generic[RowT]):
    """A whole table. `version` rises with each change of any table of this board process."""

    table: str
    version: Count
    rows: dict[str, RowT]


class HeadDocument(TableDocument[HeadRow]):
    """Table `head`."""


class AlertsDocument(TableDocument[AlertRow]):
    """Table `alerts`."""


class MaintenanceDocument(TableDocument[Maintenance]):
    """Table `maintenance`, key: its id. As published; those that run."""


class GatewaysDocument(TableDocument[GatewayRow]):
    """Table `gateways`."""


class GroupsDocument(TableDocument[GroupRow]):
    """Table `groups`."""


class FanOutDocument(TableDocument[FanOutRow]):
    """Table `fanout/{GROUP}`."""


class RosterDocument(TableDocument[RosterRow | RosterHead]):
    """Table `roster/{GROUP}`."""


class PlacesDocument(TableDocument[PlaceRow]):
    """Table `places`."""


class PublicDocument(TableDocument[PublicRow]):
    """Table `public`: no call sign of a station, no position."""


class RowsEvent(TableDocument[dict[str, Any]]):
    """The data of a `rows` event of the feed: rows as in the table's document.

    With `full` the table is exactly `rows`; without, `rows` are new or changed and `gone` are no
    longer there.
    """

    full: bool
    gone: tuple[str, ...]


class Beat(Row):
    """The data of a `beat` event of the feed, sent every few seconds while the board is there."""

    at: Moment
    made_at: Moment | None = Field(
        description="when the board last brought all tables up to date: well before `at`, they are "
        "old; null: a record is shown"
    )


TableRow = (
    HeadRow
    | AlertRow
    | Maintenance
    | GatewayRow
    | GroupRow
    | FanOutRow
    | RosterRow
    | RosterHead
    | PlaceRow
    | PublicRegion
    | PublicGroup
    | PublicRepeater
)
"""Any row of any table."""

FIXED_TABLES = ("head", "alerts", "maintenance", "gateways", "groups", "places", "public")
PUBLIC_TABLE = "public"
ROSTER_HEAD = "#roster"


def fanout_table(group: str) -> str:
    return f"fanout/{group}"


def roster_table(group: str) -> str:
    return f"roster/{group}"
