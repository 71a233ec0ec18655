"""Everything that a report of a duty shows, as one document: `report.json`.

Times are UTC. Lengths are seconds; a length or a share that nobody can know is null, never 0. Each
tuple of rows is a table, and a CSV file of its own. *The time of the report* goes from the duty's
begin to its end or, if it still ran, to the end of the record.
"""

from enum import StrEnum
from typing import Literal

from pydantic import Field

from streamer.contract.common import Moment
from streamer.contract.duty import DutyKind
from streamer.contract.published import Standing
from streamer.reading.common import Document
from streamer.report.facts_alerts import AlertRow, AlertSums
from streamer.report.facts_reach import OutOfReachRow


class Span(Document):
    """From one time to another."""

    from_at: Moment
    until_at: Moment
    length_s: float


class RosterRow(Document):
    """Somebody expected. '' where the roster does not say; `group` is the duty's group in which
    they are expected, '' for any."""

    call: str
    name: str
    agency: str
    assignment: str
    group: str


class DutyFacts(Document):
    """The duty itself; `ended_at` is null if it still ran at the end of the record."""

    id: str
    title: str
    kind: DutyKind
    groups: tuple[str, ...]
    note: str | None
    started_at: Moment
    started_by: str
    ended_at: Moment | None
    ended_by: str | None
    end_note: str | None
    roster: tuple[RosterRow, ...]
    roster_set_at: Moment | None = Field(description="the newest roster; null: none was given")
    roster_set_by: str | None


class RecordFacts(Document):
    """What the report rests on. `time` is the time of the report; of `known_s` of it there is a
    record, of `unknown_s` there is none (`gaps`)."""

    region: str
    from_at: Moment = Field(description="first line of the record")
    until_at: Moment = Field(description="last line of the record")
    time: Span
    known_s: float
    unknown_s: float
    gaps: tuple[Span, ...] = Field(description="nothing was recorded then: neither up nor down")
    files: tuple[str, ...] = Field(description="names of the journal's files")
    coarse_km: float | None = Field(description="positions are rounded to this; null: as they came")
    positions_left_out: bool


class OverRow(Document):
    """One transmission. `number` counts the rows from 1. `of_duty`: to a group of the duty; others
    are overs of members and of those expected, to anybody else."""

    number: int
    at: Moment
    station: str
    to: str | None = Field(description="group or station addressed; null: nobody")
    of_duty: bool
    repeater: str = Field(description="where it put the station")
    also_heard_by: tuple[str, ...]
    length_s: float = Field(description="0 where its end was not told")
    text: str = Field(description="what was sent with it, '' if nothing")
    checks_in: tuple[str, ...] = Field(description="groups of the duty it made the sender join")
    checks_out: tuple[str, ...] = Field(description="groups of the duty it made the sender leave")
    rssi_dbm: float | None
    ber_pct: float | None
    told_after_s: float = Field(description="from its end to when a worker learned of it")


class HowIn(StrEnum):
    """How somebody came to be in the duty."""

    AIR = "on the air"
    """Keyed to a group of the duty in its time."""
    BEFORE = "member before the duty began"
    """Was a member of a group when it began, and has not keyed to one since."""
    NOT = "not checked in"


class CheckInRow(Document):
    """A station of the roster, or one that was a member of a group of the duty.

    `standing` at the end of the time of the report, as last published; of several groups the worst
    (see `streamer.domain.accountability`); null: on no group's list.
    """

    station: str
    on_roster: bool
    name: str
    agency: str
    assignment: str
    expected_group: str
    groups: tuple[str, ...] = Field(description="groups of the duty that it was a member of")
    how: HowIn
    first_check_in_at: Moment | None = Field(description="first over to a group of the duty")
    first_repeater: str | None
    checked_out_at: tuple[Moment, ...] = Field(description="each check-out in the duty's time")
    first_heard_at: Moment | None = Field(description="first over to anybody in the duty's time")
    last_heard_at: Moment | None
    last_repeater: str | None
    standing: Standing | None
    standing_since_at: Moment | None
    overs: int = Field(description="to groups of the duty")
    spoken_s: float
    lat: float | None = Field(description="last position told in the duty's time")
    lon: float | None
    position_at: Moment | None


class Count(Document):
    """One number at a glance, with its words."""

    what: str
    count: int
    meaning: str


class Accountability(Document):
    """Numbers at a glance at the end of the time of the report. Not yet heard is not missing."""

    counts: tuple[Count, ...]
    not_heard: tuple[str, ...] = Field(description="on the roster, never heard in the duty's time")
    heard_not_checked_in: tuple[str, ...]
    not_on_roster: tuple[str, ...] = Field(description="checked in, but not on the roster")


class ActivityKind(StrEnum):
    """Where a line of the activity log comes from."""

    ACT = "act"
    ALERT = "alert"
    ROLL_CALL = "roll call"
    TURN = "turn"
    """A gateway or repeater lost or back, or a gap in the record."""


class ActivityRow(Document):
    """One notable thing; `by` is '' where nobody did it."""

    at: Moment
    kind: ActivityKind
    by: str
    subject: str
    text: str


class AnswerRow(Document):
    """Who answered a roll call, when and how; `at` and `how` null in records that lack them."""

    station: str
    at: Moment | None
    how: Literal["air", "desk"] | None
    by: str | None = Field(description="who marked it at the desk")


