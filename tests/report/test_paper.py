"""The duty of `paper.py`, its numbers worked out there and here on paper."""

from typing import Any

import pytest

from streamer.clock import to_ms
from streamer.contract.published import AlertState, Severity
from streamer.domain.coarse import coarse
from streamer.report.facts import CheckInRow, DutyReport, HowIn
from streamer.report.facts_alerts import AlertTurn
from tests.report.paper import (
    LAT,
    LINES,
    LON,
    A,
    B,
    C,
    E,
    X,
    act,
    alert,
    at,
    held,
    over,
    published,
    reach,
    report,
)

NOT_REPORTED = {
    "kind": "refused", "topic": "net/scene/gw/lake/heard", "gateway": "lake", "reason": "late",
    "detail": "older than late_after_s", "size_bytes": 10, "excerpt": "",
}  # fmt: skip


def s(moment: Any) -> float | None:
    """Seconds since T."""
    return None if moment is None else (to_ms(moment) - at(0)) / 1000


def row_of(found: DutyReport, station: str) -> CheckInRow:
    (row,) = [row for row in found.check_ins if row.station == station]
    return row


def test_the_duty_and_its_record() -> None:
    found = report()
    duty, record = found.duty, found.record
    assert (duty.title, duty.kind, duty.groups) == ("Search", "actual", ("RESCUE", "NET"))
    assert (duty.started_by, duty.ended_by, duty.note) == ("desk1", "desk2", "of the winter")
    assert [row.call for row in duty.roster] == [A, B, E]
    assert (s(duty.started_at), s(duty.ended_at), s(duty.roster_set_at)) == (0, 550, 0)
    # From 300 to 420 nothing was recorded.
    assert (record.time.length_s, record.known_s, record.unknown_s) == (550, 430, 120)
    assert [(s(gap.from_at), s(gap.until_at)) for gap in record.gaps] == [(300, 420)]
    assert any("Nothing was recorded from 2027-01-15 08:05:00Z" in words for words in found.limits)


def test_the_communications_log() -> None:
    """X is nobody of the duty. Who joins: B as its first over, C; B again, as it had expired; C
    again after its check-out. A was a member before."""
    rows = [
        (s(o.at), o.station, o.to, o.of_duty, o.repeater, o.also_heard_by, o.length_s, o.text,
         o.checks_in, o.checks_out)
        for o in report().overs
    ]  # fmt: skip
    assert rows == [
        (100, B, "RESCUE", True, "ridge/uhf", ("lake/uhf",), 4, "", ("RESCUE",), ()),
        (120, C, "NET", True, "lake/uhf", (), 3, "", ("NET",), ()),
        (130, A, "QZ9ZZZ", False, "lake/uhf", (), 5, "", (), ()),
        (200, C, "NET", True, "lake/uhf", (), 2, "OUT", (), ("NET",)),
        (450, B, "RESCUE", True, "lake/uhf", (), 1, "", ("RESCUE",), ()),
        (500, C, "NET", True, "ridge/uhf", (), 2.5, "", ("NET",), ()),
    ]


def test_who_was_shown_as_a_member_does_not_join() -> None:
    """A's over to RESCUE at 50 is its second: it is a member since -8. Without that over in the
    record the roster published at -7 says so; without that too it joins."""
    again = over(20, 50, 1, "lake/uhf", A, "o9", to="RESCUE")
    before = [line for line in LINES if line.get("over") == "o0"]
    shown = [line for line in LINES if line["kind"] == "published" and line["noted_ms"] < at(0)]
    assert (len(before), len(shown)) == (1, 1)

    def joins(**but: Any) -> tuple[str, ...]:
        (row,) = [o for o in report(again, **but).overs if s(o.at) == 50]
        return row.checks_in

    assert joins() == ()
    assert joins(but=before) == ()
    assert joins(but=[*before, *shown]) == ("RESCUE",)


def test_a_word_to_nobody_checks_out_of_where_it_was_a_member() -> None:
    found = report(over(20, 150, 1, "lake/uhf", C, "o9", text="QRT"))
    (row,) = [o for o in found.overs if s(o.at) == 150]
    assert (row.of_duty, row.checks_out) == (False, ("NET",))
    assert [s(moment) for moment in row_of(found, C).checked_out_at] == [151, 202]


