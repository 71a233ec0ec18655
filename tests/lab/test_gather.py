"""Lines of a journal become a day; the lines are written out here by hand."""

import json
import random
from typing import Any

import pytest

from streamer.config import RegionView
from streamer.lab.day import CarriedSpan, Day, Hearing
from streamer.lab.gather import NotADay, day_from
from tests.state.scene import region

T = 1_800_000_000_000
BOOT = "0190000000000001"


def begin(name: str = "scene", noted_ms: int = T) -> dict[str, Any]:
    return {
        "kind": "begin", "noted_ms": noted_ms, "format": "streamer-journal", "v": 1,
        "region": name, "worker": "w1", "software": "0",
    }  # fmt: skip


def settings(view: RegionView, noted_ms: int = T) -> dict[str, Any]:
    text = view.region.model_dump_json(exclude={"broker", "redis_url", "redis_password_file"})
    return {"kind": "region", "noted_ms": noted_ms, "settings": text}


def heard(seq: int, began_ms: int, repeater: str, station: str, over: str, **more: Any) -> Any:
    return {
        "kind": "heard", "noted_ms": began_ms + 50, "gateway": repeater.split("/", maxsplit=1)[0],
        "boot": BOOT, "seq": seq, "repeater": repeater, "station": station, "over": over,
        "phase": "start", "began_ms": began_ms, "ended_ms": began_ms, **more,
    }  # fmt: skip


def ended(seq: int, began_ms: int, duration_ms: int, *place: str, **more: Any) -> Any:
    ended_ms = began_ms + duration_ms
    return heard(
        seq, began_ms, *place, **more, phase="end", ended_ms=ended_ms, noted_ms=ended_ms + 50,
        duration_ms=duration_ms,
    )  # fmt: skip


def route(seq: int, said_ms: int, repeater: str, group: str, action: str) -> Any:
    return {
        "kind": "route", "noted_ms": said_ms + 20, "gateway": repeater.split("/", maxsplit=1)[0],
        "boot": BOOT, "seq": seq, "repeater": repeater, "group": group, "action": action,
        "said_ms": said_ms,
    }  # fmt: skip


def state(seq: int | None, said_ms: int, session: int = 0, *, up: bool = True, **more: Any) -> Any:
    content = {"v": 1, "boot": BOOT, "session": session, "up": up, "repeaters": []}
    content |= {"sent_at": "2027-01-15T08:00:00Z", **more}
    flips = content.pop("flips", [])
    line = {
        "kind": "state", "noted_ms": said_ms + 10, "gateway": "ridge", "boot": BOOT,
        "session": session, "said_ms": said_ms, "up": up, "flips": flips,
    }  # fmt: skip
    if seq is not None:
        line["seq"] = content["seq"] = seq
    return {**line, "content": json.dumps(content)}


LINES = [
    begin(),
    settings(region()),
    # One over, heard by two repeaters; ridge's clock is 40 ms ahead, so that one placed it.
    heard(1, T + 1000, "lake/uhf", "QA1ABC", "o1", to="NET"),
    heard(1, T + 1040, "ridge/uhf", "QA1ABC", "o1", to="NET"),
    ended(2, T + 1000, 2000, "lake/uhf", "QA1ABC", "o1", to="NET", rssi_dbm=-100.0, ber_pct=1.0),
    ended(
        2, T + 1040, 2000, "ridge/uhf", "QA1ABC", "o1", to="NET", rssi_dbm=-90.0, text=" out ",
        fix_ms=T + 1040, lat=-46.1, lon=20.0,
    ),
    # To nobody in particular, with a word that checks out of everything; only its end was heard.
    ended(3, T + 9000, 500, "lake/vhf", "QB2DEF", "o2", text="QRT"),
    # To another station; never ended.
    heard(4, T + 12_000, "lake/uhf", "QB2DEF", "o3", to="QA1ABC"),
    route(3, T + 2000, "ridge/uhf", "NET", "carrying"),
    route(4, T + 3000, "ridge/uhf", "NET", "sent"),
    route(5, T + 4000, "ridge/uhf", "NET", "carrying"),
    route(6, T + 5000, "ridge/uhf", "NET", "released"),
    route(7, T + 15_000, "ridge/uhf", "NET", "carrying"),
    {"kind": "end", "noted_ms": T + 20_000, "lines": 14},
]  # fmt: skip


def test_an_over_is_one_however_often_it_was_told() -> None:
    day = day_from(LINES)
    first, second, third = day.overs
    assert (first.over, first.station, first.to, first.group) == ("o1", "QA1ABC", "NET", "NET")
    # Placed by the later begin (state rule 1); until the last end; known since the first telling.
    assert (first.repeater, first.began_ms, first.ended_ms) == ("ridge/uhf", T + 1040, T + 3040)
    assert first.noted_ms == T + 1050
    assert first.heard == (Hearing("ridge/uhf", -90.0, None), Hearing("lake/uhf", -100.0, 1.0))
    assert (first.out_group, first.out_word) == ("NET", "")
    assert first.fix is not None
    assert (first.fix.at_ms, first.fix.lat, first.fix.speed_mps) == (T + 1040, -46.1, None)
    assert (second.group, second.out_group, second.out_word) == ("", "", "QRT")
    assert (second.began_ms, second.ended_ms) == (T + 9000, T + 9500)
    assert (third.to, third.group, third.began_ms, third.ended_ms) == (
        "QA1ABC", "", T + 12_000, T + 12_000,
    )  # fmt: skip
    assert (day.begin_ms, day.end_ms) == (T, T + 20_000)


def test_what_repeaters_said_they_carry() -> None:
    assert day_from(LINES).carried == (
        CarriedSpan("NET", "ridge/uhf", T + 2000, T + 5000),
        CarriedSpan("NET", "ridge/uhf", T + 15_000, T + 20_000),
    )


