"""Who of a duty is accounted for: everybody once, though in several groups. Pure.

'Not yet heard' is not 'missing', and 'checked in' is not 'safe': it tells what the repeaters heard.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from streamer.contract.published import Duty, Member, Standing
from streamer.domain.membership import CLOSED, WORST_FIRST


class Presence(StrEnum):
    """How somebody stands to a duty. `checked_in`: a member of one of its groups, whatever the
    standing; `heard`: heard since the duty began, but no member of its groups; `expired` and
    `checked_out`: a member since it began, and no more; `not_yet_heard`: nothing of all that."""

    NOT_YET_HEARD = "not_yet_heard"
    HEARD = "heard"
    CHECKED_IN = "checked_in"
    EXPIRED = "expired"
    CHECKED_OUT = "checked_out"


_LEFT: Final = {
    Standing.EXPIRED: Presence.EXPIRED,
    Standing.CHECKED_OUT: Presence.CHECKED_OUT,
}


@dataclass(frozen=True, slots=True)
class Heard:
    """When and where a station was last heard, to whomever it spoke."""

    at: datetime
    repeater: str


@dataclass(frozen=True, slots=True)
class Person:
    """One of a duty. `standing` is the worst of the groups in which it is a member; `groups` are
    those of the duty in which it is (or was) so; `since` is when it checked in, or left. `before`:
    checked in before the duty began, and not heard since."""

    call: str
    expected: bool
    presence: Presence
    standing: Standing | None
    groups: tuple[str, ...]
    last: Heard | None
    since: datetime | None
    before: bool


@dataclass(frozen=True, slots=True)
class Numbers:
    """A duty at a glance. `of_expected` sums up to `expected`, `of_others` (not on the roster) to
    `others`, `standings` to all who are checked in; `before` of those were not heard since the duty
    began."""

    expected: int
    of_expected: dict[Presence, int]
    others: int
    of_others: dict[Presence, int]
    standings: dict[Standing, int]
    before: int

    @property
    def checked_in(self) -> int:
        """On the roster or not."""
        return self.of_expected[Presence.CHECKED_IN] + self.of_others[Presence.CHECKED_IN]


def account(
    duty: Duty, rosters: Mapping[str, Iterable[Member]], heard: Mapping[str, Heard]
) -> tuple[Person, ...]:
    """Everybody who is expected at a duty, and whoever else is or was in its groups since it began.

    `rosters` are the members of groups as published (`Reach.members`), with those who have left, as
    far back as is known; groups that are not the duty's are not looked at. `heard` says it of
    those expected who may be no members. Those to look after come first: not yet heard, then heard
    only, then by standing, worst first; by call sign where nothing else tells.
    """
    found: dict[str, list[tuple[str, Member]]] = {}
    for group in duty.groups:
        for member in rosters.get(group, ()):
            if _counts(member, duty):
                found.setdefault(member.station, []).append((group, member))
    expected = frozenset(duty.expected)
    people = [
        _person(call, call in expected, found.get(call, ()), heard.get(call), duty)
        for call in expected | found.keys()
    ]
    return tuple(sorted(people, key=_worst_first))


def _counts(member: Member, duty: Duty) -> bool:
    """Whoever left before the duty began has no part in it."""
    if member.standing not in CLOSED:
        return True
    return member.standing_since is not None and member.standing_since >= duty.started_at


def _person(
    call: str,
    expected: bool,
    parts: Sequence[tuple[str, Member]],
    heard: Heard | None,
    duty: Duty,
) -> Person:
    told = [Heard(member.last_heard_at, member.repeater) for _, member in parts]
    last = max([*told, *([heard] if heard else [])], key=lambda h: h.at, default=None)
    since_began = last is not None and last.at >= duty.started_at
    if not parts:
        presence = Presence.HEARD if since_began else Presence.NOT_YET_HEARD
        return Person(call, expected, presence, None, (), last, None, before=False)
    worst = min((member.standing for _, member in parts), key=WORST_FIRST.index)
    left = _LEFT.get(worst)
    alike = [(g, m) for g, m in parts if left is None and m.standing not in CLOSED]
    alike = alike or [(g, m) for g, m in parts if m.standing is worst]
    groups = tuple(group for group, _ in alike)
    if left is not None:
        since = max(m.standing_since or m.last_heard_at for _, m in alike)
        return Person(call, expected, left, None, groups, last, since, before=False)
    since = min(member.checked_in_at for _, member in alike)
    return Person(
        call, expected, Presence.CHECKED_IN, worst, groups, last, since, before=not since_began
    )


_PRESENCES: Final = tuple(Presence)


def _worst_first(person: Person) -> tuple[int, int, str]:
    standing = -1 if person.standing is None else WORST_FIRST.index(person.standing)
    return _PRESENCES.index(person.presence), standing, person.call


def numbers(people: Iterable[Person]) -> Numbers:
    """The people of `account`, counted."""
    found = list(people)
    ours, others = (
        Counter(p.presence for p in found if p.expected is expected) for expected in (True, False)
    )
    standings = Counter(p.standing for p in found if p.standing is not None)
    return Numbers(
        expected=ours.total(),
        of_expected={presence: ours[presence] for presence in Presence},
        others=others.total(),
        of_others={presence: others[presence] for presence in Presence},
        standings={s: standings[s] for s in WORST_FIRST if s not in CLOSED},
        before=sum(p.before for p in found),
    )


def is_asked(standing: Standing, since_ms: int, began_ms: int) -> bool:
    """Whether a roll call that began then waits for somebody's answer: members, and who has expired
    meanwhile, because that is no answer. Who has checked out has said goodbye."""
    if standing is Standing.EXPIRED:
        return since_ms >= began_ms
    return standing not in CLOSED