def test_the_check_in_list() -> None:
    found = report()
    assert [row.station for row in found.check_ins] == [A, B, E, C]
    first = row_of(found, A)
    assert (first.how, first.first_check_in_at, first.groups) == (HowIn.BEFORE, None, ("RESCUE",))
    assert (first.name, first.agency, first.assignment, first.expected_group) == (
        "Ann", "Team 1", "Leader", "RESCUE",
    )  # fmt: skip
    assert (s(first.first_heard_at), s(first.last_heard_at), first.last_repeater) == (
        130, 130, "lake/uhf",
    )  # fmt: skip
    assert (first.overs, first.standing, s(first.standing_since_at)) == (0, "expired", 370)
    second = row_of(found, B)
    assert (second.how, s(second.first_check_in_at), second.first_repeater) == (
        HowIn.AIR, 100, "ridge/uhf",
    )  # fmt: skip
    assert (second.overs, second.spoken_s, second.standing) == (2, 5, "in_reach")
    third = row_of(found, C)
    assert (third.on_roster, third.overs, third.spoken_s) == (False, 3, 7.5)
    assert [s(moment) for moment in third.checked_out_at] == [202]
    assert (third.lat, third.lon, s(third.position_at)) == (LAT, LON, 120)
    never = row_of(found, E)
    assert (never.how, never.first_heard_at, never.standing, never.overs) == (
        HowIn.NOT, None, None, 0,
    )  # fmt: skip


def test_numbers_at_a_glance() -> None:
    """Expected: A has expired, B is in reach, E was never heard. Not on the roster: C, in reach."""
    found = report().accountability
    counts = {c.what: c.count for c in found.counts if c.count}
    assert counts == {
        "expected": 3, "expected: checked in": 1, "expected: not yet heard": 1,
        "expected: expired": 1, "not on the roster": 1, "not on the roster: checked in": 1,
        "checked in: in reach": 2,
    }  # fmt: skip
    assert (found.not_heard, found.heard_not_checked_in, found.not_on_roster) == ((E,), (), (C,))


def test_somebody_expected_who_speaks_to_others_only() -> None:
    found = report(over(20, 400, 1, "lake/uhf", E, "o9", to="QZ9ZZZ"))
    assert found.accountability.heard_not_checked_in == (E,)
    assert s(row_of(found, E).last_heard_at) == 400
    assert [o.station for o in found.overs if not o.of_duty] == [A, E]


def test_availability() -> None:
    """Of 550 s 120 are not recorded. ridge was away from 210 to 270: 60 of 430 s. mill never said
    anything: nothing is known of it."""
    rows = {row.name: row for row in report().availability}
    for name in ("ridge", "ridge/uhf", "ridge/vhf"):
        row = rows[name]
        assert (row.known_s, row.reporting_s, row.not_reporting_s, row.unknown_s) == (
            430, 370, 60, 120,
        )  # fmt: skip
        assert row.reporting_pct == pytest.approx(100 * 370 / 430, abs=1e-6)
        assert (row.outages, row.longest_outage_s, row.ended_out) == (1, 60, False)
        assert [(s(x.from_at), s(x.until_at)) for x in row.not_reporting] == [(210, 270)]
    assert (rows["lake"].reporting_s, rows["lake"].reporting_pct) == (430, 100)
    mill = rows["mill/uhf"]
    assert (mill.known_s, mill.unknown_s, mill.reporting_pct) == (0, 550, None)
    assert (mill.never_reported, rows["ridge"].never_reported) == (True, False)


def test_an_outage_with_a_gap_in_it_is_one() -> None:
    """ridge is away from 210 and not back before 430: 90 s before the gap and 10 s after it."""
    back = [
        line for line in LINES
        if line["kind"] == "state" and line["gateway"] == "ridge" and at(210) < line["noted_ms"]
        and line["noted_ms"] < at(430)
    ]  # fmt: skip
    row = next(row for row in report(but=back).availability if row.name == "ridge")
    # The next heartbeat is that of 420, left out too, so 450 s is the first.
    assert [(s(x.from_at), s(x.until_at)) for x in row.not_reporting] == [(210, 300), (420, 450)]
    assert (row.outages, row.not_reporting_s, row.longest_outage_s) == (1, 120, 120)


