"""A duty as it stands: who of it is accounted for, and who has answered its roll calls.

The same for the command and for the board.
"""

from collections.abc import Iterable, Sequence

from streamer.clock import from_ms, to_ms
from streamer.contract.common import Moment
from streamer.contract.published import Answered, Duty, Member, Reach, RollCall, Standing
from streamer.domain.accountability import (
    Heard,
    Numbers,
    Person,
    Presence,
    account,
    is_asked,
    numbers,
)
from streamer.domain.membership import CLOSED
from streamer.domain.roster import RosterLine
from streamer.reading.common import Desk, Document, Header
from streamer.reading.text import age
from streamer.state import lookups
from streamer.worker.messages import reach_body

CAUTION = (
    "Not yet heard does not mean missing, and checked in does not mean safe: this tells what the "
    "repeaters heard. Call signs are not authenticated on the air."
)


class DutyNumbers(Document):
    """A duty at a glance; everybody counts once. `of_expected` sums up to `expected`, `of_others`
    (who is not on the roster) to `others`, `standings` to `checked_in`; `before` of those were not
    heard since the duty began."""

    expected: int
    of_expected: dict[Presence, int]
    others: int
    of_others: dict[Presence, int]
    checked_in: int
    standings: dict[Standing, int]
    before: int

    @classmethod
    def of(cls, found: Numbers) -> "DutyNumbers":
        return cls(
            expected=found.expected,
            of_expected=found.of_expected,
            others=found.others,
            of_others=found.of_others,
            checked_in=found.checked_in,
            standings=found.standings,
            before=found.before,
        )


class DutyPerson(Document):
    """Somebody of a duty. `standing` is the worst of those groups; `since` is when it checked in,
    expired or checked out; `before`: checked in before the duty began, and not heard since.

    `presence` is null once the duty is over. What the roster says is '' where it says nothing, and
    null for those who may not read it.
    """

    call: str
    expected: bool
    presence: Presence | None
    standing: Standing | None
    groups: tuple[str, ...]
    repeater: str | None
    last_heard_at: Moment | None
    since: Moment | None
    before: bool
    expected_in: str | None
    name: str | None
    agency: str | None
    assignment: str | None

    def without_names(self) -> "DutyPerson":
        return self.model_copy(update={"name": None, "agency": None, "assignment": None})


class AnswerGiven(Document):
    """Who answered a roll call, when, how, and who marked it at the desk."""

    call: str
    at: Moment
    how: Answered
    by: str | None


class DutyRollCall(Document):
    """A roll call that goes on in a group of the duty. `silent` have not answered: members, and
    whoever expired since it began."""

    group: str
    roll_call: RollCall
    silent: tuple[str, ...]
    answered: tuple[AnswerGiven, ...]


class DutyNow(Header):
    """`numbers` is null and `people` are those of the roster alone once the duty is over: how it
    ended is in the record. `people` come with those to look after first."""

    duty: Duty
    numbers: DutyNumbers | None
    people: tuple[DutyPerson, ...]
    roll_calls: tuple[DutyRollCall, ...]
    caution: str = CAUTION

    def without_names(self) -> "DutyNow":
        """For those who may see call signs alone."""
        people = tuple(person.without_names() for person in self.people)
        return self.model_copy(update={"people": people})


def duty_now(desk: Desk, duty: Duty, roster: Sequence[RosterLine]) -> DutyNow:
    """Worked out from the records as of now, by the rules of the workers."""
    lines = {line.call: line for line in roster}
    if duty.ended_at is not None:
        people = [_of_roster(line) for line in roster]
        return DutyNow(
            **desk.header(), duty=duty, numbers=None, people=tuple(people), roll_calls=()
        )
    rosters = _rosters(desk, [group for group in duty.groups if group in desk.view.groups])
    members = {group: reach.members for group, reach in rosters.items()}
    found = account(duty, members, _heard(desk, duty, members.values()))
    header = desk.header()
    header["notes"] = (*desk.notes, *_notes(desk, duty))
    return DutyNow(
        **header,
        duty=duty,
        numbers=DutyNumbers.of(numbers(found)),
        people=tuple(_entry(person, lines.get(person.call)) for person in found),
        roll_calls=tuple(c for r in rosters.values() if (c := _roll_call(r)) is not None),
    )


def numbers_of(desk: Desk, duty: Duty) -> DutyNumbers | None:
    """Its numbers alone; None once it is over."""
    return duty_now(desk, duty, ()).numbers


def _rosters(desk: Desk, groups: Sequence[str]) -> dict[str, Reach]:
    """As published, but with all who ever left, as far back as they are kept."""
    sights = lookups.sights(desk.store, desk.now_ms)
    return {
        now.snapshot.group: reach_body(
            desk.view.name, now.snapshot, now.judged, desk.view.policies[now.snapshot.group]
        )
        for now in desk.groups_now(groups, sights)
    }


def _heard(desk: Desk, duty: Duty, rosters: Iterable[Iterable[Member]]) -> dict[str, Heard]:
    """Of those expected who are no members."""
    present = {m.station for members in rosters for m in members if m.standing not in CLOSED}
    calls = [call for call in duty.expected if call not in present]
    records = desk.store.stations(calls)
    return {
        call: Heard(from_ms(record.place.ms), record.place.repeater)
        for call, record in zip(calls, records, strict=True)
        if record is not None
    }


def _notes(desk: Desk, duty: Duty) -> list[str]:
    gone = [group for group in duty.groups if group not in desk.view.groups]
    notes = [f"the region file has no group {', '.join(gone)} any more"] if gone else []
    if desk.now_ms - to_ms(duty.started_at) > desk.store.forget_ms:
        kept = age(desk.store.forget_ms / 1000)
        notes.append(
            f"the duty is older than what is kept here: who was last heard more than {kept} ago is "
            "counted as not yet heard; the journal has it"
        )
    return notes


def _of_roster(line: RosterLine) -> DutyPerson:
    """One of a duty that is over: how it ended for her is not known here."""
    person = Person(line.call, True, Presence.NOT_YET_HEARD, None, (), None, None, before=False)
    return _entry(person, line).model_copy(update={"presence": None})


def _entry(person: Person, line: RosterLine | None) -> DutyPerson:
    return DutyPerson(
        call=person.call,
        expected=person.expected,
        presence=person.presence,
        standing=person.standing,
        groups=person.groups,
        repeater=person.last.repeater if person.last else None,
        last_heard_at=person.last.at if person.last else None,
        since=person.since,
        before=person.before,
        expected_in=line.group if line else "",
        name=line.name if line else "",
        agency=line.agency if line else "",
        assignment=line.assignment if line else "",
    )


def _roll_call(reach: Reach) -> DutyRollCall | None:
    call = reach.roll_call
    if call is None:
        return None
    began_ms = to_ms(call.started_at)
    answered = [
        AnswerGiven(call=m.station, at=m.answered_at, how=m.answered_how, by=m.answered_by)
        for m in reach.members
        if m.answered_at is not None and m.answered_how is not None
    ]
    silent = [
        m.station
        for m in reach.members
        if m.answered_at is None
        and is_asked(m.standing, to_ms(m.standing_since or call.started_at), began_ms)
    ]
    return DutyRollCall(
        group=reach.group,
        roll_call=call,
        silent=tuple(sorted(silent)),
        answered=tuple(sorted(answered, key=lambda a: (a.at, a.call))),
    )
