"""The control charts against published tables."""

import math
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.domain.control_charts import (
    Cusum,
    cusum_step,
    ewma,
    ewma_limits,
    ewma_step,
    one_sided,
    tabular,
    tabular_step,
)

# Source: Montgomery and Runger, Applied Statistics and Probability for Engineers, Example 16-6,
# Table 16-8: target 99, K = 1, H = 10. Value, upper CUSUM, lower CUSUM.
MONTGOMERY = [
    (102.0, 2.0, 0),
    (94.8, 0, 3.2),
    (98.3, 0, 2.9),
    (98.4, 0, 2.5),
    (102.0, 2.0, 0),
    (98.5, 0.5, 0),
    (99.0, 0, 0),
    (97.7, 0, 0.3),
    (100.0, 0, 0),
    (98.1, 0, 0),
    (101.3, 1.3, 0),
    (98.7, 0, 0),
    (101.1, 1.1, 0),
    (98.4, 0, 0),
    (97.0, 0, 1.0),
    (96.7, 0, 2.3),
    (100.3, 0.3, 0),
    (101.4, 1.7, 0),
    (97.2, 0, 0.8),
    (101.0, 1.0, 0),
]

# NIST/SEMATECH e-Handbook 6.3.2.3, FROM MEMORY, no source found: target 325, k = 0.3175,
# h = 4.1959; values, upper and lower CUSUM, the plain cumulative sum. The rows agree with the
# arithmetic; that they are the published ones is not confirmed.
NIST_CUSUM = [
    (324.925, 0, 0, -0.075),
    (324.675, 0, 0.0075, -0.4),
    (324.725, 0, 0, -0.675),
    (324.35, 0, 0.3325, -1.325),
    (325.35, 0.0325, 0, -0.975),
    (325.225, 0, 0, -0.75),
    (324.125, 0, 0.5575, -1.625),
    (324.525, 0, 0.715, -2.1),
    (325.225, 0, 0.1725, -1.875),
    (324.6, 0, 0.255, -2.275),
    (324.625, 0, 0.3125, -2.65),
    (325.15, 0, 0, -2.5),
    (328.325, 3.0075, 0, 0.825),
    (327.25, 4.94, 0, 3.075),
    (327.825, 7.4475, 0, 5.9),
    (328.5, 10.63, 0, 9.4),
    (326.675, 11.9875, 0, 11.075),
    (327.775, 14.445, 0, 13.85),
    (326.875, 16.0025, 0, 15.725),
    (328.35, 19.035, 0, 19.075),
]
NIST_H = 4.1959

# NIST/SEMATECH e-Handbook 6.3.2.4, FROM MEMORY (start 50, lambda 0.3, s 2.0539, width 3): values
# and averages as published, two decimals.
NIST_EWMA = [
    (52.0, 50.60),
    (47.0, 49.52),
    (53.0, 50.56),
    (49.3, 50.18),
    (50.1, 50.16),
    (47.0, 49.21),
    (51.0, 49.75),
    (50.1, 49.85),
    (51.2, 50.26),
    (50.5, 50.33),
    (49.6, 50.11),
    (47.6, 49.36),
    (49.9, 49.52),
    (51.3, 50.05),
    (47.8, 49.38),
    (51.2, 49.92),
    (52.6, 50.73),
    (52.4, 51.23),
    (53.6, 51.94),
    (52.1, 51.99),
]


