"""`streamer alerts`: the list, and taking one in hand."""

import json

from streamer.alerts.desk import Desk
from streamer.reading import alerts
from tests.reading.conftest import Story, must_fit, named
from tests.state.scene import START_MS, moment


def trouble(story: Story) -> None:
    """A gateway with a member behind it goes down; a member elsewhere is overdue."""
    ms = story.now_ms
    story.tell(
        story.ridge.state(ms),
        story.lake.heard(ms, "QC3GHI", "o1", to="NET"),
        story.ridge.heard(ms, "QA1ABC", "o2", to="NET"),
    )
    story.pass_s(61)
    story.tell(story.ridge.state(story.now_ms, up=False))
    story.pass_s(2)
    story.settle()


def test_worst_first_with_the_next_step(story: Story) -> None:
    trouble(story)
    answered = story.ask(alerts, json=True)
    assert (answered.code, answered.err) == (0, "")
    found = answered.document
    kinds = [(a["severity"], a["kind"]) for a in found["alerts"]]
    assert kinds == [("critical", "gateway_lost"), ("warning", "member_overdue")]
    assert (found["open"], found["acknowledged"], found["held"]) == (2, 0, 1)
    lost = found["alerts"][0]
    # QA1ABC was overdue before its gateway was lost: explained by that, and not forgotten.
    (held,) = lost["held"]
    assert (held["id"], held["kind"]) == ("member.NET.QA1ABC", "member_overdue")
    assert (lost["affects"], lost["keeper"]) == (["QA1ABC"], "the ridge crew")
    assert (lost["since"], lost["age_s"]) == (moment(START_MS + 61_000), 2.0)
    plain = story.ask(alerts)
    must_fit(plain)
    assert plain.lines[0] == (
        "2 alerts: 1 critical, 1 warning; 0 in hand; 1 other explained by them"
    )
    for text in (
        "CRITICAL: Gateway ridge is lost",
        "next: Call the keeper of ridge",
        "affects: QA1ABC",
        "explains 1 other:",
        "- QA1ABC of NET is overdue; since ",
        "id member.NET.QA1ABC",
        "keeper: the ridge crew",
        "wrong for 2 s, since 08:01:01Z",
    ):
        assert text in plain.out


def test_people_come_before_machines_of_the_same_severity(story: Story) -> None:
    """Common practice, no source."""
    ms = story.now_ms
    story.tell(
        story.ridge.state(ms),
        story.mill.state(ms),
        story.mill.heard(ms, "QA1ABC", "o1", to="NET"),
        story.ridge.heard(ms, "QB2DEF", "o2", to="NET"),
    )
    story.pass_s(30)
    story.tell(story.ridge.state(story.now_ms, up=False))  # with a member behind it: critical
    story.pass_s(50)
    story.tell(story.mill.state(story.now_ms))
    story.pass_s(45)
    story.settle()
    found = story.ask(alerts, json=True).document["alerts"]
    critical = [a["kind"] for a in found if a["severity"] == "critical"]
    assert critical == ["member_out_of_reach", "gateway_lost"]  # though the gateway went first
    since = [a["since"] for a in found if a["severity"] == "critical"]
    assert since[0] > since[1]
    severities = [a["severity"] for a in found]
    assert severities == sorted(severities, key=["critical", "warning", "notice"].index)


def test_an_alert_in_hand_is_published_by_the_next_worker(story: Story) -> None:
    trouble(story)
    words = ("--ack", "gateway_lost.ridge", "--by", "Duty desk", "--note", "on my way")
    answered = story.ask(alerts, *words)
    assert answered.code == 0
    assert "in hand of Duty desk: on my way" in answered.out
    story.settle()
    published = json.loads(story.bench.retained["net/scene/alert/gateway_lost.ridge"])
    assert (published["state"], published["acknowledged_by"], published["note"]) == (
        "acknowledged", "Duty desk", "on my way",
    )  # fmt: skip
    found = story.ask(alerts, json=True).document
    assert (found["open"], found["acknowledged"]) == (1, 1)


def test_the_answer_to_an_acknowledgement_as_a_document(story: Story) -> None:
    trouble(story)
    words = ("--ack", "gateway_lost.ridge", "--by", "Duty desk")
    found = story.ask(alerts, *words, json=True).document
    assert (found["alert"]["id"], found["alert"]["state"], found["alert"]["note"]) == (
        "gateway_lost.ridge", "acknowledged", None,
    )  # fmt: skip


