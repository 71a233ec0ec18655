"""What people have ordered is told wherever the state is read. Common practice, no source."""

import json

import pytest

from streamer.acts.acts import Acts
from streamer.contract.duty import DutyKind
from streamer.contract.published import OrderKind
from streamer.reading import alerts, group, where
from tests.reading.conftest import Story, must_fit

STATION = "QA1ABC"


@pytest.fixture
def acts(story: Story) -> Acts:
    story.tell(
        story.ridge.state(story.now_ms),
        story.ridge.heard(story.now_ms, STATION, "o1", to="NET"),
        story.ridge.route(story.now_ms, "NET", "released"),
    )
    return Acts(story.worker.store, story.bench.clock)


def test_orders_duties_and_roll_call_of_a_group(story: Story, acts: Acts) -> None:
    order = acts.order("NET", "mill/uhf", OrderKind.PIN, 600, "ann", "the search goes there")
    duty = acts.start_duty("winter search", DutyKind.EXERCISE, ["NET"], "ann")
    story.pass_s(1)
    call = acts.start_roll_call("NET", "bob")
    acts.answered("NET", STATION, "bob")
    found = story.ask(group, "NET", json=True).document
    assert found["orders"] == [json.loads(order.model_dump_json())]
    assert found["duties"] == [json.loads(duty.mark.model_dump_json())]
    assert found["roll_call"] == json.loads(call.model_dump_json())
    assert found["members"][0]["answered_by"] == "bob"
    said = story.ask(group, "NET")
    must_fit(said)
    text = " ".join(said.out.split())
    assert "EXERCISE: winter search" in said.lines
    assert "ordered by ann: pin mill/uhf until" in text
    assert "the search goes there" in text
    assert "roll call by bob" in text
    assert "1 answered" in text


def test_alerts_are_marked_while_a_duty_runs(story: Story, acts: Acts) -> None:
    acts.start_duty("winter search", DutyKind.EXERCISE, ["NET"], "ann")
    story.pass_s(1)
    acts.start_duty("real flood", DutyKind.ACTUAL, ["NET"], "ann")
    story.pass_s(30)
    story.settle()
    said = story.ask(alerts)
    must_fit(said)
    text = " ".join(said.out.split())
    real = "[real, while this runs: EXERCISE: winter search; ACTUAL DUTY: real flood]"
    assert real in text


def test_an_accepted_identity_is_a_station(story: Story, acts: Acts) -> None:
    assert story.ask(where, "TACTICAL").code == 1
    acts.accept_call("TACTICAL", "ann")
    story.settle()
    story.tell(story.ridge.heard(story.now_ms, "TACTICAL", "o2", to="NET"))
    found = story.ask(where, "tactical", json=True)
    assert (found.code, found.document["station"]) == (0, "TACTICAL")
