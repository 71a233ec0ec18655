"""What people read of alerts: first lines, texts of one alert and of many. Pure.

Everything is worked out from the notice or parcel alone (its own time is "now"), so that what is
sent again after a crash has the same words.
"""

import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from streamer.alerts.exercise import is_exercise, is_test
from streamer.alerts.notice import Notice, Parcel, Turn
from streamer.clock import to_ms
from streamer.contract.duty import DutyKind
from streamer.contract.published import Alert, AlertKind, Severity
from streamer.domain.duty import duty_text
from streamer.domain.plain_words import age, moment, plural, printable
from streamer.domain.urgency import is_about_people, needs_caution, urgency

LONGEST_HEADLINE: Final = 120
LONGEST_SHORT: Final = 160
"""What one SMS in the 7-bit alphabet holds (3GPP TS 23.038, 160 characters in 140 octets)."""
MOST_NAMED: Final = 8
MOST_LISTED: Final = 50
"""Alerts of a parcel that are written out; more are counted."""
_LONGEST_NAME: Final = 24
EXERCISE: Final = "EXERCISE"
CAUTION_LINE: Final = (
    "Caution: not heard does not mean in danger, heard does not mean safe; "
    "call signs are not authenticated."
)

_JUST_NOW: Final = timedelta(seconds=5)
KEEPER_LINE: Final = "Who the keeper is, the board or streamer alerts says."

QUIET: Final = frozenset({Turn.ACKNOWLEDGED, Turn.EXPLAINED, Turn.CLEARED})
"""Turns that ask for nothing of who reads them."""
_OVER: Final = frozenset({Turn.EXPLAINED, Turn.CLEARED})
_TURNS: Final = {
    Turn.ESCALATED: "in nobody's hand",
    Turn.ACTUAL: "no exercise any more",
    Turn.WORSE: "worse",
    Turn.OPENED: "opened",
    Turn.REOPENED: "opened again",
    Turn.UNSTEADY: "coming and going",
    Turn.REMINDED: "still wrong",
    Turn.ACKNOWLEDGED: "taken in hand",
    Turn.EXPLAINED: "explained by another",
    Turn.CLEARED: "cleared",
}
"""In the order in which a summary counts them."""


def is_parcel_of_test(parcel: Parcel) -> bool:
    return all(is_test(notice.alert) for notice in parcel.notices)


def plain(text: str) -> str:
    """`text` in printable ASCII, for pagers and subjects: accents fall away, what has no such
    letter becomes a question mark."""
    parts = unicodedata.normalize("NFKD", text)
    kept = "".join(c for c in parts if not unicodedata.combining(c))
    return printable(kept).encode("ascii", "replace").decode()


# -- the first line ------------------------------------------------------------------------------


def headline(notice: Notice) -> str:
    """One line of at most LONGEST_HEADLINE characters of printable ASCII: who or what, and what is
    wrong. EXERCISE or TEST comes first; what is too long is cut at its end, never the subject."""
    alert = notice.alert
    head = f"{_mark(alert)}{_turn_head(notice)}: "
    return _cut(plain(head), plain(alert.title), plain(_tail(notice)), plain(alert.subject))


def _mark(alert: Alert) -> str:
    if is_test(alert):
        return "TEST: "
    return f"{EXERCISE}: " if is_exercise(alert) else ""


def _turn_head(notice: Notice) -> str:
    alert, word = notice.alert, notice.alert.severity.upper()
    if alert.maintenance is not None and notice.turn not in QUIET:
        word += " (planned work)"
    match notice.turn:
        case Turn.OPENED:
            text = word
        case Turn.REOPENED if _is_steady_again(notice):
            text = f"{word}, steady now"
        case Turn.REOPENED:
            text = f"{word} again, {_nth(alert.opened_times)} time"
        case Turn.WORSE:
            text = f"WORSE, now {word}"
        case Turn.ACTUAL:
            text = f"NOW ACTUAL, no exercise, {word}"
        case Turn.UNSTEADY:
            text = f"{word}, comes and goes, {_often(notice)}"
        case Turn.ACKNOWLEDGED:
            text = f"IN HAND of {_short_name(alert.acknowledged_by or 'somebody')} ({word})"
        case Turn.ESCALATED:
            free = alert.unheld_since or alert.opened_at
            text = f"{word}, in nobody's hand for {_ran(free, notice.at)}"
        case Turn.REMINDED:
            text = f"STILL {word}, for {_ran(alert.opened_at, notice.at)}"
        case Turn.EXPLAINED:
            text = "EXPLAINED"
        case Turn.CLEARED:
            text = "CLEARED, was"
    return text


