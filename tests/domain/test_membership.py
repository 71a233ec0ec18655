"""Who is a member, and in what standing. The rules of the trade are common practice, no source."""

from collections.abc import Callable, Sequence
from typing import Any

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
from streamer.domain.outlook import Outlook
from streamer.domain.silence_words import silence_reasons
from streamer.domain.verdict import Look, Verdict, decide
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


LEARNED = POLICY.model_copy(
    update={
        "overdue_phi": 1.0,
        "out_of_reach_phi": 2.0,
        "overdue_soonest_s": 10.0,
        "out_of_reach_soonest_s": 20.0,
        "overdue_after_s": 120.0,
        "out_of_reach_after_s": 180.0,
    }
)


class Given:
    """Silences of which a decade is `decade_s` long."""

    def __init__(self, decade_s: float) -> None:
        self.decade_s = decade_s
        self.asked: list[float] = []

    def __call__(self) -> Any:
        return self

    def look(self, silence_s: float) -> Look:
        return Look(silence_s, silence_s / self.decade_s, Outlook(), 5.0, 1.0, 30.0)

    def verdict(
        self,
        station: str,
        start_ms: int,
        silence_s: float,
        dark: Sequence[tuple[int, int]],
        when_ms: Callable[[float], int],
        known: Verdict | None = None,
    ) -> Verdict:
        self.asked.append(silence_s)
        return decide(LEARNED, silence_s, self.look, known)


class TestLearned:
    """Looks at 10, 11, 12.1, 13.31... s of silence; 20 s are a decade: overdue at the first look
    after 20 s, out of reach at the first after 40 s."""

    OVERDUE, LOST = 21.437, 41.775

    def test_the_standings_and_when_each_came_about(self) -> None:
        for now, expected, since in (
            (9.999, Standing.IN_REACH, 0),
            (self.OVERDUE - 0.001, Standing.IN_REACH, 0),
            (self.OVERDUE, Standing.OVERDUE, self.OVERDUE),
            (self.LOST - 0.001, Standing.OVERDUE, self.OVERDUE),
            (self.LOST, Standing.OUT_OF_REACH, self.LOST),
            (239.999, Standing.OUT_OF_REACH, self.LOST),
            (240, Standing.EXPIRED, 240),
        ):
            judged = judge(station(ins=[0]), LEARNED, sight(), at(now), Given(20))
            assert (judged.standing, judged.since_ms) == (expected, at(since)), now

    def test_nothing_is_asked_before_the_soonest(self) -> None:
        given = Given(20)
        judged = judge(station(ins=[0]), LEARNED, sight(), at(9.999), given)
        assert given.asked == []
        assert judged.next_ms == at(10)
        judge(station(ins=[0]), LEARNED, sight(), at(10), given)
        assert given.asked == [10]

    def test_nothing_is_asked_of_those_who_have_gone(self) -> None:
        given = Given(20)
        judge(station(ins=[0], out=5), LEARNED, sight(), at(100), given)
        judge(station(ins=[0]), LEARNED, sight(), at(240), given)
        assert given.asked == []

    def test_without_silences_the_latest_times_decide(self) -> None:
        for now, expected in (
            (119.999, Standing.IN_REACH), (120, Standing.OVERDUE), (180, Standing.OUT_OF_REACH),
        ):  # fmt: skip
            judged = judge(station(ins=[0]), LEARNED, sight(), at(now))
            assert judged.standing is expected
            assert judged.next_ms == {119.999: at(120), 120: at(180), 180: at(240)}[now]

    def test_nor_are_they_asked_where_the_latest_is_the_soonest(self) -> None:
        given = Given(20)
        judged = judge(station(ins=[0]), POLICY, sight(), at(60), given)
        assert (judged.standing, given.asked) == (Standing.OVERDUE, [])
        assert judged.reasons[1] == "silent longer than 1 min"

    def test_who_keys_seldom_is_overdue_at_the_latest_time(self) -> None:
        judged = judge(station(ins=[0]), LEARNED, sight(), at(125), Given(10_000))
        assert (judged.standing, judged.since_ms) == (Standing.OVERDUE, at(120))
        assert judged.reasons == ("heard 08:00:00Z on ridge/uhf", "silent longer than 2 min")

    def test_it_says_why(self) -> None:
        judged = judge(station(ins=[0]), LEARNED, sight(), at(30), Given(20))
        assert judged.reasons == (
            "heard 08:00:00Z on ridge/uhf",
            "silent longer than 21 s: half of its pauses are shorter than 5 s, one in 12 so long",
        )
        assert judged.phi == 1.43  # at its newest look, 28.533 s
        assert judge(station(ins=[0]), LEARNED, sight(), at(5), Given(20)).phi is None

    def test_the_newest_look_is_the_last_that_was_due(self) -> None:
        """10 s times 1.1, ten times, each rounded to ms: 25.94 s; eleven times: 28.53 s."""
        judged = judge(station(ins=[0]), LEARNED, sight(), at(28), Given(20))
        assert judged.verdict is not None
        assert judged.verdict.newest is not None
        assert judged.verdict.newest.silence_s == pytest.approx(10 * 1.1**10, abs=0.005)
        assert judged.next_ms is not None
        assert judged.next_ms == pytest.approx(at(10 * 1.1**11), abs=5)

    def test_time_in_darkness_is_left_out(self) -> None:
        back = sight(since=100, dark=[(-50, -10), (15, 100)])
        given = Given(20)
        for now, expected in (
            (85 + self.OVERDUE - 0.001, Standing.IN_REACH),
            (85 + self.OVERDUE, Standing.OVERDUE),
            (85 + self.LOST, Standing.OUT_OF_REACH),
        ):
            judged = judge(station(ins=[0]), LEARNED, back, at(now), given)
            assert judged.standing is expected
        assert given.asked == pytest.approx([21.436, 21.437, self.LOST])
        assert judged.reasons[-1] == "85 s without ridge/uhf are not counted"

    def test_a_repeater_that_is_dark_leaves_it_as_found(self) -> None:
        for since, expected in (
            (self.OVERDUE - 0.001, Standing.BLIND),
            (self.OVERDUE, Standing.OVERDUE),
            (self.LOST, Standing.OUT_OF_REACH),
        ):
            for now in (50, 200, 239):
                dark = sight(up=False, since=since)
                judged = judge(station(ins=[0]), LEARNED, dark, at(now), Given(20))
                assert judged.standing is expected
                assert judged.next_ms == at(240)
                assert judged.reasons[-1] == "repeater ridge/uhf is down: nothing can be said since"