def test_what_lasts_to_the_end() -> None:
    later = [
        line for line in LINES
        if line["kind"] == "state" and line["gateway"] == "ridge" and at(210) < line["noted_ms"]
    ]  # fmt: skip
    found = report(but=later)
    row = next(row for row in found.availability if row.name == "ridge")
    assert (row.ended_out, row.outages, row.not_reporting_s) == (True, 1, 550 - 210 - 120)
    turns = [r.text for r in found.activity if r.subject == "ridge"]
    assert turns == ["gateway ridge is not reporting from here on"]


def test_paths_and_standings() -> None:
    members = {m.station: m for m in report().members}
    assert sorted(members) == sorted([A, B, C, E])
    paths = {
        name: [(v.repeater, s(v.from_at), s(v.until_at), v.overs) for v in m.path]
        for name, m in members.items()
    }
    assert paths[A] == [("lake/uhf", 130, 130, 1)]
    assert paths[B] == [("ridge/uhf", 100, 100, 1), ("lake/uhf", 450, 450, 1)]
    assert paths[C] == [("lake/uhf", 120, 200, 2), ("ridge/uhf", 500, 500, 1)]
    assert paths[E] == []
    standings = {
        name: [(x.group, x.standing, s(x.from_at), s(x.until_at)) for x in m.standings]
        for name, m in members.items()
    }
    # What was so when the record broke off is not said of the gap.
    assert standings[A] == [("RESCUE", "in_reach", 0, 300), ("RESCUE", "expired", 420, 550)]
    assert standings[B] == [
        ("RESCUE", "blind", 211, 300), ("RESCUE", "expired", 420, 451),
        ("RESCUE", "in_reach", 451, 550),
    ]  # fmt: skip
    assert standings[C] == [
        ("NET", "in_reach", 121, 202), ("NET", "checked_out", 202, 300),
        ("NET", "checked_out", 420, 501), ("NET", "in_reach", 501, 550),
    ]  # fmt: skip


def test_who_is_shown_no_more_stands_no_more() -> None:
    """The roster of 520 shows C no more; whoever has left it counts as last shown if it had left
    the group, so C, in reach then, is not among those checked in."""
    found = report(reach(520, "NET"))
    (member,) = [m for m in found.members if m.station == C]
    (last,) = [x for x in member.standings if x.standing == "in_reach" and s(x.from_at) == 501]
    assert s(last.until_at) == 520
    assert "not on the roster: checked in" not in {
        c.what for c in found.accountability.counts if c.count
    }
    # Checked out and then dropped from the list, as after an hour: still checked out.
    gone = [report(reach(520, "NET", QC3GHI="checked_out 515"), reach(530, "NET"))]
    counts = {c.what: c.count for c in gone[0].accountability.counts}
    assert counts["not on the roster: checked out"] == 1


def test_an_older_roster_noted_later_does_not_count() -> None:
    """Two workers: the one that published first noted it last."""
    late = reach(430, "RESCUE", QB2DEF="overdue 430")
    assert report({**late, "noted_ms": at(540)}).members == report().members
    assert report(late).members != report().members


def test_air_time() -> None:
    """Six repeaters. RESCUE: at 100 (4 s, heard at ridge/uhf) the fan-out is ridge/uhf alone:
    nothing is sent on; everywhere 5 x 4 s. At 450 (1 s, lake/uhf) ridge/uhf and mill/vhf: 2 x 1 s,
    everywhere 5. NET: at 120 (3 s) no fan-out has been published yet; at 200 (2 s, lake/uhf) and
    500 (2.5 s, ridge/uhf) it is lake/uhf: 0 and 2.5 s, everywhere 5 x 4.5.

    By its own word lake/vhf carried RESCUE at 100 and at 450: 4 + 1 s. ridge/vhf NET at 200 and
    500: 2 + 2.5 s (that of its gateway's 60 dark seconds no over fell into).
    """
    rescue, net = report().groups
    assert (rescue.overs, rescue.stations, rescue.spoken_s) == (2, 1, 5)
    assert (rescue.wanted_air_s, rescue.everywhere_air_s, rescue.carried_air_s) == (2, 25, 5)
    assert (rescue.overs_with_fan_out, rescue.saved_pct) == (2, 100 * (25 - 2) / 25)
    assert (net.overs, net.overs_with_fan_out, net.spoken_s) == (3, 2, 7.5)
    assert (net.wanted_air_s, net.everywhere_air_s, net.carried_air_s) == (2.5, 22.5, 4.5)
    assert net.saved_pct == pytest.approx(100 * 20 / 22.5, abs=1e-4)


