"""Texts as a duty officer reads them at 03:00: what, where, since when, why, what to do next.

That the right things are said is common practice, no source; limits have theirs beside them.
"""

import string
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from streamer.alerts.channels.alertmanager import annotations_of
from streamer.alerts.exercise import is_exercise
from streamer.alerts.notice import Notice, Turn
from streamer.alerts.words import (
    CAUTION_LINE,
    LONGEST_HEADLINE,
    LONGEST_SHORT,
    MOST_LISTED,
    body,
    headline,
    lines,
    outcomes,
    plain,
    short,
    subject,
)
from streamer.contract.duty import DutyMark
from streamer.contract.published import AlertKind, AlertState, HeldAlert, Severity
from streamer.reading.channels import trial_parcel
from tests.alerts.channels.making import (
    EARNEST,
    NOON_MS,
    PLAYED,
    alert,
    at,
    cleared,
    earlier,
    in_hand,
    member,
    notice,
    parcel,
)

PRINTABLE = set(string.ascii_letters + string.digits + string.punctuation + " ")


# -- exercise or not -------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", AlertKind)
def test_only_what_touches_one_group_is_played(kind: AlertKind) -> None:
    """And an exercise never hides who is out of reach."""
    played = {AlertKind.MEMBER_OVERDUE, AlertKind.REPEATER_STARVED}
    assert is_exercise(alert(kind=kind, group="NET", duties=(PLAYED,))) == (kind in played)


def test_a_repeater_that_carries_nothing_at_all_concerns_whoever_is_on_it() -> None:
    starved = alert(kind=AlertKind.REPEATER_STARVED, group="NET", duties=(PLAYED,))
    assert is_exercise(starved)
    assert not is_exercise(starved.model_copy(update={"group": None}))


@pytest.mark.parametrize(
    ("duties", "played"),
    [((), False), ((PLAYED,), True), ((PLAYED, PLAYED), True), ((EARNEST,), False),
     ((PLAYED, EARNEST), False)],
)  # fmt: skip
def test_in_doubt_an_alert_is_actual(duties: tuple[DutyMark, ...], played: bool) -> None:
    overdue = member(kind=AlertKind.MEMBER_OVERDUE, duties=duties)
    assert is_exercise(overdue) == played
    first = headline(notice(overdue))
    assert first.startswith("EXERCISE: ") == played


def test_what_is_broken_during_an_exercise_says_so_and_is_real() -> None:
    said = lines(notice(alert(duties=(PLAYED,))))
    assert said[0] == "CRITICAL: Gateway ridge is lost"
    assert "Running: EXERCISE: winter search. Take this alert as real all the same." in said
    said = lines(notice(alert(duties=(EARNEST,))))
    assert "Running: ACTUAL DUTY: flood." in said
    played = lines(notice(member(kind=AlertKind.MEMBER_OVERDUE, duties=(PLAYED,))))
    assert any(line.endswith("It may be real all the same.") for line in played)


# -- every turn ------------------------------------------------------------------------------------

