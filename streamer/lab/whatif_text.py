"""What `streamer whatif` found, for a terminal."""

from collections.abc import Iterator, Sequence
from typing import Final

from streamer.lab.whatif import Rest
from streamer.lab.whatif_report import FailureOutcome, NewRepeater, Sum, WhatIf
from streamer.reading.text import age, plural, table, wrap

MOST_STATIONS: Final = 8
MOST_RANKED: Final = 20
_RESTS: Final = {
    Rest.DAY: "the day itself",
    Rest.LEARNED: "what was heard from the same cell",
    Rest.NEIGHBOURS: "what was heard from cells close by",
    Rest.PHYSICS: "distance alone",
    Rest.UNKNOWN: "nothing: unknown",
}


def whatif_lines(report: WhatIf) -> list[str]:
    """All of it."""
    lines = [*_head(report)]
    for new in report.new:
        lines += _new(new)
    for outcome in report.failures:
        before = next((w for w in report.without if w.failure == outcome.failure), None)
        lines += _failure(outcome, before)
    if report.ranked is not None:
        lines += _ranked(report.ranked)
    lines += ["", *_wrapped(f"Taken: {' '.join(report.taken)}", 7)]
    lines += _wrapped(f"Mind: {' '.join(report.cautions)}", 6)
    return lines


def _wrapped(text: str, hang: int) -> list[str]:
    return wrap(text, "", " " * hang)


def _head(report: WhatIf) -> Iterator[str]:
    span_s = (report.until_at - report.from_at).total_seconds()
    yield from wrap(
        f"Region {report.region}, {plural(report.overs, 'over')} of "
        f"{plural(report.stations, 'station')} in {age(span_s)}: "
        f"{report.from_at:%Y-%m-%d %H:%M}Z to {report.until_at:%Y-%m-%d %H:%M}Z"
    )
    yield from wrap(f"Where they came from is known of {plural(report.placed, 'over')}.")
    for note in report.notes:
        yield from _wrapped(f"Note: {note}", 6)
    if report.troubles:
        yield from _wrapped("Note: part of the journal could not be read and is not in here", 6)


def _number(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 or value == round(value) else f"{value:.1f}"


def _range(found: Sum) -> str:
    return f"{_number(found.low)} to {_number(found.high)}"


def _failure(outcome: FailureOutcome, before: FailureOutcome | None) -> Iterator[str]:
    yield ""
    yield f"With {outcome.failure}"
    sums = [
        ("overs that nobody hears", outcome.overs),
        ("member-minutes out of reach", outcome.out_of_reach_min),
        ("member-minutes blind", outcome.blind_min),
    ]
    rows = [
        [what, _number(s.touched), _number(s.lost), _range(s), _number(s.unknown)]
        for what, s in sums
        if s.touched or what.startswith("overs")
    ]
    missed = [_number(outcome.missed), "", _number(outcome.missed_unknown)]
    rows.append(["overs missed by members", "", *missed])
    yield from table(["", "ON IT", "LOST", "NINE IN TEN", "UNKNOWN"], rows, "  ")
    if outcome.blind_min.touched:
        yield from wrap(
            "Blind: who is behind the cut hears those on the same repeater, nobody else, and is "
            "seen by nobody.", "  ",
        )  # fmt: skip
    if outcome.overs.touched:
        told = [f"{_number(n)} on {_RESTS[r]}" for r, n in outcome.overs.rests_on.items() if n]
        yield from wrap(f"Of these overs rest {', '.join(told)}.", "  ")
    if before is not None:
        then = before.out_of_reach_min.lost + before.blind_min.lost
        now = outcome.out_of_reach_min.lost + outcome.blind_min.lost
        yield from wrap(
            f"Without the new one: {_number(before.overs.lost)} overs and {_number(then)} "
            f"member-minutes lost; with it {_number(outcome.overs.lost)} and {_number(now)}.", "  ",
        )  # fmt: skip
    yield from _stations(outcome)


def _stations(outcome: FailureOutcome) -> Iterator[str]:
    hit = [s for s in outcome.stations if s.overs_lost or s.overs_unknown]
    rows = [
        [
            s.station,
            _number(s.member_min),
            _number(s.member_min_lost),
            _number(s.member_min_unknown),
            str(s.overs),
            _number(s.overs_lost),
            str(s.overs_unknown),
        ]
        for s in hit[:MOST_STATIONS]
    ]
    heads = ["STATION", "MINUTES", "LOST", "UNKNOWN", "OVERS", "LOST", "UNKNOWN"]
    yield from table(heads, rows, "  ")
    if len(hit) > MOST_STATIONS:
        yield f"  and {plural(len(hit) - MOST_STATIONS, 'station')} more; --json has all"


def _ranked(ranked: Sequence[FailureOutcome]) -> Iterator[str]:
    yield ""
    yield "Single failures, the worst first"
    rows = []
    for place, one in enumerate(ranked[:MOST_RANKED], 1):
        minutes = one.blind_min if one.cut else one.out_of_reach_min
        rows.append([
            str(place), one.failure, _number(minutes.lost), _range(minutes),
            _number(minutes.unknown), _number(one.overs.lost), _number(one.overs.unknown),
            _number(one.missed),
        ])  # fmt: skip
    heads = ["", "FAILURE", "MINUTES", "9 IN 10", "UNKNOWN", "OVERS", "UNKNOWN", "MISSED"]
    yield from table(heads, rows, "  ") or ["  no repeater is known"]
    if len(ranked) > MOST_RANKED:
        yield f"  and {plural(len(ranked) - MOST_RANKED, 'failure')} more; --json has all"
    yield from wrap(
        "Minutes: of members, out of reach (off) or blind (cut). Ranked by minutes lost, where "
        "what is unknown is taken to be lost in the same share as what is known there, or where "
        "little is, elsewhere. Missed: overs to a group, once for "
        "each member that heard them on the day and would not have.", "  ",
    )  # fmt: skip
    yield from wrap(_rest_on(ranked), "  ")
    if ranked and not ranked[0].ranked_by_min:
        yield from wrap("None would have taken a member out of reach on that day.", "  ")


def _rest_on(ranked: Sequence[FailureOutcome]) -> str:
    """Over all failures, as shares: each over is on several of them."""
    whole = sum(one.overs.touched for one in ranked)
    shares = {r: sum(one.overs.rests_on[r] for one in ranked) for r in Rest}
    told = [f"{100 * n / whole:.0f} % on {_RESTS[r]}" for r, n in shares.items() if n]
    return f"Of the overs rest {', '.join(told)}." if told else ""


def _new(new: NewRepeater) -> Iterator[str]:
    yield ""
    yield f"With a new repeater {new.repeater}"
    rows = [
        ["overs it hears", f"{_number(new.heard)} of {_number(new.placed)}",
         f"{_number(new.low)} to {_number(new.high)}"],
        ["of them, heard by one repeater alone", _number(new.alone), ""],
        ["of them, stronger than on any other", _number(new.stronger), ""],
    ]  # fmt: skip
    yield from table(["", "EXPECTED", "NINE IN TEN"], rows, "  ")
    yield from wrap(
        f"Where {plural(new.unknown, 'more over')} came from is not known. Who was out "
        "of reach of all on that day is in no record: what a new repeater gains there cannot be "
        "told. By its place alone, hills are not in it.", "  ",
    )  # fmt: skip