def test_an_over_in_a_dark_time_is_carried_by_nobody_dark() -> None:
    """At 250 ridge does not report: what ridge/vhf said at 190 does not count then."""
    net = report(over(20, 250, 7, "lake/uhf", C, "o9", to="NET")).groups[1]
    assert (net.spoken_s, net.carried_air_s) == (14.5, 4.5)


def test_where_groups_were_wanted_and_carried() -> None:
    """RESCUE wanted: ridge/uhf 0 to 451, mill/vhf 101 to 550, lake/uhf 451 to 550, the gap's 120 s
    taken off. lake/vhf carried it from 90 to 460; it was not wanted there."""
    rescue, net = report().groups
    sums = {x.repeater: (x.wanted_s, x.carried_s, x.both_s) for x in rescue.sums}
    assert sums == {
        "ridge/uhf": (331, 0, 0), "mill/vhf": (329, 0, 0), "lake/uhf": (99, 0, 0),
        "lake/vhf": (0, 250, 0),
    }  # fmt: skip
    # ridge/vhf from 190 on, not while ridge was dark (210 to 270), not in the gap.
    assert {x.repeater: (x.wanted_s, x.carried_s) for x in net.sums} == {
        "lake/uhf": (309, 0), "ridge/vhf": (0, 20 + 30 + 130),
    }  # fmt: skip
    spans = [(x.repeater, s(x.from_at), s(x.until_at)) for x in net.fan_out if x.kind == "carried"]
    assert spans == [
        ("ridge/vhf", 190, 210), ("ridge/vhf", 270, 300), ("ridge/vhf", 420, 550),
    ]  # fmt: skip


# -- alerts --------------------------------------------------------------------------------------


TAKEN = {"acknowledged_by": "desk1", "acknowledged_at": 232, "note": "keeper called"}
EPISODE = [
    alert(212, 1, "open", 212, held=(held("repeater_lost.ridge.uhf"),)),
    alert(222, 2, "open", 212, severity=Severity.CRITICAL, affects=(A,)),
    alert(232, 3, "acknowledged", 212, severity=Severity.CRITICAL, **TAKEN),
    alert(272, 4, "cleared", 212, cleared_at=272, cleared_because="it reports again", **TAKEN),
    alert(290, 5, "open", 290, opened_times=2, unsteady=True),
    alert(295, 6, "cleared", 290, opened_times=2, cleared_at=295, cleared_because="again"),
]


def test_an_alert_from_its_opening_to_its_end() -> None:
    """Open from 212 to 272 and from 290 to 295; taken in hand 20 s after it opened."""
    found = report(*EPISODE)
    (row,) = found.alerts
    assert (s(row.opened_at), s(row.acknowledged_at), s(row.cleared_at)) == (212, 232, 295)
    assert (row.severity, row.acknowledge_s, row.acknowledged_by) == ("critical", 20, "desk1")
    assert (row.open_s, row.opened_times, row.unsteady, row.of_duty) == (65, 2, True, True)
    assert (row.state, row.cleared_because, row.note) == ("cleared", "again", "keeper called")
    assert [h.id for h in row.held] == ["repeater_lost.ridge.uhf"]
    turns = [(s(turn.at), turn.turn) for turn in row.turns]
    assert turns == [
        (212, AlertTurn.OPENED), (222.02, AlertTurn.WORSE), (232, AlertTurn.ACKNOWLEDGED),
        (272, AlertTurn.CLEARED), (290, AlertTurn.REOPENED), (290.02, AlertTurn.UNSTEADY),
        (295, AlertTurn.CLEARED),
    ]  # fmt: skip
    sums = found.alert_sums
    assert (sums.alerts, sums.critical, sums.held, sums.reopened) == (1, 1, 1, 1)
    assert (sums.median_acknowledge_s, sums.never_acknowledged, sums.still_standing) == (20, 0, 0)


def other(
    name: str, at_s: float, state: str, opened_s: float, version: int = 1, **more: Any
) -> Any:
    more = {"id": name, "episode": name, "subject": "mill", "title": f"Of {name}", **more}
    return alert(at_s, version, state, opened_s, **more)