class RollCallFacts(Document):
    """One roll call of one group. Silence in it is no proof of anything."""

    id: str
    group: str
    started_at: Moment
    started_by: str
    ended_at: Moment | None
    ended_by: str | None
    answered: tuple[AnswerRow, ...]
    silent: tuple[str, ...] = Field(description="members that did not answer")


class AvailabilityRow(Document):
    """A gateway or repeater in the time of the report: `known_s` = `reporting_s` +
    `not_reporting_s`, and with `unknown_s` the whole. `reporting_pct` is of `known_s`."""

    kind: Literal["gateway", "repeater"]
    name: str
    known_s: float
    reporting_s: float
    not_reporting_s: float
    unknown_s: float = Field(description="not recorded, or it had not yet said anything")
    reporting_pct: float | None
    outages: int
    longest_outage_s: float
    ended_out: bool = Field(description="not reporting at the end")
    never_reported: bool = Field(description="the record holds no word of its own")
    not_reporting: tuple[Span, ...]
    unknown: tuple[Span, ...]


class VisitRow(Document):
    """A station on a repeater from the first over there to the last before it was heard elsewhere.
    Between two visits nobody knows where it was."""

    repeater: str
    from_at: Moment
    until_at: Moment
    overs: int


class StandingRow(Document):
    """A member's standing in a group as published from one time to another; `since_at` is since
    when it was so by the words of the roster."""

    group: str
    standing: Standing
    from_at: Moment
    until_at: Moment
    since_at: Moment | None


class MemberFacts(Document):
    """One member or expected station: where it was heard, and what was said of it."""

    station: str
    on_roster: bool
    name: str
    path: tuple[VisitRow, ...]
    standings: tuple[StandingRow, ...] = Field(description="by group, then by time")


class FanOutRow(Document):
    """A repeater in a group's fan-out: wanted there as published, or carried by its own word."""

    repeater: str
    kind: Literal["wanted", "carried"]
    from_at: Moment
    until_at: Moment


class FanOutSum(Document):
    """Of one repeater and group in the time of the report."""

    repeater: str
    wanted_s: float
    carried_s: float = Field(description="by its own word")
    both_s: float = Field(description="wanted and carried at once")


class GroupFacts(Document):
    """One group of the duty. Air-time in repeater-seconds: a repeater that sends for a second is
    one. What the repeater that heard an over does is not counted: it was on the air already.

    Wanted air-time is by the published fan-out at the begin of each over, carried air-time by the
    repeaters' own word while they reported; `everywhere_air_s` is what sending on every other
    repeater would have taken. `saved_pct` = 100 (everywhere - wanted) / everywhere. Overs from
    before the first published fan-out are in none of wanted, everywhere and saved.
    """

    group: str
    overs: int
    stations: int
    spoken_s: float
    overs_with_fan_out: int
    wanted_air_s: float
    carried_air_s: float
    everywhere_air_s: float
    saved_pct: float | None
    fan_out: tuple[FanOutRow, ...]
    sums: tuple[FanOutSum, ...]


class CellRow(Document):
    """An H3 cell in which stations were that a repeater heard.."""

    repeater: str
    cell: str
    lat: float = Field(description="its middle")
    lon: float
    overs: int
    mean_rssi_dbm: float | None


class RepeaterCoverage(Document):
    """What a repeater heard from where, of all overs with a position in the time of the report,
    whoever sent them. Where nothing was heard, nothing is known."""

    repeater: str
    lat: float | None
    lon: float | None
    overs: int
    cells: tuple[CellRow, ...]


class CellShape(Document):
    """The outline of a cell: (longitude, latitude) in degrees, the last as the first. Beyond the
    180th meridian longitudes go on past 180."""

    cell: str
    ring: tuple[tuple[float, float], ...]


class CoverageFacts(Document):
    """`overs_without_position` could not be put on the map."""

    resolution: int
    overs: int
    overs_without_position: int
    repeaters: tuple[RepeaterCoverage, ...]
    shapes: tuple[CellShape, ...]


class RefusedRow(Document):
    """Input that was not accepted, by reason and gateway ('' where none could be told)."""

    reason: str
    gateway: str
    count: int
    example: str = Field(description="the newest detail")


class QuarantinedRow(Document):
    """An identity that is no call sign: never a member, kept apart."""

    call: str
    reason: str
    count: int
    first_at: Moment
    last_at: Moment
    gateways: tuple[str, ...]


class LostRow(Document):
    """Events of a gateway that the record never got."""

    gateway: str
    lost: int


class DutyReport(Document):
    """A report of one duty. `limits` say what the record does not hold; read them first."""

    format: Literal["streamer-duty-report"] = "streamer-duty-report"
    v: Literal[1] = 1
    software: str
    duty: DutyFacts
    record: RecordFacts
    accountability: Accountability
    overs: tuple[OverRow, ...]
    check_ins: tuple[CheckInRow, ...]
    out_of_reach: tuple[OutOfReachRow, ...]
    activity: tuple[ActivityRow, ...]
    roll_calls: tuple[RollCallFacts, ...]
    alerts: tuple[AlertRow, ...]
    alert_sums: AlertSums
    availability: tuple[AvailabilityRow, ...]
    members: tuple[MemberFacts, ...]
    groups: tuple[GroupFacts, ...]
    coverage: CoverageFacts
    refused: tuple[RefusedRow, ...]
    quarantined: tuple[QuarantinedRow, ...]
    events_lost: tuple[LostRow, ...]
    limits: tuple[str, ...]
    caution: str
