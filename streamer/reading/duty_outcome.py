"""What came of a roll call of a duty: who answered, who did not, who was never asked."""

from collections.abc import Sequence
from datetime import datetime

from streamer.acts.acts import Acts
from streamer.contract.common import Moment
from streamer.contract.published import Answered
from streamer.domain.accountability import Presence
from streamer.domain.roster import RosterLine
from streamer.reading.common import Desk, Document
from streamer.reading.duty_now import AnswerGiven, DutyNow
from streamer.reading.duty_text import PRESENCE_WORDS, answer_lines
from streamer.reading.text import wrap
from streamer.state.entries import Act, Entry

_LATELY = 200
"""Entries of the log in which those just written are found."""
_NEVER = (Presence.NOT_YET_HEARD, Presence.HEARD)


class EndedRollCall(Document):
    """How the roll call of a group ended. `silent` were asked and have not answered: members, and
    whoever expired since it began."""

    group: str
    started_at: Moment
    answered: tuple[AnswerGiven, ...]
    silent: tuple[str, ...]


class NotAsked(Document):
    """One of the roster who was no member of a group whose roll call has ended. `presence` says
    why, as of now; null once the duty is over. `expected_in` is '' where the roster says nothing
    of it."""

    call: str
    presence: Presence | None
    expected_in: str


def ended_roll_calls(acts: Acts, groups: Sequence[str]) -> tuple[EndedRollCall, ...]:
    """The newest of each group, as the log has it. Raises StoreUnavailable."""
    newest: dict[str, Entry] = {}
    for entry in acts.log(_LATELY):
        if entry.act is Act.END_ROLL_CALL:
            newest.setdefault(entry.subject, entry)  # the newest come first
    return tuple(_ended(newest[group]) for group in groups if group in newest)


def _ended(entry: Entry) -> EndedRollCall:
    details = entry.details
    answered = [
        AnswerGiven(
            call=call, at=datetime.fromisoformat(said["at"]), how=Answered(said["how"]),
            by=said["by"],
        )
        for call, said in details["answered"].items()
    ]  # fmt: skip
    return EndedRollCall(
        group=entry.subject,
        started_at=datetime.fromisoformat(details["started_at"]),
        answered=tuple(sorted(answered, key=lambda a: (a.at, a.call))),
        silent=tuple(details["silent"]),
    )


def not_asked(
    ended: Sequence[EndedRollCall], roster: Sequence[RosterLine], found: DutyNow
) -> tuple[NotAsked, ...]:
    """Of the roster, in its order."""
    asked = {call for e in ended for call in (*e.silent, *(a.call for a in e.answered))}
    presence = {person.call: person.presence for person in found.people}
    return tuple(
        NotAsked(call=line.call, presence=presence.get(line.call), expected_in=line.group)
        for line in roster
        if line.call not in asked
    )


# -- for people ----------------------------------------------------------------------------------


def outcome_lines(
    desk: Desk, ended: Sequence[EndedRollCall], unasked: Sequence[NotAsked]
) -> list[str]:
    """By group; fits a terminal."""
    lines = []
    for call in ended:
        lines += [*wrap(_head(call)), *answer_lines(desk, "did not answer", call.silent,
                                                    call.answered)]  # fmt: skip
    never = [_name(n) for n in unasked if n.presence in _NEVER]
    if never:
        lines += wrap(
            f"Of the roster, not asked as they never checked in, {len(never)}: "
            f"{', '.join(never)}.", "", "  ",
        )  # fmt: skip
    others = [f"{_name(n)}, {_why(n)}" for n in unasked if n.presence not in _NEVER]
    if others:
        lines += wrap(f"Of the roster, not asked, {len(others)}: {'; '.join(others)}.", "", "  ")
    return lines


def _head(call: EndedRollCall) -> str:
    answers, asked = len(call.answered), len(call.answered) + len(call.silent)
    if not asked:
        return f"{call.group}: nobody was there to be asked."
    air = sum(a.how is Answered.AIR for a in call.answered)
    how = f" ({air} on the air, {answers - air} marked at the desk)" if answers else ""
    return f"{call.group}: {answers} of {asked} answered{how}."


def _name(one: NotAsked) -> str:
    return f"{one.call} (expected in {one.expected_in})" if one.expected_in else one.call


def _why(one: NotAsked) -> str:
    if one.presence is None:
        return "no member when it ended"
    if one.presence is Presence.CHECKED_IN:
        return "checked in to another group"
    if one.presence is Presence.EXPIRED:
        return "expired before it began"
    return PRESENCE_WORDS[one.presence]