def test_sums_over_alerts() -> None:
    """Times to acknowledge: 20, 30 and 70 s; their median is 30. One never, one beforehand by who
    planned the work. One ended before the duty began, one came after it: not in here."""
    found = report(
        *EPISODE,
        other("a", 400, "acknowledged", 370, acknowledged_at=400, acknowledged_by="x"),
        other("b", 470, "acknowledged", 400, acknowledged_at=470, acknowledged_by="x"),
        other("c", 480, "open", 480),
        other("d", 490, "acknowledged", 490, maintenance="m1", acknowledged_at=490,
              acknowledged_by="planner"),
        other("e", -20, "open", -20), other("e", -5, "cleared", -20, 2, cleared_at=-5),
        other("f", 555, "open", 555),
    )  # fmt: skip
    assert [row.id for row in found.alerts] == ["gateway_lost.ridge", "a", "b", "c", "d"]
    sums = found.alert_sums
    assert (sums.median_acknowledge_s, sums.longest_acknowledge_s) == (30, 70)
    assert (sums.acknowledged, sums.never_acknowledged, sums.acknowledged_beforehand) == (4, 1, 1)
    assert (sums.critical, sums.warning, sums.notice, sums.still_standing) == (1, 4, 0, 4)
    by_id = {row.id: row for row in found.alerts}
    assert by_id["c"].open_s == 550 - 480
    assert by_id["d"].acknowledge_s is None
    assert by_id["c"].of_duty  # mill/vhf was wanted for RESCUE
    (foreign,) = report(other("g", 100, "open", 100, subject=X)).alerts
    assert not foreign.of_duty


def test_alerts_of_before_episodes_were_named() -> None:
    """Each opening is another then."""
    lines = [
        other("a", 100, "open", 100, 1, episode=""),
        other("a", 110, "cleared", 100, 2, episode="", cleared_at=110),
        other("a", 200, "open", 200, 3, episode=""),
    ]
    rows = report(*lines).alerts
    assert [(s(row.opened_at), row.open_s, row.state) for row in rows] == [
        (100, 10, AlertState.CLEARED), (200, 350, AlertState.OPEN),
    ]  # fmt: skip


# -- roll calls and acts -------------------------------------------------------------------------


def test_a_roll_call_as_its_end_tells_it() -> None:
    answered = {
        B: {"at": "2027-01-15T08:01:42Z", "how": "air", "by": None},
        A: {"at": "2027-01-15T08:01:41Z", "how": "desk", "by": "desk1"},
    }
    details = {"id": "call-1", "answered": answered, "silent": [C], "count": 2}
    found = report(
        act(95, "start_roll_call", "RESCUE", details={"id": "call-1"}),
        act(101, "mark_answered", f"RESCUE {A}", details={"id": "call-1"}),
        act(150, "end_roll_call", "RESCUE", "desk2", details=details),
        act(10, "start_roll_call", "TALK", details={"id": "call-0"}),
    )
    (call,) = found.roll_calls
    assert (call.id, call.group, s(call.started_at), s(call.ended_at)) == (
        "call-1", "RESCUE", 95, 150,
    )  # fmt: skip
    assert [(a.station, a.how, a.by) for a in call.answered] == [
        (A, "desk", "desk1"), (B, "air", None),
    ]  # fmt: skip
    assert (call.silent, call.ended_by) == ((C,), "desk2")
    texts = [row.text for row in found.activity if row.kind == "roll call"]
    assert texts == [
        "began a roll call of RESCUE",
        f"noted at the desk that {A} answered in RESCUE",
        "ended the roll call of RESCUE (2 answered, 1 did not)",
    ]


def test_a_roll_call_that_earlier_versions_noted() -> None:
    found = report(
        act(95, "start_roll_call", "RESCUE", details={"id": "c"}),
        act(150, "end_roll_call", "RESCUE", details={"id": "c", "answered": [B], "count": 1}),
    )
    (call,) = found.roll_calls
    assert [(a.station, a.at, a.how) for a in call.answered] == [(B, None, None)]
    assert call.silent == ()


def test_a_roll_call_that_had_not_ended() -> None:
    """Begun at 430: B answers by its over at 450; A has expired, so nobody waits for it."""
    found = report(act(430, "start_roll_call", "RESCUE", details={"id": "c"}))
    (call,) = found.roll_calls
    assert [(a.station, s(a.at), a.how) for a in call.answered] == [(B, 450, "air")]
    assert (call.silent, call.ended_at) == ((), None)


