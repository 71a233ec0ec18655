"""`streamer alerts`: the list, and taking one in hand."""

import json

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
    # QA1ABC was overdue before its gateway was lost, and stays so.
    overdue = ("warning", "member_overdue")
    assert kinds == [("critical", "gateway_lost"), overdue, overdue]
    assert (found["open"], found["acknowledged"]) == (3, 0)
    lost = found["alerts"][0]
    assert (lost["affects"], lost["keeper"]) == (["QA1ABC"], "the ridge crew")
    assert (lost["since"], lost["age_s"]) == (moment(START_MS + 61_000), 2.0)
    plain = story.ask(alerts)
    must_fit(plain)
    assert plain.lines[0] == "3 alerts: 1 critical, 2 warning; 0 in hand"
    for text in (
        "CRITICAL: Gateway ridge is lost",
        "next: Call the keeper of ridge",
        "affects: QA1ABC",
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
    assert (found["open"], found["acknowledged"]) == (2, 1)


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
