"""How busy the repeaters were on a recorded day, which groups stand in each other's way, what more
members would do, and which group to move or bar where: one document."""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.domain.channel_load import erlangs
from streamer.lab.day import Day
from streamer.lab.load_weigh import AirMs, Expected, Scales, Weighed, barred, grown
from streamer.problems import suggestion
from streamer.reading.common import Document, NotFound
from streamer.state.keys import HOUR_MS

MOST_ADVICE: Final = 3
WORTH: Final = 1.0
"""Advice that spares others less than one busy over in the recording is not worth a bar."""
MAY_DO: Final = 0.5
"""A repeater that heard so large a share of the members' overs may do for them as well."""

CAUTIONS: Final = (
    "A formula takes a blocked over to be given up. On the air operators listen before they key: "
    "an over that would be blocked where they are waits, it is not lost; so the chance is the one "
    "to find the repeater busy, and with waiting alone it may be as high as the load itself. An "
    "over that is sent on from elsewhere cannot wait: its operator does not hear this repeater.",
    "The formula spreads a group's overs evenly over the hour. They come in conversations, and "
    "people who hear each other wait: judge it by what was measured beside it.",
    "Members are the stations that keyed in the recording; those who only listen are not seen.",
    "A bar cuts off the members that are on the repeater: they hear nothing of their group there.",
    "These are figures of the past; they are no promise.",
)


class HourLoad(Document):
    """`recorded_s` of the hour is in the recording; `erlangs` is air-time by that. `dark_s`: so
    long the repeater did not report, and may have been on the air all the same."""

    start_at: Moment
    recorded_s: float
    dark_s: float
    overs: int
    heard_s: float
    sent_on_s: float
    erlangs: float


class RepeaterLoad(Document):
    """`erlangs` over the whole recording, `heard_erlangs` of it by overs heard there, the rest by
    overs sent on to it from elsewhere."""

    repeater: str
    overs: int
    erlangs: float
    heard_erlangs: float
    busiest: HourLoad
    hours: tuple[HourLoad, ...]


class GroupThere(Document):
    """A group's overs on a repeater, heard there and sent on to it: how many should have found it
    busy with others by the formula (`busy`), at most, if all of them wait (`busy_waiting`), and how
    many began while others were on the air (`met`; `met_heard` of them by somebody who was there
    and could have listened). `members`: stations that keyed to the group and were there."""

    group: str
    repeater: str
    members: int
    heard: int
    sent_on: int
    erlangs: float
    busy: float
    busy_waiting: float
    models: tuple[str, ...]
    met: int
    met_heard: int

    @property
    def overs(self) -> int:
        return self.heard + self.sent_on


class Fit(Document):
    """All groups on all repeaters: what the formula expects against what was measured. `spread` is
    the standard deviation of the expected number if chance alone made it."""

    overs: int
    busy: float
    busy_waiting: float
    spread: float
    met: int


class Clash(Document):
    """Two groups: overs of either that began while the other was on the air of the same repeater,
    counted on each repeater; for how long both were; and where it happened most."""

    groups: tuple[str, str]
    met: int
    both_s: float
    most_on: str


class GrownThere(Document):
    """Another group where a group grows: the chance that its overs find the repeater busy."""

    group: str
    repeater: str
    overs: int
    chance: float
    chance_grown: float


class GrownLoad(Document):
    repeater: str
    erlangs: float
    erlangs_grown: float
    busiest_erlangs_grown: float


class Growth(Document):
    """`members` keyed in the recording, `more` like them keyed as often, on the same repeaters."""

    group: str
    members: int
    more: int
    overs_per_member: float
    repeaters: tuple[GrownLoad, ...]
    others: tuple[GrownThere, ...]


class Advice(Document):
    """Keep `group` off `repeater`: the other groups' overs there that find it busy, by the formula,
    before and after. `members` are there; `instead` heard the share `instead_share` of their overs
    to the group as well, and is less busy: with it, they are taken to move. `lines` go into the
    group's table of the region file."""

    group: str
    repeater: str
    members: int
    others_overs: int
    others_busy: float
    others_busy_after: float
    instead: str | None
    instead_share: float | None
    lines: tuple[str, ...]


