"""Who is a member, and in what standing. The rules of the trade are common practice, no source."""

import pytest

from streamer.contract.published import Standing
from streamer.domain.membership import (
    CHECK_INS_FULL,
    check_out_of,
    checked_in_ms,
    departures,
    judge,
    member_since_ms,
)
from streamer.domain.model import Summary
from streamer.state.keys import CHECK_INS_KEPT
from tests.domain.make import LAKE, MILL, POLICY, RIDGE, at, sight, station, stay


def standing(summary: Summary, now: float) -> Standing:
    return judge(summary, POLICY, sight(summary.place.repeater), at(now)).standing


@pytest.mark.parametrize(
    ("came", "left", "expected"),
    [
        (10, None, Standing.IN_REACH),
        (10, 9.999, Standing.IN_REACH),
        (10, 10, Standing.CHECKED_OUT),  # a tie: in doubt, out
        (10, 10.001, Standing.CHECKED_OUT),
    ],
)
def test_the_newest_of_check_in_and_check_out_decides(
    came: float, left: float | None, expected: Standing
) -> None:
    # common practice, no source
    summary = station(heard=12, ins=[came], out=left)
    assert standing(summary, 12) is expected


def test_an_older_check_in_beside_a_newer_one_changes_nothing() -> None:
    summary = station(heard=20, ins=[1, 20], out=10)
    assert standing(summary, 20) is Standing.IN_REACH
    assert checked_in_ms(summary, POLICY) == at(20)


def test_a_station_that_only_ever_checked_out_is_no_member() -> None:
    judged = judge(station(heard=7, out=5), POLICY, sight(), at(8))
    assert judged.standing is Standing.CHECKED_OUT
    assert judged.since_ms == at(5)
    assert judged.next_ms is None
    assert not judged.is_member


def test_a_word_said_to_no_group_checks_out_where_the_policy_lists_it() -> None:
    # common practice, no source
    summary = station(heard=20, ins=[10], words={"QRT": 20})
    assert standing(summary, 20) is Standing.CHECKED_OUT  # listed as 'Qrt': case is no matter
    other = POLICY.model_copy(update={"check_out_words": ("OUT",)})
    assert judge(summary, other, sight(), at(20)).standing is Standing.IN_REACH


def test_of_several_check_outs_the_newest_counts() -> None:
    summary = station(heard=30, ins=[25], out=20, words={"OUT": 24, "QRT": 22, "BYE": 29})
    newest = check_out_of(summary, POLICY)
    assert newest is not None
    assert newest.ms == at(24)
    assert standing(summary, 30) is Standing.IN_REACH


@pytest.mark.parametrize(
    ("silence", "expected", "then"),
    [
        (0, Standing.IN_REACH, 60),
        (59.999, Standing.IN_REACH, 60),
        (60, Standing.OVERDUE, 120),
        (119.999, Standing.OVERDUE, 120),
        (120, Standing.OUT_OF_REACH, 240),
        (239.999, Standing.OUT_OF_REACH, 240),
        (240, Standing.EXPIRED, None),
        (10_000, Standing.EXPIRED, None),
    ],
)
def test_silence_passes_through_the_steps_of_the_policy(
    silence: float, expected: Standing, then: float | None
) -> None:
    # common practice, no source: net control calls the silent, then searches, then strikes off
    judged = judge(station(ins=[0]), POLICY, sight(), at(silence))
    assert judged.standing is expected
    assert judged.next_ms == (None if then is None else at(then))
    assert judged.is_member is (expected is not Standing.EXPIRED)


@pytest.mark.parametrize(
    ("silence", "since"), [(0, 0), (60, 60), (120, 120), (240, 240), (9999, 240)]
)
def test_a_standing_is_dated_from_when_it_came_about(silence: float, since: float) -> None:
    assert judge(station(ins=[0]), POLICY, sight(), at(silence)).since_ms == at(since)


def test_a_keying_to_anyone_keeps_a_member_in_reach() -> None:
    # common practice, no source: who was heard is there, whomever it called
    summary = station(heard=100, ins=[0])
    assert standing(summary, 159) is Standing.IN_REACH
    assert standing(summary, 160) is Standing.OVERDUE
    assert standing(summary, 340) is Standing.EXPIRED