def _tail(notice: Notice) -> str:
    """What a first line says after the title, where there is room."""
    alert = notice.alert
    if notice.turn is Turn.CLEARED and alert.cleared_because:
        return f". Now: {alert.cleared_because}"
    if notice.turn is Turn.EXPLAINED:
        return f" ({alert.cleared_because or f'part of: {notice.cause}'})"
    return f", last heard {_last_heard(notice)}" if alert.last_heard_at is not None else ""


def _last_heard(notice: Notice, now: datetime | None = None) -> str:
    """When and where: that is where a search begins, not when a threshold was passed."""
    alert = notice.alert
    assert alert.last_heard_at is not None
    where = f" on {alert.repeater}" if alert.repeater else ""
    return f"{_clock(alert.last_heard_at, now or notice.at)}{where}"


def _cut(head: str, title: str, tail: str, subject: str) -> str:
    whole = head + title + tail
    if len(whole) <= LONGEST_HEADLINE:
        return whole
    room = LONGEST_HEADLINE - len(head)
    if len(title) <= room:
        rest = room - len(title) - len("...")
        short = tail[:rest].rsplit(" ", 1)[0].rstrip(" .:(") if rest > 0 else ""
        return head + title + (f"{short}..." if short.strip() else "")
    kept = _shorten(title, room)
    if subject not in kept:
        named = f" ({subject})"
        head = _shorten(head, LONGEST_HEADLINE - len(named))
        kept = _shorten(title, LONGEST_HEADLINE - len(head) - len(named)) + named
    return (head + kept)[:LONGEST_HEADLINE]


def _shorten(text: str, room: int) -> str:
    """At most `room` characters, cut between words where there are any."""
    if len(text) <= room:
        return text
    if room < len("..."):
        return ""
    cut = text[: room - len("...")]
    return (cut.rsplit(" ", 1)[0] if " " in cut else cut).rstrip(" ,;:") + "..."


def _short_name(name: str) -> str:
    name = plain(name)
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 3] + "..."


def _nth(number: int) -> str:
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10)
    return f"{number}{ending or 'th'}"


def _ran(begin: datetime, end: datetime) -> str:
    return age(max(0.0, (end - begin).total_seconds()))


def _is_steady_again(notice: Notice) -> bool:
    """Whether this tells that what came and went is there to stay, and not that it is back."""
    return notice.turn is Turn.REOPENED and notice.alert.opened_at < notice.at


def _often(notice: Notice) -> str:
    """How often it opened, in the time from the first that is known of the episode."""
    first = min([notice.alert.opened_at, *(earlier.at for earlier in notice.earlier)])
    return f"{plural(notice.alert.opened_times, 'time')} in {_ran(first, notice.at)}"


# -- one alert -----------------------------------------------------------------------------------


def lines(
    notice: Notice, now: datetime | None = None, titles: Mapping[str, str] | None = None
) -> list[str]:
    """A notice for people: the first line, then since when, why, whom it concerns, who has it in
    hand, the next step, and for those about people a caution. Lines are not broken.

    `now` decides which times get a date; without it, it is the notice's own time. `titles` are
    those of alerts that stand beside it, by id, to name a cause by.
    """
    alert = notice.alert
    said = [
        headline(notice),
        *([f"Last heard {_last_heard(notice, now)}."] if notice.alert.last_heard_at else []),
        _when_line(notice, now or notice.at),
        *_turn_lines(notice, titles or {}),
        *(["What had been said:"] if notice.turn in _OVER and alert.reasons else []),
        *(f"- {reason}" for reason in alert.reasons),
        *concerned(alert),
        *_hand_lines(notice, now or notice.at),
        f"Next: {_next(notice)}",
        *([KEEPER_LINE] if "keeper" in _next(notice) else []),
        *_around(notice),
        *([CAUTION_LINE] if needs_caution(alert.kind) else []),
    ]
    return [printable(line) for line in said if line]