class LoadReport(Document):
    region: str
    from_at: Moment
    until_at: Moment
    overs: int
    without_end: int
    """Overs whose end was never told: they count, without any air-time."""
    notes: tuple[str, ...]
    """What of the recording could not be read."""
    routes_unknown: tuple[str, ...]
    """Gateways that never said what they carry."""
    routes_ruled: bool
    """Of theirs the fan-out by the rules counts; else only what they heard."""
    repeaters: tuple[RepeaterLoad, ...]
    groups: tuple[GroupThere, ...]
    fit: Fit
    clashes: tuple[Clash, ...]
    growth: tuple[Growth, ...]
    advice: tuple[Advice, ...]
    cautions: tuple[str, ...] = CAUTIONS


def load_report(
    scales: Scales, more: Mapping[str, int] | None = None, notes: Sequence[str] = ()
) -> LoadReport:
    """All of it. `more`: by how many members groups grow. Raises NotFound for a group that the
    region does not have, or that nobody keyed to."""
    day, weighed = scales.day, scales.repeaters.values()
    begin_ms = min((one.begin_ms for one in weighed), default=day.begin_ms)
    end_ms = max((one.end_ms for one in weighed), default=day.end_ms)
    expected = {
        (group, one.repeater): found for one in weighed for group, found in one.usual.items()
    }
    return LoadReport(
        region=day.view.name,
        from_at=from_ms(begin_ms),
        until_at=from_ms(end_ms),
        overs=len(day.overs),
        without_end=sum(over.ended_ms <= over.began_ms for over in day.overs),
        notes=tuple(notes),
        routes_unknown=scales.silent,
        routes_ruled=scales.ruled,
        repeaters=tuple(_repeater(one) for one in weighed),
        groups=tuple(
            _group_there(scales, scales.repeaters[repeater], group, found)
            for (group, repeater), found in sorted(expected.items())
        ),
        fit=_fit(scales, expected),
        clashes=_clashes(scales),
        growth=tuple(_growth(scales, group, count) for group, count in (more or {}).items()),
        advice=_advice(scales),
    )


# -- as it was -------------------------------------------------------------------------------------


def _repeater(one: Weighed) -> RepeaterLoad:
    hours = {hour: _hour(one, hour) for hour in one.all_hours()}
    return RepeaterLoad(
        repeater=one.repeater,
        overs=sum(hour.overs for hour in hours.values()),
        erlangs=one.mean_erlangs(),
        heard_erlangs=one.mean_erlangs(lambda _, tally: tally.heard_ms),
        busiest=hours[one.busiest()],
        hours=tuple(hours.values()),
    )


def _hour(one: Weighed, hour: int) -> HourLoad:
    tallies = one.hours.get(hour, {}).values()
    return HourLoad(
        start_at=from_ms(hour * HOUR_MS),
        recorded_s=one.recorded_ms(hour) / 1000,
        dark_s=one.dark_ms(hour) / 1000,
        overs=sum(tally.overs for tally in tallies),
        heard_s=sum(tally.heard_ms for tally in tallies) / 1000,
        sent_on_s=sum(tally.sent_on_ms for tally in tallies) / 1000,
        erlangs=one.erlangs(hour),
    )


def _group_there(scales: Scales, one: Weighed, group: str, found: Expected) -> GroupThere:
    tally = one.groups[group]
    return GroupThere(
        group=group,
        repeater=one.repeater,
        members=scales.members(group, one.repeater),
        heard=tally.heard,
        sent_on=tally.sent_on,
        erlangs=erlangs(tally.air_ms, one.end_ms - one.begin_ms),
        busy=found.busy,
        busy_waiting=found.waiting,
        models=tuple(sorted(found.models)),
        met=one.met.heard[group] + one.met.sent_on[group],
        met_heard=one.met.heard[group],
    )


def _fit(scales: Scales, expected: Mapping[tuple[str, str], Expected]) -> Fit:
    met = [one.met for one in scales.repeaters.values()]
    found = expected.values()
    return Fit(
        overs=sum(one.overs for one in found),
        busy=sum(one.busy for one in found),
        busy_waiting=sum(one.waiting for one in found),
        spread=sum(one.variance for one in found) ** 0.5,
        met=sum(one.heard.total() + one.sent_on.total() for one in met),
    )


def _clashes(scales: Scales) -> tuple[Clash, ...]:
    """Most overs first, then most time, then by name."""
    met: Counter[tuple[str, str]] = Counter()
    both_ms: Counter[tuple[str, str]] = Counter()
    most: dict[tuple[str, str], tuple[int, int, str]] = {}
    for one in scales.repeaters.values():
        met.update(one.met.pairs)
        both_ms.update(one.met.both_ms)
        for pair, ms in one.met.both_ms.items():
            most[pair] = max(most.get(pair, (0, 0, "")), (one.met.pairs[pair], ms, one.repeater))
    ranked = sorted(both_ms, key=lambda pair: (-met[pair], -both_ms[pair], pair))
    return tuple(
        Clash(groups=pair, met=met[pair], both_s=both_ms[pair] / 1000, most_on=most[pair][2])
        for pair in ranked
    )


