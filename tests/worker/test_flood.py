"""How much of one gateway is taken, and how much is told of what is refused.

The bucket is held against the plain form of it, a sum that grows by the rate and is cut off at the
burst (a token bucket, common practice); numbers by hand stand beside their reckoning.
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.clock import ManualClock
from streamer.config import RegionView
from streamer.contract.published import RefusalReason
from streamer.contract.topics import Kind
from streamer.lab.feed import Feed
from streamer.mqtt.connection import Incoming
from streamer.state.alerting import Ears
from streamer.worker import flood as module
from streamer.worker.batch import Batch
from streamer.worker.flood import Flood, Restraint, Telling
from streamer.worker.intake import Intake
from tests.state.scene import START_MS, Teller, message, region


def view(**limits: Any) -> RegionView:
    few = {"flood_messages_per_s": 10, "flood_burst_messages": 5, "refusals_told_at_once": 3}
    return region(limits={**few, **limits})


def said(count: int, gateway: str = "ridge", kind: Kind = Kind.HEARD, size: int = 2) -> Any:
    return [message(gateway, kind, b"x" * size) for _ in range(count)]


class Judge:
    """A flood limit and the clock that it goes by."""

    def __init__(self, **limits: Any) -> None:
        self.clock = ManualClock(START_MS)
        self.flood = Flood(view(**limits), self.clock)
        self.flood.nothing_waits()

    def sift(self, messages: list[Incoming]) -> list[Incoming]:
        sifted = self.flood.sift(messages)
        self.flood.worked()
        return sifted

    def taken(self, messages: list[Incoming]) -> int:
        return sum(not m.unread for m in self.sift(messages))

    def after(self, seconds: float) -> "Judge":
        """Later, with work all the while."""
        whole, rest = divmod(round(seconds * 1000), 500)
        for step_ms in [500] * whole + [rest]:
            self.clock.advance_s(step_ms / 1000)
            self.flood.worked()
        return self


class TestMessages:
    def test_a_burst_and_then_the_rate(self) -> None:
        judge = Judge()
        assert judge.taken(said(9)) == 5  # the burst
        assert judge.after(0.1).taken(said(9)) == 1  # 10 a second: one in a tenth
        assert judge.after(0.3).taken(said(9)) == 3
        assert judge.after(60).taken(said(9)) == 5  # what is not used is not saved up

    def test_each_gateway_has_its_own(self) -> None:
        judge = Judge()
        assert judge.taken(said(50)) == 5
        assert judge.taken(said(5, "lake")) == 5

    def test_a_gateway_that_floods_is_not_taken_for_lost(self) -> None:
        judge = Judge()
        assert judge.taken(said(50)) == 5
        assert judge.taken(said(3, kind=Kind.STATE)) == 3
        assert judge.taken(said(50, kind=Kind.ROUTE)) == 0  # counted with what was heard
        assert judge.taken(said(50, kind=Kind.STATE)) == 2

    def test_bytes_too(self) -> None:
        # 1 MB a second and 2 MB at once; a message of 0.499 MB: four at once, then two a second.
        judge = Judge(flood_burst_messages=1000, flood_mb_per_s=1, flood_burst_mb=2)
        assert judge.taken(said(9, size=499_000)) == 4
        assert judge.taken(said(1, size=2)) == 1  # a short one still fits
        assert judge.after(1).taken(said(9, size=499_000)) == 2

    def test_strangers_are_refused_unread_anyway(self) -> None:
        judge = Judge()
        assert judge.taken(said(50, "nobody")) == 50
        assert judge.taken([Incoming("net/scene/else", b"", 1, False, 0)] * 50) == 50
        assert judge.flood.names == 0

    @given(st.lists(st.tuples(st.integers(0, 900), st.integers(1, 12)), max_size=40))
    def test_as_the_plain_bucket(self, arrivals: list[tuple[int, int]]) -> None:
        judge, tokens = Judge(), 5.0
        for pause_ms, count in arrivals:
            judge.clock.advance_s(pause_ms / 1000)
            judge.flood.worked()
            tokens = min(5.0, tokens + pause_ms / 1000 * 10)
            expected = min(count, int(tokens + 1e-6))
            got = judge.taken(said(count))
            # On the edge of a whole one either may round: half of one more is allowed.
            assert got in (expected, min(count, int(tokens + 0.5 + 1e-6)))
            tokens -= got

    def test_the_buckets_outlast_a_new_region_file(self) -> None:
        judge = Judge()
        assert judge.taken(said(5)) == 5
        judge.flood.use(view(flood_burst_messages=6))
        assert judge.taken(said(9)) == 1  # 6 at once, of which 5 have been


class TestAfterAnAbsence:
    """What comes at once was not said at once: the broker has kept it."""

    def test_a_time_without_work_counts(self) -> None:
        judge = Judge()
        judge.clock.advance_s(100)  # Redis was away: 100 s * 10 + 5
        assert sum(not m.unread for m in judge.flood.sift(said(2000))) == 1005

    def test_for_as_long_again_what_was_kept_may_come(self) -> None:
        judge = Judge()
        judge.clock.advance_s(100)
        assert judge.taken(said(500)) == 500
        assert judge.after(50).taken(said(2000)) == 1005  # 505 are left, and 50 s * 10 more
        assert judge.after(51).taken(said(2000)) == 5  # over: the burst alone

    def test_a_worker_that_was_away(self) -> None:
        clock = ManualClock(START_MS)
        for ears, most in (
            ([Ears("w1", START_MS - 20_000, 0, hears=True)], 205),  # 20 s * 10 + 5
            ([Ears("w1", START_MS - 1000, START_MS - 30_000, hears=False)], 305),  # deaf for 30 s
            ([Ears("w2", START_MS, 0, hears=True)], 864_005),  # not known: a day
        ):
            flood = Flood(view(), clock)
            flood.begin("w1", ears, START_MS)
            flood.begin("w1", [], START_MS)  # again, after another region file: nothing new
            assert sum(not m.unread for m in flood.sift(said(1000))) == min(1000, most)

    def test_where_the_broker_has_kept_nothing(self) -> None:
        flood = Flood(view(), ManualClock(START_MS))
        flood.begin("w1", [], START_MS)
        flood.nothing_waits()
        assert sum(not m.unread for m in flood.sift(said(1000))) == 5

    def test_what_the_broker_sends_again_was_judged_before(self) -> None:
        judge = Judge()
        again = [m._replace(dup=True) for m in said(50)]
        assert judge.taken(again) == 50
        assert judge.taken(said(9)) == 5


class TestTelling:
    def test_at_most_once_a_second_and_with_all_numbers(self) -> None:
        judge, told = Judge(), []
        for _ in range(50):  # 5 s, 30 messages in each tenth: 1500, of which 5 + 49 are taken
            told += [m.flooded for m in judge.sift(said(30)) if m.flooded]
            judge.after(0.1)
        assert told[0] == 1  # the first one at once
        assert len(told) == 5
        told += [m.flooded for m in judge.after(2).sift(said(1)) if m.flooded]
        assert sum(told) == 1500 - 54

    def test_the_last_ones_are_told_by_the_next_that_is_taken(self) -> None:
        judge = Judge()
        judge.sift(said(8))  # three are refused, one of them told
        (next_one,) = judge.after(2).sift(said(1))
        assert (next_one.unread, next_one.flooded) == (False, 2)

    def test_what_it_says(self) -> None:
        batch, intake = Batch(noted_ms=START_MS, lines=[]), Intake(view())
        for m in Judge().sift([Teller("ridge").heard(START_MS, "QA1ABC", "o1") for _ in range(8)]):
            intake.take(m, START_MS, batch)
        (refusal,) = batch.refusals
        assert (refusal.reason, refusal.gateway, refusal.times) == (RefusalReason.FLOOD, "ridge", 1)
        assert "more than 10 messages or 20 MB a second of gateway ridge" in refusal.detail
        assert batch.events == 5
        lines = batch.lines or []
        assert [line["kind"] for line in lines].count("refused") == 1
        again, feed = Batch(), Feed(view())  # a replay says the same of the flood
        for line in lines:
            assert feed.add(line, again)
        assert again.refusals == batch.refusals
        for said in (batch.gateways["ridge"], again.gateways["ridge"]):
            assert said.floods == [(START_MS, 1)]


def test_however_many_names_the_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_NAMES", 100)
    clock = ManualClock(START_MS)
    open_view = region(
        open_gateways=True, limits={"flood_messages_per_s": 10, "flood_burst_messages": 5}
    )
    flood, restraint = Flood(open_view, clock), Restraint(open_view, clock)
    flood.nothing_waits()
    names = [f"made-up-{n}" for n in range(1000)]
    taken = sum(not m.unread for name in names for m in flood.sift(said(1, name)))
    assert taken == 100 + 5  # the others share one bucket
    assert flood.names == 101
    for name in names:
        restraint.judge(name)
    assert len(restraint._full_s) <= 101
    clock.advance_s(10)  # they are full again, and forgotten when room is needed
    flood.worked()
    assert [m.unread for m in flood.sift(said(1, "ridge"))] == [False]
    assert flood.names == 2  # ridge, and the shared one: it has something to tell


class TestRestraint:
    def test_some_are_told_one_by_one_and_the_rest_is_counted(self) -> None:
        clock = ManualClock(START_MS)
        restraint = Restraint(view(), clock)
        told = [restraint.judge("ridge") for _ in range(5)]
        assert told == [Telling.TOLD, Telling.TOLD, Telling.LAST, Telling.COUNTED, Telling.COUNTED]
        assert restraint.judge("lake") is Telling.TOLD
        clock.advance_s(1)  # two a second
        assert [restraint.judge("ridge") for _ in range(3)].count(Telling.COUNTED) == 1

    def test_nobody_knows_them_they_share(self) -> None:
        restraint = Restraint(view(), ManualClock(START_MS))
        names: list[str | None] = [None, "made-up-1", "made-up-2", "made-up-3"]
        assert [restraint.judge(n) for n in names][-1] is Telling.COUNTED

    def test_counts_are_whole_and_numbers_are_used_up(self) -> None:
        """Of an event that is only counted the journal keeps the number, so that a replay finds
        no hole; of what had none it keeps nothing."""
        restrained = Intake(view(), Restraint(view(), ManualClock(START_MS)))
        batch, teller = Batch(lines=[]), Teller("ridge")
        for n in range(6):
            wrong = teller.heard(START_MS, "QA1ABC", f"o{n}", repeater="lake/uhf")
            restrained.take(wrong, START_MS, batch)
        for _ in range(4):
            restrained.take(message("ridge", Kind.HEARD, b"no JSON"), START_MS, batch)
        assert [r.reason for r in batch.refusals] == [RefusalReason.WRONG_GATEWAY] * 3
        assert "the next ones are only counted" in batch.refusals[-1].detail
        assert batch.untold == {"wrong_gateway": 3, "json": 4}
        assert [e[:3] for e in batch.gateways["ridge"].events] == [
            (teller.boot, seq, "refused") for seq in range(1, 7)
        ]
        assert batch.lines is not None
        assert [line["seq"] for line in batch.lines] == [1, 2, 3, 4, 5, 6]
        assert batch.lines[-1]["excerpt"] == ""
