"""What the workers publish: fan-out, reach, alerts, replies, refusals and their sign of life."""

from enum import StrEnum
from typing import Annotated, Final

from pydantic import Field

from streamer.contract.common import (
    GroupName,
    Message,
    Moment,
    Name,
    RepeaterId,
    Version,
)
from streamer.contract.duty import DutyKind, DutyMark

CAUTION: Final = (
    "Call signs are not authenticated on the air. Not heard does not mean in danger; heard does "
    "not mean safe. Local plans, licensed operators and the law come first."
)


class Why(StrEnum):
    """Why a repeater belongs to a fan-out."""

    MEMBER = "member"
    LINGER = "linger"
    PIN = "pin"


class Carriage(StrEnum):
    """What a repeater itself says about carrying a group."""

    CARRIED = "carried"
    NOT_CARRIED = "not_carried"
    UNKNOWN = "unknown"


class Standing(StrEnum):
    """A member's reach. `blind`: its repeater or gateway does not report, nothing can be said."""

    IN_REACH = "in_reach"
    OVERDUE = "overdue"
    OUT_OF_REACH = "out_of_reach"
    BLIND = "blind"
    EXPIRED = "expired"
    CHECKED_OUT = "checked_out"


class Severity(StrEnum):
    """How soon somebody should look: now, soon, at leisure."""

    CRITICAL = "critical"
    WARNING = "warning"
    NOTICE = "notice"


class AlertState(StrEnum):
    """`acknowledged`: somebody has it in hand."""

    OPEN = "open"
    ACKNOWLEDGED = "acknowledged"
    CLEARED = "cleared"


class AlertKind(StrEnum):
    """What kind of trouble it is."""

    GATEWAY_LOST = "gateway_lost"
    REPEATER_LOST = "repeater_lost"
    MEMBER_OVERDUE = "member_overdue"
    MEMBER_OUT_OF_REACH = "member_out_of_reach"
    REPEATER_STARVED = "repeater_starved"
    LOOP = "loop"
    CLOCK_SKEW = "clock_skew"
    EVENTS_LOST = "events_lost"
    GATEWAY_FLOODING = "gateway_flooding"
    TWO_PLACES = "two_places"
    REPEATER_DEAF = "repeater_deaf"
    REPEATER_DEGRADED = "repeater_degraded"
    CARRIER_STUCK = "carrier_stuck"
    REPEATER_BUSY = "repeater_busy"
    NETWORK_LOST = "network_lost"
    BROKER_LOST = "broker_lost"
    WORKER_LOST = "worker_lost"
    CHANNEL_LOST = "channel_lost"


class Duty(Message):
    """Topic `duty/{id}`, retained while it runs: an exercise or an incident of some groups.

    When it ends, a last message with `ended_at` is sent, not retained, and the retained one is
    removed by an empty payload.
    """

    v: Version = 1
    region: Name
    id: Name
    version: int = Field(ge=1)
    title: str
    kind: DutyKind
    groups: tuple[GroupName, ...]
    note: str | None = None
    started_at: Moment
    started_by: str
    ended_at: Moment | None = None
    ended_by: str | None = None
    expected: tuple[str, ...] = Field((), description="call signs on the roster, by name")
    caution: str = CAUTION

    @property
    def mark(self) -> DutyMark:
        return DutyMark(id=self.id, title=self.title, kind=self.kind)


class OrderKind(StrEnum):
    """What somebody ordered of a repeater and a group: always carry it, or never."""

    PIN = "pin"
    BAR = "bar"


class Order(Message):
    """A pin or bar that somebody ordered for a time; it goes before the region file."""

    repeater: RepeaterId
    order: OrderKind
    until: Moment
    by: str
    at: Moment
    note: str | None = None


class RollCall(Message):
    """A roll call of a group that is going on."""

    id: Name
    started_at: Moment
    started_by: str


class Answered(StrEnum):
    """How somebody answered a roll call: heard on the air since it began, or marked by hand."""

    AIR = "air"
    DESK = "desk"