class TestCusum:
    def test_every_row_of_montgomery(self) -> None:
        charts = tabular([x for x, _, _ in MONTGOMERY], 99, 1)
        assert len(charts) == len(MONTGOMERY) == 20
        for chart, (_, high, low) in zip(charts, MONTGOMERY, strict=True):
            assert chart.high == pytest.approx(high, abs=1e-9)
            assert chart.low == pytest.approx(low, abs=1e-9)
        assert not any(chart.beyond(10) for chart in charts)

    def test_every_row_of_nist(self) -> None:
        charts = tabular([row[0] for row in NIST_CUSUM], 325, 0.3175)
        assert len(charts) == len(NIST_CUSUM) == 20
        plain = 0.0
        for chart, (x, high, low, total) in zip(charts, NIST_CUSUM, strict=True):
            plain += x - 325
            assert chart.high == pytest.approx(high, abs=1e-9)
            assert chart.low == pytest.approx(low, abs=1e-9)
            assert plain == pytest.approx(total, abs=1e-9)
        first = next(i for i, chart in enumerate(charts, 1) if chart.beyond(NIST_H))
        assert first == 14
        assert all(chart.beyond(NIST_H) for chart in charts[13:])

    def test_step_by_step_gives_the_series(self) -> None:
        chart = Cusum()
        for value, _, _ in MONTGOMERY:
            chart = tabular_step(chart, value, 99, 1)
        assert chart == tabular([x for x, _, _ in MONTGOMERY], 99, 1)[-1]

    def test_one_side_shares_the_step(self) -> None:
        """The upper side of Montgomery's table is the one-sided chart of x - 100."""
        totals = one_sided([x - 100 for x, _, _ in MONTGOMERY])
        assert totals == pytest.approx([high for _, high, _ in MONTGOMERY], abs=1e-9)

    def test_the_low_side_signals_too(self) -> None:
        assert Cusum(0, 11).beyond(10)
        assert Cusum(11, 0).beyond(10)
        assert not Cusum(10, 10).beyond(10)

    def test_a_fall_to_nothing_starts_anew(self) -> None:
        assert cusum_step(2.0, -3.0) == 0.0
        assert one_sided([1, -5, 2, 3]) == [1, 0, 2, 5]
        assert one_sided([]) == []

    @given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=60))
    def test_it_is_the_largest_sum_of_newest_excesses(self, excesses: list[float]) -> None:
        """Source: Page (1954): the sum less its lowest earlier value."""
        total = one_sided(excesses)[-1]
        newest = max(math.fsum(excesses[i:]) for i in range(len(excesses) + 1))
        assert total == pytest.approx(newest, abs=1e-6)


class TestEwma:
    def test_every_row_of_nist(self) -> None:
        averages = ewma([x for x, _ in NIST_EWMA], 50, 0.3)
        assert len(averages) == len(NIST_EWMA) == 20
        for average, (_, published) in zip(averages, NIST_EWMA, strict=True):
            assert average == pytest.approx(published, abs=0.005 + 1e-9)

    def test_the_limits_of_nist(self) -> None:
        """From memory as above: 52.5884 and 47.4115, the latter cut, not rounded."""
        low, high = ewma_limits(50, 2.0539, 0.3, 3)
        assert high == pytest.approx(52.5884, abs=1e-4)
        assert low == pytest.approx(47.4115, abs=1e-4)
        assert all(low < average < high for average in ewma([x for x, _ in NIST_EWMA], 50, 0.3))

    def test_the_exact_limits_begin_narrow_and_settle(self) -> None:
        """After one value the average is 50 + 0.3 (x - 50), so its deviation is 0.3 sigma."""
        assert ewma_limits(50, 2.0, 0.3, 3, 1) == pytest.approx((50 - 1.8, 50 + 1.8))
        widths = [ewma_limits(0, 1, 0.3, 3, n)[1] for n in range(1, 60)]
        assert widths == sorted(widths)
        assert widths[-1] == pytest.approx(ewma_limits(0, 1, 0.3, 3)[1], rel=1e-9)

    def test_the_exact_limits_hold_what_chance_gives(self) -> None:
        """Source: the average's own spread over 4000 random series of five values."""
        rng = random.Random(4)
        last = [ewma([rng.gauss(0, 1) for _ in range(5)], 0, 0.2)[-1] for _ in range(4000)]
        assert statistics.pstdev(last) == pytest.approx(ewma_limits(0, 1, 0.2, 1, 5)[1], rel=0.05)

    def test_all_weight_on_the_newest_is_the_newest(self) -> None:
        assert ewma([3, 5, 8], 0, 1) == [3, 5, 8]
        assert ewma_step(4, 8, 0.25) == 5

    @pytest.mark.parametrize("weight", [0, -0.1, 1.1, math.nan])
    def test_a_weight_that_is_none_is_refused(self, weight: float) -> None:
        with pytest.raises(ValueError, match="weight must be above 0 and at most 1"):
            ewma([1], 0, weight)
        with pytest.raises(ValueError, match="weight must be above 0 and at most 1"):
            ewma_limits(0, 1, weight, 3)

    def test_limits_before_the_first_value_are_refused(self) -> None:
        with pytest.raises(ValueError, match="values must be at least 1, but is 0"):
            ewma_limits(0, 1, 0.2, 3, 0)
