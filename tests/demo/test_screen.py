"""The view fits its terminal and says in words what matters."""

from dataclasses import replace
from typing import Any

import pytest
from rich.cells import cell_len

from streamer.clock import from_ms
from streamer.contract import topics
from streamer.contract.published import Alert, AlertKind, AlertState, Carriage, Severity, Standing
from streamer.demo.picture import Picture
from streamer.demo.screen import Scene, compose
from streamer.demo.story import last_and_next
from tests.demo.test_picture import NOW, REGION, alert, fanout, reach, worker

BOARD = "http://127.0.0.1:54321/"


def scene(trouble: str | None = None) -> Scene:
    reached, coming = last_and_next(30)
    return Scene(
        title="Far Isle",
        show_s=30,
        now_ms=NOW + 42_000,
        services="mosquitto, redis-server",
        reached=reached,
        coming=coming,
        coming_in_s=3.0,
        trouble=trouble,
        news=[f"moved: QA{n}ABC" for n in range(9)],
        group_titles={"SHORE": "Shore watch"},
        board=BOARD,
    )


def picture() -> Picture:
    made = Picture(REGION)
    names = [f"gateway-{n}/vhf" for n in range(14)]
    for group in ("SHORE", "CONTROL", "SUPPLY", "SEARCH-1", "SEARCH-2"):
        made.take(topics.fanout_topic(REGION, group), fanout(1, *names, group=group), NOW)
    shore = made.fanouts["SHORE"]
    silent = shore.repeaters[9].model_copy(update={"carriage": Carriage.NOT_CARRIED})
    made.fanouts["SHORE"] = shore.model_copy(update={"repeaters": (*shore.repeaters, silent)})
    made.take(topics.reach_topic(REGION, "SHORE"), reach(1, "ost/vhf", Standing.OVERDUE), NOW)
    made.take(topics.alert_topic(REGION, "repeater_lost-1"), alert(1, AlertState.OPEN), NOW)
    return made


def text(width: int, height: int, trouble: str | None = None) -> list[str]:
    return [line.plain for line in compose(picture(), scene(trouble), width, height)]


@pytest.mark.parametrize(
    ("width", "height"), [(200, 60), (100, 35), (80, 24), (60, 20), (40, 12), (20, 5), (10, 1)]
)
def test_it_fits(width: int, height: int) -> None:
    lines = text(width, height)
    assert 0 < len(lines) <= height
    assert all(cell_len(line) <= width for line in lines)


@pytest.mark.parametrize(("width", "height"), [(200, 60), (80, 24), (60, 20), (40, 12)])
def test_the_address_of_the_board_is_never_cut_off(width: int, height: int) -> None:
    assert f"board {BOARD}" in text(width, height)


@pytest.mark.parametrize(("width", "height"), [(100, 35), (80, 24)])
def test_it_says_who_would_hear_who_is_missing_and_what_to_do(width: int, height: int) -> None:
    shown = "\n".join(text(width, height))
    assert "would be heard at 14 of 15 repeaters" in shown
    assert "NOT CARRIED" in shown  # in words, and first in its line
    assert "QA1ABC 42 s (overdue)" in shown
    assert "42 s critical Repeater ost/vhf is lost" in shown
    assert "Look at the radio." in shown
    assert "in 3 s:" in shown
    joined = " ".join(shown.split())
    assert "Call signs are not authenticated on the air." in joined
    assert "the law come first." in joined


def test_what_is_left_out_is_said() -> None:
    lines = text(80, 24)
    assert any(line.rstrip().endswith("more") for line in lines)


def test_trouble_and_emptiness_are_shown() -> None:
    assert any("broker away" in line for line in text(100, 35, trouble="broker away"))
    empty = "\n".join(line.plain for line in compose(Picture(REGION), scene(), 100, 35))
    assert "no fan-out has been published yet" in empty
    assert "no alert" in empty
    assert "no gateway heard yet" in empty