class FanOutRepeater(Message):
    """A repeater that should carry the group, and why."""

    repeater: RepeaterId
    why: tuple[Why, ...]
    members: tuple[str, ...] = Field((), description="stations that hold the group here")
    until: Moment | None = Field(None, description="end of the linger, if that alone holds it")
    since: Moment | None = Field(None, description="since when the repeater is wanted")
    carriage: Carriage
    carried_after_s: float | None = Field(
        None, description="from the keying that called for the group here to its being carried"
    )


class IdleRepeater(Message):
    """A repeater that carries the group for nobody."""

    repeater: RepeaterId
    since: Moment | None = None


class FanOut(Message):
    """Topic `fanout/{group}`, retained: the repeaters that should carry the group now.

    A reader keeps the message with the highest `version` and drops any older one.
    """

    v: Version = 1
    region: Name
    group: GroupName
    version: int = Field(ge=1)
    at: Moment
    repeaters: tuple[FanOutRepeater, ...]
    starved: tuple[RepeaterId, ...] = Field((), description="wanted here, but not carried")
    idle: tuple[IdleRepeater, ...] = Field((), description="carried, but not wanted")
    barred: tuple[RepeaterId, ...] = Field(
        (), description="held off by a bar though a member is on it"
    )
    orders: tuple[Order, ...] = Field((), description="pins and bars ordered for a time")
    duties: tuple[DutyMark, ...] = Field((), description="duties of the group that run")


class Member(Message):
    """A station of the roster: where it was last heard and what that says."""

    station: str
    suffix: str | None = Field(None, description="what follows the call sign, such as P")
    standing: Standing
    standing_since: Moment | None = None
    reasons: tuple[str, ...] = Field((), description="why it stands so, for people")
    phi: float | None = Field(
        None,
        ge=0,
        description="how unusual its silence was when last looked at, in decades: 2 is what "
        "happens by chance once in a hundred of its pauses; null before that",
    )
    repeater: RepeaterId
    last_heard_at: Moment
    checked_in_at: Moment
    checked_out_at: Moment | None = None
    lat: float | None = None
    lon: float | None = None
    position_at: Moment | None = None
    answered_at: Moment | None = Field(None, description="when it answered the roll call")
    answered_how: Answered | None = None
    answered_by: str | None = Field(None, description="who marked it, if somebody did")


class Reach(Message):
    """Topic `reach/{group}`, retained: the roster of the group with standings."""

    v: Version = 1
    region: Name
    group: GroupName
    version: int = Field(ge=1)
    at: Moment
    members: tuple[Member, ...]
    roll_call: RollCall | None = None
    duties: tuple[DutyMark, ...] = Field((), description="duties of the group that run")
    caution: str = CAUTION


class HeldAlert(Message):
    """Trouble that another alert explains: no alert of its own while that one stands."""

    id: str
    kind: AlertKind
    severity: Severity
    subject: str
    title: str
    since: Moment


class Alert(Message):
    """Topic `alert/{id}`, retained while open or acknowledged.

    The same trouble of the same subject has the same `id`. When it clears, a last message with
    `state` cleared is sent, not retained, and the retained one is removed by an empty payload.
    `episode` is the same from its first opening to its last clearing: trouble that comes back soon
    opens the same episode again. A reader must expect kinds that it does not know.
    """

    v: Version = 1
    region: Name
    id: str
    version: int = Field(ge=1)
    kind: AlertKind
    severity: Severity
    state: AlertState
    subject: str = Field(description="what is in trouble: a gateway, repeater, station or group")
    group: str | None = Field(None, description="of alerts about members and groups")
    repeater: str | None = Field(
        None, description="where a member was last heard, a group is wanted, or the one in trouble"
    )
    title: str = Field(description="one short line")
    reasons: tuple[str, ...]
    next_step: str = Field(description="the one thing to do next")
    affects: tuple[str, ...] = Field(
        (), description="what this trouble explains, not alerted apart"
    )
    held: tuple[HeldAlert, ...] = Field((), description="what it explains, held back as alerts")
    since: Moment
    episode: str = Field("", description="one run of trouble, with its openings and clearings")
    opened_at: Moment
    unheld_since: Moment | None = Field(
        None, description="since when nobody has it in hand, while it is open"
    )
    last_heard_at: Moment | None = Field(None, description="of alerts about a member")
    opened_times: int = Field(1, ge=1, description="how often it opened in this episode")
    unsteady: bool = Field(
        False, description="it comes and goes; single changes are told no more until it is steady"
    )
    actual: bool = Field(
        False, description="was told as real in this episode, and so is no part of an exercise"
    )
    escalated: int = Field(0, ge=0, description="steps of escalation reached")
    maintenance: str | None = Field(
        None, description="the maintenance that covers it; while it does, only critical is told"
    )
    cleared_at: Moment | None = None
    cleared_because: str | None = None
    acknowledged_by: str | None = None
    acknowledged_at: Moment | None = None
    note: str | None = None
    duties: tuple[DutyMark, ...] = Field(
        (), description="duties that run; the trouble is real all the same"
    )
    caution: str = CAUTION


