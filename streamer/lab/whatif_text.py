"""What `streamer whatif` found, for a terminal."""

import re
from collections.abc import Iterator, Sequence
from typing import Final

from streamer.lab.whatif import Rest
from streamer.lab.whatif_rank import shown_overs
from streamer.lab.whatif_report import FailureOutcome, NewRepeater, WhatIf
from streamer.lab.whatif_rows import (
    minutes_text,
    overs_text,
    place_of,
    rows_of,
    span_text,
    without_second_way,
)
from streamer.reading.text import WIDTH, age, plural, table, wrap

MOST_STATIONS: Final = 8
MOST_RANKED: Final = 20
MOST_NAMED: Final = 6
_LEFT_OUT: Final = ("OVERS", "RANGE", "MISSED", "RESTS ON")
"""Columns in the order in which they go where names are long."""
_HELD: Final = "\N{OPEN BOX}"
"""Stands for a blank at which no line may end."""
_RESTS: Final = {
    Rest.DAY: "the day itself",
    Rest.LEARNED: "what was heard from the same cell",
    Rest.NEIGHBOURS: "what was heard from cells close by",
    Rest.PHYSICS: "distance alone",
    Rest.UNKNOWN: "nothing: unknown",
}


def whatif_lines(report: WhatIf, *, explain: bool = False) -> list[str]:
    """All of it; `explain`: with what was taken and what it rests on."""
    lines = [*_head(report)]
    for new in report.new:
        lines += _new(new)
    for outcome in report.failures:
        before = next((w for w in report.without if w.failure == outcome.failure), None)
        lines += _failure(outcome, before)
    if report.ranked is not None:
        lines += _ranked(report.ranked, explain)
    lines.append("")
    if explain:
        lines += _whole(f"Taken: {' '.join(report.taken)}", hanging=" " * 7)
    lines += _whole(f"Mind: {' '.join(report.cautions)}", hanging=" " * 6)
    if not explain:
        lines.append("--explain tells what was taken.")
    return lines


def _whole(text: str, indent: str = "", hanging: str | None = None) -> list[str]:
    """As `wrap`, but a number stays with what it counts."""
    held = re.sub(r"(?<=\d) (?=[\da-z%])", _HELD, text)
    return [line.replace(_HELD, " ") for line in wrap(held, indent, hanging)]


def _head(report: WhatIf) -> Iterator[str]:
    span_s = (report.until_at - report.from_at).total_seconds()
    yield from _whole(
        f"Region {report.region}, {plural(report.overs, 'over')} of "
        f"{plural(report.stations, 'station')} in {age(span_s)}: "
        f"{report.from_at:%Y-%m-%d %H:%M}Z to {report.until_at:%Y-%m-%d %H:%M}Z"
    )
    yield from _whole(f"Where they came from is known of {plural(report.placed, 'over')}.")
    for note in report.notes:
        yield from _whole(f"Note: {note}", hanging=" " * 6)
    if report.troubles:
        yield from _whole(
            "Note: part of the journal could not be read and is not in here", hanging=" " * 6
        )


def _lost_overs(outcome: FailureOutcome) -> str:
    if not outcome.cut:
        return "overs that nobody hears"
    if not outcome.off:
        return "overs not handed on and heard nowhere else"
    return "overs heard by nobody, or not handed on and heard nowhere else"


def _failure(outcome: FailureOutcome, before: FailureOutcome | None) -> Iterator[str]:
    yield ""
    yield f"With {outcome.failure}"
    sums = [
        (_lost_overs(outcome), outcome.overs, overs_text),
        ("member-minutes out of reach", outcome.out_of_reach_min, minutes_text),
        ("member-minutes blind", outcome.blind_min, minutes_text),
    ]
    rows = [
        [
            what, said(s.touched), said(s.lost), span_text(said(s.low), said(s.high)),
            said(s.unknown),
        ]
        for what, s, said in sums
        if s.touched or s is outcome.overs
    ]  # fmt: skip
    missed = [overs_text(outcome.missed), "", overs_text(outcome.missed_unknown)]
    rows.append(["overs missed by members", "", *missed])
    yield from table(["", "ON IT", "LOST", "RANGE", "UNKNOWN"], rows, "  ")
    yield from _whole(
        "RANGE holds nine times in ten. What is UNKNOWN is not in it, nor in LOST.", "  "
    )
    if outcome.blind_min.touched:
        yield from _whole(
            "Blind: who is behind the cut hears those on the same repeater, nobody else, and is "
            "seen by nobody.", "  ",
        )  # fmt: skip
    if outcome.overs.touched:
        told = [f"{overs_text(n)} on {_RESTS[r]}" for r, n in outcome.overs.rests_on.items() if n]
        yield from _whole(f"Of these overs rest {', '.join(told)}.", "  ")
    if before is not None:
        yield from _whole(_softened(outcome, before), "  ")
    yield from _stations(outcome)
    yield from _next(outcome)


