"""A duty in words for a terminal: the numbers first, then the names, those to look after first."""

from collections.abc import Sequence
from typing import Final

from streamer.clock import to_ms
from streamer.contract.common import Moment
from streamer.contract.published import Answered
from streamer.domain.accountability import Presence
from streamer.domain.duty import duty_text
from streamer.reading.common import Desk, spoken
from streamer.reading.duty_now import AnswerGiven, DutyNow, DutyNumbers, DutyPerson, DutyRollCall
from streamer.reading.text import ago, moment, plural, table, wrap

PRESENCE_WORDS: Final = {
    Presence.NOT_YET_HEARD: "not yet heard",
    Presence.HEARD: "heard but not checked in",
    Presence.CHECKED_IN: "checked in",
    Presence.EXPIRED: "silent so long that they no longer count",
    Presence.CHECKED_OUT: "checked out",
}


def at_a_glance(numbers: DutyNumbers) -> str:
    """One sentence: how many are accounted for."""
    if not numbers.expected:
        return f"no roster; {numbers.checked_in} checked in"
    ours = numbers.of_expected
    parts = [
        f"{ours[presence]} {words}"
        for presence, words in PRESENCE_WORDS.items()
        if ours[presence] or presence in (Presence.NOT_YET_HEARD, Presence.CHECKED_IN)
    ]
    others = numbers.of_others[Presence.CHECKED_IN]
    more = f"; {others} more checked in who are not on the roster" if others else ""
    return f"of {numbers.expected} expected: {', '.join(parts)}{more}"


def duty_lines(desk: Desk, found: DutyNow) -> list[str]:
    """All of it; fits a terminal."""
    duty = found.duty
    lines = wrap(duty_text([duty.mark]))
    begun = f"started {ago(to_ms(duty.started_at), desk.now_ms)} by {duty.started_by}"
    if duty.ended_at is not None:
        begun += (
            f"; over since {moment(to_ms(duty.ended_at), desk.now_ms)}, ended by {duty.ended_by}"
        )
    lines += wrap(f"{duty.id}; groups {', '.join(duty.groups)}; {begun}", "  ", "    ")
    lines += wrap(f"note: {duty.note}", "  ", "    ") if duty.note else []
    if found.numbers is None:
        lines += ["", *wrap("How it ended is in the journal: streamer report.")]
    else:
        lines += ["", *_numbers(found.numbers)]
    for call in found.roll_calls:
        lines += ["", *_roll_call(desk, call)]
    if found.people:
        heads = ["WHO", "IS", "WHERE", "LAST HEARD", "NAME", "TASK"]
        lines += ["", *table(heads, [_row(desk, person) for person in found.people])]
    return [*lines, "", *wrap(found.caution)]


def _numbers(numbers: DutyNumbers) -> list[str]:
    text = at_a_glance(numbers)
    lines = wrap(f"{text[0].upper()}{text[1:]}.")
    told = ", ".join(f"{n} {spoken(s)}" for s, n in numbers.standings.items() if n)
    if told:
        before = f"; {numbers.before} not heard since the duty began" if numbers.before else ""
        lines += wrap(f"Checked in, {numbers.checked_in} in all: {told}{before}.")
    return lines


def _roll_call(desk: Desk, found: DutyRollCall) -> list[str]:
    call = found.roll_call
    begun = ago(to_ms(call.started_at), desk.now_ms)
    lines = wrap(f"Roll call of {found.group} by {call.started_by}, {begun}:")
    return [*lines, *answer_lines(desk, "not yet answered", found.silent, found.answered)]


def answer_lines(
    desk: Desk, silence: str, silent: Sequence[str], answered: Sequence[AnswerGiven]
) -> list[str]:
    """Who has not answered, under that word, and who has, when and how."""
    names = ", ".join(silent) or "nobody"
    lines = wrap(f"{silence}, {len(silent)}: {names}", "  ", "    ")
    told = [f"{a.call} {_how(a.how, a.by)} {moment(to_ms(a.at), desk.now_ms)}" for a in answered]
    if told:
        lines += wrap(f"{plural(len(told), 'answer')}: {'; '.join(told)}", "  ", "    ")
    return lines


def _how(how: Answered, by: str | None) -> str:
    return "on the air" if how is Answered.AIR else f"marked by {by or 'the desk'}"


def _row(desk: Desk, person: DutyPerson) -> list[str]:
    where = ", ".join(person.groups)
    if person.groups and person.expected_in and person.expected_in not in person.groups:
        where += f" (expected in {person.expected_in})"
    if person.repeater:
        where += f" on {person.repeater}" if where else person.repeater
    name = " / ".join(text for text in (person.name, person.agency) if text)
    return [
        person.call,
        _is(person),
        where or (f"expected in {person.expected_in}" if person.expected_in else ""),
        _ago(desk, person.last_heard_at),
        name,
        person.assignment or "",
    ]


def _is(person: DutyPerson) -> str:
    if person.presence is None:
        return ""
    words = spoken(person.standing) if person.standing else PRESENCE_WORDS[person.presence]
    if person.presence is Presence.EXPIRED:
        words = "expired"
    return words if person.expected else f"{words}, not on the roster"


def _ago(desk: Desk, at: Moment | None) -> str:
    return "" if at is None else ago(to_ms(at), desk.now_ms)
