"""Settings asked for, the front, the choice, and whether it holds on a day it was not made on."""

from collections.abc import Sequence

import pytest

from streamer.clock import from_ms
from streamer.lab.compare import compare, dates_of, duties_of, pieces_of, prepare
from streamer.lab.compare_report import CompareReport, compare_report
from streamer.lab.compare_text import compare_lines
from streamer.lab.day import Day
from streamer.lab.grid import COMPARED, LISTS, GridError, at_the_edge, lines_to_change, settings_of
from streamer.lab.hindsight import Assumption
from streamer.lab.pareto import Point, Prices, beats, choose, front
from streamer.state.entries import Act, Entry
from tests.lab.compared import report, words
from tests.lab.demo_days import demo_day
from tests.lab.paper import ASSUMED, T, day, region

# -- the grid ------------------------------------------------------------------------------------


def texts(*asked: str, **changes: object) -> list[str]:
    return [setting.text for setting in settings_of(region(**changes), asked)]


def test_the_grid_is_each_with_each_and_the_setting_as_it_is() -> None:
    assert texts("linger_s=0,30", "NET.expire_after_s=900,1800") == [
        "as it is", "linger_s=0", "linger_s=30",
        "linger_s=0 NET.expire_after_s=900", "linger_s=30 NET.expire_after_s=900",
    ]  # fmt: skip
    # NET keeps its 60 s, so this comes to no change: it is the only group.
    assert texts("linger_s=30", "NET.linger_s=60,90") == ["as it is", "linger_s=30 NET.linger_s=90"]
    two = [{"name": "NET"}, {"name": "TALK"}]
    assert texts("linger_s=30", "NET.linger_s=60", group=two) == [
        "as it is", "linger_s=30 NET.linger_s=60",
    ]  # fmt: skip


def test_what_comes_to_the_same_is_compared_once() -> None:
    assert texts("linger_s=60,60.0,30") == ["as it is", "linger_s=30"]
    assert texts() == ["as it is"]
    # NET has its own: what [policy] says is of no matter to it.
    own = [{"name": "NET", "policy": {"linger_s": 10}}]
    assert texts("linger_s=30", group=own) == ["as it is"]


def test_pins_and_bars_are_tried_with_and_without() -> None:
    own = [{"name": "NET", "pins": ["ga/x"]}]
    found = settings_of(region(group=own), ["net.pins=+gb/x,-ga/x", "NET.bars=+gc/x"])
    assert [s.text for s in found] == [
        "as it is", "NET.bars=+gc/x", "NET.pins=+gb/x", "NET.pins=-ga/x",
        "NET.pins=+gb/x NET.bars=+gc/x", "NET.pins=-ga/x NET.bars=+gc/x",
    ]  # fmt: skip
    groups = [setting.view.groups["NET"] for setting in found]
    assert [g.pins for g in groups] == [
        *[("ga/x",)] * 2, ("ga/x", "gb/x"), (), ("ga/x", "gb/x"), (),
    ]  # fmt: skip
    assert lines_to_change(region(group=own), found[4]) == [
        '[[group]] name = "NET": pins = ["ga/x", "gb/x"] (now ["ga/x"])',
        '[[group]] name = "NET": bars = ["gc/x"] (now [])',
    ]


def test_the_line_to_change() -> None:
    own = region()
    (setting,) = settings_of(own, ["linger_s=180"])[1:]
    assert lines_to_change(own, setting) == ["[policy] linger_s = 180 (now 60)"]
    (setting,) = settings_of(own, ["NET.member_alerts=false"])[1:]
    assert lines_to_change(own, setting) == [
        '[[group]] name = "NET": policy = { member_alerts = false } (now true)'
    ]


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("linger=3", "'linger' is nothing that can be compared; did you mean 'linger_s'?"),
        ("late_after_s=3", "nothing that can be compared"),
        ("NOT.linger_s=3", "no group 'NOT' in the region file; did you mean 'NET'?"),
        ("linger_s", "FIELD=VALUE,VALUE..."),
        ("linger_s=", "FIELD=VALUE,VALUE..."),
        ("linger_s=3,soon", "'soon' must be a number"),
        ("linger_s=true", "'true' must be a number"),
        ("member_alerts=1", "'1' must be true or false"),
        ("linger_s=-1", "policy.linger_s: must be at least 0 (got -1)"),
        ("expire_after_s=100", "must not fall, but are 300, 450, 100"),
        ("pins=+ga/x", "pins belong to a group: GROUP.pins=+GATEWAY/PORT"),
        ("NET.pins=ga/x", "must be +GATEWAY/PORT or -GATEWAY/PORT"),
        ("NET.pins=+gz/x", "no repeater 'gz/x' in the region file"),
    ],
)
def test_what_cannot_be_is_said(asked: str, words: str) -> None:
    with pytest.raises(GridError) as told:
        settings_of(region(), [asked])
    assert f"--set {asked}" in str(told.value)
    assert words in str(told.value)


