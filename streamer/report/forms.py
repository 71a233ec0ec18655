"""The three logs that carry the fields of public forms, in a layout of our own. Pure.

Source of the fields: ICS 211 and ICS 214 of FEMA 502-2 (September 2010); of the ICS 309, which is
not among the forms of FEMA 502-2 and differs from place to place, the fields that two published
county versions share. Block 7 and 8 of the ICS 214 are from memory of the form.
"""

from collections.abc import Iterator
from typing import Final

from streamer.domain.plain_words import plural
from streamer.reading.common import spoken
from streamer.report.facts import ActivityRow, CheckInRow, HowIn, OverRow, RosterRow
from streamer.report.layout import (
    BLANK,
    Aside,
    Block,
    Column,
    Form,
    Making,
    Row,
    Table,
    first_and_last,
)
from streamer.report.words import MARKS, hms, named

OVERS_FILE: Final = "overs.csv"
CHECK_INS_FILE: Final = "check_ins.csv"
ACTIVITY_FILE: Final = "activity.csv"
ROSTER_FILE: Final = "roster.csv"
_SPARE_ROWS: Final = 6
"""Empty rows at the end of the activity log, for what a record cannot know."""
_MOST_ASSIGNED: Final = 60


def incident(making: Making) -> tuple[str, ...]:
    """The duty's name as the forms carry it, with its mark."""
    duty, region = making.report.duty, making.report.record.region
    return (f"{MARKS[duty.kind]}: {duty.title}", f"duty {duty.id}, region {region}")


def period(making: Making) -> tuple[str, ...]:
    """From when to when, each in full."""
    span = making.report.record.time
    running = making.report.duty.ended_at is None
    return (
        f"from {making.times.full(span.from_at)}",
        f"to {making.times.full(span.until_at)}"
        + (" (end of the record; the duty still ran)" if running else ""),
    )


# -- communications log: ICS 309 style ----------------------------------------------------------


def communications_log(making: Making) -> Form:
    """Every over of the duty, and of its stations to others."""
    overs = making.report.overs
    rows = first_and_last(
        overs, making.most.overs, "overs", OVERS_FILE, lambda over: _over_row(making, over)
    )
    table = Table(
        "communications",
        f"5 Communications log: {plural(len(overs), 'over')}, 24 h, {making.times.name}",
        (
            Column("No.", 6, numbers=True),
            Column("Time", 9 if making.times.day else 15),
            Column("From", 10),
            Column("To", 13),
            Column("Message and remarks", 30),
            Column("Heard by", 32 if making.times.day else 26),
        ),
        rows,
        empty="No over was recorded in the time of the report.",
    )
    return Form(
        "form-309",
        "Communications log (ICS 309 style)",
        (
            "What was heard, not what was said: the record holds no speech. 'Msg #' of the "
            "forms is the number of the over in this log; numbers that operators gave their "
            "messages are not in the record. An over that no gateway heard is missing here.",
        ),
        (
            Block("1", "Incident name and number", incident(making)),
            Block("2", "Operational period", period(making)),
            Block("3", "Radio net name", (named(making.report.duty.groups, 40),)),
            Block("4", "Radio operator (name, call sign)"),
        ),
        (table,),
        (
            Block("6", "Prepared by (name, call sign)"),
            Block("", "Signature"),
            Block("7", "Date and time prepared"),
            Block("8", "Page", ("at the top of each page",)),
        ),
    )


def _over_row(making: Making, over: OverRow) -> Row:
    return (
        str(over.number),
        making.times.clock(over.at),
        over.station,
        (over.to or "nobody",) if over.of_duty else (over.to or "nobody", "not of the duty"),
        tuple(_remarks(over)),
        over.repeater + (f", also {named(over.also_heard_by, 3)}" if over.also_heard_by else ""),
    )