def _when_line(notice: Notice, now: datetime) -> str:
    alert = notice.alert
    since = f"Since {_clock(alert.since, now)}"
    if notice.turn is Turn.CLEARED and alert.cleared_at is not None:
        ended = f"ended {_clock(alert.cleared_at, now)} after {_ran(alert.since, alert.cleared_at)}"
        return f"{since}, {ended}: {alert.cleared_because or 'it is so no more'}."
    if notice.at - alert.since < _JUST_NOW:
        return f"{since}, just before this was written."
    return f"{since}, for {_ran(alert.since, notice.at)} when this was written."


def _clock(at: datetime, now: datetime) -> str:
    return moment(to_ms(at), to_ms(now))


def _turn_lines(notice: Notice, titles: Mapping[str, str]) -> list[str]:
    alert, said = notice.alert, []
    if _is_steady_again(notice):
        said.append(f"It came and went ({_often(notice)}) and is there to stay now.")
    elif notice.turn is Turn.REOPENED:
        said.append(f"It was cleared and has come back: {_often(notice)}.")
    if notice.turn is Turn.UNSTEADY or (alert.unsteady and notice.turn not in _OVER):
        said.append(
            f"It comes and goes: {_often(notice)}. Single changes are not told until it is steady."
        )
    if notice.turn is Turn.EXPLAINED:
        cause = notice.cause or "another alert"
        title = titles.get(cause) or (alert.cleared_because or "").removeprefix("part of: ")
        said.append(f"Part of: {title} ({cause})." if title else f"Part of: {cause}.")
        if is_about_people(alert.kind):
            said.append(
                f"Nothing is known of {alert.subject} while that stands. "
                "That it has no alert of its own does not mean that it is well."
            )
    return said


def concerned(alert: Alert) -> list[str]:
    """Whom it concerns, and what is held back as part of it; nothing if nobody and nothing."""
    said = []
    if alert.affects:
        said.append(f"Concerns: {_named(alert.affects)}.")
    if alert.held:
        held = sorted(alert.held, key=lambda h: (list(Severity).index(h.severity), h.since, h.id))
        count = plural(len(held), "alert is", "alerts are")
        said.append(f"{count} held back as part of this: {_named([h.title for h in held], '; ')}.")
    return said


def _named(names: Sequence[str], joint: str = ", ") -> str:
    more = len(names) - MOST_NAMED
    return joint.join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _hand_lines(notice: Notice, now: datetime) -> list[str]:
    alert = notice.alert
    if is_test(alert) or notice.turn is Turn.EXPLAINED:
        return []
    note = f" Note: {alert.note}" if alert.note else ""
    if alert.maintenance is not None:
        by = f", ordered by {alert.acknowledged_by}" if alert.acknowledged_by else ""
        work = f"Planned work covers this (maintenance {alert.maintenance}{by})."
        return [f"{work} While it runs only critical alerts are told.{note}"]
    if alert.acknowledged_by is not None:
        at = f" since {_clock(alert.acknowledged_at, now)}" if alert.acknowledged_at else ""
        had = "It was" if notice.turn is Turn.CLEARED else "It is"
        return [f"{had} in hand of {alert.acknowledged_by}{at}.{note}"]
    if notice.turn is Turn.CLEARED:
        return ["Nobody had taken it in hand."]
    since = alert.unheld_since or alert.opened_at
    for_so_long = f" for {_ran(since, notice.at)}" if alert.escalated else ""
    return [
        f"Nobody has taken it in hand{for_so_long}. To do so: "
        f"the board, or streamer alerts --ack {alert.id} --by YOUR-NAME"
    ]


def _next(notice: Notice) -> str:
    alert = notice.alert
    if notice.turn is Turn.EXPLAINED:
        return f"act on {notice.cause or 'that alert'}; this one is held back while that stands."
    if notice.turn is not Turn.CLEARED:
        return alert.next_step
    if alert.acknowledged_by is not None:
        return f"tell {alert.acknowledged_by}, who had it in hand."
    if alert.kind is AlertKind.GATEWAY_FLOODING:
        return (
            f"ask the keeper of {alert.subject} all the same what it was: if nobody knows, its "
            "account may be in other hands."
        )
    return "nothing is asked for by this alert any more."


