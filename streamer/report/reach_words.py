"""Who was out of reach, in words and as a table. Pure."""

from streamer.contract.published import Standing
from streamer.domain.membership import CLOSED
from streamer.domain.plain_words import age, plural
from streamer.reading.common import spoken
from streamer.report.facts_reach import OutOfReachRow
from streamer.report.layout import Column, Making, Row, Table, first_and_last
from streamer.report.words import hms, named

OUT_OF_REACH_FILE = "out_of_reach.csv"


def still_out(row: OutOfReachRow) -> bool:
    """Whether it was out of reach when the report ends."""
    return row.standing is Standing.OUT_OF_REACH


def named_with(row: OutOfReachRow) -> str:
    """`QA1AA, Ann (NET, Searcher)`."""
    who = f"{row.station}, {row.name}" if row.name else row.station
    told = ", ".join(filter(None, (named(row.groups), row.assignment)))
    return f"{who} ({told})" if told else who


def spoken_silence(making: Making, row: OutOfReachRow) -> str:
    """`silent for 5 min, 14:02:11 to 14:07:11, then heard again`."""
    clock = making.times.clock
    if row.silence_s is None or row.last_heard_at is None:
        since = f"when last heard before {clock(row.first_at)} is not in the record"
        again = f"; heard again {clock(row.heard_again_at)}" if row.heard_again_at else ""
        return f"{since}{again or '; not heard again'}"
    if row.heard_again_at is None:
        return (
            f"silent for {age(row.silence_s)}, since {clock(row.last_heard_at)}, not heard again "
            f"until the end of the report{_left(row)}"
        )
    span = making.times.span(row.last_heard_at, row.heard_again_at)
    return f"silent for {age(row.silence_s)}, {span}, then heard again"


def _left(row: OutOfReachRow) -> str:
    if row.standing is None or row.standing not in CLOSED:
        return ""
    return f" ({spoken(row.standing.value)} by then)"


def in_whose_hand(making: Making, row: OutOfReachRow) -> str:
    """Whether anybody took it in hand, as a sentence without its full stop."""
    if row.taken_at is not None:
        return f"Taken in hand {making.times.clock(row.taken_at)} by {row.taken_by or 'not told'}"
    if row.alerts:
        return f"Nobody took it in hand ({plural(row.alerts, 'alert')})"
    return "No alert of its own is in the record, and nobody took it in hand"


def out_of_reach_table(making: Making) -> Table:
    """Everybody who was out of reach at some time, longest silence first."""
    rows = making.report.out_of_reach
    return Table(
        "out-of-reach",
        f"Out of reach during the duty: {plural(len(rows), 'station')}, longest silence first",
        (
            Column("Station", 17),
            Column("Group", 11),
            Column("Silent, h:mm:ss", 9, numbers=True),
            Column("Last heard before it", 13),
            Column("Heard again", 13),
            Column("Out of reach, h:mm:ss", 12, numbers=True),
            Column("Taken in hand", 14),
            Column("At the end", 11),
        ),
        first_and_last(
            rows, making.most.stations, "stations", OUT_OF_REACH_FILE,
            lambda row: _row(making, row),
        ),
        empty="Nobody, as far as the record tells.",
        notes=(
            "No sign of danger by itself. Silent: from the last over before, to anybody, to the "
            "next one or the end of the report. Out of reach: as long as rosters said so.",
        ),
    )  # fmt: skip


def _row(making: Making, row: OutOfReachRow) -> Row:
    clock = making.times.clock
    taken = (clock(row.taken_at), f"by {row.taken_by or 'not told'}") if row.taken_at else "never"
    return (
        (row.station, *([row.name] if row.name else [])),
        named(row.groups),
        hms(row.silence_s) or "not known",
        clock(row.last_heard_at) or "not in the record",
        clock(row.heard_again_at) or "not until the end",
        (hms(row.out_s), *([f"{row.times} times"] if row.times > 1 else [])),
        taken,
        "on no list" if row.standing is None else spoken(row.standing.value),
    )