def test_a_pin_and_a_bar_of_one_repeater_do_not_go_together() -> None:
    with pytest.raises(GridError, match=r"NET.pins=\+ga/x NET.bars=\+ga/x: .*both in pins and in"):
        settings_of(region(), ["NET.pins=+ga/x", "NET.bars=+ga/x"])


def test_too_many_settings_are_refused() -> None:
    with pytest.raises(GridError, match="289 settings are asked for: at most 256"):
        settings_of(region(), ["linger_s=" + ",".join(map(str, range(17)))] * 2)


ONE_OF_EACH = (
    "linger_s=1", "expire_after_s=1801", "overdue_phi=1", "out_of_reach_phi=3",
    "overdue_soonest_s=1", "out_of_reach_soonest_s=1", "overdue_after_s=299",
    "out_of_reach_after_s=451", "member_alerts=false", "NET.pins=+ga/x", "NET.bars=+ga/x",
)  # fmt: skip


def test_what_is_worked_out_once_is_the_same_for_all() -> None:
    """Each field that can be compared tells pieces of work apart; without a change none does."""
    assert {asked.partition("=")[0].rpartition(".")[2] for asked in ONE_OF_EACH} == {
        *COMPARED, *LISTS,
    }  # fmt: skip
    own = region()
    prepared = prepare(day(), ASSUMED, {}, [])
    keys = {piece.key for piece in pieces_of(prepared, own, 0)}
    assert keys == {piece.key for piece in pieces_of(prepared, region(), 0)}
    for asked in ONE_OF_EACH:
        changed = settings_of(own, [asked])[-1].view
        assert {piece.key for piece in pieces_of(prepared, changed, 0)} != keys, asked


# -- the front and the choice --------------------------------------------------------------------

POINTS = [
    Point(100, 10, 5),
    Point(90, 12, 5),
    Point(100, 9, 6),
    Point(110, 9, 6),
    Point(100, 10, 5),
]


def test_the_front() -> None:
    """By hand: the fourth is beaten by the third; equal ones do not beat one another."""
    assert front(POINTS) == [0, 1, 2, 4]
    assert beats(Point(1, 1, 0), Point(1, 1, 1))
    assert not beats(Point(1, 1, 1), Point(1, 1, 1))
    assert not beats(Point(0, 2, 1), Point(1, 1, 1))


def test_fewer_missed_without_more_waste_goes_first() -> None:
    found = choose(POINTS, Prices(), truth=False)
    assert (found.number, found.reason) == (2, "fewer overs missed, and no more air-time wasted")
    # Where the truth is known, not at the price of a false alert more.
    found = choose(POINTS, Prices(missed_s=1, false_s=100), truth=True)
    assert found.number == 1  # 90 + 12 + 500 s; the first costs 100 + 10 + 500, the third more


def test_else_the_price_decides() -> None:
    """100 + 10 p against 90 + 12 p: even at p = 5."""
    points = POINTS[:2]
    assert choose(points, Prices(missed_s=4), truth=False).number == 1
    dear = choose(points, Prices(missed_s=6), truth=False)
    assert (dear.number, dear.reason) == (
        0, "nothing compared costs less at 6 s of wasted air-time for a missed over",
    )  # fmt: skip
    assert Prices(3, 20).cost_s(POINTS[0], truth=True) == 100 + 30 + 100
    assert Prices(3, 20).cost_s(POINTS[0], truth=False) == 100 + 30


# -- duties, dates -------------------------------------------------------------------------------


def test_the_newest_running_duty() -> None:
    def entry(at_s: int, act: Act, duty: str, *groups: str) -> Entry:
        details = {"groups": list(groups)} if groups else {}
        at = from_ms(T + at_s * 1000)
        return Entry(at=at, by="dispatcher", act=act, subject=duty, details=details)

    acts = [
        entry(0, Act.START_DUTY, "one", "NET", "OTHER"), entry(60, Act.START_DUTY, "two", "NET"),
        entry(90, Act.START_DUTY, "three", "OTHER"), entry(120, Act.END_DUTY, "two"),
        entry(180, Act.END_DUTY, "one"),
    ]  # fmt: skip
    assert duties_of(acts, "NET", T - 5) == [
        (T - 5, None), (T, T / 1000), (T + 60_000, T / 1000 + 60), (T + 120_000, T / 1000),
        (T + 180_000, None),
    ]  # fmt: skip