def test_a_roll_call_that_ended_after_the_duty_had_not_ended_in_it() -> None:
    """Begun at 540, ended at 555, five seconds after the duty."""
    details = {"id": "c", "answered": {B: {"at": "2027-01-15T08:09:13Z", "how": "air"}}}
    found = report(
        act(540, "start_roll_call", "RESCUE", details={"id": "c"}),
        act(555, "end_roll_call", "RESCUE", details={**details, "silent": [], "count": 1}),
    )
    (call,) = found.roll_calls
    assert (call.ended_at, call.answered, call.silent) == (None, (), (B,))


def test_acts_of_other_groups_and_duties_are_left_out() -> None:
    found = report(
        act(20, "pin", "TALK lake/uhf", details={"until": "2027-01-15T08:10:00Z"}),
        act(21, "pin", "NET lake/uhf", note="hut", details={"until": "2027-01-15T08:10:00Z"}),
        act(22, "start_maintenance", "m-1",
            details={"subject": "mill", "until": "2027-01-15T09:00:00Z"}),
        act(23, "check_out", f"NET {C}"),
        act(24, "accept_call", "BASE"),
        act(600, "accept_call", "LATER"),
    )  # fmt: skip
    texts = [(s(row.at), row.by, row.text) for row in found.activity if row.kind == "act"]
    assert texts == [
        (0, "desk1", "set the roster: 3 call signs"),
        (0, "desk1", "began the duty, ACTUAL: Search: of the winter"),
        (21, "desk1", "ordered that lake/uhf always carries NET, until 08:10:00Z: hut"),
        (22, "desk1", "began maintenance of mill, until 09:00:00Z"),
        (23, "desk1", f"checked {C} out of NET by hand"),
        (24, "desk1", "accepted BASE as a station"),
        (550, "desk2", "ended the duty"),
    ]
    turns = [(s(row.at), row.text) for row in found.activity if row.kind == "turn"]
    assert turns == [
        (210, "gateway ridge is not reporting from here on"),
        (270, "gateway ridge reports again, after 1 min"),
        (300, "nothing was recorded from here on for 2 min"),
    ]


# -- what was refused, lost, late ----------------------------------------------------------------


def test_refused_quarantined_and_lost() -> None:
    made_up = {
        "kind": "quarantined", "gateway": "lake", "boot": "0190000000000001", "call": "BASE",
        "reason": "not a call sign",
    }  # fmt: skip
    found = report(
        {**NOT_REPORTED, "noted_ms": at(10)}, {**NOT_REPORTED, "noted_ms": at(20)},
        {**NOT_REPORTED, "noted_ms": at(30), "gateway": None, "reason": "json"},
        {**NOT_REPORTED, "noted_ms": at(555)},
        {**made_up, "noted_ms": at(50), "seq": 30, "began_ms": at(49)},
        {**made_up, "noted_ms": at(60), "seq": 31, "began_ms": at(59), "gateway": "ridge"},
        # The same once more, as a broker sends it again after a worker's death.
        {**made_up, "noted_ms": at(61), "seq": 31, "began_ms": at(59), "gateway": "ridge"},
    )  # fmt: skip
    assert [(row.reason, row.gateway, row.count) for row in found.refused] == [
        ("late", "lake", 2), ("json", "", 1),
    ]  # fmt: skip
    (row,) = found.quarantined
    assert (row.call, row.count, row.gateways, s(row.first_at)) == (
        "BASE",
        2,
        ("lake", "ridge"),
        49,
    )
    # ridge: 4 at 190, then 10 at 205. Before those: 1, 3, 4; after it 11, and 31 at 60.
    lost = {row.gateway: row.lost for row in report().events_lost}
    assert lost == {"ridge": (3 - 1 - 1) + (10 - 4 - 1), "lake": 1}


def test_what_was_lost_at_another_time_is_not_counted() -> None:
    """Of boot 3 of mill the numbers 2 and 3 are missing between 552 and 555."""
    late = [
        over(n, at_s, 1, "mill/uhf", X, f"m{n}", boot="0190000000000003")
        for n, at_s in ((1, 552), (4, 555))
    ]
    assert "mill" not in {row.gateway for row in report(*late).events_lost}


def test_what_came_late_is_said() -> None:
    line = {**over(20, 60, 2, "lake/uhf", C, "o9", to="NET"), "noted_ms": at(260)}
    found = report(line)
    (row,) = [o for o in found.overs if s(o.at) == 60]
    assert row.told_after_s == 260 - 62
    assert any("1 over came late, up to 3 min 18 s" in words for words in found.limits)


