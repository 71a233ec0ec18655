"""What failures cost, on a day worked out on paper: see `paper_day`.

Who heard what on that day, by the fan-out or from the air (who speaks does not listen): over 1: A.
Over 2: A, B on ridge. Over 3: B on ridge, C on lake. Over 4: A, B on ridge, C on lake.
"""

import numpy as np
import pytest

from streamer.lab.whatif import (
    Failure,
    Loss,
    Rest,
    Tally,
    fates,
    interval,
    lose,
)
from streamer.lab.whatif_rank import rank, single_failures
from streamer.lab.whatif_scene import Scene, overlaps, total_ms
from tests.lab.whatif_make import (
    LAKE,
    MILL,
    RIDGE,
    A,
    B,
    C,
    D,
    Told,
    at,
    day,
    over,
    paper_day,
    spans,
)


def lost(failure: Failure, **chances: float) -> Loss:
    made, known = paper_day()
    ears = Told({{"a": A, "b": B, "c": C, "d": D}[who]: c for who, c in chances.items()})
    return lose(Scene(made, known, ears), ears, failure)


RIDGE_OFF = Failure("ridge off", frozenset({RIDGE}))
RIDGE_CUT = Failure("ridge cut", cut=frozenset({RIDGE}))


def test_each_over_stands_for_the_time_around_it() -> None:
    made, known = paper_day()
    scene = Scene(made, known, Told({}))
    assert (scene.member_ms / 1000).tolist() == [200, 800, 200, 600, 400, 500]


def test_who_could_listen() -> None:
    made, known = paper_day()
    scene = Scene(made, known, Told({}))
    heard = {
        repeater: (audience.listeners() * audience.came).tolist()
        for (_, repeater), audience in scene.audiences.items()
    }
    assert heard == {RIDGE: [0, 1, 2, 1, 2], LAKE: [0, 0, 0, 1, 1], MILL: [0, 0, 0, 0, 0]}


def test_an_over_that_another_repeater_heard_survives() -> None:
    """Over 1 is kept by lake; of overs 0 and 3 nothing is known, so they are not guessed at."""
    loss = lost(RIDGE_OFF)
    overs = loss.overs
    assert (overs.touched, overs.lost, overs.low, overs.high, overs.unknown) == (3, 0, 0, 0, 2)
    assert overs.rests[Rest.DAY] == 1
    assert loss.out_of_reach_min.touched == pytest.approx(1600 / 60)
    assert loss.out_of_reach_min.unknown == pytest.approx(800 / 60)
    assert loss.blind_min.touched == 0
    # Of A as a listener nothing is known (overs 1, 2, 4), nor whether B and C would hear over 3.
    assert (loss.missed.lost, loss.missed.unknown) == (0, 5)


def test_chances_are_summed_up() -> None:
    """A would be heard with 1/4: 2 overs x 3/4 are lost, and 800 s x 3/4 = 10 min. Missed: A itself
    misses 3 overs x 3/4; B, who hears by lake, and C miss A's over 3 with 3/4 each."""
    loss = lost(RIDGE_OFF, a=0.25)
    assert loss.overs.lost == 1.5
    assert (loss.overs.low, loss.overs.high, loss.overs.unknown) == (0, 2, 0)
    assert loss.overs.rests == {
        Rest.DAY: 1, Rest.LEARNED: 2, Rest.NEIGHBOURS: 0, Rest.PHYSICS: 0, Rest.UNKNOWN: 0,
    }  # fmt: skip
    assert loss.out_of_reach_min.lost == pytest.approx(10)
    assert loss.missed.lost == pytest.approx(3 * 0.75 + 2 * 0.75)
    assert loss.missed.unknown == 0


def test_both_must_be_heard() -> None:
    """Ridge and lake fail. A is heard elsewhere with 1/4, B with 1/2, C with 1/2. Who is on a
    repeater that failed hears an over by another only if the over and he himself get there:
    over 1: A: 1 - 1/2 x 1/4; over 2: A: 1 - 1/2 x 1/4, B: 1 - 1/2 x 1/2; over 3: B: 1 - 1/4 x 1/2,
    C: the same; over 4 (D on mill is heard for sure): A: 3/4, B: 1/2, C: 1/2."""
    failure = Failure("both", frozenset({RIDGE, LAKE}))
    loss = lost(failure, a=0.25, b=0.5, c=0.5)
    by_hand = (7 / 8) + (7 / 8 + 3 / 4) + (7 / 8 + 7 / 8) + (3 / 4 + 1 / 2 + 1 / 2)
    assert loss.missed.lost == pytest.approx(by_hand)
    assert loss.overs.lost == pytest.approx(2 * 0.75 + 0.5 + 2 * 0.5)


