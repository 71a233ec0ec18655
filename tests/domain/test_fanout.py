"""On which repeaters a group should be carried. The rules are common practice, no source."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.contract.published import Carriage, Why
from streamer.domain.fanout import (
    FanOutResult,
    Holds,
    Wanted,
    carriage_of,
    not_carried_since_ms,
    unbroken_since_ms,
    work_out,
)
from streamer.domain.liveness import Sights
from streamer.domain.membership import judge
from streamer.domain.model import Carrying, GroupSnapshot, LiveState
from tests.domain.make import (
    LAKE,
    MILL,
    POLICY,
    RIDGE,
    at,
    group,
    live,
    sights,
    station,
    stay,
)

ALL_SPEAK = ("ridge", "lake", "mill")


def result(
    snapshot: GroupSnapshot,
    now: float,
    *,
    pins: Sequence[str] = (),
    bars: Sequence[str] = (),
    seen: Sights | None = None,
) -> FanOutResult:
    seen = seen or sights(now, routers=ALL_SPEAK)
    judged = [
        (s, judge(s, POLICY, seen.repeater(s.place.repeater), at(now))) for s in snapshot.members
    ]
    holds = Holds(dict.fromkeys(pins, snapshot.born_ms or at(now)), frozenset(bars))
    return work_out(snapshot, judged, POLICY, holds=holds, sights=seen, now_ms=at(now))


def reasons(found: FanOutResult) -> dict[str, tuple[Why, ...]]:
    return {w.repeater: w.why for w in found.wanted}


def one(found: FanOutResult) -> Wanted:
    assert len(found.wanted) == 1
    return found.wanted[0]


def test_a_group_goes_where_its_members_are() -> None:
    found = result(
        group(
            station("QB2DEF", ins=[0], on=RIDGE),
            station("QA1ABC", ins=[3], heard=3, on=RIDGE),
            station("QC3GHI", ins=[5], heard=5, on=LAKE),
        ),
        10,
    )
    assert [(w.repeater, w.members, w.since_ms) for w in found.wanted] == [
        (LAKE, ("QC3GHI",), at(5)),
        (RIDGE, ("QA1ABC", "QB2DEF"), at(0)),
    ]
    assert set(reasons(found).values()) == {(Why.MEMBER,)}
    assert found.next_ms is None


def test_members_in_any_standing_hold_it() -> None:
    for now in (0, 61, 121):
        assert reasons(result(group(station(ins=[0])), now)) == {RIDGE: (Why.MEMBER,)}


def test_a_repeater_lingers_after_its_last_member_left() -> None:
    stays = [stay(LAKE, 20, None), stay(RIDGE, 0, 20)]
    snapshot = group(station(heard=20, on=LAKE, ins=[0], stays=stays))
    for now, expected in (
        (20, {LAKE: (Why.MEMBER,), RIDGE: (Why.LINGER,)}),
        (49.999, {LAKE: (Why.MEMBER,), RIDGE: (Why.LINGER,)}),
        (50, {LAKE: (Why.MEMBER,)}),
    ):
        assert reasons(result(snapshot, now)) == expected
    lingering = result(snapshot, 30)
    assert lingering.next_ms == at(50)
    assert [(w.until_ms, w.since_ms) for w in lingering.wanted] == [
        (None, at(20)),
        (at(50), at(0)),
    ]


def test_the_last_to_leave_ends_the_linger() -> None:
    first = station("QA1ABC", heard=5, ins=[0], out=5)
    second = station("QB2DEF", heard=15, ins=[0], out=15)
    wanted = one(result(group(first, second), 20))
    assert (wanted.why, wanted.until_ms) == ((Why.LINGER,), at(45))


def test_a_lingering_repeater_with_a_member_has_both_reasons_and_no_end() -> None:
    gone, here = station("QA1ABC", heard=5, ins=[0], out=5), station("QB2DEF", heard=9, ins=[9])
    wanted = one(result(group(gone, here), 10))
    assert (wanted.why, wanted.until_ms) == ((Why.MEMBER, Why.LINGER), None)


def test_an_expired_member_leaves_a_linger() -> None:
    snapshot = group(station(ins=[0]))
    assert reasons(result(snapshot, 240)) == {RIDGE: (Why.LINGER,)}
    assert reasons(result(snapshot, 269)) == {RIDGE: (Why.LINGER,)}
    assert reasons(result(snapshot, 270)) == {}


def test_who_comes_up_elsewhere_after_it_expired_leaves_no_linger() -> None:
    stays = [stay(LAKE, 1200, None), stay(RIDGE, 0, 1200)]
    snapshot = group(station(heard=1200, on=LAKE, ins=[0, 1200], stays=stays))
    assert reasons(result(snapshot, 1200)) == {LAKE: (Why.MEMBER,)}


def test_a_group_nobody_is_in_has_its_pins_alone() -> None:
    found = result(group(born=-50), 0, pins=[MILL])
    assert reasons(found) == {MILL: (Why.PIN,)}
    assert one(found).since_ms == at(-50)
    assert one(result(group(born=None), 0, pins=[MILL])).since_ms == at(0)
    assert result(group(), 0).wanted == ()


def test_a_bar_holds_off_members_and_lingers() -> None:
    here = station("QA1ABC", ins=[0], on=RIDGE)
    gone = station("QB2DEF", heard=5, ins=[0], out=5, on=LAKE)
    found = result(group(here, gone), 10, bars=[RIDGE, LAKE, MILL])
    assert found.wanted == ()
    assert found.barred == (RIDGE,)  # a linger alone is nobody held off


class TestSince:
    """A repeater is wanted since it was last not wanted, whoever held it meanwhile."""

    def test_one_member_hands_over_to_another(self) -> None:
        stays = [stay(LAKE, 20, None), stay(RIDGE, 0, 20)]
        left = station("QA1ABC", heard=20, on=LAKE, ins=[0], stays=stays)
        within = station("QB2DEF", heard=50, ins=[50])  # as the linger ends
        after = station("QB2DEF", heard=50.001, ins=[50.001])
        by = {w.repeater: w.since_ms for w in result(group(left, within), 60).wanted}
        assert by[RIDGE] == at(0)
        by = {w.repeater: w.since_ms for w in result(group(left, after), 60).wanted}
        assert by[RIDGE] == at(50.001)

    def test_a_pin_holds_it_from_the_birth_of_the_group(self) -> None:
        wanted = one(result(group(station(ins=[0])), 1, pins=[RIDGE]))
        assert wanted.why == (Why.MEMBER, Why.PIN)
        assert wanted.since_ms == at(-1000)


# Spans as (begin, length) in ms around a now of 50; lingers end after now.
spans_of_time = st.lists(
    st.tuples(st.integers(0, 50), st.integers(0, 30)).map(lambda s: (s[0], s[0] + s[1])),
    max_size=8,
)


@given(spans_of_time)
def test_unbroken_agrees_with_a_sweep_over_every_instant(spans: list[tuple[int, int]]) -> None:
    """The oracle: go back from now in half milliseconds while some span holds the instant. A gap
    between whole milliseconds shows at the half between them."""
    now = 50
    held = {
        tick for begin, end in spans for tick in range(2 * begin, 2 * end + 1) if tick <= 2 * now
    }
    tick = 2 * now
    while tick - 1 in held and tick in held:
        tick -= 1
    assert unbroken_since_ms(spans, now) == tick // 2
    assert tick % 2 == 0


class TestCarriage:
    CARRIES, RELEASED = Carrying(at(0), True, None, at(0)), Carrying(at(0), False, None, at(0))

    @pytest.mark.parametrize(
        ("said", "expected"),
        [
            (CARRIES, Carriage.CARRIED),
            (RELEASED, Carriage.NOT_CARRIED),
            (None, Carriage.NOT_CARRIED),
        ],
    )
    def test_by_its_own_word(self, said: Carrying | None, expected: Carriage) -> None:
        up = live("ridge", last=0)
        assert carriage_of(RIDGE, said, sights(5, up, routers=["ridge"])) is expected
        assert carriage_of(RIDGE, said, sights(5, routers=["ridge"])) is expected  # no heartbeat

    def test_a_gateway_that_never_speaks_of_routes_is_unknown(self) -> None:
        seen = sights(5, live("ridge", last=0), routers=["lake"])
        assert carriage_of(RIDGE, None, seen) is Carriage.UNKNOWN

    @pytest.mark.parametrize(
        "dark",
        [
            live("ridge", last=0, up=False),
            live("ridge", last=-90),
            live("ridge", last=0, down=[(RIDGE, 0)]),
        ],
        ids=["down", "silent", "repeater down"],
    )
    def test_what_does_not_report_is_unknown(self, dark: LiveState) -> None:
        seen = sights(0, dark, routers=["ridge"])
        assert carriage_of(RIDGE, self.CARRIES, seen) is Carriage.UNKNOWN

    def test_another_port_of_its_gateway_may_report_all_the_same(self) -> None:
        seen = sights(0, live("ridge", last=0, down=[("ridge/vhf", 0)]), routers=["ridge"])
        assert carriage_of(RIDGE, self.CARRIES, seen) is Carriage.CARRIED


class TestStarvedAndIdle:
    def test_starved_is_wanted_and_not_carried(self) -> None:
        found = result(group(station(ins=[0])), 10)
        assert one(found).starved

    def test_a_pin_can_starve_but_a_linger_cannot(self) -> None:
        assert one(result(group(), 0, pins=[MILL])).starved
        lingering = result(group(station(heard=5, ins=[0], out=5)), 10)
        assert one(lingering).why == (Why.LINGER,)
        assert not one(lingering).starved

    def test_the_unknown_is_not_called_starved(self) -> None:
        found = result(group(station(ins=[0])), 10, seen=sights(10))
        assert one(found).carriage is Carriage.UNKNOWN
        assert not one(found).starved

    def test_idle_is_carried_for_nobody(self) -> None:
        carrying = {LAKE: (3.0, True), MILL: (4.0, False), RIDGE: (5.0, True)}
        found = result(group(station(ins=[0]), carrying=carrying), 10)
        assert found.idle == ((LAKE, at(3)),)

    def test_a_barred_repeater_that_carries_is_idle(self) -> None:
        found = result(group(station(ins=[0]), carrying={RIDGE: (1.0, True)}), 5, bars=[RIDGE])
        assert found.idle == ((RIDGE, at(1)),)

    def test_who_does_not_report_is_not_called_idle(self) -> None:
        seen = sights(10, live("lake", last=5, up=False), routers=["lake"])
        found = result(group(carrying={LAKE: (3.0, True)}), 10, seen=seen)
        assert found.idle == ()

    def test_not_carried_since_the_latest_of_wanted_released_and_able(self) -> None:
        wanted = one(result(group(station(ins=[0])), 10))
        released = Carrying(at(7), False, None, at(7))
        back = sights(10, live("ridge", last=10, began=9), routers=["ridge"])
        assert not_carried_since_ms(wanted, None, sights(10)) == at(0)
        assert not_carried_since_ms(wanted, released, sights(10)) == at(7)
        assert not_carried_since_ms(wanted, released, back) == at(9)
