"""Which group stands most in the way of others on a repeater, and where a bar would cut off nobody
who was heard in the whole record: one document for each group on a repeater."""

import json
from typing import Final

from streamer.lab.day import Day
from streamer.lab.load_weigh import Scales, Weighed, off
from streamer.lab.ordered import order_spans
from streamer.reading.common import Document

LEAST_S: Final = 6 * 3600
"""Of less record nobody can say that no member is ever there. Chosen, no source."""
WORTH: Final = 1.0
"""What spares others less than one busy over in the recording is not worth telling."""
MAY_DO: Final = 0.5
"""A repeater that heard so large a share of the members' overs may do for them as well."""


class Advice(Document):
    """`group` on `repeater`: of the other groups' overs there, how many find it busy by the
    formula, and how many without that group on its air. `members` of the group, 0 or more, keyed
    within hearing of it, to whatever group; `air_share` of the air-time there is the group's.

    `lines` go into the group's table of the region file, and bar it there. There are none, and the
    rest is a finding, where a member keyed there, where less than `least_s` counts of the repeater
    (`counted_s`: recorded, less dark), or where part of the record could not be read (`whole` is
    false): somebody may be in it. `instead` heard the share `instead_share` of the
    group's overs told there as well, and is less busy: a word for those people, no more.
    """

    group: str
    repeater: str
    members: int
    air_share: float
    others_overs: int
    others_busy: float
    others_busy_after: float
    counted_s: float
    least_s: float
    whole: bool
    instead: str | None
    instead_share: float | None
    lines: tuple[str, ...]


def advice_of(
    scales: Scales, least_s: float = LEAST_S, *, whole: bool = True
) -> tuple[Advice, ...]:
    """All there is to tell: groups without a member there first, then what spares the most. `whole`
    is whether all of the record could be read.

    Left out: a group that is pinned there by the region file, or was by an order at any time of the
    recording (somebody wanted it there), one that is barred there already, and repeaters that the
    region file does not know.
    """
    found = []
    view = scales.day.view
    pinned = {group: _pinned(scales.day, group) for group in view.groups}
    for one in scales.repeaters.values():
        for group in one.groups:
            settled = one.repeater in pinned[group] or one.repeater in view.groups[group].bars
            if settled or not view.knows_repeater(one.repeater):
                continue
            advice = _advise(scales, one, group, least_s, whole)
            spared = advice.others_busy - advice.others_busy_after
            if spared >= WORTH:
                found.append((advice.members > 0, -spared, group, one.repeater, advice))
    return tuple(advice for *_, advice in sorted(found, key=lambda row: row[:4]))


def _pinned(day: Day, group: str) -> frozenset[str]:
    table = day.view.groups[group]
    ordered = order_spans(table, day.acts, day.begin_ms, day.end_ms + 1)
    return frozenset(table.pins).union(*(span.pins for span in ordered))


def _advise(scales: Scales, one: Weighed, group: str, least_s: float, whole: bool) -> Advice:
    instead = _instead(scales, one, group)
    others = [name for name in one.groups if name != group]
    members, counted_s = scales.keyed_near(group, one.repeater), one.counted_ms() / 1000
    may_bar = not members and counted_s >= least_s and whole
    return Advice(
        group=group,
        repeater=one.repeater,
        members=members,
        air_share=one.air_share(group),
        others_overs=sum(one.usual[name].overs for name in others),
        others_busy=sum(one.usual[name].busy for name in others),
        others_busy_after=sum(one.expected(name, off(group)).busy for name in others),
        counted_s=counted_s,
        least_s=least_s,
        whole=whole,
        instead=instead[0] if instead else None,
        instead_share=instead[1] if instead else None,
        lines=_lines(scales.day, group, one.repeater) if may_bar else (),
    )


def _instead(scales: Scales, one: Weighed, group: str) -> tuple[str, float] | None:
    """A less busy repeater that heard most of the group's overs told there as well, if any did."""
    also = scales.also.get((group, one.repeater), {})
    there, load = also.get(one.repeater, 0), one.mean_erlangs()
    good = [
        (count, name)
        for name, count in also.items()
        if count >= MAY_DO * there
        and scales.repeaters[name].mean_erlangs() < load
        and name not in scales.day.view.groups[group].bars
    ]
    if not good:
        return None
    count, name = max(good)
    return name, count / there


def _lines(day: Day, group: str, repeater: str) -> tuple[str, ...]:
    """What the group's table must say so that the repeater is barred as well."""
    return (f"bars = {json.dumps([*day.view.groups[group].bars, repeater])}",)
