"""Where everybody was: by the rules of compare and load, put together."""

from dataclasses import replace

from streamer.lab.day import CarriedSpan
from streamer.lab.hindsight import Assumption, There
from streamer.lab.whatif_known import whereabouts_of
from streamer.lab.whatif_scene import Scene
from tests.lab.whatif_make import LAKE, MILL, RIDGE, A, Told, at, day, over, spans

MINUTE = Assumption(presence_s=60, absence_s=600)


def test_where_it_was_and_when_a_member() -> None:
    """On paper: from its first keying, before which it is a member of nothing; half of the time on
    the way; 60 s after its last."""
    overs = [over(100, A, RIDGE), over(200, A, RIDGE, group=""), over(300, A, LAKE, group="")]
    known = whereabouts_of(day(overs), MINUTE, {})
    assert known.presence[A] == [(at(100), at(250), RIDGE), (at(250), at(360), LAKE)]
    assert known.members == {("NET", A): [(at(100), at(1000) + 1)]}


def test_who_checked_out_is_no_member() -> None:
    out = replace(over(200, A, RIDGE), out_group="NET")
    known = whereabouts_of(day([over(100, A, RIDGE), out]), MINUTE, {})
    assert known.members == {("NET", A): spans((100, 200))}


def test_the_truth_goes_first() -> None:
    truth = {A: (There(MILL, at(50), at(500)), There(None, at(500), at(900)))}
    known = whereabouts_of(day([over(100, A, RIDGE)]), MINUTE, truth)
    assert known.presence[A] == [(at(100), at(500), MILL)]


def test_where_the_group_was_carried() -> None:
    """What lake said counts as it said it; ridge never says, so there the rules tell: from A's
    keying on."""
    made = replace(
        day([over(100, A, RIDGE)]),
        carried=(
            CarriedSpan("NET", LAKE, at(0), at(100)),
            CarriedSpan("NET", LAKE, at(50), at(200)),
            CarriedSpan("NET", LAKE, at(300), at(400)),
        ),
    )
    known = whereabouts_of(made, MINUTE, {})
    assert list(known.fanout["NET", LAKE]) == spans((0, 200), (300, 400))
    ((from_ms, until_ms),) = known.fanout["NET", RIDGE]
    assert from_ms == at(100)
    assert until_ms >= at(1000)


def test_halfway_is_from_the_end_of_the_one_to_the_begin_of_the_next() -> None:
    """A speaks from 100 to 140 s and again at 200 s: the first stands for 100 to 170 s, the second
    for 170 to 260 s."""
    first = replace(over(100, A, RIDGE), ended_ms=at(140))
    made = day([first, over(200, A, RIDGE)])
    scene = Scene(made, whereabouts_of(made, MINUTE, {}), Told({}))
    assert (scene.member_ms / 1000).tolist() == [70, 90]
