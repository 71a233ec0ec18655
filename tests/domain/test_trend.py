"""Signals that fade: the statistics against published examples, the words as people read them."""

import random
from itertools import combinations, permutations
from math import exp
from statistics import fmean, median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.domain import trend
from streamer.domain.model import PathEntry
from streamer.domain.trend import Trend, evidence, run_on, step_down, trend_of

HERE, THERE = "ridge/uhf", "lake/uhf"
HEARS_DBM = -116.0
MINUTE_MS = 60_000


def overs(
    levels: list[float | None], errors: list[float | None] | None = None, step_s: float = 108
) -> tuple[PathEntry, ...]:
    """Levels oldest first, as the path that they make: newest first."""
    told = errors or [None] * len(levels)
    return tuple(
        PathEntry(round(n * step_s * 1000), HERE, f"o{n}", 3000, level, wrong)
        for n, (level, wrong) in enumerate(zip(levels, told, strict=True))
    )[::-1]


def look(
    levels: list[float | None], errors: list[float | None] | None = None, step_s: float = 108
) -> Trend:
    return trend_of(overs(levels, errors, step_s), HERE, HEARS_DBM)


FADING: list[float | None] = [-98.0, -101.0, -103.0, -107.0, -109.0, -112.0]


class TestStatistics:
    def test_the_example_of_sen(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Source: scipy's own test of theilslopes (scipy.stats.tests.test_stats): slope 4, and with
        93 % confidence 3.71 to 4.38; that it is the example of Sen's paper is from memory."""
        monkeypatch.setattr(trend, "CONFIDENCE", 0.93)
        times = [1, 2, 3, 4, 10, 12, 18]
        values = [9, 15, 19, 20, 45, 55, 78]
        points = [(t * MINUTE_MS, float(v)) for t, v in zip(times, values, strict=True)]
        line = trend._line_of(points)
        assert line is not None
        assert line.slope_per_min == pytest.approx(4)
        assert line.low_per_min == pytest.approx(3.71, abs=0.005)
        assert line.high_per_min == pytest.approx(4.38, abs=0.005)
        assert line.change == pytest.approx(4 * 17)
        assert line.span_ms == 17 * MINUTE_MS
        # The intercept of the same test, method "joint", is 6.
        assert line.last == pytest.approx(6 + 4 * 18)

    @given(
        st.lists(
            st.tuples(st.integers(0, 7000), st.integers(-1200, -600)),
            min_size=4, max_size=8, unique_by=lambda p: p[0],
        )
    )  # fmt: skip
    def test_the_slope_is_the_median_of_all_slopes(self, drawn: list[tuple[int, int]]) -> None:
        """An independent calculation of Theil's definition, by the standard library."""
        points = [(t * 1000, v / 10) for t, v in sorted(drawn)]
        line = trend._line_of(points)
        if line is None:
            assert (
                points[-1][0] - points[0][0] < trend.LEAST_SPAN_MS
                or len({v for _, v in points}) == 1
            )
            return
        slopes = [
            (b - a) / ((later - earlier) / MINUTE_MS)
            for (earlier, a), (later, b) in combinations(points, 2)
        ]
        assert line.slope_per_min == pytest.approx(median(slopes), abs=1e-9)
        assert line.low_per_min <= line.slope_per_min <= line.high_per_min

    def test_the_chance_of_an_order_is_that_of_all_orders(self) -> None:
        """Kendall's test, one-sided, by going through all 720 orders of six levels."""
        values = [-98.0, -103.0, -101.0, -107.0, -109.0, -112.0]
        points = [(n * MINUTE_MS, value) for n, value in enumerate(values)]

        def rises(order: tuple[float, ...]) -> int:
            return sum(b > a for a, b in combinations(order, 2))

        orders = list(permutations(values))
        as_few = sum(rises(order) <= rises(tuple(values)) for order in orders)
        line = trend._line_of(points)
        assert line is not None
        assert line.chance == pytest.approx(as_few / len(orders))

    # Source: tables of the bound 1/(-e p ln p) as published by others (metricgate.com, p-value
    # calibration): p and the least Bayes factor for there being nothing.
    @pytest.mark.parametrize(
        ("chance", "least"),
        [(0.1, 0.626), (0.05, 0.407), (0.01, 0.125), (0.005, 0.072), (0.001, 0.019)],
    )
    def test_evidence(self, chance: float, least: float) -> None:
        assert 10 ** -evidence(chance) == pytest.approx(least, abs=0.0005)

    def test_evidence_has_ends(self) -> None:
        assert evidence(0.5) == evidence(1) == 0
        assert evidence(1e-9) == evidence(0) == trend.MOST_DECADES


# Source: Cobb, Biometrika 65, 1978, 243-251: yearly flow of a river, 1871-1970, in 10^8 m3; the
# values as in the data set "nile" of several public statistics packages (six copies agreed).
FLOW = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180,
    799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833,
    701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845,
    864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649,
    846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
    1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip

# Source: Page's simulated series as Pettitt (Applied Statistics 28, 1979) used it: by the
# documentation of the R package "trend" it changes after the 17th value, p = 0.014. The values are
# from memory; that they give this place and, by Pettitt's formula, this chance is checked below.
PAGE = [
    -1.05, 0.96, 1.22, 0.58, -0.98, -0.03, -1.54, -0.71, -0.35, 0.66, 0.44, 0.91, -0.02, -1.42,
    1.26, -1.02, -0.81, 1.66, 1.05, 0.97, 2.14, 1.22, -0.24, 1.60, 0.72, -0.12, 0.44, 0.03, 0.66,
    0.56, 1.37, 1.66, 0.10, 0.80, 1.29, 0.49, -0.07, 1.18, 3.29, 1.84,
]  # fmt: skip


class TestStep:
    def test_the_flow_of_a_river(self) -> None:
        """The published change is in 1898: the last year of the old level."""
        assert len(FLOW) == 100
        step = step_down([(year, float(flow)) for year, flow in enumerate(FLOW, 1871)])
        assert step is not None
        assert (step.at_ms, step.overs_since) == (1899, 72)
        assert (step.from_level, step.to_level) == (median(FLOW[:28]), median(FLOW[28:]))
        assert step.chance < 1e-6

    def test_the_series_of_page(self) -> None:
        """It rises, so it is turned round."""
        step = step_down([(n, -value) for n, value in enumerate(PAGE)])
        assert step is not None
        assert step.at_ms == 17
        before, after = PAGE[:17], PAGE[17:]
        k = sum((b > a) - (b < a) for a in before for b in after)
        assert 2 * exp(-6 * k**2 / (40**3 + 40**2)) == pytest.approx(0.014, abs=0.001)
        # Ours is the more cautious: every place that was tried counts (Bonferroni).
        assert 0.0005 < step.chance < 0.05

    def test_a_rise_is_no_step_down(self) -> None:
        assert step_down([(n, float(n)) for n in range(10)]) is None
        assert step_down([(n, -float(n)) for n in range(5)]) is None  # too few for two sides

    def test_the_chance_is_never_below_that_of_all_orders(self) -> None:
        """All 40320 orders of eight levels: how many have as clear a step somewhere? The stated
        chance must not be smaller."""
        values = [1.0, 2.0, 3.0, 4.0, 11.0, 12.0, 13.0, 14.0]
        step = step_down([(n, value) for n, value in enumerate(values[::-1])])
        assert step is not None
        as_clear = 0
        for order in permutations(range(8)):
            drops = (
                sum(a > b for a in order[:at] for b in order[at:]) / (at * (8 - at))
                for at in (3, 4, 5)
            )
            as_clear += max(drops) == 1.0
        assert as_clear / 40320 <= step.chance < 0.05


class TestFading:
    def test_a_signal_that_falls_to_where_nothing_is_heard(self) -> None:
        found = look(FADING)
        assert found.fading
        assert found.points == 6
        assert found.slope_db_per_min is not None
        assert found.low_db_per_min is not None
        assert found.high_db_per_min is not None
        assert found.low_db_per_min <= found.slope_db_per_min <= found.high_db_per_min < 0
        assert found.change_db == pytest.approx(found.slope_db_per_min * 9)
        assert found.reason == (
            "its signal fell by 14 dB over its last 6 overs (9 min), to -112 dBm"
        )
        # All orders of six: 1 in 720 falls all the way; two tests were made.
        assert found.decades == pytest.approx(evidence(2 / 720))

    def test_a_strong_signal_may_fall(self) -> None:
        found = look([-60.0, -63.0, -66.0, -69.0, -72.0, -75.0])
        assert (found.fading, found.decades, found.reason) == (False, 0.0, None)
        assert found.slope_db_per_min is None  # it was not even looked into
        assert found.level_dbm == -72

    def test_less_than_an_s_unit_is_nothing(self) -> None:
        assert not look([-107.0, -108.0, -109.0, -110.0, -111.0, -112.0]).fading

    def test_faint_but_steady_is_not_fading(self) -> None:
        assert not look([-113.0, -111.0, -114.0, -112.0, -113.0, -112.0]).fading

    def test_coming_nearer_is_not_fading(self) -> None:
        assert not look(FADING[::-1]).fading

    def test_the_fainter_the_more(self) -> None:
        by_level = [look([x + shift for x in FADING if x is not None]) for shift in (3, 5, 7, 9)]
        decades = [found.decades for found in by_level]
        assert decades == sorted(decades, reverse=True)
        assert decades[0] > decades[1] > decades[2] > decades[3] == 0
        assert [found.fading for found in by_level] == [True, True, True, False]

    @pytest.mark.parametrize("points", [0, 1, 2, 3])
    def test_too_few_overs_say_nothing(self, points: int) -> None:
        levels: list[float | None] = [-98.0, -105.0, -112.0]
        found = look(levels[:points])
        assert (found.fading, found.decades, found.points) == (False, 0.0, points)

    def test_within_a_minute_nothing_is_said(self) -> None:
        assert not look(FADING, step_s=11).fading  # 55 s
        assert look(FADING, step_s=13).fading
        assert look(FADING, step_s=13).reason == (
            "its signal fell by 14 dB over its last 6 overs (65 s), to -112 dBm"
        )

    @pytest.mark.parametrize("odd", range(1, 7))
    @pytest.mark.parametrize("level", [-60.0, -116.0])
    def test_one_odd_over_changes_nothing(self, odd: int, level: float) -> None:
        levels: list[float | None] = [-94.0, -96.5, -99.0, -101.5, -104.0, -106.5, -109.0, -111.5]
        levels[odd] = level
        assert look(levels).fading

    @pytest.mark.parametrize("odd", range(8))
    def test_one_odd_over_makes_nothing(self, odd: int) -> None:
        levels: list[float | None] = [
            -106.0,
            -105.5,
            -106.5,
            -105.0,
            -107.0,
            -106.2,
            -105.8,
            -106.1,
        ]
        levels[odd] = -116.0
        assert not look(levels).fading

    def test_overs_that_told_no_signal_are_left_out(self) -> None:
        told = [*FADING[:3], None, None, *FADING[3:]]
        assert look(told).points == 6
        assert look(told).fading

    def test_a_drop_at_once(self) -> None:
        found = look([-84.0, -86.0, -85.0, -87.0, -83.0, -110.0, -112.0, -109.0, -111.0, -113.0])
        assert found.step is not None
        assert (found.step.from_level, found.step.to_level, found.step.overs_since) == (
            -85, -111, 5,
        )  # fmt: skip
        assert found.step.at_ms == 5 * 108_000
        assert found.fading
        assert found.reason == "its signal dropped by 26 dB 5 overs ago, to -111 dBm"


class TestErrors:
    def test_they_rise_with_a_falling_signal(self) -> None:
        found = look(FADING, [0.3, 1.4, 2.6, 3.7, 4.9, 6.0])
        assert found.errors_points == 6
        assert found.errors_now_pct == pytest.approx(6, abs=0.1)
        assert found.errors_change_pct == pytest.approx(5.7, abs=0.1)
        assert found.reason == (
            "its signal fell by 14 dB over its last 6 overs (9 min), to -112 dBm; "
            "errors rose from 0.3 % to 6 %"
        )

    def test_where_no_signal_is_told_they_decide(self) -> None:
        found = look([None] * 6, [0.3, 1.4, 2.6, 3.7, 4.9, 6.0])
        assert (found.fading, found.points) == (True, 0)
        assert found.reason == "errors rose from 0.3 % to 6 % over its last 6 overs (9 min)"
        assert found.decades == pytest.approx(evidence(2 / 720), rel=0.05)

    def test_with_a_strong_signal_they_are_interference(self) -> None:
        strong: list[float | None] = [-70.0] * 6
        assert not look(strong, [0.3, 1.4, 2.6, 3.7, 4.9, 6.0]).fading

    def test_a_signal_not_yet_faint_but_full_of_errors(self) -> None:
        """Somebody else on the frequency: what is heard of it is fading all the same."""
        higher = [x + 12 for x in FADING if x is not None]
        assert not look([*higher]).fading
        found = look([*higher], [8.0, 9.0, 7.0, 8.0, 9.0, 8.0])
        assert found.fading
        assert found.reason == (
            "its signal fell by 14 dB over its last 6 overs (9 min), to -100 dBm; errors are at 8 %"
        )

    def test_a_rise_at_once(self) -> None:
        found = look([None] * 10, [0.2, 0.1, 0.4, 0.3, 0.2, 9.0, 8.0, 12.0, 11.0, 10.0])
        assert found.fading
        assert found.errors_step is not None
        assert (found.errors_step.from_level, found.errors_step.to_level) == (0.2, 10.0)
        assert found.reason == "errors rose from 0.2 % to 10 % 5 overs ago"


class TestRun:
    def test_only_the_run_on_this_repeater_counts(self) -> None:
        path = (
            PathEntry(50, HERE, "o4", 0, -100),
            PathEntry(40, HERE, "o3", 0, -101),
            PathEntry(30, THERE, "o2", 0, -50),
            PathEntry(20, HERE, "o1", 0, -90),
        )
        assert [e.over for e in run_on(path, HERE)] == ["o4", "o3"]
        assert run_on(path, THERE) == ()
        assert run_on((), HERE) == ()

    def test_an_over_that_another_heard_too_does_not_end_it(self) -> None:
        path = (
            PathEntry(51, THERE, "o4", 0, -70),
            PathEntry(50, HERE, "o4", 0, -100),
            PathEntry(40, THERE, "o3", 0, -71),
            PathEntry(39, HERE, "o3", 0, -101),
        )
        assert [(e.repeater, e.over) for e in run_on(path, HERE)] == [(HERE, "o4"), (HERE, "o3")]

    def test_what_was_hours_ago_does_not_count(self) -> None:
        path = (
            PathEntry(trend.WINDOW_MS + 1, HERE, "o3", 0),
            PathEntry(1, HERE, "o2", 0),
            PathEntry(0, HERE, "o1", 0),
        )
        assert [e.over for e in run_on(path, HERE)] == ["o3", "o2"]


@pytest.mark.parametrize("points", [4, 6, 8, 12, 16])
def test_noise_is_seldom_called_fading(points: int) -> None:
    """A bounded simulation, nothing published: a steady faint signal (-110 dBm) that varies by 4 dB
    from over to over. Of 400 looks at most 1 in 20 calls it fading, and on the average the odds are
    raised by less than a twentieth of a decade."""
    chance = random.Random(points)
    found = [look([round(chance.gauss(-110, 4), 1) for _ in range(points)]) for _ in range(400)]
    assert sum(f.fading for f in found) <= 20
    assert fmean(f.decades for f in found) < 0.05


@pytest.mark.parametrize(("fall_db", "points", "least"), [(3.0, 8, 170), (4.0, 6, 120)])
def test_a_true_fade_is_mostly_seen(fall_db: float, points: int, least: int) -> None:
    """Likewise: it falls by 3 or 4 dB an over to -111 dBm and varies by 4 dB. Of 200 looks."""
    chance = random.Random(7)
    found = [
        look([chance.gauss(-111 + fall_db * (points - 1 - n), 4) for n in range(points)])
        for _ in range(200)
    ]
    assert sum(f.fading for f in found) >= least
