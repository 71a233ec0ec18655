"""The view fits its terminal and says in words what matters."""

import pytest
from rich.cells import cell_len

from streamer.contract import topics
from streamer.contract.published import AlertState, Carriage, Standing
from streamer.demo.picture import Picture
from streamer.demo.screen import Scene, compose
from streamer.demo.story import last_and_next
from tests.demo.test_picture import NOW, REGION, alert, fanout, reach


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