def _remarks(over: OverRow) -> Iterator[str]:
    yield f"voice, {over.length_s:.1f} s" if over.length_s else "voice, its end was not told"
    if over.text:
        yield f"text: {over.text}"
    if over.checks_in:
        yield f"CHECK-IN to {named(over.checks_in)}"
    if over.checks_out:
        yield f"CHECK-OUT from {named(over.checks_out)}"


# -- check-in list: ICS 211 ---------------------------------------------------------------------


def check_in_list(making: Making) -> Form:
    """Those who checked in, with what the form asks of them; blank where nobody told us."""
    inside = [row for row in making.report.check_ins if row.how != HowIn.NOT]
    table = Table(
        "check-in-211",
        f"5 to 16: {plural(len(inside), 'station')} checked in",
        _COLUMNS_211,
        first_and_last(
            inside,
            making.most.stations,
            "stations",
            CHECK_INS_FILE,
            lambda row: _row_211(making, row),
        ),
        empty="Nobody checked in.",
        small=True,
        to_fill_in=True,
    )
    return Form(
        "form-211",
        "Check-in list (fields of ICS 211)",
        (
            "One line a call sign, which may stand for more than one person. Name, agency and "
            "assignment are the roster's. What the record cannot know is left blank to write in.",
        ),
        (
            Block("1", "Incident name", incident(making), 36),
            Block("2", "Incident number", (), 18),
            Block("3", "Check-in location", ("Other: on the air, by the repeater named",), 26),
            Block("4", "Start date/time", (making.times.full(making.report.duty.started_at),), 20),
        ),
        (table,),
        (
            Block("17", "Prepared by: name", (), 30),
            Block("", "Position/title", (), 22),
            Block("", "Signature", (), 28),
            Block("", "Date/time", (), 20),
        ),
        wide=True,
    )


_COLUMNS_211: Final = (
    Column("5 State", 3.4),
    Column("Agency", 8),
    Column("Cate-gory", 3.6),
    Column("Kind", 3.4),
    Column("Type", 3.4),
    Column("Resource name or identifier", 11),
    Column("ST or TF", 3.4),
    Column("6 Order request #", 5),
    Column("7 Date/time check-in", 11.4),
    Column("8 Leader's name", 5.4),
    Column("9 Total persons", 4.2),
    Column("10 Incident contact", 5.2),
    Column("11 Home unit or agency", 5),
    Column("12 Departure point, date, time", 5.6),
    Column("13 Method of travel", 4.6),
    Column("14 Incident assignment", 8),
    Column("15 Other qualifi-cations", 4.6),
    Column("16 Data to resources unit", 4.8),
)


def _row_211(making: Making, row: CheckInRow) -> Row:
    if row.first_check_in_at:
        when: tuple[str, ...] = (
            making.times.full(row.first_check_in_at),
            *([f"by {row.first_repeater}"] if row.first_repeater else []),
        )
    else:
        when = (row.how.value,)
    return (
        BLANK, row.agency, BLANK, BLANK, BLANK,
        (row.station, *([row.name] if row.name else [])),
        BLANK, BLANK, when,
        BLANK, BLANK, BLANK, BLANK, BLANK, BLANK, row.assignment, BLANK, BLANK,
    )  # fmt: skip


def stations_heard(making: Making) -> Table:
    """What the record knows of each station beside the form's fields."""
    return Table(
        "stations",
        "Stations as heard, and where they stood at the end",
        (
            Column("Station", 13),
            Column("Roster", 8),
            Column("Checked in", 17),
            Column("Checked out", 13),
            Column("Overs", 6, numbers=True),
            Column("On the air", 8, numbers=True),
            Column("Last heard", 19),
            Column("Standing at the end", 16),
        ),
        first_and_last(
            making.report.check_ins, making.most.stations, "stations", CHECK_INS_FILE,
            lambda row: _station_row(making, row),
        ),
        empty="No roster was given and nobody was a member.",
        notes=(
            "On the air: seconds spoken to groups of the duty, as h:mm:ss. Standing: as last "
            "published within the time of the report; of several groups the worst.",
        ),
    )  # fmt: skip


