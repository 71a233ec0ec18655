"""What is known of stations, groups and gateways: plain records that the rules work on."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Stay:
    """A station on one repeater, first and last heard there; `left_ms` is when it was heard
    elsewhere, or again after so long a silence that it had been given up: None for the newest."""

    repeater: str
    arrived_ms: int
    last_ms: int
    left_ms: int | None


@dataclass(frozen=True, slots=True)
class Fix:
    """A position in WGS 84 degrees."""

    at_ms: int
    lat: float
    lon: float
    speed_mps: float | None
    course_deg: float | None


Presence = tuple[int, ...]
"""When a station was heard: seconds since 1970, newest first, the begin of each grain in which it
began an over."""


@dataclass(frozen=True, slots=True)
class Sums:
    """What was counted of many overs, the older ones counted less: hence no whole numbers. Of
    `overs` so many told a signal (dBm), and so many an error rate (%); sums and sums of squares."""

    overs: float = 0.0
    signals: float = 0.0
    signal_sum: float = 0.0
    signal_squares: float = 0.0
    errors: float = 0.0
    error_sum: float = 0.0
    error_squares: float = 0.0


@dataclass(frozen=True, slots=True)
class Learned:
    """What is known of one repeater from the overs it heard: by the H3 cell that stations were in,
    and by station."""

    repeater: str
    cells: Mapping[str, Sums]
    stations: Mapping[str, Sums]


@dataclass(frozen=True, slots=True)
class HeardOver:
    """One over as one repeater heard it; `duration_ms` is 0 while its end is not known."""

    ms: int
    station: str
    repeater: str
    over: str
    duration_ms: int
    rssi_dbm: float | None
    ber_pct: float | None


@dataclass(frozen=True, slots=True)
class Said:
    """A register: who was where when they said it."""

    ms: int
    gateway: str
    repeater: str
    over: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where and how a station was last heard."""

    ms: int
    gateway: str
    repeater: str
    over: str
    to: str | None = None
    suffix: str | None = None
    duration_ms: int | None = None
    rssi_dbm: float | None = None
    ber_pct: float | None = None
    text: str | None = None


@dataclass(frozen=True, slots=True)
class Summary:
    """What a group knows of one station that ever checked in or out of it."""

    station: str
    rev: str
    place: Place
    fix: Fix | None
    check_in: Said | None
    check_ins_ms: tuple[int, ...]
    check_out: Said | None
    words: dict[str, Said]
    stays: tuple[Stay, ...]


@dataclass(frozen=True, slots=True)
class Carrying:
    """What a repeater last said about carrying the group.

    `since_ms` is when it first said so without saying otherwise since; None if not known.
    """

    ms: int
    carries: bool
    latency_s: float | None
    since_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Forwarding:
    """One over sent out at `repeater`, handed on by `from_gateway` ('' if not said)."""

    ms: int
    over: str
    repeater: str
    from_gateway: str


@dataclass(frozen=True, slots=True)
class Ordered:
    """A pin (or else a bar) of a repeater that somebody ordered until a time."""

    repeater: str
    pin: bool
    until_ms: int
    at_ms: int
    by: str
    note: str | None


@dataclass(frozen=True, slots=True)
class HeldRollCall:
    """A roll call that is going on; `answers` are those noted: station -> when, and who marked it
    ('': it answered on the air)."""

    id: str
    started_ms: int
    started_by: str
    answers: dict[str, tuple[int, str]]


@dataclass(frozen=True, slots=True)
class GroupSnapshot:
    """A group's record at one moment; `rev` and `ver` say which."""

    group: str
    rev: int
    ver: int
    members: tuple[Summary, ...]
    carrying: dict[str, Carrying]
    forwardings: tuple[Forwarding, ...]
    previous: dict[str, str] = field(default_factory=dict)
    fanout_version: int = 0
    reach_version: int = 0
    reach_ms: int = 0
    """When the roster was last published."""
    fanout_digest: str = ""
    reach_digest: str = ""
    conditions: str = ""
    born_ms: int | None = None
    orders: tuple[Ordered, ...] = ()
    """Also those that have run out and not been cleared away yet."""
    roll_call: HeldRollCall | None = None
    answered: str = ""
    """Digest of who had answered it, as last published."""


@dataclass(frozen=True, slots=True)
class PathEntry:
    """One over of a station; `duration_ms` is 0 while its end is not known. Where several events
    told of it, `rssi_dbm` is the strongest and `ber_pct` the highest said."""

    ms: int
    repeater: str
    over: str
    duration_ms: int
    rssi_dbm: float | None = None
    ber_pct: float | None = None


@dataclass(frozen=True, slots=True)
class StationRecord:
    """A station's registers at one moment; check-ins and check-outs by group."""

    station: str
    rev: int
    ver: int
    place: Place
    fix: Fix | None
    path: tuple[PathEntry, ...]
    check_ins: dict[str, Said]
    check_outs: dict[str, Said]
    conditions: str = ""


@dataclass(frozen=True, slots=True)
class SessionSpan:
    """One connection of a gateway; `ended` if it, or its will, said that it is down."""

    began_ms: int
    last_ms: int
    ended: bool


@dataclass(frozen=True, slots=True)
class LiveState:
    """A gateway's newest state, as kept; `state` is the message itself as a dictionary.

    `sessions` are its newest connections, oldest first; `flips` when repeaters went up (True) or
    down, oldest first.
    """

    gateway: str
    boot: str
    session: int
    ms: int
    taken_ms: int
    state: dict[str, Any]
    sessions: tuple[SessionSpan, ...]
    flips: dict[str, tuple[tuple[int, bool], ...]]


@dataclass(frozen=True, slots=True)
class FloodSpan:
    """A flood of a gateway: when it was first and last told that some of its messages were refused
    unread, and how many were."""

    since_ms: int
    last_ms: int
    messages: int


@dataclass(frozen=True, slots=True)
class GatewaySnapshot:
    """A gateway's record at one moment: what was counted of it, by tally; which numbers of each
    boot were seen, old holes taken as seen, and how many numbers lie in these; since when there
    is a hole; when last a time was refused as ahead (0: never)."""

    gateway: str
    rev: int
    ver: int
    counts: dict[str, int]
    ranges: dict[str, tuple[tuple[int, int], ...]]
    in_old_holes: int
    hole_ms: int | None
    future_ms: int
    conditions: str = ""
    born_ms: int | None = None
    standing: str = ""
    checkup: str = ""
    """How well its repeaters were when they were last judged, as `state.checkup` reads it."""
    skew_ms: int | None = None
    """Since when its clock is known to be wrong."""

    @property
    def missing(self) -> int:
        """Events of the kept boots that have not arrived: holes between 1 and the highest seq."""
        return self.in_old_holes + sum(
            last - sum(b - a + 1 for a, b in ranges)
            for ranges in self.ranges.values()
            if (last := ranges[-1][1] if ranges else 0)
        )