def test_reasons_say_when_and_where_it_was_heard() -> None:
    overdue = judge(station(ins=[0]), POLICY, sight(), at(61))
    assert overdue.reasons == ("heard 08:00:00Z on ridge/uhf", "silent longer than 1 min")
    out = judge(station(ins=[0], out=5, heard=5), POLICY, sight(), at(61))
    assert out.reasons == ("checked out 08:00:05Z",)


class TestBlind:
    """The repeater of a member does not report. common practice, no source."""

    def test_it_went_dark_before_the_member_was_overdue(self) -> None:
        dark = sight(up=False, since=59)
        for now in (59, 61, 121, 239):
            judged = judge(station(ins=[0]), POLICY, dark, at(now))
            assert judged.standing is Standing.BLIND
            assert judged.since_ms == at(59)
            assert judged.next_ms == at(240)
            assert judged.reasons[-1] == "repeater ridge/uhf is down: nothing can be said since"

    def test_who_was_overdue_before_stays_so(self) -> None:
        judged = judge(station(ins=[0]), POLICY, sight(up=False, since=100), at(130))
        assert judged.standing is Standing.OVERDUE
        assert judged.since_ms == at(60)
        assert judged.reasons[-1] == "repeater ridge/uhf is down: nothing can be said since"

    def test_who_was_out_of_reach_before_stays_so(self) -> None:
        judged = judge(station(ins=[0]), POLICY, sight(up=False, since=120), at(130))
        assert judged.standing is Standing.OUT_OF_REACH
        assert judged.since_ms == at(120)

    def test_time_in_the_dark_makes_nobody_out_of_reach(self) -> None:
        judged = judge(station(ins=[0]), POLICY, sight(up=False, since=119.999), at(239))
        assert judged.standing is Standing.OVERDUE

    def test_the_dark_is_no_refuge_from_expiry(self) -> None:
        judged = judge(station(ins=[0]), POLICY, sight(up=False, since=10), at(240))
        assert judged.standing is Standing.EXPIRED

    def test_a_repeater_known_down_before_the_keying_is_dark_from_the_keying(self) -> None:
        judged = judge(station(heard=50, ins=[50]), POLICY, sight(up=False, since=10), at(200))
        assert judged.standing is Standing.BLIND

    def test_the_silence_does_not_count_while_nobody_listens(self) -> None:
        back = sight(since=100, dark=[(-50, -10), (20, 40), (70, 100)])
        for now, expected in (
            (109.999, Standing.IN_REACH),  # 20 + 30 + 10 s listened
            (110, Standing.OVERDUE),
            (169.999, Standing.OVERDUE),
            (170, Standing.OUT_OF_REACH),
            (240, Standing.EXPIRED),  # from the keying: expiry is no matter of hearing
        ):
            assert judge(station(ins=[0]), POLICY, back, at(now)).standing is expected
        judged = judge(station(ins=[0]), POLICY, back, at(105))
        assert judged.next_ms == at(110)
        assert judged.reasons[-1] == "50 s without ridge/uhf are not counted"

    def test_what_had_come_about_before_the_dark_stays_after_it(self) -> None:
        """Else a gateway that blinks would declare the missing found."""
        back = sight(since=150, dark=[(130, 150)])
        judged = judge(station(ins=[0]), POLICY, back, at(151))
        assert (judged.standing, judged.since_ms) == (Standing.OUT_OF_REACH, at(120))

    def test_a_repeater_up_since_before_the_keying_changes_nothing(self) -> None:
        judged = judge(station(ins=[0]), POLICY, sight(since=-500), at(60))
        assert judged.standing is Standing.OVERDUE
        assert judged.reasons[0] == "heard 08:00:00Z on ridge/uhf"


def left(summary: Summary, now: float) -> list[tuple[str, int, int]]:
    judged = judge(summary, POLICY, sight(summary.place.repeater), at(now))
    return [(d.repeater, d.came_ms, d.left_ms) for d in departures(summary, POLICY, judged)]