def _station_row(making: Making, row: CheckInRow) -> Row:
    clock = making.times.clock
    if row.first_check_in_at:
        checked_in: tuple[str, ...] = (
            clock(row.first_check_in_at),
            *([f"by {row.first_repeater}"] if row.first_repeater else []),
        )
    else:
        checked_in = (row.how.value,)
    if row.last_heard_at:
        heard: tuple[str, ...] = (
            clock(row.last_heard_at),
            *([f"by {row.last_repeater}"] if row.last_repeater else []),
        )
    else:
        heard = ("not heard",)
    return (
        (row.station, *([row.name] if row.name else [])),
        "on it" if row.on_roster else "not on it",
        checked_in,
        tuple(clock(at) for at in row.checked_out_at),
        str(row.overs),
        hms(row.spoken_s),
        heard,
        _standing(making, row),
    )


def _standing(making: Making, row: CheckInRow) -> tuple[str, ...]:
    if row.standing is None:
        return ("on no group's list",)
    since = [f"since {making.times.clock(row.standing_since_at)}"] if row.standing_since_at else []
    return (spoken(row.standing.value), *since)


# -- activity log: ICS 214 ----------------------------------------------------------------------


def activity_log(making: Making) -> Form:
    """What people did and what happened, in time order."""
    activity = making.report.activity
    table = Table(
        "activity-214",
        f"7 Activity log: {plural(len(activity), 'entry', 'entries')}, 24 h, {making.times.name}",
        (
            Column("Date/time", 13 if making.times.day else 19),
            Column("Notable activities", 87 if making.times.day else 81),
        ),
        (
            *first_and_last(
                activity, making.most.activity, "entries", ACTIVITY_FILE,
                lambda row: _activity_row(making, row),
            ),
            Aside("To be written in by hand: what the record cannot know"),
            *[(BLANK, BLANK)] * _SPARE_ROWS,
        ),
        to_fill_in=True,
    )  # fmt: skip
    return Form(
        "form-214",
        "Activity log (fields of ICS 214)",
        (
            "From the record of the region; the log of one person has to be written by that "
            "person. Alerts are called as they were at that moment, whatever became of them later.",
        ),
        (
            Block("1", "Incident name", incident(making)),
            Block("2", "Operational period", period(making)),
            Block("3", "Name", (), 34),
            Block("4", "ICS position", (), 33),
            Block("5", "Home agency (and unit)", (), 33),
        ),
        (_assigned(making), table),
        (
            Block("8", "Prepared by: name", (), 30),
            Block("", "Position/title", (), 22),
            Block("", "Signature", (), 28),
            Block("", "Date/time", (), 20),
        ),
    )


def _assigned(making: Making) -> Table:
    roster = making.report.duty.roster
    return Table(
        "assigned-214",
        f"6 Resources assigned, by the roster: {plural(len(roster), 'station')}",
        (
            Column("Name", 31),
            Column("ICS position", 19),
            Column("Home agency (and unit)", 25),
            Column("Assignment by the roster", 25),
        ),
        first_and_last(roster, _MOST_ASSIGNED, "stations", ROSTER_FILE, _assigned_row),
        empty="No roster was given.",
        notes=(
            "ICS positions are not in the record: to be written in. The last column is no field of "
            "the form.",
        ),
        to_fill_in=True,
    )


def _assigned_row(row: RosterRow) -> Row:
    name = f"{row.call}, {row.name}" if row.name else row.call
    return (name, BLANK, row.agency, row.assignment)


def _activity_row(making: Making, row: ActivityRow) -> Row:
    """Who did what; what nobody did as it is."""
    return (making.times.clock(row.at), f"{row.by} {row.text}" if row.by else row.text)
