"""What goes into the state and comes out of it. No I/O."""

from dataclasses import dataclass, field
from typing import Any

from streamer.state.keys import BUCKET_MS, COUNTS, EPOCH_MS, HOUR_MS
from streamer.state.sheets import Sheets


@dataclass(slots=True)  # not frozen: that would cost a microsecond an event
class Keying:
    """A heard event made ready: corrected times in ms, call sign and group resolved.

    `group` is set if the over is addressed to that group; `out_group` and `out_word` if its text
    is a check-out word, addressed to a group or to none. `info` is to, suffix, duration_ms,
    rssi_dbm, ber_pct, text; `position` is ms, lat, lon, speed_mps, course_deg.
    """

    station: str
    ms: int
    tie: str
    repeater: str
    over: str
    info: tuple[Any, ...] | None
    position: tuple[Any, ...] | None
    group: str
    out_group: str
    out_word: str
    end_ms: int


@dataclass(frozen=True, slots=True)
class RouteMark:
    """A route event made ready."""

    group: str
    ms: int
    tie: str
    repeater: str
    action: str
    latency: str
    over: str
    source: str


RSSI_STEPS = 100
"""Signals are summed up as whole hundredths of a dBm: then no sum depends on its order."""
BER_STEPS = 10_000
"""Bit error rates are summed up as whole ten-thousandths of a percent."""

CountedEvent = tuple[str, int, str, str, str, int]
CountedOver = tuple[str, int, str, int, int, int | None, int | None, *tuple[int, ...]]
Flip = tuple[str, int, int]
GatewayWord = tuple[str, int, int | str, int, str, int, list[Flip], int]


@dataclass(slots=True)
class GatewayBatch:
    """What one gateway said in a batch.

    An event is (boot, seq, tally, quarantined call or '', reason, ms), that of an over (boot, seq,
    tally, place of its bucket, ms on the air or -1 for a start, signal and errors in steps), and
    at an end that is learned from the places of its lines. A state is (boot, session, seq or
    'will', ms, JSON, 1 if up, flips, ms when it came), and a flip (repeater, since ms, 1 if up).
    `future_ms` is when a time was last ahead of the server's, 0 if none; `floods` when it
    was told that messages were refused as a flood, and how many.

    `history` holds by hour the buckets, as (repeater, start in buckets since 1970); `learned` by
    repeater and epoch the stations, as '@station', and the cells; `heard` the newest time in ms of
    each station on each repeater.
    """

    events: list[CountedEvent | CountedOver] = field(default_factory=list)
    states: list[GatewayWord] = field(default_factory=list)
    future_ms: int = 0
    floods: list[tuple[int, int]] = field(default_factory=list)
    history: Sheets[int, tuple[str, int]] = field(default_factory=Sheets)
    learned: Sheets[tuple[str, int], str] = field(default_factory=lambda: Sheets(COUNTS))
    heard: dict[str, dict[str, int]] = field(default_factory=dict)

    def over(
        self, boot: str, seq: int, keying: Keying, ended: bool, lines: tuple[int, ...] = ()
    ) -> CountedOver:
        """The event of an over, its bucket and its station noted; `lines` by `learn`. An over
        belongs whole to the bucket in which it began, so that its start and its end meet there."""
        repeater, station, ms = keying.repeater, keying.station, keying.ms
        stations = self.heard.get(repeater)
        if stations is None:
            stations = self.heard[repeater] = {}
        if ms > stations.get(station, -1):
            stations[station] = ms
        place = self.history.place(ms // HOUR_MS, (repeater, ms // BUCKET_MS))
        rssi, ber = (None, None) if keying.info is None else keying.info[3:5]
        return (
            boot, seq, "heard", place, keying.end_ms - ms if ended else -1,
            None if rssi is None else round(rssi * RSSI_STEPS),
            None if ber is None else round(ber * BER_STEPS),
            *lines,
        )  # fmt: skip

    def learn(self, keying: Keying, cell: str | None) -> tuple[int, ...]:
        """The places of the lines that the end of an over counts in: that of its station and, if
        it told a position, that of the cell."""
        sheet = keying.repeater, keying.ms // EPOCH_MS
        place = self.learned.place(sheet, f"@{keying.station}")
        return (place,) if cell is None else (place, self.learned.place(sheet, cell))


@dataclass(frozen=True, slots=True)
class Tell:
    """What a group must be told of a station."""

    group: str
    station: str
    rev: str
    summary: str


@dataclass(frozen=True, slots=True)
class OutMessage:
    """A message to publish. `name` is its topic; one-off messages add '#' and something unique."""

    name: str
    token: str
    payload: str
    retain: bool

    @property
    def topic(self) -> str:
        return self.name.split("#", 1)[0]

    @property
    def keep(self) -> bool:
        """Whether the content stays readable in Redis after it was published."""
        return self.retain and bool(self.payload)

    def content(self) -> str:
        return f"{self.token} {int(self.retain)}\n{self.payload}"

    @classmethod
    def from_content(cls, name: str, content: str) -> "OutMessage":
        head, payload = content.split("\n", 1)
        token, retain = head.split(" ")
        return cls(name, token, payload, retain == "1")


@dataclass(frozen=True, slots=True)
class Claim:
    """A subject to look at: 'g/GROUP', 's/STATION' or 'w/GATEWAY'."""

    subject: str
    partition: int
    claimed_ms: int

    @property
    def kind(self) -> str:
        return self.subject[0]

    @property
    def name(self) -> str:
        return self.subject[2:]


@dataclass(slots=True)
class Outcome:
    """What to store for a subject; see `commit.lua`. `told`: what must stand where the digest of
    what the alerts were told stands, or they were told something else meanwhile; None: anything."""

    claim: Claim
    rev: int
    ver: int
    told: str | None = None
    next_ms: int = 0
    fields: dict[str, str] = field(default_factory=dict)
    drop: list[str] = field(default_factory=list)
    drop_stations: list[tuple[str, str]] = field(default_factory=list)
    forget: bool = False
    messages: list[OutMessage] = field(default_factory=list)