TURNS: list[tuple[Notice, str, str]] = [
    (notice(alert()), "CRITICAL: Gateway ridge is lost", "Nobody has taken it in hand."),
    (
        # Opened at noon and for the third time 10 min later: 600 s.
        notice(
            alert(opened_times=3, opened_at=at(600)), Turn.REOPENED, 600, earlier=earlier(0, 200)
        ),
        "CRITICAL again, 3rd time: Gateway ridge is lost",
        "It was cleared and has come back: 3 times in 10 min.",
    ),
    (
        # Told 900 s after it opened for the last time, which was not now.
        notice(alert(opened_times=4), Turn.REOPENED, 900, earlier=earlier(-300)),
        "CRITICAL, steady now: Gateway ridge is lost",
        "It came and went (4 times in 20 min) and is there to stay now.",
    ),
    (
        notice(alert(), Turn.WORSE, 60),
        "WORSE, now CRITICAL: Gateway ridge is lost",
        "Since 11:58:20Z, for 2 min 40 s when this was written.",
    ),
    (
        notice(member(kind=AlertKind.MEMBER_OVERDUE, last_heard_at=at(-3600)), Turn.ACTUAL, 60),
        "NOW ACTUAL, no exercise, CRITICAL: QA1AA of NET is out of reach, last heard 11:00:00Z",
        "Last heard 11:00:00Z.",
    ),
    (
        # From 600 s before noon to 600 s after it: 20 min.
        notice(alert(opened_times=4, unsteady=True), Turn.UNSTEADY, 600, earlier=earlier(-600)),
        "CRITICAL, comes and goes, 4 times in 20 min: Gateway ridge is lost",
        "It comes and goes: 4 times in 20 min. Single changes are not told until it is steady.",
    ),
    (
        notice(in_hand(alert()), Turn.ACKNOWLEDGED, 60),
        "IN HAND of ann (CRITICAL): Gateway ridge is lost",
        "It is in hand of ann since 12:01:00Z. Note: on my way",
    ),
    (
        notice(alert(escalated=1), Turn.ESCALATED, 600),
        "CRITICAL, in nobody's hand for 10 min: Gateway ridge is lost",
        "Nobody has taken it in hand for 10 min. To do so: the board, or streamer alerts --ack "
        "gateway_lost.ridge --by YOUR-NAME",
    ),
    (
        # 10 h after it opened.
        notice(in_hand(alert()), Turn.REMINDED, 10 * 3600),
        "STILL CRITICAL, for 10 h: Gateway ridge is lost",
        "It is in hand of ann since 12:01:00Z.",
    ),
    (
        notice(
            cleared(alert(), "part of: most gateways are silent"),
            Turn.EXPLAINED,
            60,
            cause="network_lost.hill",
        ),
        "EXPLAINED: Gateway ridge is lost (part of: most gateways are silent)",
        "Part of: most gateways are silent (network_lost.hill).",
    ),
    (
        # From 100 s before noon to 300 s after it: 400 s.
        notice(cleared(alert()), Turn.CLEARED, 305),
        "CLEARED, was: Gateway ridge is lost. Now: it reports again",
        "Since 11:58:20Z, ended 12:05:00Z after 6 min 40 s: it reports again.",
    ),
]


@pytest.mark.parametrize(("told", "first", "among"), TURNS, ids=[t[0].turn for t in TURNS])
def test_each_turn_in_words(told: Notice, first: str, among: str) -> None:
    said = lines(told)
    assert said[0] == headline(told) == first
    assert any(line.startswith(among) for line in said), said
    assert [line for line in said if line.startswith("Next: ")], said
    for reason in told.alert.reasons:
        assert f"- {reason}" in said


def test_every_turn_is_among_those_that_are_tested() -> None:
    assert {told.turn for told, _, _ in TURNS} == set(Turn)


def test_the_next_step_is_that_of_the_moment() -> None:
    assert f"Next: {alert().next_step}" in lines(notice(alert()))
    over = notice(cleared(in_hand(alert())), Turn.CLEARED, 305)
    assert "Next: tell ann, who had it in hand." in lines(over)
    assert alert().next_step not in "\n".join(lines(over))
    part = notice(cleared(alert(), "part of: x"), Turn.EXPLAINED, 60, cause="network_lost.hill")
    assert "Next: act on network_lost.hill; this one is held back while that stands." in lines(part)


def test_planned_work_is_said_in_the_first_line() -> None:
    covered = in_hand(alert(maintenance="m1"), "bob", note="maintenance until 14:00Z: new mast")
    said = lines(notice(covered))
    assert said[0] == "CRITICAL (planned work): Gateway ridge is lost"
    assert (
        "Planned work covers this (maintenance m1, ordered by bob). While it runs only critical "
        "alerts are told. Note: maintenance until 14:00Z: new mast"
    ) in said


def test_what_is_held_is_named_worst_first_and_the_rest_counted() -> None:
    held = tuple(
        HeldAlert(
            id=f"h{n}", kind=AlertKind.REPEATER_LOST, subject=f"ridge/p{n}",
            severity=Severity.CRITICAL if n == 14 else Severity.WARNING,
            title=f"Repeater ridge/p{n} is lost", since=at(n),
        )
        for n in range(15)
    )  # fmt: skip
    (line,) = [text for text in lines(notice(alert(held=held))) if "held back" in text]
    assert line.startswith("15 alerts are held back as part of this: Repeater ridge/p14 is lost; ")
    assert line.endswith(" and 7 more.")  # 15 less 8 that are named


