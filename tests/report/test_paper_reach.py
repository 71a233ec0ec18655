"""What an alert was called at each turn, and who was out of reach: on the day of
`tests.report.paper`, worked out on paper in each test."""

from streamer.contract.published import AlertKind, Severity
from streamer.report.facts_alerts import AlertTurn
from tests.report.paper import A, B, C, E, act, alert, reach, report
from tests.report.test_paper import s


def test_each_turn_is_told_as_it_was_then() -> None:
    """A member overdue (a warning) at 212, out of reach (critical) at 222, taken in hand at 215 in
    a message that the broker had at 222 only; no more counted (a warning again) at 280."""
    overdue = {"subject": B, "kind": AlertKind.MEMBER_OVERDUE, "title": "B is overdue"}
    lost = {"subject": B, "kind": AlertKind.MEMBER_OUT_OF_REACH, "title": "B is out of reach"}
    hand = {"acknowledged_by": "desk1", "acknowledged_at": 215}
    found = report(
        alert(212, 1, "open", 212, **overdue),
        alert(222, 2, "acknowledged", 212, severity=Severity.CRITICAL, **lost, **hand),
        alert(280, 3, "acknowledged", 212, **{**lost, "title": "B is counted no more"}, **hand),
        act(215, "acknowledge", "gateway_lost.ridge"),
        act(216, "acknowledge", "nothing.known"),
    )
    (row,) = found.alerts
    assert (row.severity, row.title) == ("critical", "B is counted no more")
    assert [(s(t.at), t.turn, t.severity, t.title) for t in row.turns] == [
        (212, AlertTurn.OPENED, "warning", "B is overdue"),
        (222.02, AlertTurn.WORSE, "critical", "B is out of reach"),
        (215, AlertTurn.ACKNOWLEDGED, "warning", "B is overdue"),
        (280.02, AlertTurn.LESS, "warning", "B is counted no more"),
    ]
    log = [(s(r.at), r.text) for r in found.activity if "alert" in r.text]
    assert log == [
        (212, "alert opened, warning: B is overdue"),
        (215, "took in hand the alert, warning: B is overdue"),
        (216, "took in hand the alert, not in the record: nothing.known"),
        (222.02, "alert became worse, critical: B is out of reach"),
        (280.02, "alert became less grave, warning: B is counted no more"),
    ]


def test_an_alert_whose_first_message_is_not_recorded_does_not_say_what_it_was_then() -> None:
    """It opened at 212; the first message in the record is of 292: 80.02 s later."""
    found = report(alert(292, 7, "open", 212, severity=Severity.CRITICAL))
    texts = [r.text for r in found.activity if r.text.startswith("alert ")]
    assert texts == [
        "alert opened, critical: Gateway ridge is lost (as first told, 1 min 20 s later)"
    ]


def test_who_was_out_of_reach() -> None:
    """B is heard at 100 and 450: silent for 350 s. Rosters show it out of reach from 221 on, in the
    gap of 300 to 420, and until 451 heard again, but expired from 420 on: 300 - 221 = 79 s.

    C is heard at 120, 200 and 500; shown out of reach from 530 to the end at 550: 20 s, silent for
    50 s. A, heard at 130, expires unseen: by an alert alone, silent to the end, 420 s.
    """
    lost = {"kind": AlertKind.MEMBER_OUT_OF_REACH, "title": "it is out of reach"}
    found = report(
        reach(221, "RESCUE", QA1ABC="in_reach 130", QB2DEF="out_of_reach 220"),
        reach(530, "NET", QC3GHI="out_of_reach 530"),
        alert(222, 1, "open", 222, id="b", episode="b", subject=B, group="RESCUE", **lost),
        alert(240, 2, "acknowledged", 222, id="b", episode="b", subject=B, group="RESCUE",
              acknowledged_at=240, acknowledged_by="desk1", **lost),
        alert(430, 1, "open", 430, id="a", episode="a", subject=A, group="RESCUE", **lost),
        # Of a group that is none of the duty's.
        alert(440, 1, "open", 440, id="x", episode="x", subject=E, group="TALK", **lost),
    )  # fmt: skip
    rows = [
        (r.station, r.silence_s, r.out_s, r.times, s(r.last_heard_at), s(r.heard_again_at),
         r.alerts, s(r.taken_at), r.taken_by, r.standing)
        for r in found.out_of_reach
    ]  # fmt: skip
    assert rows == [
        (A, 420, 0, 0, 130, None, 1, None, None, "expired"),
        (B, 350, 79, 1, 100, 450, 1, 240, "desk1", "in_reach"),
        (C, 50, 20, 1, 500, None, 0, None, None, "out_of_reach"),
    ]
    assert [(r.groups, r.name) for r in found.out_of_reach] == [
        (("RESCUE",), "Ann"), (("RESCUE",), "=1+1"), (("NET",), ""),
    ]  # fmt: skip
    counts = {c.what: c.count for c in found.accountability.counts}
    assert counts["out of reach during the duty"] == 3
    assert counts["checked in: out of reach"] == 1
    # Without any of that: nobody.
    assert report().out_of_reach == ()


def test_who_is_out_of_reach_at_the_very_end_is_named() -> None:
    found = report(reach(550, "NET", QC3GHI="out_of_reach 550"))
    assert [(r.station, r.out_s, r.silence_s) for r in found.out_of_reach] == [(C, 0, 50)]