class TestDepartures:
    """Which repeaters a member left behind. common practice, no source."""

    def test_nobody_left_who_stays(self) -> None:
        assert left(station(heard=20, ins=[0]), 30) == []

    def test_it_moved(self) -> None:
        stays = [stay(LAKE, 20, None), stay(RIDGE, 0, 20)]
        assert left(station(heard=20, on=LAKE, ins=[0], stays=stays), 30) == [
            (RIDGE, at(0), at(20))
        ]

    def test_it_moved_twice(self) -> None:
        stays = [stay(MILL, 40, None), stay(LAKE, 20, 40), stay(RIDGE, 0, 20)]
        assert left(station(heard=40, on=MILL, ins=[5], stays=stays), 50) == [
            (LAKE, at(20), at(40)),
            (RIDGE, at(5), at(20)),  # held since it checked in there, not since it came
        ]

    def test_it_was_no_member_before_it_moved(self) -> None:
        stays = [stay(LAKE, 20, None), stay(RIDGE, 0, 20)]
        assert left(station(heard=20, on=LAKE, ins=[20], stays=stays), 30) == []

    def test_it_checked_out_where_it_was(self) -> None:
        assert left(station(heard=20, ins=[0], out=20), 30) == [(RIDGE, at(0), at(20))]

    def test_it_checked_out_and_then_moved(self) -> None:
        stays = [stay(LAKE, 25, None), stay(RIDGE, 0, 25)]
        summary = station(heard=25, on=LAKE, ins=[0], out=20, stays=stays)
        assert left(summary, 30) == [(RIDGE, at(0), at(20))]

    def test_it_moved_and_then_checked_out(self) -> None:
        stays = [stay(LAKE, 10, None), stay(RIDGE, 0, 10)]
        summary = station(heard=20, on=LAKE, ins=[0], out=20, stays=stays)
        assert left(summary, 30) == [(LAKE, at(10), at(20)), (RIDGE, at(0), at(10))]

    def test_it_came_back_in_after_moving(self) -> None:
        stays = [stay(LAKE, 25, None), stay(RIDGE, 0, 25)]
        summary = station(heard=25, on=LAKE, ins=[0, 25], out=20, stays=stays)
        assert left(summary, 30) == [(RIDGE, at(0), at(20))]

    def test_it_expired(self) -> None:
        assert left(station(ins=[0]), 241) == [(RIDGE, at(0), at(240))]
        assert left(station(ins=[0]), 239) == []

    def test_it_had_expired_before_it_was_heard_elsewhere(self) -> None:
        """Not left when it came up again: a repeater long free would be called for once more."""
        stays = [stay(LAKE, 1200, None), stay(RIDGE, 0, 1200, last=10)]
        summary = station(heard=1200, on=LAKE, ins=[0, 1200], stays=stays)
        assert left(summary, 1201) == [(RIDGE, at(0), at(250))]

    def test_a_check_out_by_a_word_counts_too(self) -> None:
        assert left(station(heard=20, ins=[0], words={"OUT": 20}), 30) == [(RIDGE, at(0), at(20))]

    def test_where_the_kept_check_ins_are_all_newer_it_was_a_member_before(self) -> None:
        """So many keyings to the group since it moved that the older ones are forgotten."""
        stays = [stay(LAKE, 100, None), stay(RIDGE, 0, 100)]
        full = [100 + s for s in range(CHECK_INS_FULL)]
        assert left(station(heard=107, on=LAKE, ins=full, stays=stays), 110) == [
            (RIDGE, at(100), at(100))
        ]
        assert left(station(heard=106, on=LAKE, ins=full[:-1], stays=stays), 110) == []

    def test_as_many_check_ins_are_kept_as_the_rule_counts_on(self) -> None:
        assert CHECK_INS_FULL == CHECK_INS_KEPT


class TestSince:
    def test_checked_in_since_the_first_keying_after_the_last_check_out(self) -> None:
        assert checked_in_ms(station(heard=30, ins=[1, 10, 20, 30], out=5), POLICY) == at(10)

    def test_of_someone_checked_out_the_last_check_in(self) -> None:
        assert checked_in_ms(station(heard=30, ins=[1, 10], out=30), POLICY) == at(10)

    def test_of_someone_who_never_checked_in_the_last_keying(self) -> None:
        assert checked_in_ms(station(heard=30, out=30), POLICY) == at(30)

    @pytest.mark.parametrize(("ins", "since"), [([5], 20), ([25], 25), ([5, 25], 20)])
    def test_it_holds_its_group_since_it_came_or_checked_in(
        self, ins: list[float], since: float
    ) -> None:
        stays = [stay(LAKE, 20, None), stay(RIDGE, 0, 20)]
        summary = station(heard=25, on=LAKE, ins=ins, stays=stays)
        assert member_since_ms(summary, POLICY) == at(since)
