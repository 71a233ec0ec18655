"""The simulated world: the same for a seed, and the story happens in it as it is told."""

from collections import defaultdict

import pytest

from streamer.config import RegionView, load_region
from streamer.demo import story
from streamer.demo.cast import MOST, TIME_LAPSE
from streamer.demo.land import HEARD_DBM, Land, received_dbm
from streamer.demo.setting import REGION_FILE
from streamer.demo.story import Turn
from streamer.demo.world import Cue, Happening, Keyed, Over, Unkeyed, World
from streamer.domain.callsign import Accepted, CallSignRules


@pytest.fixture(scope="module")
def view() -> RegionView:
    return load_region(REGION_FILE)


def overs(happened: list[Happening]) -> list[Over]:
    return [h.over for h in happened if isinstance(h, Keyed)]


def run(view: RegionView, seed: int, until_s: float, step_s: float) -> list[Happening]:
    world = World(view, seed, 60)
    found = []
    for n in range(1, round(until_s / step_s) + 1):
        found += world.advance(n * step_s)
    return found


def test_the_region_has_the_promised_size(view: RegionView) -> None:
    assert (len(view.gateways), len(view.sites), len(view.groups)) == (12, 20, 5)


def test_a_seed_gives_the_same_day_however_the_clock_is_moved(view: RegionView) -> None:
    first = run(view, 7, 40, 0.05)
    assert first == run(view, 7, 40, 8)
    assert first != run(view, 8, 40, 0.05)
    assert len(overs(first)) > 60


def test_happenings_are_in_order(view: RegionView) -> None:
    moments = [h.at_s for h in run(view, 3, 60, 1)]
    assert moments == sorted(moments)


def test_call_signs_are_formed_as_the_region_allows(view: RegionView) -> None:
    rules = CallSignRules(view.region.extra_prefixes)
    calls = [s.call for s in World(view, 1, 60).cast]
    assert len(calls) == len(set(calls)) == 60
    for call in calls:
        assert isinstance(rules.judge(call), Accepted), call
        # ITU Radio Regulations, Appendix 42: no country holds a series that begins with Q.
        assert call.startswith("Q")
    assert not isinstance(rules.judge(story.MADE_UP), Accepted)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_members_in_cover_speak_before_they_are_overdue(view: RegionView, seed: int) -> None:
    before_s = 38.0  # then a gateway dies and takes some out of cover
    spoke: dict[str, list[float]] = defaultdict(lambda: [0.0])
    for over in overs(run(view, seed, before_s, before_s)):
        spoke[over.station].append(over.started_s)
    members = [s for s in World(view, seed, 60).cast if s.group and not s.in_story]
    assert len(members) > 20
    silences = [
        max(b - a for a, b in zip(t, [*t[1:], before_s], strict=True))
        for t in (spoke[s.call] for s in members)
    ]
    within = sum(silence < view.region.policy.overdue_after_s for silence in silences)
    assert within >= 0.9 * len(members)


def test_nobody_drives_faster_than_the_region_allows(view: RegionView) -> None:
    for station in World(view, 1, 60).cast:
        for second in range(0, 120, 3):
            _, speed_mps, _ = station.track.at(second)
            assert speed_mps * 3.6 < 130  # of the road, in kilometres an hour
            assert speed_mps * 3.6 * TIME_LAPSE < view.limits.max_speed_kmh


def test_behind_the_wall_the_driver_is_heard_by_nobody(view: RegionView) -> None:
    world = World(view, 1, 60)
    spoke = [o.started_s for o in overs(world.advance(110)) if o.station == story.DRIVER]
    assert [s for s in spoke if 8 <= s <= 8.5 + 2]  # the report before the wall
    assert not [s for s in spoke if 14 <= s <= 76]
    assert [s for s in spoke if s > 80]
    # It is the wall that hides the driver: without hills some repeater within range hears.
    hidden = dict(story.DRIVE)[14.0]
    near = [r for r in world.receivers if hidden.distance_km(r.place) <= r.range_km]
    assert [
        r for r in near if received_dbm(Land(()), hidden, r.place, r.mast_m, r.freq_mhz) > HEARD_DBM
    ]


def test_the_forged_over_overlaps_the_true_one_far_away(view: RegionView) -> None:
    forged = [
        o
        for o in overs(World(view, 1, 60).advance(20))
        if o.station == story.FORGED and o.started_s >= 13
    ][:2]
    true, false = forged
    assert true.started_s < false.started_s < true.started_s + true.duration_s
    gateways = [{h.gateway for h in o.heard} for o in (true, false)]
    assert not gateways[0] & gateways[1]


def test_the_basin_has_one_repeater_alone(view: RegionView) -> None:
    heard: dict[str, set[str]] = defaultdict(set)
    for over in overs(World(view, 1, 60).advance(21)):
        heard[over.station] |= {h.repeater for h in over.heard}
    for call in story.BASIN:
        assert heard[call] == {story.FAILING}


def test_what_is_off_hears_nothing(view: RegionView) -> None:
    happened = World(view, 1, 60).advance(110)
    down = next(h.at_s for h in happened if isinstance(h, Cue) and h.beat.subject == story.FAILING)
    hears = [
        h.at_s
        for h in happened
        if isinstance(h, Keyed | Unkeyed) and any(x.repeater == story.FAILING for x in h.over.heard)
    ]
    assert [t for t in hears if t < down]
    assert not [t for t in hears if down < t < 50]
    assert [t for t in hears if t > 50]
    dying = [
        h.at_s
        for h in happened
        if isinstance(h, Keyed) and any(x.gateway == story.DYING for x in h.over.heard)
    ]
    assert [t for t in dying if t < 38]
    assert not [t for t in dying if 38 < t < 58]


def test_the_check_out_is_one_word_and_then_silence(view: RegionView) -> None:
    texts = [
        (o.started_s, o.text)
        for o in overs(World(view, 1, 60).advance(90))
        if o.station == story.LEAVER
    ]
    (out_at_s, word), *later = [item for item in texts if item[0] >= 11]
    assert word in view.check_out_words
    assert out_at_s < 14
    assert later[0][0] >= 70


def test_the_story_begins_again(view: RegionView) -> None:
    cues = [h for h in World(view, 1, 60).advance(2 * story.PERIOD_S + 60) if isinstance(h, Cue)]
    forged = [c.at_s for c in cues if c.beat.turn is Turn.FORGE]
    assert forged == [13, 13 + story.PERIOD_S, 13 + 2 * story.PERIOD_S]


def test_last_and_next_beat() -> None:
    reached, coming = story.last_and_next(14.0)
    assert (reached.turn, coming.turn) == (Turn.FORGE, Turn.LOOP)
    reached, coming = story.last_and_next(story.PERIOD_S + 0.5)
    assert (reached.at_s, coming.at_s) == (story.PERIOD_S, story.PERIOD_S + 1)
    assert story.last_and_next(0)[0].at_s == 0


def test_a_second_gateway_may_hear_the_same_over(view: RegionView) -> None:
    found = overs(World(view, 1, 60).advance(60))
    double = [o for o in found if len(o.heard) == 2]
    assert 0.03 * len(found) < len(double) < 0.6 * len(found)
    for over in double:
        assert over.heard[0].gateway != over.heard[1].gateway
        assert over.heard[0].rssi_dbm >= over.heard[1].rssi_dbm


def test_a_large_cast_is_possible(view: RegionView) -> None:
    assert len(World(view, 1, MOST).cast) == MOST