def test_open_alerts_fail_only_if_asked_to(story: Story) -> None:
    assert story.ask(alerts, "--fail-if-open").code == 0
    trouble(story)
    assert story.ask(alerts).code == 0
    assert story.ask(alerts, "--fail-if-open").code == 1
    for alert in story.ask(alerts, json=True).document["alerts"]:
        story.ask(alerts, "--ack", alert["id"], "--by", "Duty desk")
    assert story.ask(alerts, "--fail-if-open").code == 0  # all are in hand


def test_open_before_in_hand(story: Story) -> None:
    ms = story.now_ms
    for station, port in (("QA1ABC", "uhf"), ("QB2DEF", "vhf")):
        story.tell(story.lake.heard(ms, station, f"o-{station}", port, to="NET"))
    story.pass_s(61)
    story.settle()
    story.ask(alerts, "--ack", "member.NET.QA1ABC", "--by", "Duty desk")
    found = story.ask(alerts, json=True).document
    assert [(a["subject"], a["state"]) for a in found["alerts"]] == [
        ("QB2DEF", "open"),
        ("QA1ABC", "acknowledged"),
    ]


def flap(story: Story, times: int) -> None:
    """The ridge goes and comes back, ten seconds each, and the desk waits as it does in service."""
    story.worker.desk = Desk(story.worker.store)
    story.tell(story.ridge.state(story.now_ms))
    for _ in range(times):
        for up in (False, True):
            story.tell(story.ridge.state(story.now_ms, up=up))
            story.pass_s(10)
            story.settle()


def test_what_comes_and_goes_says_since_when(story: Story) -> None:
    """Worked out by hand: lost at 0, 20 and 40 s after the start, looked at at 10, 30 and 46 s,
    longer than `settle_s` (5 s) later; three openings within half an hour are too many."""
    flap(story, 2)
    assert story.ask(alerts, json=True).document["alerts"] == []
    story.tell(story.ridge.state(story.now_ms, up=False))
    story.pass_s(6)
    story.settle()
    (found,) = story.ask(alerts, json=True).document["alerts"]
    assert (found["opened_times"], found["unsteady"]) == (3, True)
    first = found["first_opened_at"]
    assert first == moment(START_MS + 10_000)
    assert found["opened_at"] == moment(START_MS + 46_000)
    plain = story.ask(alerts)
    must_fit(plain)
    clock = f"{first[11:19]}Z"
    assert f"comes and goes (3 times since {clock}): single changes are not" in plain.out


def test_the_second_time_is_told(story: Story) -> None:
    flap(story, 1)
    story.tell(story.ridge.state(story.now_ms, up=False))
    story.pass_s(6)
    story.settle()
    found = story.ask(alerts)
    assert "opened 2 times since " in found.out
    assert "comes and goes" not in found.out


# -- planned work ------------------------------------------------------------------------------

PLAN = ("--maintenance", "RIDGE", "--for", "2h", "--by", "Ann", "--note", "new antenna")


def test_work_is_planned_and_what_fails_there_is_foreseen(story: Story) -> None:
    story.tell(
        story.ridge.state(story.now_ms), story.ridge.heard(story.now_ms, "QA1ABC", "o1", to="NET")
    )
    found = story.ask(alerts, *PLAN, json=True).document
    work = found["maintenance"]
    assert (work["subject"], work["by"], work["note"]) == ("ridge", "Ann", "new antenna")
    assert (work["at"], work["until"]) == (moment(START_MS), moment(START_MS + 7_200_000))
    assert found["members"] == ["QA1ABC"]
    story.tell(story.ridge.state(story.now_ms, up=False))
    story.pass_s(6)
    story.settle()
    document = story.ask(alerts, json=True).document
    (lost,) = document["alerts"]
    assert (lost["state"], lost["acknowledged_by"]) == ("acknowledged", "Ann")
    assert lost["maintenance"] == work["id"]
    assert [w["id"] for w in document["maintenance"]] == [work["id"]]
    plain = story.ask(alerts)
    must_fit(plain)
    assert "in hand of Ann: maintenance until 10:00Z: new antenna" in plain.out
    assert "ridge: until 10:00:00Z (1 h 59 min left), by Ann: new antenna" in plain.out
    assert story.ask(alerts, "--fail-if-open").code == 0