def test_limits_name_what_is_missing() -> None:
    running = [line for line in LINES if "end_duty" in str(line.get("entry"))]
    nothing = [line for line in LINES if line["kind"] == "published"]
    roster = [line for line in LINES if "set_roster" in str(line.get("entry"))]
    found = report(
        {"kind": "ahead", "noted_ms": at(30), "gateway": "lake"},
        but=[*running, *nothing, *roster], troubles=("a file is torn",),
    )  # fmt: skip
    said = "\n".join(found.limits)
    assert "still running at the end of the record" in said
    assert found.record.time.length_s == 560
    assert "no published fan-out of RESCUE, NET" in said
    assert "No roster was given" in said
    assert "The clock of gateway lake was ahead" in said
    assert "a file is torn" in found.limits
    assert [group.saved_pct for group in found.groups] == [None, None]
    assert found.duty.ended_at is None


def test_a_duty_that_began_before_the_record() -> None:
    """A worker notes what was ordered up to a day before it began. Of the 40 s before, nothing is
    known."""
    early = [line for line in LINES if "start_duty" in str(line.get("entry"))]
    began = act(-100, "start_duty", "duty-1", details={
        "title": "Search", "kind": "actual", "groups": ["RESCUE", "NET"],
    })  # fmt: skip
    found = report({**began, "noted_ms": at(-60)}, but=early)
    assert found.record.time.length_s == 650
    assert found.record.unknown_s == 40 + 120
    assert [(s(gap.from_at), s(gap.until_at)) for gap in found.record.gaps] == [
        (-100, -60), (300, 420),
    ]  # fmt: skip


def test_a_group_that_the_region_file_lacks() -> None:
    early = [line for line in LINES if "start_duty" in str(line.get("entry"))]
    began = act(0, "start_duty", "duty-1", details={
        "title": "Search", "kind": "actual", "groups": ["RESCUE", "GONE"],
    })  # fmt: skip
    found = report(began, but=early)
    assert any("does not have: GONE" in words for words in found.limits)
    assert [group.overs for group in found.groups] == [2, 0]


def test_a_published_line_that_is_newer_is_left_out_and_told() -> None:
    from streamer.report.record import record_of

    told: list[str] = []
    strange = published(99, "net/scene/reach/NET", {"v": 2})
    record_of([*LINES, strange], None, told.append)
    assert len(told) == 1
    assert told[0].startswith("1 lines of what was published or refused cannot be read")


# -- positions -----------------------------------------------------------------------------------


@pytest.mark.parametrize("km", [1.0, 20.0])
def test_positions_made_coarse(km: float) -> None:
    """By the domain's rule, everywhere they show: in the list and on the map."""
    found = report(coarse_km=km)
    lat, lon = coarse(LAT, LON, km)
    assert (lat, lon) != (LAT, LON)
    row = row_of(found, C)
    assert (row.lat, row.lon) == (lat, lon)
    text = found.model_dump_json()
    assert str(LAT) not in text
    assert str(LON) not in text
    import h3

    ((cell,),) = [[c.cell for c in one.cells] for one in found.coverage.repeaters]
    assert cell == h3.latlng_to_cell(lat, lon, 7)
    assert found.record.coarse_km == km


def test_positions_left_out() -> None:
    found = report(positions=False)
    row = row_of(found, C)
    assert (row.lat, row.lon, row.position_at) == (None, None, None)
    assert (found.coverage.repeaters, found.coverage.shapes) == ((), ())
    assert found.record.positions_left_out
    # All else is as it was.
    assert found.overs == report().overs


def test_the_map() -> None:
    """Source: h3's own table of cells, by its Python face. One over told a position."""
    import h3

    found = report().coverage
    (one,) = found.repeaters
    (cell,) = one.cells
    assert (one.repeater, cell.cell, cell.overs) == ("lake/uhf", h3.latlng_to_cell(LAT, LON, 7), 1)
    assert (cell.lat, cell.lon) == h3.cell_to_latlng(cell.cell)
    assert (one.lat, one.lon) == (-47.0, 20.0)
    # 100 (one over, two repeaters), 130, 140, 200, 205, 450, 500 told none.
    assert (found.overs, found.overs_without_position) == (1, 7)
    (shape,) = found.shapes
    assert len(shape.ring) == 7
