"""Who of a duty is accounted for. Numbers by hand on paper, the same again by DuckDB's SQL over the
same members, and sums that must hold for whatever members there are (hypothesis).

What counts as checked in, heard, not yet heard: common practice of nets, no source.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb
from hypothesis import given
from hypothesis import strategies as st

from streamer.contract.duty import DutyKind
from streamer.contract.published import Duty, Member, Standing
from streamer.domain.accountability import (
    Heard,
    Numbers,
    Person,
    Presence,
    account,
    is_asked,
    numbers,
)
from streamer.domain.membership import CLOSED, WORST_FIRST

BEGAN = datetime(2026, 1, 1, 12, tzinfo=UTC)
NOT_YET, HEARD, IN, EXPIRED, OUT = Presence


def at(minutes: float) -> datetime:
    return BEGAN + timedelta(minutes=minutes)


def duty(*expected: str, groups: tuple[str, ...] = ("NET", "TALK")) -> Duty:
    return Duty(
        region="scene", id="duty-1", version=1, title="x", kind=DutyKind.EXERCISE, groups=groups,
        started_at=BEGAN, started_by="ann", expected=expected,
    )  # fmt: skip


def member(call: str, standing: Standing, heard: float, came: float = 1, **more: Any) -> Member:
    return Member(
        station=call, standing=standing, repeater="ridge/uhf", last_heard_at=at(heard),
        checked_in_at=at(came), **more,
    )  # fmt: skip


REACH, OVERDUE, LOST, BLIND = (
    Standing.IN_REACH, Standing.OVERDUE, Standing.OUT_OF_REACH, Standing.BLIND,
)  # fmt: skip


def found_by_call(people: tuple[Person, ...]) -> dict[str, Person]:
    assert len({p.call for p in people}) == len(people), "everybody once"
    return {p.call: p for p in people}


# On paper: twelve are expected, QA to QL. Minutes count from the begin of the duty.
#   NET   QA in reach, heard 5          QB overdue, heard 2        QC blind, heard -10 (before)
#         QD checked out at 30          QE expired at 40           QF checked out at -5 (before)
#         QX in reach, heard 9: not on the roster
#   TALK  QA overdue, heard 5: the worse of its two
#         QD in reach, heard 31: it is in, whatever NET says
#         QY expired at 50, QZ expired at -50: not on the roster, the latter long gone
#   OTHER QG in reach, heard 3: no group of the duty, so heard and not checked in
#   heard QG 3, QH 7, QI -1, QF -6; of QJ, QK, QL nothing is known
# checked in   QA QB QC QD            4   of others QX          1
# heard        QG QH                  2
# expired      QE                     1   of others QY          1
# checked out                         0
# not yet      QF QI QJ QK QL         5   sum 12; others 2
# standings    overdue QA QB 2, blind QC 1, in reach QD QX 2: 5 = 4 + 1; before: QC 1
EXPECTED = tuple(f"Q{letter}1A" for letter in "ABCDEFGHIJKL")
ROSTERS = {
    "NET": [
        member("QA1A", REACH, 5),
        member("QB1A", OVERDUE, 2),
        member("QC1A", BLIND, -10, came=-60),
        member("QD1A", Standing.CHECKED_OUT, 30, standing_since=at(30)),
        member("QE1A", Standing.EXPIRED, 10, standing_since=at(40)),
        member("QF1A", Standing.CHECKED_OUT, -6, came=-60, standing_since=at(-5)),
        member("QX1A", REACH, 9),
    ],
    "TALK": [
        member("QA1A", OVERDUE, 5, came=-3),
        member("QD1A", REACH, 31, came=31),
        member("QY1A", Standing.EXPIRED, 20, standing_since=at(50)),
        member("QZ1A", Standing.EXPIRED, -90, came=-90, standing_since=at(-50)),
    ],
    "OTHER": [member("QG1A", REACH, 3)],
}
LAST = {call: Heard(at(m), "lake/uhf") for call, m in
        {"QG1A": 3, "QH1A": 7, "QI1A": -1, "QF1A": -6}.items()}  # fmt: skip


def test_the_numbers_on_paper() -> None:
    people = account(duty(*EXPECTED), ROSTERS, LAST)
    assert numbers(people) == Numbers(
        expected=12,
        of_expected={NOT_YET: 5, HEARD: 2, IN: 4, EXPIRED: 1, OUT: 0},
        others=2,
        of_others={NOT_YET: 0, HEARD: 0, IN: 1, EXPIRED: 1, OUT: 0},
        standings={LOST: 0, OVERDUE: 2, BLIND: 1, REACH: 2},
        before=1,
    )
    assert numbers(people).checked_in == 5


def test_those_to_look_after_come_first() -> None:
    people = account(duty(*EXPECTED), ROSTERS, LAST)
    assert [p.call[:2] for p in people] == [
        "QF", "QI", "QJ", "QK", "QL", "QG", "QH", "QA", "QB", "QC", "QD", "QX", "QE", "QY",
    ]  # fmt: skip


def test_what_is_said_of_each() -> None:
    people = found_by_call(account(duty(*EXPECTED), ROSTERS, LAST))
    both = people["QA1A"]
    assert (both.standing, both.groups, both.since) == (OVERDUE, ("NET", "TALK"), at(-3))
    assert both.last == Heard(at(5), "ridge/uhf")
    back = people["QD1A"]
    assert (back.presence, back.standing, back.groups, back.since) == (IN, REACH, ("TALK",), at(31))
    gone = people["QE1A"]
    assert (gone.standing, gone.groups, gone.since) == (None, ("NET",), at(40))
    assert [p.call for p in people.values() if p.before] == ["QC1A"]
    assert people["QI1A"].last == Heard(at(-1), "lake/uhf"), (
        "heard before it began: told all the same"
    )
    assert people["QJ1A"].last is None
    assert not people["QX1A"].expected


def test_heard_at_the_very_moment_of_the_begin_counts() -> None:
    just = {"QA1A": Heard(BEGAN, "ridge/uhf")}
    assert account(duty("QA1A"), {}, just)[0].presence is HEARD
    early = {"QA1A": Heard(BEGAN - timedelta(milliseconds=1), "ridge/uhf")}
    assert account(duty("QA1A"), {}, early)[0].presence is NOT_YET


def test_without_a_roster_all_are_others() -> None:
    found = numbers(account(duty(), ROSTERS, {}))
    assert (found.expected, found.others, found.checked_in) == (0, 7, 5)


def test_expired_is_worse_than_said_goodbye() -> None:
    rosters = {
        "NET": [member("QA1A", Standing.CHECKED_OUT, 5, standing_since=at(8))],
        "TALK": [member("QA1A", Standing.EXPIRED, 5, standing_since=at(7))],
    }
    (person,) = account(duty("QA1A"), rosters, {})
    assert (person.presence, person.groups, person.since) == (EXPIRED, ("TALK",), at(7))


def test_every_standing_has_its_place() -> None:
    assert set(WORST_FIRST) == set(Standing)
    assert len(WORST_FIRST) == len(Standing)


def test_who_is_waited_for_in_a_roll_call() -> None:
    assert all(is_asked(s, 0, 100) for s in Standing if s not in CLOSED)
    assert [is_asked(Standing.EXPIRED, ms, 100) for ms in (99, 100, 101)] == [False, True, True]
    assert not is_asked(Standing.CHECKED_OUT, 101, 100)


# -- whatever there is ---------------------------------------------------------------------------

CALLS = st.sampled_from([f"Q{letter}1A" for letter in "ABCDEFGH"])
MINUTES = st.integers(-90, 90)


@st.composite
def members(draw: st.DrawFn) -> Member:
    since = draw(MINUTES)
    return member(
        draw(CALLS), draw(st.sampled_from(Standing)), draw(MINUTES), draw(MINUTES),
        standing_since=at(since),
    )  # fmt: skip


LISTS = st.lists(members(), max_size=6, unique_by=lambda m: m.station)
DUTIES = st.lists(CALLS, unique=True).map(lambda calls: duty(*sorted(calls)))
HEARINGS = st.dictionaries(CALLS, MINUTES.map(lambda m: Heard(at(m), "lake/uhf")))


@given(DUTIES, st.fixed_dictionaries({"NET": LISTS, "TALK": LISTS, "OTHER": LISTS}), HEARINGS)
def test_the_parts_sum_up_to_the_whole(
    held: Duty, rosters: dict[str, list[Member]], heard: dict[str, Heard]
) -> None:
    people = account(held, rosters, heard)
    by_call, found = found_by_call(people), numbers(people)
    assert found.expected == len(held.expected) == sum(found.of_expected.values())
    assert found.others == sum(found.of_others.values()) == len(people) - len(held.expected)
    assert found.of_others[NOT_YET] == found.of_others[HEARD] == 0
    assert sum(found.standings.values()) == found.checked_in
    assert found.before <= found.checked_in
    # A second way, by sets: who is a member of any of the duty's groups is checked in, and nobody
    # else; whoever left since it began, and nobody else, is said to have left.
    ours = [m for g in held.groups for m in rosters[g]]
    present = {m.station for m in ours if m.standing not in CLOSED}
    left = {
        m.station
        for m in ours
        if m.standing in CLOSED and m.standing_since is not None and m.standing_since >= BEGAN
    }
    assert {c for c, p in by_call.items() if p.presence is IN} == present
    assert {c for c, p in by_call.items() if p.presence in (EXPIRED, OUT)} == left - present
    assert by_call.keys() == set(held.expected) | present | left
    for call in present:
        standings = {m.standing for m in ours if m.station == call} - CLOSED
        assert by_call[call].standing in standings
        assert Standing.OUT_OF_REACH not in standings or by_call[call].standing is LOST


@given(DUTIES, st.fixed_dictionaries({"NET": LISTS, "TALK": LISTS, "OTHER": LISTS}), HEARINGS)
def test_more_that_is_heard_makes_nobody_less_heard(
    held: Duty, rosters: dict[str, list[Member]], heard: dict[str, Heard]
) -> None:
    before = found_by_call(account(held, rosters, heard))
    more = {call: Heard(max(h.at, at(1)), h.repeater) for call, h in heard.items()}
    after = found_by_call(account(held, rosters, more))
    assert {c for c, p in after.items() if p.presence is NOT_YET} <= {
        c for c, p in before.items() if p.presence is NOT_YET
    }


SQL = """
WITH part AS (
    SELECT call, CASE WHEN standing IN ('expired', 'checked_out') THEN 'left' ELSE 'in' END AS part,
           standing
    FROM member WHERE grp IN ('NET', 'TALK')
      AND (standing NOT IN ('expired', 'checked_out') OR since >= 0)
), one AS (
    SELECT call, max(part = 'in') AS is_in, max(standing = 'expired') AS has_expired
    FROM part GROUP BY call
), person AS (
    SELECT coalesce(r.call, one.call) AS call, r.call IS NOT NULL AS expected,
           CASE WHEN is_in THEN 'checked_in' WHEN has_expired THEN 'expired'
                WHEN one.call IS NOT NULL THEN 'checked_out'
                WHEN h.minute >= 0 THEN 'heard' ELSE 'not_yet_heard' END AS presence
    FROM roster r FULL JOIN one ON one.call = r.call
    LEFT JOIN heard h ON h.call = coalesce(r.call, one.call)
)
SELECT expected, presence, count(*) FROM person GROUP BY ALL
"""


def by_sql(
    expected: tuple[str, ...], rosters: dict[str, list[Member]], heard: dict[str, Heard]
) -> dict[tuple[bool, str], int]:
    with duckdb.connect() as db:
        db.execute("CREATE TABLE roster(call TEXT); CREATE TABLE heard(call TEXT, minute DOUBLE)")
        db.execute("CREATE TABLE member(grp TEXT, call TEXT, standing TEXT, since DOUBLE)")

        def minute(moment: datetime | None) -> float | None:
            return None if moment is None else (moment - BEGAN).total_seconds() / 60

        for call in expected:
            db.execute("INSERT INTO roster VALUES (?)", [call])
        for call, last in heard.items():
            db.execute("INSERT INTO heard VALUES (?, ?)", [call, minute(last.at)])
        for group, found in rosters.items():
            for m in found:
                values = [group, m.station, m.standing.value, minute(m.standing_since)]
                db.execute("INSERT INTO member VALUES (?, ?, ?, ?)", values)
        return {(e, p): n for e, p, n in db.execute(SQL).fetchall()}


def test_the_same_by_duckdb() -> None:
    found = numbers(account(duty(*EXPECTED), ROSTERS, LAST))
    told = {(True, p.value): n for p, n in found.of_expected.items() if n}
    told |= {(False, p.value): n for p, n in found.of_others.items() if n}
    assert told == by_sql(EXPECTED, ROSTERS, LAST)