def _softened(outcome: FailureOutcome, before: FailureOutcome) -> str:
    """What a new repeater changes in a failure, and for whom."""

    def lost(one: FailureOutcome) -> tuple[str, str]:
        minutes = one.out_of_reach_min.lost + one.blind_min.lost
        return overs_text(one.overs.lost), minutes_text(minutes)

    (overs, minutes), (still, min_still) = lost(before), lost(outcome)
    now = {s.station: s for s in outcome.stations}
    helped = [
        then.station
        for then in before.stations
        if then.member_min
        and (
            minutes_text(then.member_min_lost) != minutes_text(now[then.station].member_min_lost)
            or overs_text(then.overs_lost) != overs_text(now[then.station].overs_lost)
        )
    ]
    whom = f"It helps {_names(helped)}." if helped else "It helps no member noticeably."
    return (
        f"Without the new one {overs} overs and {minutes} member-minutes are lost, "
        f"with it {still} overs and {min_still} member-minutes. {whom}"
    )


def _names(stations: Sequence[str]) -> str:
    more = len(stations) - MOST_NAMED
    return ", ".join(stations[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _next(outcome: FailureOutcome) -> list[str]:
    """What to do about it, where something can be done."""
    alone = without_second_way(outcome)
    if not alone:
        return []
    names = _names([s.station for s in alone])
    text = f"Next: give the members of {place_of(outcome)} a second way: {names}"
    return _whole(text, "  ", " " * 8)


def _stations(outcome: FailureOutcome) -> Iterator[str]:
    rows = []
    for s in outcome.stations:
        minutes = [minutes_text(m) for m in (s.member_min_lost, s.member_min_unknown)]
        overs = [overs_text(n) for n in (s.overs_lost, s.overs_unknown)]
        if any(figure != "0" for figure in minutes + overs):
            member = minutes_text(s.member_min)
            rows.append([s.station, member, *minutes, overs_text(s.overs), *overs])
    heads = ["STATION", "MINUTES", "LOST", "UNKNOWN", "OVERS", "LOST", "UNKNOWN"]
    yield from table(heads, rows[:MOST_STATIONS], "  ")
    if len(rows) > MOST_STATIONS:
        yield f"  and {plural(len(rows) - MOST_STATIONS, 'station')} more; --json has all"


def _ranked(ranked: Sequence[FailureOutcome], explain: bool) -> Iterator[str]:
    yield ""
    yield "Single failures, the worst first"
    rows = rows_of(ranked)
    cells = [
        [str(place), row.name, *row.figures()] for place, row in enumerate(rows[:MOST_RANKED], 1)
    ]
    heads = ["", "FAILURE", "MINUTES", "RANGE", "OVERS", "MISSED", "RESTS ON"]
    yield from _fitting(heads, cells) or ["  no repeater is known"]
    if len(rows) > MOST_RANKED:
        yield f"  and {len(rows) - MOST_RANKED} more; --json has all"
    if ranked and not ranked[0].ranked_by_min:
        yield from _whole("None would have taken a member out of reach on that day.", "  ")
    elif rows:
        yield from _next(rows[0].outcome)
    yield from _whole(
        "MINUTES of members, out of reach (off) or blind (cut), what is unknown in the share of "
        "what is known. RANGE holds nine times in ten, be none or all of the unknown lost. OVERS: "
        "heard nowhere else (cut: and not handed on). MISSED: overs, once for each member who "
        "heard them on the day. Both of what is known. RESTS ON: most rests on the day itself, on "
        "cells, on distance alone, or on nothing known.", "  ",
    )  # fmt: skip
    if explain:
        yield from _whole(
            "A site whose off and cut read alike has one line, else its worse one; its repeaters "
            "have their own where they read otherwise. Where little is known, what is unknown is "
            f"taken in the share of elsewhere. {_rest_on(ranked)}", "  ",
        )  # fmt: skip


def _fitting(heads: list[str], rows: list[list[str]]) -> list[str]:
    """A table in which nothing is broken: what says the least is left out where names are long."""
    for less in _LEFT_OUT:
        widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
        if sum(widths) + 2 * len(widths) <= WIDTH:
            break
        at = heads.index(less)
        heads = heads[:at] + heads[at + 1 :]
        rows = [row[:at] + row[at + 1 :] for row in rows]
    return table(heads, rows, "  ")


def _rest_on(ranked: Sequence[FailureOutcome]) -> str:
    """Over all failures, as shares: each over is on several of them."""
    whole = sum(one.overs.touched for one in ranked)
    shares = {r: sum(one.overs.rests_on[r] for one in ranked) for r in Rest}
    told = [f"{100 * n / whole:.0f} % on {_RESTS[r]}" for r, n in shares.items() if n]
    return f"Of the overs rest {', '.join(told)}." if told else ""


def _new(new: NewRepeater) -> Iterator[str]:
    yield ""
    yield f"With a new repeater {new.repeater}"
    between = span_text(overs_text(new.low), overs_text(new.high))
    rows = [
        ["overs it hears", f"{overs_text(new.heard)} of {overs_text(new.placed)}", between],
        ["of them, heard by one repeater alone", overs_text(new.alone), ""],
        ["of them, stronger than on any other", overs_text(new.stronger), ""],
    ]
    yield from table(["", "EXPECTED", "RANGE"], rows, "  ")
    yield from _whole(
        f"RANGE holds nine times in ten. Where {plural(new.unknown, 'more over')} came from is not "
        "known. Who was out of reach of all on that day is in no record: what a new repeater gains "
        "there cannot be told. By its place alone, hills are not in it.", "  ",
    )  # fmt: skip
    helped = [one.station for one in new.helped if shown_overs(one.overs)]
    if helped:
        text = f"Next: try it with the members it gives a second way: {_names(helped)}"
        yield from _whole(text, "  ", " " * 8)
    else:
        yield "  It gives no member a second way that is noticed."