class Maintenance(Message):
    """Topic `maintenance/{id}`, retained while it runs: planned work at a gateway, a repeater or a
    group, or in the whole region. It ends by itself, or earlier by hand, as a duty does.
    """

    v: Version = 1
    region: Name
    id: Name
    version: int = Field(ge=1)
    subject: str = Field(description="gateway, gateway/port, group, or * for the whole region")
    until: Moment
    by: str
    at: Moment
    note: str | None = None
    ended_at: Moment | None = None
    ended_by: str | None = None


class Beat(Message):
    """Topic `beat`, retained: the way of alerts works. It takes that way itself: a deadline in
    Redis, a worker that looks, the outbox, the broker. Channels that ask for it are sent the same.

    Silence for three times `next_within_s` means that alerts may not arrive.
    """

    v: Version = 1
    region: Name
    version: int = Field(ge=1)
    at: Moment
    next_within_s: float = Field(gt=0)
    open: int = Field(ge=0, description="alerts that nobody has taken in hand")
    acknowledged: int = Field(ge=0)
    caution: str = CAUTION


class WorkerState(Message):
    """Topic `worker/{worker}`, retained: a worker's sign of life, so that a reader knows how old
    the picture is that the other topics give.

    It is sent while messages are being taken over. A worker that cannot take any over (its Redis
    is away, it hangs) is silent: take what it publishes for outdated once it has been silent for
    three times `next_within_s`. The will says `up` false when the connection is lost.
    """

    v: Version = 1
    region: Name
    name: Name = Field(description="the worker; its client id as well")
    up: bool = Field(description="false in the will and as the last word of a clean stop")
    at: Moment = Field(description="when it was said; in a will, when its connection was made")
    next_within_s: float | None = Field(
        None, gt=0, description="how soon the next is due; null if none will come"
    )
    waiting: int | None = Field(
        None, ge=0, description="messages received and not yet taken over; null if not known"
    )
    events_per_s: float | None = Field(
        None, ge=0, description="events taken over since the last word, for each second"
    )
    store: str | None = Field(
        None,
        description="the id of the store that it works on: workers of one region work on one; "
        "null if not told",
    )


class RefusalReason(StrEnum):
    """Why input was not accepted; shared/README.md says what each one means."""

    TOPIC = "topic"
    KIND = "kind"
    SIZE = "size"
    JSON = "json"
    SHAPE = "shape"
    VERSION = "version"
    WRONG_GATEWAY = "wrong_gateway"
    UNKNOWN_GATEWAY = "unknown_gateway"
    UNKNOWN_REPEATER = "unknown_repeater"
    UNKNOWN_GROUP = "unknown_group"
    FUTURE = "future"
    LATE = "late"
    FLOOD = "flood"
    TOO_MANY_STATIONS = "too_many_stations"
    INTERNAL = "internal"


FLOODS: Final = frozenset({RefusalReason.FLOOD, RefusalReason.TOO_MANY_STATIONS})
"""A gateway says more than can be taken: what is refused would have told who was heard."""


class Refusal(Message):
    """Topic `refused`: input that was not accepted, why, and what it began with."""

    v: Version = 1
    at: Moment
    topic: Annotated[str, Field(max_length=300)]
    gateway: str | None = None
    reason: RefusalReason
    detail: Annotated[str, Field(max_length=500)] = Field(
        description="what, where, what is allowed"
    )
    index: int | None = Field(None, description="place in the array, from 0")
    times: int = Field(1, ge=1, description="messages that it stands for, with `flood`")
    size_bytes: int
    excerpt: Annotated[str, Field(max_length=512)] = ""
