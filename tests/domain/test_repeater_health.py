"""Repeater health on hand-made cases: each finding appears where it should and nowhere else."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import pytest

from streamer.config import Learning
from streamer.domain.model import HeardOver, Learned, Sums
from streamer.domain.repeater_health import (
    Elsewhere,
    Finding,
    Health,
    Hearing,
    Trouble,
    air_share,
    judge,
    shares,
)
from streamer.domain.signal_loss import MOST_PER_STATION, RAISE_ABOVE, SIGNAL, Norm, norm_of
from tests.domain.make import LAKE, MILL, RIDGE, at

LEARNING = Learning()
CALLS = ("QA1ABC", "QB2ABC", "QC3ABC", "QD4ABC", "QE5ABC", "QF6ABC")
MINUTE, HOUR = 60, 3600


def summed(values: Iterable[float], errors: Iterable[float] = ()) -> Sums:
    signal, error = list(values), list(errors)
    return Sums(
        len(signal),
        len(signal),
        sum(signal),
        sum(v * v for v in signal),
        len(error),
        sum(error),
        sum(v * v for v in error),
    )


def around(mean: float, count: int = 100, spread: float = 1.0) -> list[float]:
    """As many values with exactly this mean and this spread."""
    return [mean - spread, mean + spread] * (count // 2)


def over(
    seconds: float,
    station: str = "QA1ABC",
    rssi: float | None = -90.0,
    ber: float | None = None,
    lasts: float = 5,
) -> HeardOver:
    ms = at(seconds)
    return HeardOver(ms, station, RIDGE, f"o{station}{ms}", round(lasts * 1000), rssi, ber)


def hearing(
    overs: Sequence[HeardOver] = (),
    before: Mapping[str, Sums] | None = None,
    **others: object,
) -> Hearing:
    """`before` are the sums without the overs; they are added, as the state does."""
    sums = dict(before or {})
    for each in overs:
        old = sums.get(each.station, Sums())
        signal, error = each.rssi_dbm, each.ber_pct
        sums[each.station] = Sums(
            old.overs + 1,
            old.signals + (signal is not None),
            old.signal_sum + (signal or 0),
            old.signal_squares + (signal or 0) ** 2,
            old.errors + (error is not None),
            old.error_sum + (error or 0),
            old.error_squares + (error or 0) ** 2,
        )
    newest_first = sorted(overs, key=lambda o: -o.ms)
    heard = Hearing(
        Learned(RIDGE, {}, sums),
        newest_first,
        newest_first[0].ms if newest_first else None,
        True,
        at(-100 * HOUR),
    )
    return replace(heard, **others)  # type: ignore[arg-type]


def known_to(_: Elsewhere) -> float | None:
    return 0.9


def judged(
    heard: Hearing,
    seconds: float,
    held: Mapping[Trouble, int] | None = None,
    share: float | None = 0.9,
) -> Health:
    return judge(heard, lambda _: share, LEARNING, at(seconds), held)


def the(health: Health, trouble: Trouble) -> Finding:
    finding = health.find(trouble)
    assert finding is not None
    return finding


BEFORE = {call: summed(around(-90.0)) for call in CALLS}


def rounds(
    level: float | Mapping[str, float], calls: Sequence[str] = CALLS, count: int = 2
) -> list[HeardOver]:
    """Each of the stations in turn, a minute apart."""
    told = dict.fromkeys(calls, level) if isinstance(level, float) else level
    names = [call for _ in range(count) for call in calls]
    return [over(MINUTE * i, call, told[call]) for i, call in enumerate(names)]


class TestDegraded:
    def test_all_stations_weaker(self) -> None:
        health = judged(hearing(rounds(-96.0), BEFORE), 12 * MINUTE)
        finding = the(health, Trouble.DEGRADED)
        assert finding.reasons == (
            "12 overs of 6 stations came in 6.0 dB weaker than these stations usually do here",
        )
        assert finding.since_ms == at(0)
        assert finding.evidence["stations"] == 6
        assert finding.evidence["weaker_stations"] == 6
        assert finding.evidence["overs"] == 12
        assert finding.evidence["loss_db"] == pytest.approx(6.0, abs=0.01)
        assert 4 < finding.evidence["ewma_db"] <= 6
        assert finding.evidence["cusum"] > 4.5

    def test_as_usual(self) -> None:
        assert judged(hearing(rounds(-90.0), BEFORE), 12 * MINUTE).findings == ()

    def test_stronger_is_no_loss(self) -> None:
        assert judged(hearing(rounds(-80.0), BEFORE), 12 * MINUTE).findings == ()

    def test_one_weak_station_raises_nothing(self) -> None:
        """However far down and however often: its own antenna, or it drove away."""
        alone = [over(MINUTE * i, "QA1ABC", -115.0) for i in range(16)]
        assert judged(hearing(alone, BEFORE), HOUR).findings == ()
        levels = dict.fromkeys(CALLS, -90.0) | {"QA1ABC": -115.0}
        assert judged(hearing(rounds(levels), BEFORE), HOUR).findings == ()

    def test_two_weak_stations_raise_nothing(self) -> None:
        two = rounds(-115.0, CALLS[:2], 8)
        assert judged(hearing(two, BEFORE), HOUR).findings == ()

    def test_two_very_weak_and_one_hardly_weaker_raise_nothing(self) -> None:
        assert 2 * MOST_PER_STATION < RAISE_ABOVE
        levels = dict(zip(CALLS, (-115.0, -115.0, -93.0), strict=False))
        assert judged(hearing(rounds(levels, CALLS[:3], 8), BEFORE), HOUR).findings == ()

    def test_fewer_than_half_do_not_speak_for_all(self) -> None:
        """Three fixed stations 9 dB weaker; three that move about say little against."""
        before = {
            c: summed(around(-90.0, spread=1.0 if i < 3 else 9.0)) for i, c in enumerate(CALLS)
        }
        levels = {c: -99.0 if i < 3 else -90.0 for i, c in enumerate(CALLS)}
        assert judged(hearing(rounds(levels), before), HOUR).findings == ()
        levels[CALLS[3]] = -99.0
        assert judged(hearing(rounds(levels), before), HOUR).find(Trouble.DEGRADED)

    def test_half_of_the_stations_is_not_the_repeater(self) -> None:
        levels = {c: -100.0 if i < 3 else -90.0 for i, c in enumerate(CALLS)}
        assert judged(hearing(rounds(levels), BEFORE), HOUR).findings == ()

    def test_stations_heard_too_seldom_before_do_not_count(self) -> None:
        new = {call: summed(around(-90.0, 10)) for call in CALLS}
        assert judged(hearing(rounds(-96.0), new), HOUR).findings == ()
        assert judged(hearing(rounds(-96.0)), HOUR).findings == ()

    def test_stations_that_move_about_say_little(self) -> None:
        """The same overs that condemn the repeater when fixed stations send them."""
        roaming = {call: summed(around(-90.0, spread=9.0)) for call in CALLS}
        assert judged(hearing(rounds(-96.0), roaming), HOUR).findings == ()

    def test_overs_of_one_visit_are_hardly_more_than_one(self) -> None:
        """Six stations of 6 dB spread, 6.5 dB weaker: four overs in one visit are not enough, in
        four visits they are."""
        before = {call: summed(around(-90.0, spread=6.0)) for call in CALLS}
        gap = 45 * MINUTE
        near = [over(10 * i, c, -96.5) for i, c in enumerate(CALLS * 4)]
        apart = [over(gap * n + 10 * i, c, -96.5) for n in range(4) for i, c in enumerate(CALLS)]
        assert judged(hearing(near, before), 4 * gap).findings == ()
        assert judged(hearing(apart, before), 4 * gap).find(Trouble.DEGRADED)

    def test_what_is_over_is_not_told_anew(self) -> None:
        """Six stations spoke for a loss, then one alone as usual, again and again."""
        overs = rounds(-96.0)
        more = [over(HOUR * (1 + i), CALLS[0], -90.0) for i in range(8)]
        assert judged(hearing(overs, BEFORE), HOUR).find(Trouble.DEGRADED)
        assert judged(hearing(overs + more, BEFORE), 9 * HOUR).findings == ()

    def test_more_errors_alone(self) -> None:
        """The level as ever: noise at the receiver."""
        before = {c: summed(around(-90.0), around(1.0, spread=0.5)) for c in CALLS}
        noisy = [over(MINUTE * i, c, -90.0, 5.0) for i, c in enumerate(CALLS * 2)]
        finding = the(judged(hearing(noisy, before), 12 * MINUTE), Trouble.DEGRADED)
        assert finding.reasons == (
            "12 overs of 6 stations had 4.0 % more errors than these stations usually have here",
        )
        assert finding.evidence["errors_ewma_pct"] > 2
        assert finding.evidence["ewma_db"] == pytest.approx(0)

    def test_fewer_errors_are_no_loss(self) -> None:
        before = {c: summed(around(-90.0), around(6.0, spread=0.5)) for c in CALLS}
        clean = [over(MINUTE * i, c, -90.0, 0.0) for i, c in enumerate(CALLS * 2)]
        assert judged(hearing(clean, before), 12 * MINUTE).findings == ()

    def test_it_stays_until_the_average_is_back(self) -> None:
        """Mended after two rounds: the loss is told on while newer overs outweigh it not yet."""
        overs = rounds(-96.0)
        held = judged(hearing(overs, BEFORE), 12 * MINUTE).held
        assert held == {Trouble.DEGRADED: at(0)}
        told = []
        for extra in range(1, 13):
            more = [over(MINUTE * (12 + i), CALLS[i % 6], -90.0) for i in range(extra)]
            health = judged(hearing(overs + more, BEFORE), MINUTE * (12 + extra), held)
            told.append(health.find(Trouble.DEGRADED) is not None)
            assert all(f.since_ms == at(0) for f in health.findings)
            held = health.held
        assert told[0]
        assert not told[-1]
        assert told == sorted(told, reverse=True)

    def test_the_memory_of_a_loss_is_told_as_such(self) -> None:
        overs = rounds(-102.0) + [
            over(MINUTE * (12 + i), c, -88.0) for i, c in enumerate(CALLS[:2])
        ]
        held = {Trouble.DEGRADED: at(0)}
        reasons = the(judged(hearing(overs, BEFORE), HOUR, held), Trouble.DEGRADED).reasons
        assert len(reasons) == 1
        assert "dB weaker than" in reasons[0]

    def test_time_alone_ends_it_when_the_newest_over_is_a_week_old(self) -> None:
        overs = rounds(-96.0)
        health = judged(hearing(overs, BEFORE), 12 * MINUTE)
        assert health.next_ms == at(11 * MINUTE + 7 * 24 * HOUR)
        later = judge(hearing(overs, BEFORE), known_to, LEARNING, health.next_ms, health.held)
        assert later.findings == ()

    def test_overs_without_an_end_are_not_in_the_sums_and_do_not_count(self) -> None:
        running = [replace(each, duration_ms=0) for each in rounds(-96.0)]
        heard = replace(hearing((), BEFORE), recent=running[::-1])
        assert judged(heard, 12 * MINUTE).find(Trouble.DEGRADED) is None

    def test_what_was_heard_after_the_moment_does_not_count(self) -> None:
        assert judged(hearing(rounds(-96.0), BEFORE), -1).findings == ()


class TestNorm:
    def test_the_window_is_taken_out_of_the_sums(self) -> None:
        """By hand: 100 overs at -90 +- 1 and 16 at -100; what is left is what was before."""
        sums = summed(around(-90.0) + [-100.0] * 16)
        norm = norm_of(SIGNAL, sums, [-100.0] * 16)
        assert isinstance(norm, Norm)
        assert norm.mean == pytest.approx(-90.0)
        assert norm.overs == 100

    def test_a_steady_station_little_known_is_not_taken_to_be_steady(self) -> None:
        little = norm_of(SIGNAL, summed(around(-90.0, 12)), [])
        much = norm_of(SIGNAL, summed(around(-90.0, 1000)), [])
        assert little
        assert much
        assert little.spread > 3
        assert much.spread == SIGNAL.least_spread

    def test_with_fewer_than_twelve_earlier_overs_there_is_none(self) -> None:
        assert norm_of(SIGNAL, summed([-90.0] * 13), [-90.0, -90.0]) is None
        assert norm_of(SIGNAL, summed([-90.0] * 14), [-90.0, -90.0])

    def test_aged_sums_that_hold_less_than_the_window_give_none(self) -> None:
        assert norm_of(SIGNAL, summed([-90.0] * 5), [-90.0] * 9) is None
        assert norm_of(SIGNAL, Sums(), []) is None


def elsewhere(
    stations: int, first: float, apart: float = 5 * MINUTE, on: Sequence[str] = (LAKE, MILL)
) -> list[Elsewhere]:
    return [
        Elsewhere(at(first + apart * i), CALLS[i], on[i % len(on)], None) for i in range(stations)
    ]


class TestDeaf:
    SILENT = hearing(rounds(-90.0), BEFORE)
    LAST = 11 * MINUTE

    def test_others_hear_whom_it_should(self) -> None:
        """By hand: two meetings of three stations at 0.9 are 3 / (1 + 2 / 3) decades each."""
        heard = replace(self.SILENT, elsewhere=elsewhere(6, self.LAST + 10 * MINUTE))
        finding = the(judged(heard, self.LAST + 47 * MINUTE), Trouble.DEAF)
        assert finding.reasons == (
            "heard nothing for 47 min while 6 stations it usually hears were heard elsewhere",
        )
        assert finding.since_ms == at(self.LAST)
        assert finding.evidence == {
            "phi": pytest.approx(2 * 3 / (5 / 3)),
            "stations": 6,
            "meetings": 2,
            "silence_s": 47 * MINUTE,
        }

    def test_phi_is_the_chance_that_all_were_missed(self) -> None:
        """By hand: three stations that did not meet, each at 0.9, are 10^-3; at 0.5 2^-3."""
        heard = replace(self.SILENT, elsewhere=elsewhere(3, self.LAST + HOUR, 2 * HOUR))
        now = self.LAST + 6 * HOUR
        assert the(judged(heard, now), Trouble.DEAF).evidence["phi"] == pytest.approx(3.0)
        assert judged(heard, now, share=0.5).findings == ()
        assert judged(heard, now, share=1.0).findings  # no surer than 0.9, and no error

    @pytest.mark.parametrize("share", [None, 0.0, 0.3])
    def test_stations_that_it_does_not_usually_hear(self, share: float | None) -> None:
        heard = replace(self.SILENT, elsewhere=elsewhere(6, self.LAST + 10 * MINUTE))
        assert judged(heard, self.LAST + HOUR, share=share).findings == ()

    def test_two_stations_are_not_enough(self) -> None:
        many = [
            replace(over, ms=over.ms + hour * HOUR * 1000)
            for hour in range(1, 9)
            for over in elsewhere(2, self.LAST)
        ]
        heard = replace(self.SILENT, elsewhere=many)
        assert judged(heard, self.LAST + 10 * HOUR).findings == ()

    def test_night_quiet_is_no_evidence(self) -> None:
        assert judged(self.SILENT, self.LAST + 9 * HOUR).findings == ()

    def test_many_overs_of_a_station_count_once_until_hours_later(self) -> None:
        """By hand: at 0.7 each of three stations that do not meet is 0.523 decades."""
        few = elsewhere(3, self.LAST + HOUR, 2 * HOUR)
        many = [replace(each, ms=each.ms + 60_000 * i) for each in few for i in range(10)]
        now = self.LAST + 6 * HOUR
        held = {Trouble.DEAF: at(self.LAST)}
        one = the(judged(replace(self.SILENT, elsewhere=few), now, held, 0.7), Trouble.DEAF)
        ten = the(judged(replace(self.SILENT, elsewhere=many), now, held, 0.7), Trouble.DEAF)
        assert one.evidence == ten.evidence
        assert ten.evidence["phi"] == pytest.approx(3 * 0.522879, abs=1e-5)
        again = [*many, *(replace(each, ms=each.ms + 8 * HOUR * 1000) for each in many)]
        heard = replace(self.SILENT, elsewhere=again)
        later = the(judged(heard, now + 8 * HOUR, share=0.7), Trouble.DEAF)
        assert later.evidence["phi"] == pytest.approx(6 * 0.522879, abs=1e-5)
        assert (later.evidence["stations"], later.evidence["meetings"]) == (3, 6)

    def test_what_was_heard_before_the_silence_is_none(self) -> None:
        heard = replace(self.SILENT, elsewhere=elsewhere(6, 0, MINUTE))
        assert judged(heard, self.LAST + HOUR).findings == ()

    def test_a_net_on_a_neighbour_is_no_deafness(self) -> None:
        """However large, and however long its stations go on there."""
        names = [f"Q{a}{n}NET" for a in "ABC" for n in range(10)]
        begin = self.LAST + 10 * MINUTE
        net = [Elsewhere(at(begin + 100 * i), name, LAKE, None) for i, name in enumerate(names)]
        net += [replace(each, ms=each.ms + 3_600_000) for each in net]
        heard = replace(self.SILENT, elsewhere=net)
        assert judged(heard, begin + 2 * HOUR).findings == ()
        more = elsewhere(2, begin + 2 * HOUR, on=(MILL,))
        heard = replace(self.SILENT, elsewhere=[*net, *more])
        assert judged(heard, begin + 3 * HOUR).find(Trouble.DEAF)

    def test_talk_that_goes_on_is_a_new_meeting_after_an_hour(self) -> None:
        """By hand: a station every 20 min; those within 60 min of the first meet: 4, 4 and 1."""
        begin = self.LAST + 20 * MINUTE
        talk = [Elsewhere(at(begin + 1200 * i), f"QA{i}SEQ", LAKE, None) for i in range(9)]
        heard = replace(self.SILENT, elsewhere=talk)
        evidence = the(judged(heard, begin + 4 * HOUR), Trouble.DEAF).evidence
        assert (evidence["stations"], evidence["meetings"]) == (9, 3)
        assert evidence["phi"] == pytest.approx(4 / 2 + 4 / 2 + 1)

    def test_soon_after_is_too_soon_and_says_when(self) -> None:
        heard = replace(self.SILENT, elsewhere=elsewhere(6, self.LAST + 10, 10))
        health = judged(heard, self.LAST + 5 * MINUTE)
        assert health.findings == ()
        assert health.next_ms == at(self.LAST + 10 * MINUTE)
        later = judge(heard, known_to, LEARNING, health.next_ms)
        assert later.find(Trouble.DEAF)

    def test_one_that_never_heard_much_is_not_deaf(self) -> None:
        few = {call: summed(around(-90.0, 4)) for call in CALLS}
        heard = hearing((), few, last_heard_ms=at(0), elsewhere=elsewhere(6, 600))
        assert judged(heard, 2 * HOUR).findings == ()

    def test_one_that_just_came_back_starts_from_there(self) -> None:
        heard = replace(
            self.SILENT,
            elsewhere=elsewhere(6, self.LAST + 10 * MINUTE),
            reporting_since_ms=at(self.LAST + HOUR),
        )
        assert judged(heard, self.LAST + 2 * HOUR).findings == ()

    def test_it_stays_through_the_night_and_ends_with_the_first_over(self) -> None:
        held = {Trouble.DEAF: at(self.LAST)}
        finding = the(judged(self.SILENT, self.LAST + 9 * HOUR, held), Trouble.DEAF)
        assert finding.reasons == ("heard nothing for 9 h",)
        heard = hearing([*rounds(-90.0), over(9 * HOUR)], BEFORE)
        assert judged(heard, 9 * HOUR + 60, held).findings == ()

    def test_one_station_in_words(self) -> None:
        held = {Trouble.DEAF: at(self.LAST)}
        heard = replace(self.SILENT, elsewhere=elsewhere(1, self.LAST + 10 * MINUTE))
        assert the(judged(heard, self.LAST + HOUR, held), Trouble.DEAF).reasons == (
            "heard nothing for 60 min while 1 station it usually hears was heard elsewhere",
        )


LEARNED = {
    RIDGE: Learned(RIDGE, {"c1": Sums(overs=45)}, {"QA1ABC": Sums(overs=90)}),
    LAKE: Learned(LAKE, {"c1": Sums(overs=45)}, {"QA1ABC": Sums(overs=8)}),
}


class TestShares:
    def test_of_the_cell_else_of_the_station(self) -> None:
        """By hand, with two overs more that were heard elsewhere: 45/92, 90/100."""
        share = shares(LEARNED, RIDGE)
        assert share(Elsewhere(0, "QA1ABC", LAKE, "c1")) == pytest.approx(45 / 92)
        assert share(Elsewhere(0, "QA1ABC", LAKE, None)) == pytest.approx(0.9)

    def test_little_known_is_none(self) -> None:
        share = shares(LEARNED, RIDGE)
        assert share(Elsewhere(0, "QX9XYZ", LAKE, None)) is None
        assert share(Elsewhere(0, "QA1ABC", LAKE, "c2")) is None

    def test_one_that_never_heard_it(self) -> None:
        assert shares(LEARNED, MILL)(Elsewhere(0, "QA1ABC", LAKE, None)) == 0


EARLIER = over(-300, "QB2ABC")


class TestStuck:
    """The limit of 180 s: common practice, no source."""

    def test_without_end(self) -> None:
        health = judged(hearing([EARLIER, over(0, lasts=0)]), 4 * MINUTE + 10)
        finding = the(health, Trouble.STUCK)
        assert finding.reasons == (
            "QA1ABC has been sending for 4 min without end: "
            "a carrier may be stuck, or the end was lost on the way",
        )
        assert finding.since_ms == at(0)
        assert finding.evidence == {"duration_s": 250.0}

    def test_a_gateway_that_never_tells_of_an_end(self) -> None:
        heard = hearing([over(-60, "QB2ABC", lasts=0), over(0, lasts=0)])
        assert judged(heard, 4 * MINUTE) == Health(RIDGE, (), None)

    def test_not_yet_and_when(self) -> None:
        heard = hearing([EARLIER, over(0, lasts=0)])
        health = judged(heard, 180)
        assert health.findings == ()
        assert health.next_ms == at(180.001)
        assert judge(heard, known_to, LEARNING, health.next_ms).find(Trouble.STUCK)

    def test_somebody_heard_after_it(self) -> None:
        heard = hearing([EARLIER, over(0, lasts=0), over(200, "QB2ABC")])
        assert judged(heard, 300).findings == ()

    def test_the_gateway_came_back_meanwhile(self) -> None:
        heard = hearing([EARLIER, over(0, lasts=0)], reporting_since_ms=at(100))
        assert judged(heard, 300).findings == ()

    def test_too_long_and_over(self) -> None:
        heard = hearing([over(0, lasts=300)])
        health = judged(heard, 310)
        assert the(health, Trouble.STUCK).reasons == (
            "QA1ABC was sending for 5 min; no over should last longer than 3 min",
        )
        assert health.next_ms == at(300 + 15 * MINUTE)
        assert judge(heard, known_to, LEARNING, health.next_ms, health.held).findings == ()

    def test_as_long_as_allowed(self) -> None:
        assert judged(hearing([over(0, lasts=180)]), 200).findings == ()

    def test_at_last_the_end_was_lost(self) -> None:
        heard = hearing([EARLIER, over(0, lasts=0)])
        assert judged(heard, 11 * HOUR).next_ms == at(12 * HOUR)
        assert judged(heard, 12 * HOUR).findings == ()

    def test_an_over_ahead_of_the_clock_is_none(self) -> None:
        assert judged(hearing([EARLIER, over(10, lasts=0)]), 0) == Health(RIDGE, (), None)


def air(*seconds: float, first: float = 0) -> list[tuple[int, int]]:
    """Seconds on the air in each five minutes."""
    return [(at(first + 300 * i), round(s * 1000)) for i, s in enumerate(seconds)]


class TestBusy:
    def test_busy(self) -> None:
        """By hand: 639 of 900 s."""
        health = judged(hearing(air=air(213, 213, 213)), 900)
        finding = the(health, Trouble.BUSY)
        assert finding.reasons == ("on the air 71 % of the last 15 min",)
        assert finding.since_ms == at(900)
        assert finding.evidence == {"air_pct": pytest.approx(71.0)}

    def test_not_busy(self) -> None:
        assert judged(hearing(air=air(170, 170, 170)), 900).findings == ()
        assert judged(hearing(), 900).findings == ()

    def test_ends_below_two_thirds_of_it(self) -> None:
        """60 % begins it, 40 % ends it."""
        held = {Trouble.BUSY: at(0)}
        assert judged(hearing(air=air(130, 130, 130)), 900).findings == ()
        finding = the(judged(hearing(air=air(130, 130, 130)), 900, held), Trouble.BUSY)
        assert finding.since_ms == at(0)
        assert judged(hearing(air=air(119, 119, 119)), 900, held).findings == ()

    def test_time_alone_ends_it(self) -> None:
        """By hand: 240 s a span; 40 % of 900 s is 360 s, which is left when half a span and
        another lie within: seven and a half minutes later, so the eighth."""
        heard = hearing(air=air(240, 240, 240))
        health = judged(heard, 900)
        assert health.next_ms == at(900 + 8 * MINUTE)
        assert judge(heard, known_to, LEARNING, health.next_ms, health.held).findings == ()

    def test_share_of_the_span_that_began_before(self) -> None:
        assert air_share(air(300, 0, 0, 0), 300_000, at(900)) == pytest.approx(300 / 900)
        assert air_share(air(300, 0, 0, 0), 300_000, at(1050)) == pytest.approx(150 / 900)
        assert air_share(air(300, 0, 0, 0), 300_000, at(1200)) == 0
        assert air_share(air(300), 300_000, at(-1)) == 0
        assert air_share(air(900, 900), 300_000, at(600)) == 1


class TestNotReporting:
    def test_a_lost_repeater_raises_nothing(self) -> None:
        """Everything at once, and yet nothing can be said of it."""
        heard = hearing(
            [*rounds(-102.0), over(HOUR, lasts=0)],
            BEFORE,
            elsewhere=elsewhere(6, 2 * HOUR),
            air=air(300, 300, 300, first=3 * HOUR),
        )
        now = 4 * HOUR
        assert {f.trouble for f in judged(heard, now).findings} >= {Trouble.DEAF, Trouble.STUCK}
        held = {trouble: at(0) for trouble in Trouble}
        lost = replace(heard, reporting=False)
        assert judged(lost, now, held) == Health(RIDGE, (), None)

    def test_an_empty_one_has_nothing(self) -> None:
        assert judged(hearing(), 0) == Health(RIDGE, (), None)