def test_dates() -> None:
    midnight = T // 86_400_000 * 86_400_000
    assert dates_of(day(begin_ms=midnight, end_ms=midnight + 86_399_999)) == 1
    assert dates_of(day(begin_ms=midnight - 1, end_ms=midnight)) == 2


# -- the report ----------------------------------------------------------------------------------


def test_the_outcome_in_words() -> None:
    """See test_outcome: without linger 15 s are wasted instead of 65, and no more is missed. If
    members expire after 480 s too, d ends at 980 and carries nothing of 8, so 5 s are wasted; c
    ends at 530, and C misses over 7 as well. It is not on the front, as no shorter expiry is."""
    found = report("linger_s=0", "expire_after_s=480,1800")
    assert [(one.setting, one.wasted_s, one.missed, one.on_front) for one in found.settings] == [
        ("as it is", 65, 2, False), ("linger_s=0", 15, 2, True),
        ("linger_s=0 expire_after_s=480", 5, 5, False),
    ]  # fmt: skip
    assert found.advised.change == ("[policy] linger_s = 0 (now 60)",)
    assert found.advised.notes == ()
    text = words(found)
    assert "Change this line in your region file" in text
    assert "costs least at 30 s of wasted air-time for a missed over: 75 s, now 125 s" in text
    assert "; saves 50 s wasted, misses as many overs (2)):" in text
    assert "This rests on 36 min 40 s of record. That is little" in text
    assert "A pin may be for them: ask who set it." in text
    for word in ("carried", "wasted", "missed", "moves", "changes", "alerts"):
        assert f" {word}: " in text
    assert "out: those of them" in text
    assert "Figures of the past are no promise." in text
    assert "between two repeaters half of the time at each" in text


def test_an_outcome_at_the_edge_is_said() -> None:
    found = report("linger_s=20,40")
    assert found.advised.change == ("[policy] linger_s = 20 (now 60)",)
    assert found.advised.notes == ("linger_s=20 is the least that was compared: try beyond it",)


def test_nobody_is_sent_further_than_the_record_tells() -> None:
    found = settings_of(region(), ["linger_s=90,2000", "overdue_after_s=200"])
    assert at_the_edge(found, 2, record_s=2200) == [
        "linger_s=2000 is the greatest that was compared: try beyond it"
    ]
    assert at_the_edge(found, 2, record_s=1999) == []


def test_groups_with_a_setting_of_their_own_are_named() -> None:
    groups = [{"name": "NET"}, {"name": "TALK", "policy": {"linger_s": 5}}]
    view = region(group=groups)
    found = settings_of(view, ["linger_s=0"])
    prepared = prepare(day(view), ASSUMED, {}, found)
    outcomes = compare(prepared, found, processes=1)
    told = compare_report(prepared, outcomes, Prices(), ASSUMED, (), 600).advised
    assert told.notes == ("TALK sets linger_s, which [policy] leaves alone",)


def test_nothing_better_is_said() -> None:
    found = report("linger_s=6000")
    assert (found.advised.number, found.advised.change) == (0, ())
    assert found.notes == (
        "the record (36 min 40 s) is shorter than linger_s=6000: it cannot tell these apart from "
        "longer ones",
    )
    assert "Keep the region file as it is: nothing compared costs less" in "\n".join(
        compare_lines(found)
    )


# -- on a day it was not made on -----------------------------------------------------------------

LENGTH_S = 150.0
ASKED = ("linger_s=0,6,12,30,60,120", "expire_after_s=60,180")
HERE = Assumption(presence_s=30, absence_s=180)
"""In the show's time, which runs thirty times as fast."""


def compared(one: Day, asked: Sequence[str]) -> CompareReport:
    found = settings_of(one.view, asked)
    prepared = prepare(one, HERE, {}, found)
    return compare_report(prepared, compare(prepared, found, 1), Prices(), HERE, (), LENGTH_S / 2)


@pytest.mark.parametrize(("learned", "judged"), [(3, 4), (4, 3)])
def test_the_best_of_one_demo_day_beats_the_default_on_another(learned: int, judged: int) -> None:
    """Two invented days of different seeds, other people on other roads. By the stated price, that
    of `Prices()`; the figures are the same each time."""
    on_one = compared(demo_day(learned, LENGTH_S), ASKED)
    best = on_one.settings[on_one.advised.number].setting
    assert best != "as it is"
    on_other = compared(demo_day(judged, LENGTH_S), ASKED)
    cost_s = {one.setting: one.cost_s for one in on_other.settings}
    assert cost_s[best] < cost_s["as it is"]