def _around(notice: Notice) -> list[str]:
    """Which duties run, and what that means for this alert."""
    alert = notice.alert
    text = duty_text(alert.duties)
    if not text or is_test(alert):
        return []
    if is_exercise(alert):
        doubt = is_about_people(alert.kind) and notice.turn not in _OVER
        real = " It may be real all the same." if doubt else ""
        return [f"{text}. This alert is about those who take part.{real}"]
    if any(duty.kind is DutyKind.EXERCISE for duty in alert.duties) and notice.turn not in _OVER:
        return [f"Running: {text}. Take this alert as real all the same."]
    return [f"Running: {text}."]


# -- a parcel ------------------------------------------------------------------------------------


def outcomes(parcel: Parcel) -> list[Notice]:
    """What each alert of a parcel has come to: its last notice, those that still ask for something
    before the others, then as `urgency` orders."""
    last = {notice.alert.id: notice for notice in parcel.notices}
    return sorted(last.values(), key=lambda n: (n.turn in QUIET, *urgency(n.alert)))


def subject(parcel: Parcel) -> str:
    """One line of at most LONGEST_HEADLINE characters of printable ASCII."""
    notices = outcomes(parcel)
    if len(notices) == 1:
        return headline(notices[0])
    worst = notices[0]
    first = "" if worst.turn in QUIET else f"; worst: {_marked(worst, notices)}"
    return _shorten(_summary(notices) + first, LONGEST_HEADLINE)


def _marked(notice: Notice, notices: Sequence[Notice]) -> str:
    """Its title, with EXERCISE before it unless all of them are of one."""
    everyone = all(is_exercise(n.alert) for n in notices)
    return plain(("" if everyone else _mark(notice.alert)) + notice.alert.title)


def _summary(notices: Sequence[Notice]) -> str:
    """`EXERCISE: 3 alerts: 2 opened, 1 cleared`."""
    played = sum(is_exercise(n.alert) for n in notices)
    mark = f"{EXERCISE}: " if played == len(notices) else ""
    some = f" ({played} {EXERCISE})" if 0 < played < len(notices) else ""
    turns = Counter(n.turn for n in notices)
    counts = ", ".join(f"{turns[turn]} {word}" for turn, word in _TURNS.items() if turns[turn])
    return f"{mark}{len(notices)} alerts{some}: {counts}"


def body(parcel: Parcel) -> str:
    """The whole text: of one alert all its lines, of many a summary and of each, worst first, the
    first line, since when and the next step. The last line names the parcel, so that a message that
    comes twice is known by it."""
    notices, now = outcomes(parcel), parcel.made_at
    titles = {notice.alert.id: notice.alert.title for notice in notices}
    if len(notices) == 1:
        said = [*lines(notices[0], now, titles), f"Alert {notices[0].alert.id}"]
    else:
        said = [subject(parcel)]
        for number, notice in enumerate(notices[:MOST_LISTED], 1):
            said += ["", *_brief(number, notice, now)]
        if len(notices) > MOST_LISTED:
            said += ["", f"and {len(notices) - MOST_LISTED} more: the board, or streamer alerts"]
        said += ["", CAUTION_LINE]
    place = f"Region {parcel.region}, {now:%Y-%m-%d %H:%M:%S}Z"
    said.append(f"{place}, message {parcel.id} (the same id twice is the same message)")
    return "\n".join(said) + "\n"


def _brief(number: int, notice: Notice, now: datetime) -> list[str]:
    said = [f"{number}. {headline(notice)}", _when_line(notice, now)]
    if notice.turn not in _OVER:
        said += [*concerned(notice.alert), f"Next: {_next(notice)}"]
    return [said[0], *(f"   {printable(line)}" for line in said[1:])]


def short(parcel: Parcel) -> str:
    """At most LONGEST_SHORT characters of printable ASCII, for SMS and pagers: of one alert the
    first line and as much of the next step as there is room for, of many the counts and the
    worst."""
    notices = outcomes(parcel)
    if len(notices) == 1:
        (notice,) = notices
        more = "" if notice.turn in QUIET else f". Next: {plain(_next(notice))}"
        return _shorten(headline(notice) + more, LONGEST_SHORT)
    told = [_marked(n, notices) for n in notices if n.turn not in QUIET]
    more = "; ".join(told)
    return _shorten(_summary(notices) + (f"; {more}" if more else ""), LONGEST_SHORT)