# -- as it would be --------------------------------------------------------------------------------


def _growth(scales: Scales, group: str, more: int) -> Growth:
    if group not in scales.day.view.groups:
        known = suggestion(group, list(scales.day.view.groups))
        raise NotFound(f"--grow: the region has no group {group!r}; {known}")
    members = len(scales.keyed.get(group, ()))
    if not members:
        raise NotFound(
            f"--grow: nobody keyed to {group} in the recording, so that there is nothing to scale; "
            "take a recording in which the group talks"
        )
    change = grown(group, (members + more) / members)
    there = [one for one in scales.repeaters.values() if group in one.groups]
    others = [
        _grown_there(one, other, change) for one in there for other in one.groups if other != group
    ]
    others.sort(key=lambda row: (row.chance - row.chance_grown, row.repeater, row.group))
    return Growth(
        group=group,
        members=members,
        more=more,
        overs_per_member=sum(over.group == group for over in scales.day.overs) / members,
        repeaters=tuple(_grown_load(one, change) for one in there),
        others=tuple(others),
    )


def _grown_there(one: Weighed, other: str, change: AirMs) -> GrownThere:
    was, would = one.usual[other], one.expected(other, change)
    return GrownThere(
        group=other,
        repeater=one.repeater,
        overs=was.overs,
        chance=was.busy / was.overs,
        chance_grown=would.busy / would.overs,
    )


def _grown_load(one: Weighed, change: AirMs) -> GrownLoad:
    return GrownLoad(
        repeater=one.repeater,
        erlangs=one.mean_erlangs(),
        erlangs_grown=one.mean_erlangs(change),
        busiest_erlangs_grown=max(one.erlangs(hour, change) for hour in one.full_hours()),
    )


def _advice(scales: Scales) -> tuple[Advice, ...]:
    """The least cost first: busy overs spared the other groups, for each member there and one."""
    found = []
    for one in scales.repeaters.values():
        for group in one.groups:
            barred_already = one.repeater in scales.day.view.groups[group].bars
            if barred_already or not scales.day.view.knows_repeater(one.repeater):
                continue
            advice = _advise(scales, one, group)
            spared = advice.others_busy - advice.others_busy_after
            if spared >= WORTH:
                found.append((-spared / (1 + advice.members), group, one.repeater, advice))
    return tuple(advice for *_, advice in sorted(found, key=lambda row: row[:3])[:MOST_ADVICE])


def _advise(scales: Scales, one: Weighed, group: str) -> Advice:
    instead = _instead(scales, one, group)
    change = barred(group, moved=instead is not None)
    others = [name for name in one.groups if name != group]
    return Advice(
        group=group,
        repeater=one.repeater,
        members=scales.members(group, one.repeater),
        others_overs=sum(one.usual[name].overs for name in others),
        others_busy=sum(one.usual[name].busy for name in others),
        others_busy_after=sum(one.expected(name, change).busy for name in others),
        instead=instead[0] if instead else None,
        instead_share=instead[1] if instead else None,
        lines=_lines(scales.day, group, one.repeater),
    )


def _instead(scales: Scales, one: Weighed, group: str) -> tuple[str, float] | None:
    """A less busy repeater that heard most of the group's overs told there as well, if any did."""
    also = scales.also.get((group, one.repeater), {})
    there, load = also.get(one.repeater, 0), one.mean_erlangs()
    good = [
        (count, name)
        for name, count in also.items()
        if count >= MAY_DO * there and scales.repeaters[name].mean_erlangs() < load
    ]
    if not good:
        return None
    count, name = max(good)
    return name, count / there


def _lines(day: Day, group: str, repeater: str) -> tuple[str, ...]:
    """What the group's table must say so that the repeater is barred; a pin there must go."""
    table = day.view.groups[group]
    lines = [f"bars = {json.dumps([*table.bars, repeater])}"]
    if repeater in table.pins:
        pins = [name for name in table.pins if name != repeater]
        lines.insert(0, f"pins = {json.dumps(pins)}")
    return tuple(lines)