def test_work_that_begins_names_who_should_know(story: Story) -> None:
    """Members last heard there, and nobody else."""
    ms = story.now_ms
    story.tell(
        story.ridge.heard(ms, "QA1ABC", "o1", to="NET"),
        story.lake.heard(ms, "QB2DEF", "o2", to="NET"),
    )
    answered = story.ask(alerts, *PLAN)
    must_fit(answered)
    assert answered.code == 0
    assert "QA1ABC: last heard there" in answered.out
    assert "QB2DEF" not in answered.out
    assert story.ask(alerts, "--maintenance", "ridge/vhf", "--for", "5m", "--by", "Ann",
                     json=True).document["members"] == []  # fmt: skip
    for subject in ("net", "*"):
        words = ("--maintenance", subject, "--for", "5m", "--by", "Ann")
        assert story.ask(alerts, *words, json=True).document["members"] == ["QA1ABC", "QB2DEF"]


def test_work_is_ended_before_its_time(story: Story) -> None:
    story.tell(story.ridge.state(story.now_ms))
    work = story.ask(alerts, *PLAN, json=True).document["maintenance"]
    story.tell(story.ridge.state(story.now_ms, up=False))
    story.pass_s(6)
    story.settle()
    end = ("--end-maintenance", work["id"], "--by", "Bob")
    answered = story.ask(alerts, *end)
    assert (answered.code, answered.err) == (0, "")
    assert "Maintenance of ridge is over" in answered.out
    story.settle()
    document = story.ask(alerts, json=True).document
    assert (document["open"], document["maintenance"]) == (1, [])
    again = story.ask(alerts, *end)
    assert (again.code, again.out) == (1, "")
    assert "is over" in again.err


def test_work_where_there_is_nothing(story: Story) -> None:
    for words, text in (
        (("--maintenance", "rigde", "--for", "2h", "--by", "A"), "did you mean 'ridge'?"),
        (("--maintenance", "ridge", "--for", "1000h", "--by", "A"), "at most 7 days"),
        (("--end-maintenance", "work-none", "--by", "A"), "no maintenance 'work-none'"),
    ):
        answered = story.ask(alerts, *words)
        assert (answered.code, answered.out) == (1, ""), words
        assert text in answered.err


def test_no_alert(story: Story) -> None:
    story.settle()
    answered = story.ask(alerts)
    assert (answered.code, answered.lines) == (0, ["No alert is open."])


def test_an_alert_that_is_not_there(story: Story) -> None:
    trouble(story)
    answered = story.ask(alerts, "--ack", "gateway_lost.rigde", "--by", "Duty desk")
    assert (answered.code, answered.out) == (1, "")
    assert "did you mean 'gateway_lost.ridge'?" in answered.err


def test_used_wrongly(story: Story) -> None:
    trouble(story)
    wrong = (
        (("--ack", "gateway_lost.ridge"), "--ack needs --by NAME"),
        (("--maintenance", "ridge", "--for", "2h"), "--maintenance needs --by NAME"),
        (("--maintenance", "ridge", "--by", "A"), "--for TIME belong together"),
        (("--for", "2h", "--by", "A"), "--for TIME belong together"),
        (("--end-maintenance", "work-1"), "--end-maintenance needs --by NAME"),
        (("--end-maintenance", "w", "--ack", "a", "--by", "A"), "one at a time"),
        (("--by", "Duty desk"), "belong to --ack ID"),
        (("--note", "gone"), "belong to --ack ID"),
        (("--ack", "gateway_lost.ridge", "--by", " "), "--by: 1 to 64 printable characters"),
        (("--ack", "gateway_lost.ridge", "--by", "a\x1bb"), "--by: 1 to 64 printable characters"),
        (("--ack", "gateway_lost.ridge", "--by", "A", "--note", "x" * 201), "--note: 1 to 200"),
        (("--ack", "gateway_lost.ridge", "--by", "A", "--fail-if-open"), "one at a time"),
    )
    for words, text in wrong:
        answered = story.ask(alerts, *words)
        assert (answered.code, answered.out) == (2, ""), words
        assert text in answered.err
    assert story.ask(alerts, json=True).document["acknowledged"] == 0
    assert named(story.ask(alerts, json=True).document["alerts"], "kind", "gateway_lost")
