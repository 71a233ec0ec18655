"""The lines of a ranking of single failures: one for each site, where they read alike."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from streamer.lab.load_air import gateway_of
from streamer.lab.whatif import Rest
from streamer.lab.whatif_rank import WHOLE_FROM_MIN, shown_min, shown_overs
from streamer.lab.whatif_report import FailureOutcome, Station

_WORDS: Final = {
    Rest.UNKNOWN: "nothing",
    Rest.PHYSICS: "distance",
    Rest.NEIGHBOURS: "cells",
    Rest.LEARNED: "cells",
    Rest.DAY: "day",
}
"""The most doubtful first: of equal parts it is the one that is told."""


@dataclass(frozen=True, slots=True)
class Row:
    """A failure under the name it is shown by."""

    name: str
    outcome: FailureOutcome

    def figures(self) -> tuple[str, ...]:
        """Minutes, their range, overs, overs missed, what most rests on; as shown."""
        one = self.outcome
        low, high = minutes_between(one)
        return (
            minutes_text(one.ranked_by_min or 0.0),
            span_text(minutes_text(low), minutes_text(high)),
            overs_text(one.overs.lost), overs_text(one.missed), rests_most_on(one),
        )  # fmt: skip


def minutes_text(minutes: float) -> str:
    """As `shown_min` rounds them: `0`, `3.0`, `12`."""
    shown = shown_min(minutes)
    return f"{shown:.1f}" if 0 < shown < WHOLE_FROM_MIN else f"{shown:,.0f}"


def overs_text(overs: float) -> str:
    """Whole ones."""
    return f"{shown_overs(overs):,}"


def span_text(low: str, high: str) -> str:
    """`2 to 5`; what is certain is one figure."""
    return low if low == high else f"{low} to {high}"


def minutes_between(one: FailureOutcome) -> tuple[float, float]:
    """Between what the lost minutes lie nine times in ten, whatever became of what is unknown: from
    none of it lost to all of it."""
    both = one.out_of_reach_min, one.blind_min
    return sum(s.low for s in both), sum(s.high + s.unknown for s in both)


def rests_most_on(one: FailureOutcome) -> str:
    """What the most of its minutes rest on, or of its overs where no member was there; '-' where
    nothing was on it."""
    sums = (one.out_of_reach_min, one.blind_min)
    if not any(s.touched for s in sums):
        sums = (one.overs, one.overs)
    parts: dict[str, float] = defaultdict(float)
    for rest, word in _WORDS.items():
        parts[word] += sum(s.rests_on[rest] for s in sums)
    most = max(parts, key=parts.__getitem__)
    return most if parts[most] else "-"


def rows_of(ranked: Sequence[FailureOutcome]) -> list[Row]:
    """Of each site the worse of off and cut, both in one where they read alike; of a site with
    several repeaters each of them that reads otherwise and had an over. In the order ranked."""
    sites: dict[str, list[FailureOutcome]] = defaultdict(list)
    for one in ranked:
        sites[_site_of(one)].append(one)
    names: dict[str, str] = {}
    for site, own in sites.items():
        every = max(len(one.off + one.cut) for one in own)
        whole = [Row(one.failure, one) for one in own if len(one.off + one.cut) == every]
        worst, alike = whole[0], {row.figures() for row in whole}
        both = len(whole) > 1 and len(alike) == 1
        names[worst.name] = f"{site} off or cut" if both else worst.name
        for one in own:
            row = Row(one.failure, one)
            single = len(one.off + one.cut) < every
            if single and one.overs.touched and row.figures() != worst.figures():
                names[row.name] = row.name
    return [Row(names[one.failure], one) for one in ranked if one.failure in names]


def _site_of(one: FailureOutcome) -> str:
    return gateway_of((*one.off, *one.cut)[0])


def place_of(one: FailureOutcome) -> str:
    """What fails, for a sentence: the repeater, or the sites that have several of them."""
    gone = (*one.off, *one.cut)
    if len(gone) == 1:
        return gone[0]
    return ", ".join(dict.fromkeys(gateway_of(r) for r in gone))


def without_second_way(one: FailureOutcome) -> list[Station]:
    """Members that were there and of whom no other repeater heard an over on the day, where that
    may cost a tenth of a minute or more; the hardest hit first."""
    return [
        s
        for s in one.stations
        if not s.overs_elsewhere and shown_min(s.member_min_lost + s.member_min_unknown)
    ]