def test_times_get_their_date_when_it_is_not_todays() -> None:
    told = notice(alert(since=at(-13 * 3600)))
    assert any(line.startswith("Since 2025-12-31 23:00:00Z, for 13 h") for line in lines(told))
    assert any(line.startswith("Since 23:00:00Z") for line in lines(told, at(-13 * 3600)))


# -- people ----------------------------------------------------------------------------------------


def test_nothing_about_people_reads_as_safe() -> None:
    because = "heard 12:04:58Z on ridge/uhf"
    over = notice(cleared(member(), because), Turn.CLEARED, 305)
    part = notice(cleared(member(), "part of: x"), Turn.EXPLAINED, 60, cause="gateway_lost.ridge")
    for told in (notice(member()), over, part):
        said = lines(told)
        assert said[-1] == CAUTION_LINE
        rest = "\n".join(said[:-1]).lower()
        assert "safe" not in rest
        assert " ok" not in rest
        assert " well" not in rest.replace("does not mean that it is well", "")
    assert headline(over) == f"CLEARED, was: QA1AA of NET is out of reach. Now: {because}"
    assert (
        "Nothing is known of QA1AA while that stands. That it has no alert of its own does not "
        "mean that it is well." in lines(part)
    )
    assert CAUTION_LINE not in lines(notice(alert()))


# -- many ------------------------------------------------------------------------------------------


def test_many_are_counted_worst_first() -> None:
    late = member(id="member.NET.QB2CC", subject="QB2CC", title="QB2CC of NET is overdue",
                  severity=Severity.WARNING)  # fmt: skip
    made = parcel(
        notice(cleared(late, "checked out 12:00:04Z", 4), Turn.CLEARED, 4), notice(alert()),
        notice(member(kind=AlertKind.MEMBER_OVERDUE, duties=(PLAYED,))),
    )  # fmt: skip
    assert subject(made) == (
        "3 alerts (1 EXERCISE): 2 opened, 1 cleared; worst: EXERCISE: QA1AA of NET is out of reach"
    )
    text = body(made)
    heads = [line for line in text.split("\n") if line[:3] in ("1. ", "2. ", "3. ")]
    assert heads == [
        "1. EXERCISE: CRITICAL: QA1AA of NET is out of reach",
        "2. CRITICAL: Gateway ridge is lost",
        "3. CLEARED, was: QB2CC of NET is overdue. Now: checked out 12:00:04Z",
    ]
    assert text.count("Next: ") == 2
    assert text.count(CAUTION_LINE) == 1


def test_all_of_one_exercise_say_it_once_and_first() -> None:
    late = {"kind": AlertKind.MEMBER_OVERDUE, "duties": (PLAYED,)}
    two = [member(id=f"member.NET.Q{n}", **late) for n in range(2)]
    made = parcel(*(notice(one) for one in two))
    assert subject(made) == ("EXERCISE: 2 alerts: 2 opened; worst: QA1AA of NET is out of reach")
    assert short(made).startswith("EXERCISE: 2 alerts: 2 opened; QA1AA")


def test_of_an_alert_told_twice_in_a_parcel_the_last_word_counts() -> None:
    made = parcel(notice(alert()), notice(cleared(alert(), seconds=4), Turn.CLEARED, 4))
    assert [told.turn for told in outcomes(made)] == [Turn.CLEARED]
    assert subject(made).startswith("CLEARED, was: Gateway ridge is lost")


def test_a_storm_is_one_text_of_bounded_length() -> None:
    many = [notice(member(id=f"member.NET.Q{n}", subject=f"Q{n}", title=f"Q{n} of NET is overdue"))
            for n in range(400)]  # fmt: skip
    made = parcel(*many)
    assert body(made).count("Next: ") == MOST_LISTED
    assert "and 350 more: the board, or streamer alerts" in body(made)
    assert subject(made).startswith("400 alerts: 400 opened; worst: Q0 of NET is overdue")


