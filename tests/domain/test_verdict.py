"""When a silence is too long: the first look that says so decides, and keeps deciding."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.config import Learning, Policy
from streamer.domain.membership import when_silent_ms
from streamer.domain.model import Fix, PathEntry, Presence
from streamer.domain.outlook import NOTHING_KNOWN, Outlook, Signs, Watcher
from streamer.domain.silence import FULL_PRESENCE
from streamer.domain.verdict import (
    LEAST_PHI,
    LOOK_AGAIN,
    Look,
    Silences,
    Slot,
    Verdict,
    decide,
    fixed,
    soonest_s,
    until,
)

POLICY = Policy(
    overdue_phi=1.25,
    out_of_reach_phi=2.5,
    overdue_soonest_s=300,
    out_of_reach_soonest_s=480,
    overdue_after_s=7200,
    out_of_reach_after_s=10_800,
    expire_after_s=14_400,
)
NOW_S = 1_800_014_400
GRAIN_S = 60
LEARNING = Learning()


def seen(silence_s: float, phi: float, decades: float = 0.0) -> Look:
    return Look(silence_s, phi, Outlook(decades), 120.0, 1.0, 30.0)


def looks(phi_per_s: float) -> Callable[[float], Look]:
    return lambda at_s: seen(at_s, at_s * phi_per_s)


class TestDecide:
    def test_before_it_is_looked_at(self) -> None:
        verdict = decide(POLICY, 299, looks(1))
        assert (verdict.overdue_s, verdict.lost_s, verdict.next_s) == (7200, 10_800, 300)
        assert (verdict.overdue, verdict.lost, verdict.newest) == (None, None, None)

    def test_the_first_look_that_reaches_the_threshold(self) -> None:
        """A decade in 400 s: 1.25 at 500 s, 2.5 at 1000 s; each look a tenth later."""
        assert LOOK_AGAIN == 1.1
        verdict = decide(POLICY, 1e6, looks(1 / 400))
        assert verdict.overdue_s == pytest.approx(300 * 1.1**6, abs=0.01)  # 531 s
        assert verdict.lost_s == pytest.approx(300 * 1.1**13, abs=0.01)  # 1036 s
        assert verdict.next_s is None
        assert verdict.overdue is not None
        assert verdict.lost is not None
        assert verdict.overdue.silence_s == verdict.overdue_s
        assert verdict.newest == verdict.lost

    def test_looks_fall_on_whole_milliseconds(self) -> None:
        """Else a look would be due a fraction before the silence is as long as that."""
        asked: list[float] = []

        def look(at_s: float) -> Look:
            asked.append(at_s)
            return seen(at_s, 0)

        decide(POLICY, 1e6, look)
        assert asked[0] == 300
        assert all(at_s == round(at_s * 1000) / 1000 for at_s in asked)
        assert asked[-1] < POLICY.out_of_reach_after_s <= asked[-1] * LOOK_AGAIN
        for due in asked:
            assert decide(POLICY, round(due * 1000) / 1000, looks(0)).next_s != due

    def test_nobody_is_out_of_reach_before_its_soonest(self) -> None:
        verdict = decide(POLICY, 1e6, looks(1))
        assert verdict.overdue_s == 300
        assert verdict.lost_s == pytest.approx(300 * 1.1**5, abs=0.01)  # the first after 480 s

    def test_the_latest_times_decide_where_no_look_did(self) -> None:
        verdict = decide(POLICY, 1e6, looks(0))
        assert (verdict.overdue_s, verdict.lost_s) == (7200, 10_800)
        assert (verdict.overdue, verdict.lost, verdict.next_s) == (None, None, None)

    def test_a_look_after_the_latest_time_does_not_decide_again(self) -> None:
        """1.25 decades at 7500 s: overdue since 7200 s, by the latest time alone."""
        verdict = decide(POLICY, 9000, looks(1.25 / 7500))
        assert (verdict.overdue_s, verdict.overdue) == (7200, None)
        assert verdict.newest is not None

    def test_out_of_reach_by_a_look_after_overdue_by_the_latest_time(self) -> None:
        policy = POLICY.model_copy(update={"overdue_after_s": 400.0})
        verdict = decide(policy, 1e6, looks(2.5 / 1000))
        assert (verdict.overdue_s, verdict.overdue) == (400, None)
        assert verdict.lost_s == pytest.approx(1000, rel=0.1)

    @pytest.mark.parametrize("soonest", [0, 0.0004, 1, 1.0004])
    def test_a_policy_that_lets_it_be_overdue_at_once(self, soonest: float) -> None:
        policy = POLICY.model_copy(update={"overdue_soonest_s": float(soonest)})
        assert soonest_s(policy) == 1
        assert decide(policy, 1e6, looks(1)).overdue_s == pytest.approx(1.331, abs=0.001)
        begun = replace(fixed(policy), next_s=soonest_s(policy))
        assert decide(policy, 1e6, looks(1), begun) == decide(policy, 1e6, looks(1))

    def test_a_policy_whose_latest_time_is_sooner(self) -> None:
        policy = POLICY.model_copy(update={"overdue_after_s": 60.0, "out_of_reach_after_s": 120.0})
        assert soonest_s(policy) == 60
        verdict = decide(policy, 1e6, looks(1))
        assert (verdict.overdue_s, verdict.lost_s) == (60, 120)

    def test_fixed(self) -> None:
        assert fixed(POLICY) == Verdict(7200, 10_800, None)

    def test_nothing_tells_against_one_who_is_hardly_silent(self) -> None:
        """Half of all pauses are so long."""
        assert LEAST_PHI == 0.3
        assert seen(300, 0.29, 2.0).decades == 0
        assert seen(300, 0.31, 2.0).decades == pytest.approx(2.31)
        assert seen(300, 3.0, -1.0).decades == pytest.approx(2.0)


times = st.floats(0, 20_000).map(lambda s: round(s, 3))


@st.composite
def policies(draw: st.DrawFn) -> Policy:
    latest = sorted(draw(st.lists(st.floats(1, 20_000), min_size=3, max_size=3)))
    phis = sorted(draw(st.tuples(*[st.floats(0.1, 5)] * 2)))
    return POLICY.model_copy(
        update={
            "overdue_phi": phis[0],
            "out_of_reach_phi": phis[1],
            "overdue_soonest_s": draw(st.floats(0, 20_000)),
            "out_of_reach_soonest_s": draw(st.floats(0, 20_000)),
            "overdue_after_s": latest[0],
            "out_of_reach_after_s": latest[1],
            "expire_after_s": latest[2],
        }
    )


decades_by_time = st.lists(st.floats(0, 6), min_size=1, max_size=12)


def at_random(found: Sequence[float]) -> Callable[[float], Look]:
    """What is found may rise and fall as a silence lasts (an outlook does)."""
    return lambda at_s: seen(at_s, found[int(at_s) % len(found)])


@given(policies(), times, decades_by_time)
def test_the_soonest_and_the_latest_are_bounds(
    policy: Policy, silence_s: float, found: list[float]
) -> None:
    verdict = decide(policy, silence_s, at_random(found))
    assert soonest_s(policy) <= verdict.overdue_s <= policy.overdue_after_s
    soonest_lost_s = min(policy.out_of_reach_soonest_s, policy.out_of_reach_after_s)
    assert soonest_lost_s <= verdict.lost_s <= policy.out_of_reach_after_s
    assert verdict.overdue_s <= verdict.lost_s
    assert verdict.next_s is None or verdict.next_s > silence_s


@given(policies(), times, times, decades_by_time)
def test_what_has_been_decided_stays(
    policy: Policy, one_s: float, other_s: float, found: list[float]
) -> None:
    short_s, long_s = sorted((one_s, other_s))
    before = decide(policy, short_s, at_random(found))
    after = decide(policy, long_s, at_random(found))
    if before.overdue_s <= short_s:
        assert (after.overdue_s, after.overdue) == (before.overdue_s, before.overdue)
    if before.lost_s <= short_s:
        assert (after.lost_s, after.lost) == (before.lost_s, before.lost)
    if before.next_s is None or long_s < before.next_s:
        assert after == before  # nothing is looked at before it is due
    assert decide(policy, long_s, at_random(found), before) == after


# -- the silences of a group ---------------------------------------------------------------------


def every(seconds: int, times: int, newest_s: int = NOW_S) -> Presence:
    return tuple(newest_s - n * seconds for n in range(times))


GROUP = {f"Q{letter}1ABC": every(600 + 60 * n, 40) for n, letter in enumerate("ABCDEFGH")}


def silences(presences: Mapping[str, Presence], **more: Any) -> Silences:
    policy = more.pop("policy", POLICY)
    return Silences(policy, LEARNING, lambda name: presences.get(name, ()), presences, **more)


def verdict_of(
    known: Silences,
    station: str = "QX3DEF",
    silence_s: float = 10_000,
    start_s: int = NOW_S,
    dark: Sequence[tuple[int, int]] = (),
) -> Verdict:
    return known.verdict(
        station, start_s * 1000, silence_s, dark,
        lambda s: when_silent_ms(start_s * 1000, round(s * 1000), dark),
    )  # fmt: skip


def with_member(presence: Presence, **others: Presence) -> dict[str, Presence]:
    return {**GROUP, **others, "QX3DEF": presence}


class TestSilences:
    def test_until(self) -> None:
        assert until((900, 600, 300), 600) == (600, 300)
        assert until((900, 600, 300), 599) == (300,)
        assert until((900, 600, 300), 10_000) == (900, 600, 300)
        assert until((), 5) == until((900,), 899) == ()

    def test_who_keys_often_is_missed_earlier(self) -> None:
        """In a group that goes on as ever."""
        goes_on = {name: every(600, 60, NOW_S + 10_000) for name in GROUP}
        often, seldom = (
            verdict_of(silences({**goes_on, "QX3DEF": every(step, 30)})) for step in (120, 1800)
        )
        assert often.overdue is not None
        assert often.overdue_s < 1200
        assert often.lost_s < seldom.lost_s
        assert often.overdue_s < seldom.overdue_s
        assert often.overdue.usual_s < 300

    def test_where_all_have_fallen_silent_it_is_the_group(self) -> None:
        """A net that has ended. Nobody is missing for that."""
        own = from_steps(NOW_S, [120, 300, 180, 900, 240, 1500] * 6)
        goes_on = {name: every(600, 60, NOW_S + 10_000) for name in GROUP}
        ended = dict.fromkeys(GROUP, every(600, 40, NOW_S))
        with_them = verdict_of(silences({**goes_on, "QX3DEF": own}))
        alone = verdict_of(silences({**ended, "QX3DEF": own}))
        assert with_them.overdue_s < alone.overdue_s
        assert alone.newest is not None
        assert alone.newest.slower > 2
        assert with_them.newest is not None
        assert with_them.newest.slower < 1.5

    def test_what_was_keyed_after_the_silence_began_is_not_its_own(self) -> None:
        """A summary may be older than what is read of the station by then."""
        before, after = every(120, 40), every(120, 60, NOW_S + 2400)
        assert verdict_of(silences(with_member(before))).overdue_s == verdict_of(
            silences(with_member(after))
        ).overdue_s  # fmt: skip

    def test_darkness_is_left_out_of_the_looks(self) -> None:
        """Nobody could hear it for an hour: each look is so much later by the clock."""
        dark = (((NOW_S + 100) * 1000, (NOW_S + 3700) * 1000),)
        at_ms: list[int] = []

        def when(seconds: float) -> int:
            at_ms.append(when_silent_ms(NOW_S * 1000, round(seconds * 1000), dark))
            return at_ms[-1]

        known = silences(with_member(every(600, 30)))
        known.verdict("QX3DEF", NOW_S * 1000, 400, dark, when)
        assert at_ms == [(NOW_S + 3600) * 1000 + ms for ms in (300_000, 330_000, 363_000, 399_300)]

    def test_nobody_asks_for_the_outlook_of_a_short_silence(self) -> None:
        asked: list[float] = []

        class Noting(Watcher):
            def outlook(self, signs: Signs, at_ms: int) -> Outlook:
                asked.append(at_ms / 1000 - NOW_S)
                return NOTHING_KNOWN

        signs = Signs((PathEntry(NOW_S * 1000, "ridge/uhf", "o", 0),), None)
        own = with_member(every(1800, 30))
        known = silences(own, watcher=Noting(LEARNING), signs=lambda _: signs)
        verdict_of(known, silence_s=3000)
        assert asked
        assert min(asked) > 900  # half of its pauses are as long as 1800 s

    def test_the_outlook_counts(self) -> None:
        """From strong to hardly heard, and driving off."""
        path = tuple(
            PathEntry(NOW_S * 1000 - n * 100_000, "ridge/uhf", f"o{n}", 0, -114.0 + 4 * n)
            for n in range(8)
        )
        signs = Signs(path, Fix(NOW_S * 1000, 0, 20, 20, 0))
        own = with_member(every(600, 30))
        alone = verdict_of(silences(own))
        told = verdict_of(silences(own, watcher=Watcher(LEARNING), signs=lambda _: signs))
        assert told.lost_s < alone.lost_s
        assert told.lost is not None
        assert told.lost.outlook.decades > 0.5
        unknown = silences(own, watcher=Watcher(LEARNING), signs=lambda _: None)
        assert verdict_of(unknown) == alone

    def test_pauses_since_a_duty_began_count_more(self) -> None:
        """It keyed every half hour before the exercise, and every three minutes in it."""
        quick, slow = every(180, 15), every(1800, 15, NOW_S - 14 * 180)
        goes_on = {name: every(600, 60, NOW_S + 10_000) for name in GROUP}
        own = {**goes_on, "QX3DEF": (*quick, *slow[1:])}
        with_duty = verdict_of(silences(own, duty_since_s=float(quick[-1] + 1)))
        assert with_duty.lost_s < verdict_of(silences(own)).lost_s
        later = verdict_of(silences(own, duty_since_s=float(NOW_S + 60)))
        assert later == verdict_of(silences(own))

    def test_a_slot_is_worked_out_once(self) -> None:
        slots: dict[int, Slot] = {}
        own = with_member(every(600, 30))
        first = verdict_of(silences(own, slots=slots))
        kept = dict(slots)
        assert kept
        asked: list[str] = []

        def presence(name: str) -> Presence:
            asked.append(name)
            return own[name]

        known = Silences(POLICY, LEARNING, presence, own, slots=slots)
        assert verdict_of(known) == first
        assert set(asked) == {"QX3DEF"}
        assert slots == kept


steps = st.lists(st.integers(1, 60).map(lambda n: n * GRAIN_S), min_size=1, max_size=40)


def from_steps(newest_s: int, apart: Sequence[int]) -> Presence:
    found = [newest_s]
    for step in apart:
        found.append(found[-1] - step)
    return tuple(found)


@given(
    own=steps,
    others=st.lists(st.tuples(st.integers(0, 60), steps), max_size=5),
    more=st.lists(steps, min_size=5, max_size=5),
    silence_s=st.integers(300, 10_000),
)
def test_what_is_heard_of_others_later_does_not_change_a_look(
    own: list[int],
    others: list[tuple[int, list[int]]],
    more: list[list[int]],
    silence_s: int,
) -> None:
    """As far as what was known then is still kept (64 grains)."""
    end_s = NOW_S + silence_s
    before = {"QX3DEF": from_steps(NOW_S, own)}
    after = dict(before)
    for n, (ago, apart) in enumerate(others):
        name = f"QB{n}DEF"
        before[name] = from_steps(end_s // GRAIN_S * GRAIN_S - ago * GRAIN_S, apart)
        later = from_steps(before[name][0], [-step for step in more[n]])[1:]
        later = tuple(s for s in later if s > end_s)[: FULL_PRESENCE - len(before[name])]
        after[name] = (*later[::-1], *before[name])
    assert verdict_of(silences(before), silence_s=silence_s) == verdict_of(
        silences(after), silence_s=silence_s
    )


@given(steps, st.lists(st.tuples(st.integers(-60, 60), steps), max_size=5), times, times)
def test_a_silence_that_goes_on_keeps_what_was_decided(
    own: list[int], others: list[tuple[int, list[int]]], one_s: float, other_s: float
) -> None:
    presences = {"QX3DEF": from_steps(NOW_S, own)}
    for n, (ago, apart) in enumerate(others):
        presences[f"QB{n}DEF"] = from_steps(NOW_S - ago * GRAIN_S, apart)
    short_s, long_s = sorted((one_s, other_s))
    before = verdict_of(silences(presences), silence_s=short_s)
    after = verdict_of(silences(presences), silence_s=long_s)
    if before.overdue_s <= short_s:
        assert after.overdue_s == before.overdue_s
    if before.lost_s <= short_s:
        assert after.lost_s == before.lost_s
    assert after.overdue_s <= after.lost_s
