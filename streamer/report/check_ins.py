"""Who took part: the check-in list, and the numbers at a glance."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from streamer.clock import from_ms, to_ms
from streamer.contract.published import Duty, Member, Standing
from streamer.domain.accountability import Heard, Numbers, Person, Presence, account, numbers
from streamer.domain.membership import CLOSED
from streamer.lab.day import RecordedOver
from streamer.report.facts import Accountability, CheckInRow, Count, HowIn, RosterRow
from streamer.report.overs import Key, Marks, key_of
from streamer.report.published import Stood
from streamer.report.scope import Scope
from streamer.state.entries import Act

_NOBODY: Final = RosterRow(call="", name="", agency="", assignment="", group="")
_LEFT: Final = {
    Presence.EXPIRED: Standing.EXPIRED,
    Presence.CHECKED_OUT: Standing.CHECKED_OUT,
}


def people_of(scope: Scope) -> tuple[Person, ...]:
    """Everybody of the duty at the end of the time of the report, by the domain's rule, from the
    rosters as last published."""
    duty = scope.duty
    asked = Duty(
        region=scope.record.day.view.name,
        id=duty.id,
        version=1,
        title=duty.title,
        kind=duty.kind,
        groups=duty.groups,
        started_at=duty.started_at,
        started_by=duty.started_by,
        expected=tuple(row.call for row in duty.roster),
    )
    last: dict[str, RecordedOver] = {over.station: over for over in scope.overs}
    heard = {
        station: Heard(from_ms(over.began_ms), over.repeater) for station, over in last.items()
    }
    rosters: dict[str, list[Member]] = defaultdict(list)
    for (group, station), stood in scope.record.published.standings.items():
        shown = last_shown(stood, scope.until_ms)
        if group in duty.groups and shown is not None:
            rosters[group].append(_member(station, shown, heard.get(station)))
    return account(asked, rosters, heard)


def last_shown(stood: Iterable[Stood], ms: int) -> Stood | None:
    """What a roster showed of somebody at a time; of one who had left it what it showed last."""
    told = [one for one in stood if one.at_ms <= ms]
    if told and told[-1].standing is None:
        told.pop()
        return told[-1] if told and told[-1].standing in CLOSED else None
    return told[-1] if told else None


def _member(station: str, stood: Stood, heard: Heard | None) -> Member:
    assert stood.standing is not None
    assert stood.checked_in_ms is not None
    last = heard or Heard(from_ms(stood.checked_in_ms), stood.repeater)
    return Member(
        station=station,
        standing=stood.standing,
        standing_since=None if stood.since_ms is None else from_ms(stood.since_ms),
        repeater=last.repeater,
        last_heard_at=last.at,
        checked_in_at=from_ms(stood.checked_in_ms),
    )


@dataclass(slots=True)
class _Spoken:
    """What one station said in the time of the report."""

    overs: list[RecordedOver]
    to_duty: list[RecordedOver]


def check_in_rows(
    scope: Scope, people: Sequence[Person], marks: Mapping[Key, Marks]
) -> tuple[CheckInRow, ...]:
    """Those on the roster first, in its order; then the others by call sign."""
    spoken: dict[str, _Spoken] = defaultdict(lambda: _Spoken([], []))
    for over in scope.overs:
        spoken[over.station].overs.append(over)
        if scope.of_duty(over):
            spoken[over.station].to_duty.append(over)
    known = {person.call: person for person in people}
    by_hand = _checked_out_by_hand(scope)
    others = sorted((scope.people | known.keys()) - scope.roster.keys())
    return tuple(
        _row(scope, station, spoken[station], known.get(station), marks, by_hand.get(station, []))
        for station in [*scope.roster, *others]
    )


def _row(
    scope: Scope,
    station: str,
    spoken: _Spoken,
    person: Person | None,
    marks: Mapping[Key, Marks],
    by_hand: Sequence[datetime],
) -> CheckInRow:
    expected = scope.roster.get(station, _NOBODY)
    first = spoken.to_duty[0] if spoken.to_duty else None
    heard = spoken.overs
    placed = [over.fix for over in heard if over.fix is not None]
    fix = max(placed, key=lambda one: one.at_ms, default=None)
    said_out = [from_ms(o.ended_ms) for o in heard if key_of(o) in marks and marks[key_of(o)].left]
    standing, since = _standing(scope, person)
    return CheckInRow(
        station=station,
        on_roster=station in scope.roster,
        name=expected.name,
        agency=expected.agency,
        assignment=expected.assignment,
        expected_group=expected.group,
        groups=_groups(scope, station, spoken),
        how=_how(first, person),
        first_check_in_at=None if first is None else from_ms(first.began_ms),
        first_repeater=None if first is None else first.repeater,
        checked_out_at=tuple(sorted([*said_out, *by_hand])),
        first_heard_at=from_ms(heard[0].began_ms) if heard else None,
        last_heard_at=from_ms(heard[-1].began_ms) if heard else None,
        last_repeater=heard[-1].repeater if heard else None,
        standing=standing,
        standing_since_at=since,
        overs=len(spoken.to_duty),
        spoken_s=sum(over.ended_ms - over.began_ms for over in spoken.to_duty) / 1000,
        lat=None if fix is None else fix.lat,
        lon=None if fix is None else fix.lon,
        position_at=None if fix is None else from_ms(fix.at_ms),
    )


def _how(first: RecordedOver | None, person: Person | None) -> HowIn:
    if first is not None:
        return HowIn.AIR
    if person is not None and person.groups:
        return HowIn.BEFORE
    return HowIn.NOT


def _groups(scope: Scope, station: str, spoken: _Spoken) -> tuple[str, ...]:
    """Groups of the duty that it keyed to, or that showed it as a member."""
    keyed = {over.group for over in spoken.to_duty}
    shown = {
        group
        for group in scope.duty.groups
        for one in scope.record.published.standings.get((group, station), ())
        if one.standing not in (None, *CLOSED) and one.at_ms <= scope.until_ms
        and (one.at_ms >= scope.from_ms or _stood_at_begin(scope, group, station) is one)
    }  # fmt: skip
    return tuple(group for group in scope.duty.groups if group in keyed | shown)


def _stood_at_begin(scope: Scope, group: str, station: str) -> Stood | None:
    return scope.record.published.standing_at(group, station, scope.from_ms)


def _standing(scope: Scope, person: Person | None) -> tuple[Standing | None, datetime | None]:
    """The worst of its groups; when that began in the first of them that has it."""
    if person is None:
        return None, None
    standing = person.standing or _LEFT.get(person.presence)
    if standing is None:
        return None, None
    for group in person.groups:
        stood = scope.record.published.standings.get((group, person.call), ())
        shown = last_shown(stood, scope.until_ms)
        if shown is not None and shown.standing is standing and shown.since_ms is not None:
            return standing, from_ms(shown.since_ms)
    return standing, None


def _checked_out_by_hand(scope: Scope) -> dict[str, list[datetime]]:
    found: dict[str, list[datetime]] = defaultdict(list)
    for entry in scope.record.day.acts:
        group, _, station = entry.subject.partition(" ")
        if entry.act is not Act.CHECK_OUT or group not in scope.duty.groups:
            continue
        if scope.holds(to_ms(entry.at)):
            found[station].append(entry.at)
    return found


# -- numbers at a glance -------------------------------------------------------------------------

_WORDS: Final = {
    Presence.CHECKED_IN: ("checked in", "members of a group of the duty at the end"),
    Presence.HEARD: ("heard, not checked in", "heard in the duty's time, no member of its groups"),
    Presence.NOT_YET_HEARD: ("not yet heard", "nothing heard in the duty's time: not missing"),
    Presence.EXPIRED: ("expired", "members before, silent for too long to count"),
    Presence.CHECKED_OUT: ("checked out", "said goodbye, or were checked out by hand"),
}
UNREACHED: Final = "out of reach during the duty"
_STANDINGS: Final = {
    Standing.OUT_OF_REACH: "at the end: silent for very long; no sign of danger by itself",
    Standing.OVERDUE: "at the end: silent for longer than expected",
    Standing.BLIND: "at the end: their repeater did not report, nothing can be said",
    Standing.IN_REACH: "at the end: heard lately; not known to be safe",
}


def accountability_of(people: Sequence[Person], unreached: int) -> Accountability:
    """The people of `people_of`, counted, each once; `unreached`: who was out of reach at some time
    of the duty."""
    found = numbers(people)
    return Accountability(
        counts=tuple(_counts(found, unreached)),
        not_heard=_calls(people, Presence.NOT_YET_HEARD, expected=True),
        heard_not_checked_in=_calls(people, Presence.HEARD, expected=True),
        not_on_roster=tuple(p.call for p in people if not p.expected),
    )


def _calls(people: Iterable[Person], presence: Presence, *, expected: bool) -> tuple[str, ...]:
    return tuple(p.call for p in people if p.presence is presence and p.expected is expected)


def _counts(found: Numbers, unreached: int) -> Iterable[Count]:
    yield Count(what="expected", count=found.expected, meaning="call signs on the roster")
    for presence, (what, meaning) in _WORDS.items():
        count = found.of_expected[presence]
        yield Count(what=f"expected: {what}", count=count, meaning=meaning)
    yield Count(
        what="not on the roster", count=found.others, meaning="took part all the same"
    )  # fmt: skip
    for presence, (what, meaning) in _WORDS.items():
        count = found.of_others[presence]
        if presence not in (Presence.HEARD, Presence.NOT_YET_HEARD):
            yield Count(what=f"not on the roster: {what}", count=count, meaning=meaning)
    yield Count(
        what=UNREACHED, count=unreached,
        meaning="also who came back; no sign of danger by itself",
    )  # fmt: skip
    for standing, meaning in _STANDINGS.items():
        what = f"checked in: {standing.value.replace('_', ' ')}"
        yield Count(what=what, count=found.standings[standing], meaning=meaning)
    yield Count(
        what="checked in before, not heard since", count=found.before,
        meaning="members before the duty began",
    )  # fmt: skip