def comparable(day: Day) -> tuple[Any, ...]:
    return day.begin_ms, day.end_ms, day.overs, day.carried, day.dark, day.acts


@pytest.mark.parametrize("seed", range(5))
def test_order_and_repetition_do_not_matter(seed: int) -> None:
    lines = [*LINES, *LINES[2:-1]]
    random.Random(seed).shuffle(lines)
    assert comparable(day_from(lines)) == comparable(day_from(LINES))


def test_a_name_given_anew_is_another_over() -> None:
    """A gateway that numbers its overs from 1 after each start."""
    lines = [
        settings(region()),
        *(ended(n, T + n * 3_600_000, 100, "lake/uhf", "QA1ABC", "o1") for n in (1, 2, 3)),
        ended(4, T + 2 * 3_600_000, 100, "lake/uhf", "QB2DEF", "o1"),
        ended(1, T + 3_600_000 + 30, 100, "mill/uhf", "QA1ABC", "o1"),
    ]
    day = day_from(lines)
    assert [(o.station, len(o.heard)) for o in day.overs] == [
        ("QA1ABC", 2), ("QA1ABC", 1), ("QB2DEF", 1), ("QA1ABC", 1),
    ]  # fmt: skip


def test_when_a_gateway_was_not_there() -> None:
    """Worked out by hand with gateway_lost_after_s = 90: a session that said goodbye leaves a dark
    time up to the next; one renewed within 90 s leaves none; a silence at the end lasts."""
    lines = [
        settings(region()),
        state(1, T), state(2, T + 60_000, up=False),
        state(3, T + 300_000, 1), state(4, T + 330_000, 1),
        state(5, T + 400_000, 2, flips=[["ridge/vhf", T + 340_000, 0]]),
        state(6, T + 500_000, 2, flips=[["ridge/vhf", T + 450_000, 1]]),
        ended(1, T + 700_000, 100, "lake/uhf", "QA1ABC", "o1"),
    ]  # fmt: skip
    dark = day_from(lines).dark
    gateway = (T + 60_000, T + 300_000)
    last = (T + 500_000, T + 700_150)
    assert dark == {
        "ridge/uhf": (gateway, last),
        "ridge/vhf": (gateway, (T + 340_000, T + 450_000), last),
    }


def test_a_flood_is_dark_until_nothing_was_refused_for_the_hold() -> None:
    """By hand: told at 100, 101 and 350 s, hold 300 s: dark from 100 to 650 s; what is refused for
    another reason makes nothing dark. A second one lasts until the end, 1000 s."""
    told = [
        {"kind": "refused", "noted_ms": T + s * 1000, "gateway": "ridge", "reason": reason}
        for s, reason in ((101, "flood"), (350, "flood"), (100, "flood"), (101, "flood"),
                          (700, "late"), (990, "flood"))
    ]  # fmt: skip
    beats = [state(n, T + n * 60_000) for n in range(17)]
    lines = [settings(region()), *beats, *told, ended(1, T + 999_000, 500, "lake/uhf", "QA1ABC",
                                                      "o1")]  # fmt: skip
    day = day_from(lines)
    dark = ((T + 100_000, T + 650_000), (T + 990_000, day.end_ms))
    assert day.dark == {"ridge/uhf": dark, "ridge/vhf": dark}


def test_a_will_ends_a_session() -> None:
    lines = [
        settings(region()), state(1, T), state(None, T, up=False),
        ended(1, T + 30_000, 100, "lake/uhf", "QA1ABC", "o1"),
    ]  # fmt: skip
    # A will carries the time of its connection: when it came (noted) is the better word.
    assert day_from(lines).dark["ridge/uhf"] == ((T + 10, T + 30_150),)


def test_acts_stand_once() -> None:
    act = {
        "kind": "act", "noted_ms": T + 5,
        "entry": json.dumps({
            "at": "2027-01-15T08:00:00Z", "by": "dispatcher", "act": "bar",
            "subject": "NET lake/uhf", "details": {"until": "2027-01-15T09:00:00Z"},
        }),
    }  # fmt: skip
    (entry,) = day_from([settings(region()), act, dict(act, noted_ms=T + 9)]).acts
    assert (entry.act, entry.subject) == ("bar", "NET lake/uhf")


def test_the_newest_settings_count_or_those_given() -> None:
    other = region(group=[{"name": "RESCUE"}])
    lines = [settings(region()), *LINES[2:], settings(other, T + 99)]
    assert {over.group for over in day_from(lines).overs} == {""}
    assert {over.group for over in day_from(lines, region()).overs} == {"", "NET"}


@pytest.mark.parametrize(
    ("lines", "view", "words"),
    [
        (LINES[2:], None, "give --region FILE"),
        ([*LINES, begin("other")], None, "several regions (other, scene)"),
        (LINES, region(region="other"), "region file is of 'other'"),
        ([{**LINES[1], "settings": '{"region": 5}'}], None, "give --region FILE"),
    ],
)
def test_what_makes_no_day_is_said(lines: list[Any], view: RegionView | None, words: str) -> None:
    with pytest.raises(NotADay) as told:
        day_from(lines, view)
    assert words in str(told.value)


def test_a_line_that_is_not_whole_is_left_out_and_told() -> None:
    lines = [
        *LINES,
        {"kind": "heard", "noted_ms": T},
        {"kind": "state", "noted_ms": T, "gateway": 3},
    ]
    told: list[str] = []
    assert comparable(day_from(lines, None, told.append)) == comparable(day_from(LINES))
    assert told == ["2 lines lack what their kind has, or hold it in another form: left out"]
    with pytest.raises(NotADay, match="2 lines"):
        day_from(lines)
