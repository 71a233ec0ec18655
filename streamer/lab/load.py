"""How busy the repeaters were on a recorded day, which groups stand in each other's way, what more
members would do, and what there is to tell about it: one document."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.domain.channel_load import erlangs
from streamer.journal.frames import NOT_ENDED
from streamer.lab.load_advice import LEAST_S, Advice, advice_of
from streamer.lab.load_weigh import AirMs, Expected, Scales, Weighed, grown
from streamer.problems import suggestion
from streamer.reading.common import Document, NotFound
from streamer.state.keys import HOUR_MS

CAUTIONS: Final = (
    "A formula takes a blocked over to be given up. On the air operators listen before they key: "
    "an over that would be blocked where they are waits, it is not lost; so the chance is the one "
    "to find the repeater busy, and with waiting alone it may be as high as the load itself. An "
    "over that is sent on from elsewhere cannot wait: its operator does not hear this repeater.",
    "The formula spreads a group's overs evenly over the hour. They come in conversations, and "
    "people who hear each other wait: judge it by the record beside it.",
    "Members are the stations that keyed in the recording; those who only listen are not seen.",
    "A bar cuts off the members that are on the repeater: they hear nothing of their group there. "
    "A line to paste is given only where no member was heard there in the whole record; a pin that "
    "was ordered before the record began is not known.",
    "One over on several repeaters is one event: its sendings are not independent of each other.",
    "Nothing counts as sent on to a repeater while it is dark (it or its gateway did not report). "
    "Dark time is left out of the time that its load is shared out over, but for what lies before "
    "the last over heard in it: that came as a late backlog, and the repeater was hearing then.",
    "These are figures of the past; they are no promise.",
)


class HourLoad(Document):
    """`recorded_s` of the hour is in the recording; for `dark_s` of it the repeater did not report.
    `counted_s` is what was recorded less the dark time of which nothing is known. `erlangs` is the
    air-time asked for by that, and may be above 1; `on_air_share` of it, 0 to 1, anything was on
    the air, two at once counted once."""

    start_at: Moment
    recorded_s: float
    dark_s: float
    counted_s: float
    overs: int
    heard_s: float
    sent_on_s: float
    on_air_s: float
    on_air_share: float
    erlangs: float


class RepeaterLoad(Document):
    """`erlangs` over the whole recording, `heard_erlangs` of it by overs heard there, the rest by
    overs sent on to it from elsewhere; `on_air_share` as of an hour. `busy_hour` is the hour with
    the most load, of those of which at least half counts; null where there is none."""

    repeater: str
    overs: int
    erlangs: float
    heard_erlangs: float
    on_air_share: float
    busy_hour: HourLoad | None
    hours: tuple[HourLoad, ...]


class GroupThere(Document):
    """A group's overs on a repeater, heard there and sent on to it: how many should have found it
    busy with others by the formula (`busy`), at most, if all of them wait (`busy_waiting`), and how
    many by the record began while others were on the air (`met`; `met_heard` of them by somebody
    who was there and could have listened). `members`: stations that keyed to the group and were
    there."""

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
    """All groups on all repeaters: what the two models expect against the record. A sending is an
    over on a repeater, so these are not independent: `sendings` of so many `overs`, of which `met`
    began while others were on the air."""

    sendings: int
    overs: int
    busy: float
    busy_waiting: float
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
    busy_hour_erlangs_grown: float | None


class Growth(Document):
    """`members` keyed in the recording, `more` like them keyed as often, on the same repeaters."""

    group: str
    members: int
    more: int
    overs_per_member: float
    repeaters: tuple[GrownLoad, ...]
    others: tuple[GrownThere, ...]


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
    scales: Scales,
    more: Mapping[str, int] | None = None,
    notes: Sequence[str] = (),
    least_s: float = LEAST_S,
) -> LoadReport:
    """All of it. `more`: by how many members groups grow; `notes`: what of the record could not be
    read; `least_s`: no line to paste for a repeater of which less counts as recorded. Raises
    NotFound for a group that the region does not have, or that nobody keyed to."""
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
        # A last part that was not ended is read up to its last line: nothing is missing of it.
        advice=advice_of(scales, least_s, whole=all(NOT_ENDED in note for note in notes)),
    )


# -- as it was -------------------------------------------------------------------------------------


def _repeater(one: Weighed) -> RepeaterLoad:
    hours = {hour: _hour(one, hour) for hour in one.all_hours()}
    busy_hour = one.busy_hour()
    return RepeaterLoad(
        repeater=one.repeater,
        overs=sum(hour.overs for hour in hours.values()),
        erlangs=one.mean_erlangs(),
        heard_erlangs=one.mean_erlangs(lambda _, tally: tally.heard_ms),
        on_air_share=erlangs(one.on_air_ms(), one.counted_ms()),
        busy_hour=None if busy_hour is None else hours[busy_hour],
        hours=tuple(hours.values()),
    )


def _hour(one: Weighed, hour: int) -> HourLoad:
    tallies = one.hours.get(hour, {}).values()
    return HourLoad(
        start_at=from_ms(hour * HOUR_MS),
        recorded_s=one.recorded_ms(hour) / 1000,
        dark_s=one.dark_ms(hour) / 1000,
        counted_s=one.counted_ms(hour) / 1000,
        overs=sum(tally.overs for tally in tallies),
        heard_s=sum(tally.heard_ms for tally in tallies) / 1000,
        sent_on_s=sum(tally.sent_on_ms for tally in tallies) / 1000,
        on_air_s=one.on_air_ms(hour) / 1000,
        on_air_share=erlangs(one.on_air_ms(hour), one.counted_ms(hour)),
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
        erlangs=erlangs(tally.air_ms, one.counted_ms()),
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
        sendings=sum(one.overs for one in found),
        overs=sum(over.group != "" for over in scales.day.overs),
        busy=sum(one.busy for one in found),
        busy_waiting=sum(one.waiting for one in found),
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
    busy_hour = one.busy_hour(change)
    return GrownLoad(
        repeater=one.repeater,
        erlangs=one.mean_erlangs(),
        erlangs_grown=one.mean_erlangs(change),
        busy_hour_erlangs_grown=None if busy_hour is None else one.erlangs(busy_hour, change),
    )