def test_behind_a_cut_they_hear_one_another() -> None:
    """As with ridge off, but A hears over 1 and B over 3 on ridge itself. Nobody is out of reach of
    a repeater: it is we who do not see them."""
    loss = lost(RIDGE_CUT, a=0.25)
    assert loss.missed.lost == pytest.approx(0.75 + 0.75 + 0.75)
    assert loss.out_of_reach_min.touched == 0
    assert loss.blind_min.touched == pytest.approx(1600 / 60)
    assert loss.blind_min.lost == pytest.approx(10)


def test_who_is_hit() -> None:
    people = lost(RIDGE_OFF, a=0.25).people
    assert [p.station for p in people] == [A, B]
    assert (people[0].overs, people[0].overs_lost, people[0].overs_unknown) == (2, 1.5, 0)
    assert people[0].minutes == pytest.approx(800 / 60)
    assert people[0].minutes_lost == pytest.approx(10)
    assert (people[1].overs_lost, people[1].minutes_lost) == (0, 0)
    assert [p.overs_elsewhere for p in people] == [0, 1]  # lake heard B's too


def test_what_nobody_is_left_to_hear_is_lost_for_certain() -> None:
    everything = Failure("all off", frozenset({RIDGE, LAKE, MILL}))
    loss = lost(everything, a=0.9)
    assert (loss.overs.touched, loss.overs.lost, loss.overs.unknown) == (6, 6, 0)
    assert (loss.overs.low, loss.overs.high) == (6, 6)
    assert loss.missed.lost == 8


def test_what_was_dark_that_day_cannot_stand_in() -> None:
    """And who was on a repeater while it was dark was out of reach as it was: 100 s of A's."""
    made, known = paper_day()
    dark = {MILL: spans_of(0, 400), RIDGE: spans_of(400, 500)}
    made = day(made.overs, dark)
    ears = Told({A: 0.25})
    scene = Scene(made, known, ears)
    found = fates(scene, ears, RIDGE_OFF)
    assert ears.asked == [frozenset({RIDGE, MILL}), frozenset({RIDGE})]
    assert found.chance.tolist() == [0.25, 1, 1, 0.25, 1, 1]
    assert (scene.member_ms / 1000).tolist() == [200, 700, 200, 500, 400, 500]


def spans_of(a: int, b: int) -> list[tuple[int, int]]:
    return [(a, b)]


def test_the_worst_single_failure_comes_first() -> None:
    """A is never heard elsewhere: 800 of the 1600 s on ridge are lost. Of C's 700 s on lake and D's
    400 s on mill nothing is known: they are taken to be lost in the share of what is known, which
    is ridge alone: one half. What is 13.3, 5.8 and 3.3 minutes goes by MISSED: of A 3 overs and 2
    are missed with ridge off, 3 with it cut (as worked out above), so off is the worse."""
    made, known = paper_day()
    ears = Told({A: 0.0})
    scene = Scene(made, known, ears)
    failures = single_failures([LAKE, MILL, RIDGE])
    assert [f.name for f in failures] == [
        "lake off", "mill off", "ridge off", "lake cut", "mill cut", "ridge cut",
    ]  # fmt: skip
    ranked = [(one.loss.failure.name, one.minutes) for one in rank(scene, ears, failures)]
    assert [name for name, _ in ranked] == [
        "ridge off", "ridge cut", "lake cut", "lake off", "mill cut", "mill off",
    ]  # fmt: skip
    seconds = [800, 800, 350, 350, 200, 200]
    assert [minutes * 60 for _, minutes in ranked] == pytest.approx(seconds)


