"""What a repeater heard and where a station was, for charts."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from statistics import fmean
from typing import Any

import pytest

from streamer.reading.common import Desk, NotFound, open_desk
from streamer.reading.history import MOST_MOVES, repeater_history, station_history
from streamer.state.store import StoreUnavailable, connect
from tests.reading.conftest import Story, named
from tests.state.scene import START_MS, moment, region

DAY_S = 24 * 3600


@contextmanager
def desk(story: Story) -> Iterator[Desk]:
    client = connect(story.redis.url)
    yield open_desk(client, story.bench.view, story.now_ms)
    client.close()


def of_repeater(story: Story, repeater: str) -> Any:
    with desk(story) as opened:
        return json.loads(repeater_history(opened, repeater).model_dump_json())


def of_station(story: Story, station: str) -> Any:
    with desk(story) as opened:
        return json.loads(station_history(opened, station).model_dump_json())


def over(story: Story, gateway: str, station: str, name: str, **more: Any) -> None:
    """A whole over: its end, 4 s after its start, which is now."""
    ms = story.now_ms
    teller = getattr(story, gateway)
    ended: dict[str, Any] = {"phase": "end", "duration_s": 4, "sent_at": moment(ms + 4000)}
    story.tell(teller.heard(ms, station, name), teller.heard(ms, station, name, **ended, **more))
    story.pass_s(5)


# -- a repeater --------------------------------------------------------------------------------


def test_a_day_in_buckets_without_gaps(story: Story) -> None:
    values = [-97.5, -101.25, -88.0]
    for n, rssi in enumerate(values):
        over(story, "ridge", "QA1ABC", f"o{n}", rssi_dbm=rssi)
    story.pass_s(300)
    over(story, "ridge", "QA1ABC", "o9", ber_pct=0.5)
    found = of_repeater(story, "ridge/uhf")
    assert (found["repeater"], found["gateway"], found["keeper"]) == (
        "ridge/uhf", "ridge", "the ridge crew",
    )  # fmt: skip
    assert (found["lat"], found["lon"], found["range_km"], found["antenna_m"]) == (
        -46,
        20,
        30,
        None,
    )
    starts = [b["start_at"] for b in found["buckets"]]
    assert len(starts) == DAY_S / found["bucket_s"] == 288
    # START_MS is 08:00:00; it is 08:05:20 now, and the last bucket holds the present.
    assert (found["from_at"], starts[0]) == (moment(START_MS + 600_000 - DAY_S * 1000),) * 2
    assert (starts[-1], found["until_at"]) == (
        moment(START_MS + 300_000), moment(START_MS + 600_000),
    )  # fmt: skip
    first, last = found["buckets"][-2:]
    # Source of the mean: Python's statistics.
    told = {"readings": 3, "mean": round(fmean(values), 4), "min": -101.25, "max": -88.0}
    assert first == {
        "start_at": moment(START_MS), "overs": 3, "air_s": 12.0, "rssi_dbm": told, "ber_pct": None,
    }  # fmt: skip
    assert (last["overs"], last["ber_pct"]["mean"], last["rssi_dbm"]) == (1, 0.5, None)
    empty = found["buckets"][0]
    assert (empty["overs"], empty["air_s"], empty["rssi_dbm"], empty["ber_pct"]) == (
        0, 0.0, None, None,
    )  # fmt: skip
    assert sum(b["overs"] for b in found["buckets"]) == 4
    other = of_repeater(story, "ridge/vhf")
    assert sum(b["overs"] for b in other["buckets"]) == 0
    assert other["stations"] == other["moves"] == []


def test_the_load_by_the_hour(story: Story) -> None:
    """On paper: three overs of 4 s from 08:00 on and one at 08:05:15; at 08:05:20, 320 s into the
    hour, 16 s are 0.05 erlang. Nothing was known before: those hours are not empty ones. A day
    later the day begins at 08:10: 50 min of that hour, which was watched and empty."""
    story.tell(story.ridge.state(story.now_ms))
    for n in range(3):
        over(story, "ridge", "QA1ABC", f"o{n}")
    story.pass_s(300)
    over(story, "ridge", "QA1ABC", "o9")
    story.tell(story.ridge.state(story.now_ms))
    hours = of_repeater(story, "ridge/uhf")["hours"]
    assert len(hours) == 25
    assert hours[-1] == {"start_at": moment(START_MS), "recorded_s": 320.0, "erlangs": 0.05}
    assert hours[0]["start_at"] == moment(START_MS - DAY_S * 1000)
    assert [(h["recorded_s"], h["erlangs"]) for h in hours[:-1]] == [(0.0, None)] * 24
    story.pass_s(3600)
    story.tell(story.ridge.state(story.now_ms))
    # Whole now: 16 s of 3600, to four decimals.
    assert of_repeater(story, "ridge/uhf")["hours"][-2]["erlangs"] == round(16 / 3600, 4)
    story.pass_s(DAY_S - 3600)
    story.tell(story.ridge.state(story.now_ms))
    hours = of_repeater(story, "ridge/uhf")["hours"]
    assert hours[0] == {"start_at": moment(START_MS), "recorded_s": 3000.0, "erlangs": 0.0}
    assert [h["recorded_s"] for h in hours[1:-1]] == [3600.0] * 23


def test_an_hour_is_divided_by_the_time_that_was_observed(story: Story) -> None:
    """On paper: the gateway speaks at 08:10 first, an over of 4 s at 08:12 and the present at
    08:12:05: 125 s, so 4 / 125 = 0.032 erlang. In a record that begins at 08:11:45 it is 4 / 20."""
    story.pass_s(600)
    story.tell(story.ridge.state(story.now_ms))
    story.pass_s(120)
    over(story, "ridge", "QA1ABC", "o1")
    story.tell(story.ridge.state(story.now_ms))
    (*before, hour) = of_repeater(story, "ridge/uhf")["hours"]
    assert hour == {"start_at": moment(START_MS), "recorded_s": 125.0, "erlangs": 0.032}
    assert {h["erlangs"] for h in before} == {None}
    with desk(story) as opened:
        found = repeater_history(opened, "ridge/uhf", START_MS + 705_000)
    assert (found.hours[-1].recorded_s, found.hours[-1].erlangs) == (20.0, 0.2)
    # Of the other port nothing was heard, but its gateway was there; the lake's never was.
    quiet = of_repeater(story, "ridge/vhf")["hours"][-1]
    assert (quiet["recorded_s"], quiet["erlangs"]) == (125.0, 0.0)
    unknown = of_repeater(story, "lake/uhf")["hours"][-1]
    assert (unknown["recorded_s"], unknown["erlangs"]) == (0.0, None)


def test_of_a_gateway_without_heartbeats_it_counts_from_the_first_over(story: Story) -> None:
    """On paper: the first over at 08:12 is in the five minutes from 08:10 on; at 08:12:05 4 s
    of 125 are 0.032 erlang. In a record that begins at 08:11:45 it is 4 s of 20."""
    story.pass_s(720)
    over(story, "lake", "QA1ABC", "o1")
    hour = of_repeater(story, "lake/uhf")["hours"][-1]
    assert (hour["recorded_s"], hour["erlangs"]) == (125.0, 0.032)
    with desk(story) as opened:
        found = repeater_history(opened, "lake/uhf", START_MS + 705_000).hours[-1]
    assert (found.recorded_s, found.erlangs) == (20.0, 0.2)


def test_dark_time_is_no_empty_time(story: Story) -> None:
    """On paper: there for 60 s, down for 100, there for 50 with an over of 4 s and a second
    more: 4 s of 115 are 0.0348 erlang. Down for all of the next hour: of that nothing can
    be said."""
    up: dict[str, Any] = {"repeaters": [{"id": "ridge/uhf", "up": True}]}
    story.tell(story.ridge.state(story.now_ms, session=1, **up))
    story.pass_s(60)
    story.tell(story.ridge.state(story.now_ms, session=1, up=False))
    story.pass_s(100)
    story.tell(story.ridge.state(story.now_ms, session=2, **up))
    story.pass_s(50)
    over(story, "ridge", "QA1ABC", "o1")
    hour = of_repeater(story, "ridge/uhf")["hours"][-1]
    assert (hour["recorded_s"], hour["erlangs"]) == (115.0, round(4 / 115, 4))
    story.tell(story.ridge.state(story.now_ms, session=2, up=False))
    story.pass_s(2 * 3600)
    last, between, running = of_repeater(story, "ridge/uhf")["hours"][-3:]
    assert (last["recorded_s"], last["erlangs"]) == (115.0, round(4 / 115, 4))
    assert (between["erlangs"], running["erlangs"]) == (None, None)


def test_an_over_before_the_gateways_first_word_was_recorded(story: Story) -> None:
    """4 s on the air and a first word 1 s before the present: the time of the over counts too, for
    no channel is on the air for longer than it is watched."""
    ms = story.now_ms
    story.tell(story.ridge.heard(ms, "QA1ABC", "o1"))
    story.pass_s(4)
    ended: dict[str, Any] = {"phase": "end", "duration_s": 4, "sent_at": moment(ms + 4000)}
    story.tell(story.ridge.state(story.now_ms), story.ridge.heard(ms, "QA1ABC", "o1", **ended))
    story.pass_s(1)
    hour = of_repeater(story, "ridge/uhf")["hours"][-1]
    assert (hour["recorded_s"], hour["erlangs"]) == (4.0, 1.0)


def test_the_present_of_a_repeater(story: Story) -> None:
    story.tell(
        story.ridge.state(story.now_ms, repeaters=[{"id": "ridge/uhf", "up": True}]),
        story.ridge.heard(story.now_ms, "QA1ABC", "o1", to="NET"),
        story.ridge.route(story.now_ms, "NET", "carrying"),
    )
    found = of_repeater(story, "ridge/uhf")
    assert (found["reporting"], found["since"], found["reason"]) == (
        True, moment(START_MS), "reporting",
    )  # fmt: skip
    assert found["groups"] == [
        {"group": "NET", "wanted": True, "why": ["member"], "carriage": "carried"}
    ]
    assert found["members"] == [{"station": "QA1ABC", "group": "NET", "standing": "in_reach"}]
    assert found["dark"] == []
    unspoken = of_repeater(story, "ridge/vhf")
    assert unspoken["reporting"] is None
    assert unspoken["reason"] == "its gateway's heartbeat does not speak of it"


def test_when_it_could_not_hear_is_told(story: Story) -> None:
    up: dict[str, Any] = {"repeaters": [{"id": "ridge/uhf", "up": True}]}
    story.tell(story.ridge.state(story.now_ms, session=1, **up))
    story.pass_s(60)
    story.tell(story.ridge.state(story.now_ms, session=1, up=False))
    story.pass_s(100)
    story.tell(story.ridge.state(story.now_ms, session=2, **up))
    story.pass_s(50)
    earlier = {"from_at": moment(START_MS + 60_000), "until_at": moment(START_MS + 160_000)}
    assert of_repeater(story, "ridge/uhf")["dark"] == [earlier]
    story.tell(story.ridge.state(story.now_ms, session=2, up=False))
    story.pass_s(5)
    found = of_repeater(story, "ridge/uhf")
    assert found["dark"] == [earlier, {"from_at": moment(START_MS + 210_000), "until_at": None}]
    assert (found["reporting"], found["reason"]) == (False, "gateway ridge is down")
    story.pass_s(DAY_S)
    (still,) = of_repeater(story, "ridge/uhf")["dark"]
    assert still == {"from_at": of_repeater(story, "ridge/uhf")["from_at"], "until_at": None}


def test_who_was_heard_and_who_came_and_went(story: Story) -> None:
    over(story, "ridge", "QA1ABC", "o1", rssi_dbm=-90)  # 0 s
    over(story, "ridge", "QB2DEF", "o2")  # 5 s
    over(story, "ridge", "QA1ABC", "o3", rssi_dbm=-95, ber_pct=1.5)  # 10 s
    over(story, "lake", "QA1ABC", "o4", rssi_dbm=-50)  # 15 s: went to the lake
    over(story, "mill", "QC3GHI", "o5")  # 20 s
    over(story, "ridge", "QC3GHI", "o6")  # 25 s: came from the mill
    found = of_repeater(story, "ridge/uhf")
    assert [
        (s["station"], s["last_heard_at"], s["here"], s["overs"]) for s in found["stations"]
    ] == [
        ("QC3GHI", moment(START_MS + 25_000), True, 1),
        ("QA1ABC", moment(START_MS + 10_000), False, 2),
        ("QB2DEF", moment(START_MS + 5000), True, 1),
    ]
    station = named(found["stations"], "station", "QA1ABC")
    assert station["rssi_dbm"] == {"readings": 2, "mean": -92.5, "min": -95.0, "max": -90.0}
    assert station["ber_pct"] == {"readings": 1, "mean": 1.5, "min": 1.5, "max": 1.5}
    assert found["moves"] == [
        {
            "at": moment(START_MS + 25_000), "station": "QC3GHI", "way": "in",
            "other": "mill/uhf", "last_over_before_at": moment(START_MS + 20_000),
        },
        {
            "at": moment(START_MS + 15_000), "station": "QA1ABC", "way": "out",
            "other": "lake/uhf", "last_over_before_at": moment(START_MS + 10_000),
        },
    ]  # fmt: skip
    (came,) = of_repeater(story, "lake/uhf")["moves"]
    assert (came["station"], came["way"], came["other"]) == ("QA1ABC", "in", "ridge/uhf")


def test_the_same_over_on_two_repeaters_is_no_move(story: Story) -> None:
    over(story, "ridge", "QA1ABC", "o1")
    ms = story.now_ms
    story.tell(story.ridge.heard(ms, "QA1ABC", "o2"), story.lake.heard(ms, "QA1ABC", "o2"))
    story.tell(story.ridge.heard(ms + 9, "QA1ABC", "o3"), story.lake.heard(ms + 8, "QA1ABC", "o3"))
    for repeater in ("ridge/uhf", "lake/uhf"):
        found = of_repeater(story, repeater)
        assert found["moves"] == []
        assert [s["station"] for s in found["stations"]] == ["QA1ABC"]


def test_the_newest_moves_are_told(story: Story) -> None:
    for n in range(4):
        for number in range(9):
            over(story, "ridge", f"QA{number}XYZ", f"r{n}-{number}")
            over(story, "lake", f"QA{number}XYZ", f"l{n}-{number}")
    moves = of_repeater(story, "lake/uhf")["moves"]
    # Nine stations came four times and went three times.
    assert 9 * 4 + 9 * 3 > MOST_MOVES == len(moves)
    times = [move["at"] for move in moves]
    assert times == sorted(times, reverse=True)
    assert moves[0]["station"] == "QA8XYZ"


def test_what_is_longer_ago_than_a_day_is_left_out(story: Story) -> None:
    over(story, "lake", "QA1ABC", "o0")
    over(story, "ridge", "QA1ABC", "o1")
    story.pass_s(DAY_S - 600)
    found = of_repeater(story, "ridge/uhf")
    assert [len(found["stations"]), len(found["moves"])] == [1, 1]
    assert [b["overs"] for b in found["buckets"] if b["overs"]] == [1]
    story.pass_s(900)
    found = of_repeater(story, "ridge/uhf")
    assert found["stations"] == found["moves"] == []
    assert [b["overs"] for b in found["buckets"] if b["overs"]] == []


def test_a_station_that_the_state_has_forgotten_is_still_named(story: Story) -> None:
    over(story, "ridge", "QA1ABC", "o1")
    store = story.worker.store
    story.redis.client().delete(store.keys.station("QA1ABC"))
    (heard,) = of_repeater(story, "ridge/uhf")["stations"]
    assert (heard["station"], heard["here"], heard["overs"]) == ("QA1ABC", False, 0)


def test_a_repeater_that_is_not_there(story: Story) -> None:
    with desk(story) as opened, pytest.raises(NotFound) as caught:
        repeater_history(opened, "ridge/uhv")
    assert "no repeater 'ridge/uhv' in the region file" in str(caught.value)
    assert "ridge/uhf" in str(caught.value)


def test_a_repeater_of_a_gateway_that_need_not_be_listed(story: Story) -> None:
    view = region(open_gateways=True)
    client = connect(story.redis.url)
    opened = open_desk(client, view, START_MS)
    with pytest.raises(NotFound):
        repeater_history(opened, "hut/uhf")
    story.bench.view = view
    worker = story.bench.worker()
    state = story.ridge.__class__("hut")
    place = {"id": "hut/uhf", "up": True, "lat": -46.5, "lon": 20.5, "freq_mhz": 439.0}
    worker.run([state.state(START_MS, repeaters=[place]), state.heard(START_MS, "QA1ABC", "o1")])
    found = repeater_history(opened, "hut/uhf")
    assert (found.title, found.lat, found.lon, found.freq_mhz) == ("", -46.5, 20.5, 439.0)
    assert (found.buckets[-1].overs, found.reporting) == (1, True)
    client.close()


# -- a station ---------------------------------------------------------------------------------


def test_where_a_station_was(story: Story) -> None:
    over(story, "ridge", "QA1ABC", "o1", rssi_dbm=-90, ber_pct=0.25)  # 0 s
    over(story, "ridge", "QA1ABC", "o2", rssi_dbm=-91)  # 5 s
    over(story, "lake", "QA1ABC", "o3")  # 10 s
    story.tell(story.lake.heard(story.now_ms, "QA1ABC/P", "o4", to="NET", rssi_dbm=-70))  # 15 s
    story.pass_s(5)
    found = of_station(story, "qa1abc/m")
    assert (found["station"], found["known"], found["at"]) == (
        "QA1ABC", True, moment(START_MS + 20_000),
    )  # fmt: skip
    assert [(o["over"], o["duration_s"], o["rssi_dbm"], o["ber_pct"]) for o in found["path"]] == [
        ("o4", None, -70.0, None),
        ("o3", 4.0, None, None),
        ("o2", 4.0, -91.0, None),
        ("o1", 4.0, -90.0, 0.25),
    ]
    assert found["stays"] == [
        {
            "repeater": "lake/uhf", "title": "", "from_at": moment(START_MS + 10_000),
            "last_over_at": moment(START_MS + 15_000), "until_at": None, "overs": 2,
        },
        {
            "repeater": "ridge/uhf", "title": "", "from_at": moment(START_MS),
            "last_over_at": moment(START_MS + 5000), "until_at": moment(START_MS + 10_000),
            "overs": 2,
        },
    ]  # fmt: skip
    lake, ridge = found["repeaters"]
    assert (lake["repeater"], lake["overs"], lake["air_s"]) == ("lake/uhf", 2, 4.0)
    assert (ridge["first_over_at"], ridge["last_over_at"], ridge["air_s"]) == (
        moment(START_MS), moment(START_MS + 5000), 8.0,
    )  # fmt: skip
    assert ridge["rssi_dbm"] == {"readings": 2, "mean": -90.5, "min": -91.0, "max": -90.0}
    assert (lake["ber_pct"], ridge["ber_pct"]["mean"]) == (None, 0.25)
    assert [g["group"] for g in found["groups"]] == ["NET"]
    assert found["last_heard"]["repeater"] == "lake/uhf"
    assert "not authenticated" in found["caution"]


def test_an_over_heard_twice_is_of_one_stay(story: Story) -> None:
    over(story, "ridge", "QA1ABC", "o1")
    ms = story.now_ms
    story.tell(story.ridge.heard(ms + 1, "QA1ABC", "o2"), story.lake.heard(ms, "QA1ABC", "o2"))
    found = of_station(story, "QA1ABC")
    assert [(s["repeater"], s["overs"]) for s in found["stays"]] == [("ridge/uhf", 2)]
    assert [(r["repeater"], r["overs"]) for r in found["repeaters"]] == [
        ("ridge/uhf", 2), ("lake/uhf", 1),
    ]  # fmt: skip


def test_a_station_that_nobody_heard(story: Story) -> None:
    over(story, "ridge", "Mobile One", "o1")
    for asked, reason in (
        ("QA1ABD", "QA1ABD was never heard, or so long ago that it is forgotten"),
        ("mobile one", "was heard, but is not taken for a station"),
    ):
        with desk(story) as opened, pytest.raises(NotFound) as caught:
            station_history(opened, asked)
        assert reason in str(caught.value)


def test_redis_that_does_not_answer(story: Story) -> None:
    with desk(story) as opened:
        story.redis.stop()
        for question, name in ((repeater_history, "ridge/uhf"), (station_history, "QA1ABC")):
            with pytest.raises(StoreUnavailable):
                question(opened, name)
    story.redis.start()


def test_how_well_it_hears(story: Story) -> None:
    assert of_repeater(story, "ridge/uhf")["health"] is None  # no worker has looked
    story.tell(story.ridge.state(story.now_ms))
    over(story, "ridge", "QA1ABC", "o1", rssi_dbm=-90)
    story.pass_s(60)
    story.settle()
    found = of_repeater(story, "ridge/uhf")["health"]
    assert (found["overs"], found["stations"], found["findings"]) == (1, 1, [])
    assert found["judged_at"] == moment(story.now_ms)
    assert of_repeater(story, "lake/uhf")["health"] is None  # its gateway never said anything