def test_an_alert_in_hand_is_told_apart() -> None:
    shown = picture()
    taken = alert(2, AlertState.ACKNOWLEDGED)
    shown.take(topics.alert_topic(REGION, taken_id := "repeater_lost-1"), taken, NOW)
    assert list(shown.alerts) == [taken_id]
    lines = [line.plain for line in compose(shown, scene(), 100, 35)]
    assert "1 alert, 1 in hand" in lines
    assert any("critical (in hand) Repeater ost/vhf is lost" in line for line in lines)


def shown_at(picture: Picture, now_ms: int, width: int = 100, **scene_fields: Any) -> str:
    seen = replace(scene(), now_ms=now_ms, **scene_fields)
    return "\n".join(line.plain for line in compose(picture, seen, width, 35))


@pytest.mark.parametrize("width", [80, 100])
def test_the_age_of_the_picture_is_that_of_a_workers_last_word(width: int) -> None:
    shown = picture()
    assert "no worker heard yet" in shown_at(shown, NOW, width)
    shown.take(topics.worker_topic(REGION, "worker-1"), worker(NOW), NOW)
    assert "picture 0.8 s old" in shown_at(shown, NOW + 800, width)
    assert "TROUBLE" not in shown_at(shown, NOW + 800, width)
    shown.take(topics.worker_topic(REGION, "worker-1"), worker(NOW + 2000, waiting=40), NOW + 2000)
    assert "picture 0.1 s old, 40 messages waiting" in shown_at(shown, NOW + 2100, width)


def test_a_frozen_worker_is_trouble_though_gateways_speak() -> None:
    shown = picture()
    shown.take(topics.worker_topic(REGION, "worker-1"), worker(NOW), NOW)
    event = (
        b'{"v":1,"boot":"00000001","seq":1,"sent_at":"2026-01-01T00:00:16Z",'
        b'"repeater":"ost/vhf","over":"x1","phase":"start","station":"QA1ABC"}'
    )
    late = NOW + 16_000  # three times the 5 s within which the next was due, and a little
    shown.take(topics.gateway_topic(REGION, "ost", topics.Kind.HEARD), event, late)
    text = shown_at(shown, late)
    assert "a gateway spoke 0.0 s ago" in text
    assert "picture 16.0 s old" in text
    assert "TROUBLE  worker worker-1 has not spoken for 16 s: what is shown is outdated" in text
    assert "TROUBLE" not in shown_at(shown, NOW + 14_000)


def test_a_repeater_is_given_its_time_to_carry_a_group() -> None:
    shown, topic = Picture(REGION), topics.fanout_topic(REGION, "SHORE")
    shown.take(topic, fanout(1, "ost/vhf", carriage=Carriage.NOT_CARRIED), NOW)
    policy: dict[str, Any] = {"starved_after_s": {"SHORE": 15.0}}
    early = shown_at(shown, NOW + 14_000, **policy)
    assert "ost/vhf 1 here not yet" in early
    assert "NOT CARRIED" not in early
    assert "ost/vhf 1 here NOT CARRIED" in shown_at(shown, NOW + 16_000, **policy)


def test_people_come_before_machines() -> None:
    shown = Picture(REGION)
    machine = Alert.model_validate_json(alert(1, AlertState.OPEN))
    changes = {"kind": AlertKind.MEMBER_OUT_OF_REACH, "title": "QA1ABC is out of reach"}
    younger = {"since": from_ms(NOW + 5000), "opened_at": from_ms(NOW + 5000)}
    person = machine.model_copy(update={"id": "member.SHORE.QA1ABC", **changes, **younger})
    lesser = person.model_copy(
        update={"id": "x", "severity": Severity.WARNING, "title": "QX3DEF is overdue"}
    )
    for one in (lesser, machine, person):
        shown.take(topics.alert_topic(REGION, one.id), one.model_dump_json().encode(), NOW)
    text = shown_at(shown, NOW + 42_000)
    places = [text.index(one.title) for one in (person, machine, lesser)]
    assert places == sorted(places)