def test_what_is_unknown_goes_by_what_is_known_there() -> None:
    """Nothing is known of A, B is kept: of ridge's 1600 s 800 are known, none lost, so there is no
    loss anywhere to go by. Nothing known at all: all may be lost."""
    made, known = paper_day()
    ears = Told({})
    scene = Scene(made, known, ears)
    assert {one.minutes for one in rank(scene, ears, single_failures([LAKE, RIDGE]))} == {0}
    (lake,) = rank(scene, ears, [Failure("lake off", frozenset({LAKE}))])
    assert lake.minutes * 60 == pytest.approx(700)


def test_the_weight_of_elsewhere() -> None:
    """On paper: of 30 minutes 20 are known and 5 of them lost; elsewhere the share is 1/2. Ten
    minutes' worth of elsewhere: (5 + 10 x 1/2) / (20 + 10) = 1/3 of the 10 unknown."""
    assert Tally(30, 5, 0, 9, 10, {}).likely(0.5) == pytest.approx(5 + 10 / 3)


def test_a_gateway_with_several_repeaters_can_fail_as_a_whole() -> None:
    names = [f.name for f in single_failures(["hill/a", "hill/b", RIDGE])]
    assert names == ["hill off", "ridge off", "hill cut", "ridge cut", "hill/a off", "hill/b off"]


def test_nothing_on_it_nothing_lost() -> None:
    loss = lost(Failure("elsewhere off", frozenset({"hill/uhf"})))
    assert (loss.overs.touched, loss.overs.lost, loss.missed.lost, loss.people) == (0, 0, 0, ())


def test_an_empty_day() -> None:
    made = day([])
    _, known = paper_day()
    ears = Told({})
    loss = lose(Scene(made, known, ears), ears, RIDGE_OFF)
    assert (loss.overs.touched, loss.overs.high, loss.people) == (0, 0, ())


def test_a_position_counts_for_a_quarter_of_an_hour() -> None:
    """OLD_FIX_MS of streamer.domain.leaving: common practice, no source."""
    overs = [
        over(0, A, RIDGE), over(10, A, RIDGE, fix=(0.1, 20.0)), over(910, A, RIDGE),
        over(910.001, A, RIDGE), over(10, B, RIDGE),
    ]  # fmt: skip
    overs.sort(key=lambda o: (o.began_ms, o.station))
    scene = Scene(day(overs), paper_day()[1], Told({}))
    placed = [known.cell is not None for known in scene.known]
    assert placed == [True, True, False, True, False]


# -- the interval --------------------------------------------------------------------------------


def test_one_station_stands_or_falls_together() -> None:
    """All its overs have 1/2: either all 100 are lost, or none."""
    low, high = interval(np.full(100, 0.5), np.ones(100), np.zeros(100, np.int64))
    assert (low, high) == (0, 100)


def test_many_stations_even_out() -> None:
    """The sum of 400 fair coins: mean 200, standard deviation 10, so 9 of 10 within 200 +- 16.4
    (the normal distribution). Allowed for what 2000 draws may miss: 2."""
    low, high = interval(np.full(400, 0.5), np.ones(400), np.arange(400))
    assert low == pytest.approx(200 - 16.4, abs=2)
    assert high == pytest.approx(200 + 16.4, abs=2)


def test_what_is_certain_has_no_interval() -> None:
    chance, weight = np.array([0.0, 1.0, 0.0]), np.array([2.0, 5.0, 3.0])
    assert interval(chance, weight, np.zeros(3, np.int64)) == (5, 5)


def test_the_lower_chance_is_lost_first() -> None:
    """One station, chances 0.2 and 0.97: the first is lost four times in five, both three times in
    a hundred; so between the 5th and the 95th percentile lie 0 and the first alone."""
    low, high = interval(np.array([0.97, 0.2]), np.array([10.0, 1.0]), np.zeros(2, np.int64))
    assert (low, high) == (0, 1)


# -- spans ---------------------------------------------------------------------------------------


def test_overlaps() -> None:
    assert list(overlaps(spans((0, 10), (20, 30)), spans((5, 22), (25, 26), (30, 40)))) == [
        (at(5), at(10)), (at(20), at(22)), (at(25), at(26)),
    ]  # fmt: skip
    assert list(overlaps([], spans((0, 1)))) == []


def test_what_overlaps_counts_once() -> None:
    assert total_ms(spans((0, 10), (5, 12), (20, 21))) == 13_000
    assert total_ms([]) == 0