def test_a_text_is_the_same_when_it_is_sent_again_and_names_its_parcel() -> None:
    made = parcel(notice(alert()))
    assert body(made) == body(made.model_copy())
    assert body(made).rstrip().split("\n")[-1] == (
        "Region hill, 2026-01-01 12:00:00Z, message hill-way-17 "
        "(the same id twice is the same message)"
    )
    assert "hill-way-17" in body(parcel(notice(alert()), notice(member())))


def test_an_sms_holds_who_what_and_the_begin_of_the_next_step() -> None:
    """160 characters of the GSM 7-bit alphabet, 3GPP TS 23.038, 6.1.2.1.1 (from memory)."""
    assert LONGEST_SHORT == 160
    text = short(parcel(notice(member())))
    assert text.startswith("CRITICAL: QA1AA of NET is out of reach. Next: Try QA1AA by another")
    quiet = short(parcel(notice(cleared(member(), "checked out 12:04:58Z"), Turn.CLEARED, 305)))
    assert quiet == "CLEARED, was: QA1AA of NET is out of reach. Now: checked out 12:04:58Z"


# -- tests, and hostile text -----------------------------------------------------------------------


def test_a_trial_is_marked_as_test_everywhere() -> None:
    made = trial_parcel("mail", "hill", NOON_MS)
    for text in (subject(made), body(made), short(made)):
        assert text.startswith("TEST: ")
        assert "nothing is wrong" in text
    assert "--ack" not in body(made)


def test_accents_fall_away_in_first_lines_and_stay_in_the_text() -> None:
    """Source: NFKD of Unicode Annex 15 takes the accent from the letter."""
    assert plain("Jörg café") == "Jorg cafe"
    told = notice(in_hand(alert(), "Jörg"), Turn.ACKNOWLEDGED, 60)
    assert headline(told).startswith("IN HAND of Jorg (CRITICAL)")
    assert any("in hand of Jörg" in line for line in lines(told))


ANY = st.text(min_size=1, max_size=60).map(lambda text: text * 3)
NAMES = st.text(string.ascii_lowercase + string.digits, min_size=1, max_size=32)


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(
    turn=st.sampled_from(Turn), title=ANY, name=ANY, because=ANY, reason=ANY,
    subject_=st.builds("{}/{}".format, NAMES, NAMES),
    played=st.booleans(), times=st.integers(1, 10**6), work=st.booleans(),
)  # fmt: skip
def test_a_first_line_is_short_plain_and_names_its_subject(
    turn: Turn, title: str, name: str, because: str, reason: str, subject_: str, played: bool,
    times: int, work: bool,
) -> None:  # fmt: skip
    changes: dict[str, Any] = {
        "subject": subject_, "title": f"Group {title} is wanted on {subject_}",
        "acknowledged_by": name, "cleared_because": because, "reasons": (reason,),
        "opened_times": times, "duties": (PLAYED,) if played else (),
        "kind": AlertKind.MEMBER_OVERDUE, "last_heard_at": at(0),
        "maintenance": "m1" if work else None, "state": AlertState.OPEN,
    }  # fmt: skip
    told = notice(member(**changes), turn, 60, cause="x" if turn is Turn.EXPLAINED else None)
    first = headline(told)
    assert len(first) <= LONGEST_HEADLINE
    assert set(first) <= PRINTABLE
    assert subject_ in first
    assert first.startswith("EXERCISE: ") == played
    assert len(short(parcel(told))) <= LONGEST_SHORT
    for line in lines(told):
        assert line.isprintable()


def test_of_a_flood_the_caution_stands_and_its_end_still_asks_what_it_was() -> None:
    flood = alert(
        kind=AlertKind.GATEWAY_FLOODING, title="Gateway ridge floods", subject="ridge",
        affects=("QA1ABC",),
    )  # fmt: skip
    assert CAUTION_LINE in lines(notice(flood))
    assert CAUTION_LINE in annotations_of(flood)["description"]
    over = lines(notice(cleared(flood), Turn.CLEARED, 300))
    assert (
        "Next: ask the keeper of ridge all the same what it was: if nobody knows, its account may "
        "be in other hands." in over
    )