class TestReasons:
    def test_a_usual_one(self) -> None:
        assert silence_reasons(Look(840, 1.903, Outlook(), 180, 1.0, 30), 7200) == [
            "silent longer than 14 min: "
            "half of its pauses are shorter than 3 min, one in 80 so long"
        ]

    def test_by_the_latest_time(self) -> None:
        assert silence_reasons(None, 7200) == ["silent longer than 120 min"]

    @pytest.mark.parametrize(
        ("silence_s", "text"),
        [(59.6, "60 s"), (89.4, "89 s"), (90, "2 min"), (840, "14 min"), (5399, "90 min"),
         (5400, "1.5 h"), (9000, "2.5 h")],
    )  # fmt: skip
    def test_no_more_exact_than_it_is(self, silence_s: float, text: str) -> None:
        (reason,) = silence_reasons(Look(silence_s, 2, Outlook(), silence_s, 1, 30), 7200)
        assert reason == (
            f"silent longer than {text}: half of its pauses are shorter than {text}, "
            "one in 100 so long"
        )

    def test_many_digits_are_set_apart(self) -> None:
        (reason,) = silence_reasons(Look(600, 4.1, Outlook(), 60, 1, 30), 7200)
        assert reason.endswith(", one in 12,589 so long")

    def test_where_the_outlook_alone_tells(self) -> None:
        """A silence as half of all; nothing to be said of how unusual it is."""
        look = Look(600, 0.1, Outlook(2.0, ("its signal has been falling",)), 600, 1, 30)
        assert silence_reasons(look, 7200) == [
            "silent longer than 10 min: half of its pauses are shorter than 10 min",
            "its signal has been falling",
        ]

    def test_little_known_and_a_quiet_group(self) -> None:
        look = Look(600, 2, Outlook(1.0, ("it was moving away",)), 60, 3.2, 3.9)
        assert silence_reasons(look, 7200)[1:] == [
            "little is known of its own pauses: judged by those of its group",
            "its group keys 3 times less often than usual, which is allowed for",
            "it was moving away",
        ]
        assert len(silence_reasons(Look(600, 2, Outlook(), 60, 1.4, 4), 7200)) == 1


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
