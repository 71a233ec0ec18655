"""Erlang B and Engset against published tables, exact fractions, scipy, and chains of states.

Sources: the table of offered loads in the team's outside values, section 5 (worked out there by
another program; of it 15 channels at 1 % is printed in a published manual, 8.108, and the rows of
2, 5 and 10 channels agree with a published appendix to one decimal); the documentation of R's
package queueing, version 0.2.12, for Engset; scipy; numpy.
"""

import math
from collections.abc import Sequence
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, poisson

from streamer.domain.channel_load import (
    MANY_SOURCES,
    Model,
    alike_sources,
    engset_call,
    engset_time,
    erlang_b,
    erlangs,
    erlangs_for,
    finds_busy,
    idle_rate_of,
)

# -- Erlang B --------------------------------------------------------------------------------------

BLOCKINGS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.03, 0.05, 0.10)
TABLE = {
    1: (0.001, 0.002, 0.005, 0.0101, 0.0204, 0.0309, 0.0526, 0.1111),
    2: (0.0458, 0.0653, 0.1054, 0.1526, 0.2235, 0.2816, 0.3813, 0.5954),
    5: (0.7621, 0.8999, 1.132, 1.3608, 1.6571, 1.8752, 2.2185, 2.8811),
    10: (3.092, 3.4265, 3.9607, 4.4612, 5.084, 5.5294, 6.2157, 7.5106),
    15: (6.0772, 6.5822, 7.3755, 8.108, 9.0096, 9.65, 10.6327, 12.4838),
}


@pytest.mark.parametrize(
    ("channels", "blocking", "load"),
    [(n, b, load) for n, row in TABLE.items() for b, load in zip(BLOCKINGS, row, strict=True)],
)
def test_the_table_of_offered_loads(channels: int, blocking: float, load: float) -> None:
    """Four decimals are printed, so half a unit of the fourth may be lost."""
    assert erlangs_for(blocking, channels) == pytest.approx(load, abs=0.00005)
    assert erlang_b(load, channels) == pytest.approx(blocking, abs=0.00005)


@pytest.mark.parametrize(
    ("channels", "load", "busy"),
    [
        (1, 1.0, Fraction(1, 2)),
        (2, 1.0, Fraction(1, 5)),
        (1, 0.5, Fraction(1, 3)),
        (2, 0.5, Fraction(1, 13)),
    ],
)
def test_exact_fractions(channels: int, load: float, busy: Fraction) -> None:
    """A^N/N! over the sum of A^k/k!: with A = 1, N = 2: (1/2) / (1 + 1 + 1/2) = 1/5."""
    assert erlang_b(load, channels) == pytest.approx(float(busy), rel=1e-15)
    assert erlangs_for(float(busy), channels) == pytest.approx(load, rel=1e-12)


@pytest.mark.parametrize(
    ("channels", "load", "busy"),
    [(5, 3, 0.110054), (5, 5, 0.284868), (10, 5, 0.018385), (10, 10, 0.214582), (100, 100, 0.0757)],
)
def test_printed_blockings(channels: int, load: float, busy: float) -> None:
    """The outside values again."""
    assert erlang_b(load, channels) == pytest.approx(busy, abs=5e-7)


@given(load=st.floats(0.01, 300), channels=st.integers(1, 300))
def test_it_is_the_poisson_distribution_cut_off(load: float, channels: int) -> None:
    """Source: scipy. B = P(X = N) / P(X <= N) for X Poisson with mean A, taken as logarithms."""
    cut = poisson.logpmf(channels, load) - poisson.logcdf(channels, load)
    if cut > -600:  # below that nothing is left of it as a float
        assert math.log(erlang_b(load, channels)) == pytest.approx(cut, rel=1e-8, abs=1e-10)


@pytest.mark.parametrize("channels", [100_000, 1_000_000])
def test_large_numbers_keep_their_meaning(channels: int) -> None:
    """With A = N the blocking tends to sqrt(2 / (pi N)): Stirling's formula for N!, and half of a
    Poisson distribution lies at or below its mean. Its next term is of the order 1/N."""
    assert erlang_b(channels, channels) == pytest.approx(
        math.sqrt(2 / (math.pi * channels)), abs=2 / channels
    )
    # Twice the load: every second attempt gets through, short of one channel's worth.
    assert erlang_b(2 * channels, channels) == pytest.approx(0.5, abs=2 / channels)


def test_nothing_offered_and_no_channel() -> None:
    assert erlang_b(0, 3) == 0
    assert erlang_b(0.3, 0) == erlang_b(0, 0) == 1
    assert erlangs_for(0, 4) == 0
    assert erlang_b(1e-300, 5) == 0  # less than a float can say; no error


@given(blocking=st.floats(1e-6, 0.999), channels=st.integers(1, 60))
def test_the_inverse_is_one(blocking: float, channels: int) -> None:
    assert erlang_b(erlangs_for(blocking, channels), channels) == pytest.approx(blocking, rel=1e-9)


# -- Engset ----------------------------------------------------------------------------------------


def exact_time(sources: int, channels: int, rate: Fraction) -> Fraction:
    """The definition: C(S,N) a^N over the sum of C(S,n) a^n up to N."""
    weights = [comb(sources, n) * rate**n for n in range(channels + 1)]
    return weights[channels] / sum(weights)


def exact_call(sources: int, channels: int, rate: Fraction) -> Fraction:
    """The definition: of all attempts, those begun with all channels busy. With n of S sending,
    S - n may begin."""
    weights = [comb(sources, n) * rate**n for n in range(channels + 1)]
    attempts = [(sources - n) * weight for n, weight in enumerate(weights)]
    return attempts[channels] / sum(attempts)


@pytest.mark.parametrize(
    ("sources", "channels", "rate", "time", "call"),
    [
        (10, 5, 0.5, 0.147887, 0.106961),
        (10, 2, 0.1, 0.183673, 0.159292),
        (10, 10, 0.5, 1.6935e-05, 0.0),
    ],
)
def test_worked_out_elsewhere(
    sources: int, channels: int, rate: float, time: float, call: float
) -> None:
    """The outside values, to their printed digits."""
    assert engset_time(sources, channels, rate) == pytest.approx(time, rel=1e-5, abs=5e-7)
    assert engset_call(sources, channels, rate) == pytest.approx(call, rel=1e-5, abs=5e-7)


def test_the_published_example() -> None:
    """R's queueing 0.2.12, documentation of Engset: Engset(3, 2, 0.5/0.7) prints 0.3275109; three
    users, two servers. The three weights on paper, a = 5/7: 1, 15/7, 75/49; 75/49 over their sum
    is 75/229."""
    assert engset_time(3, 2, 0.5 / 0.7) == pytest.approx(0.3275109, abs=5e-8)
    assert engset_time(3, 2, 0.5 / 0.7) == pytest.approx(75 / 229, rel=1e-14)


def test_small_fractions() -> None:
    """S = 3, N = 1, a = 1/5: time 3a/(1+3a) = 3/8; call 2a/(1+2a) = 2/7."""
    assert engset_time(3, 1, 0.2) == pytest.approx(3 / 8, rel=1e-15)
    assert engset_call(3, 1, 0.2) == pytest.approx(2 / 7, rel=1e-15)


@given(
    sources=st.integers(1, 40),
    channels=st.integers(0, 20),
    rate=st.fractions(0, 20, max_denominator=50),
)
def test_call_congestion_is_time_congestion_with_one_source_fewer(
    sources: int, channels: int, rate: Fraction
) -> None:
    """Both by their definitions in exact fractions; ours are held against them. Call congestion by
    counting attempts knows nothing of the identity."""
    if channels < sources:
        call = exact_call(sources, channels, rate)
        assert call == exact_time(sources - 1, channels, rate)
    else:
        call = Fraction(0)  # never is nobody left without a channel
    assert engset_call(sources, channels, float(rate)) == pytest.approx(float(call), rel=1e-12)
    time = exact_time(sources, channels, rate) if channels <= sources else Fraction(0)
    assert engset_time(sources, channels, float(rate)) == pytest.approx(float(time), rel=1e-12)


@given(sources=st.integers(1, 200), channels=st.integers(1, 200), rate=st.floats(0.001, 20))
def test_it_is_the_binomial_distribution_cut_off(sources: int, channels: int, rate: float) -> None:
    """Source: scipy. X binomial of S with p = a / (1 + a)."""
    share = rate / (1 + rate)
    cut = binom.logpmf(channels, sources, share) - binom.logcdf(channels, sources, share)
    if cut > -600:
        assert math.log(engset_time(sources, channels, rate)) == pytest.approx(
            cut, rel=1e-7, abs=1e-9
        )
    elif channels > sources:
        assert engset_time(sources, channels, rate) == 0


@pytest.mark.parametrize("channels", [2, 5, 10])
def test_many_sources_are_erlangs(channels: int) -> None:
    """S a held at 0.8 while S grows: the difference shrinks as 1/S."""
    load, last = 0.8, math.inf
    for sources in (100, 1000, 10_000, 1_000_000):
        off = abs(engset_time(sources, channels, load / sources) - erlang_b(load, channels))
        assert off < last / 5
        last = off
    assert last < 1e-6


@pytest.mark.parametrize("sources", [1, 7, 1000])
def test_of_one_channel_only_the_sum_of_the_rates_counts(sources: int) -> None:
    """On paper: E = S a / (1 + S a), whatever S is."""
    assert engset_time(sources, 1, 0.8 / sources) == pytest.approx(0.8 / 1.8, rel=1e-12)


def chain(rates: Sequence[float], channels: int = 1) -> tuple[np.ndarray, list[frozenset[int]]]:
    """The share of time in each state of sources that begin while idle and end at rate 1, by
    solving the balance of flows. Source: numpy."""
    everybody = range(len(rates))
    states = [
        frozenset(i for i in everybody if bits >> i & 1)
        for bits in range(2 ** len(rates))
        if bits.bit_count() <= channels
    ]
    flow = np.zeros((len(states), len(states)))
    for a, state in enumerate(states):
        for i in everybody:
            to = state ^ {i}
            if to in states:
                flow[a, states.index(to)] += 1.0 if i in state else rates[i]
    flow -= np.diag(flow.sum(axis=1))
    balance = np.vstack([flow.T, np.ones(len(states))])
    found, *_ = np.linalg.lstsq(balance, np.array([0.0] * len(states) + [1.0]), rcond=None)
    return found, states


@pytest.mark.parametrize(
    ("load", "sources", "channels"),
    [(0.05, 1, 1), (0.3, 4, 1), (0.4, 4, 2), (0.9, 3, 2), (0.5, 3, 3), (1.5, 3, 1)],
)
def test_the_rate_of_a_measured_load(load: float, sources: int, channels: int) -> None:
    """In the chain of states, a source offers its rate times the time in which it is idle."""
    rate = idle_rate_of(load, sources, channels)
    shares, states = chain([rate] * sources, channels)
    idle = sum(share for share, state in zip(shares, states, strict=True) if 0 not in state)
    assert rate * idle == pytest.approx(load, rel=1e-9)
    blocking = engset_call(sources, channels, rate)
    assert rate == pytest.approx(load / (1 - load * (1 - blocking)), rel=1e-9)


def test_nothing_offered_has_no_rate() -> None:
    assert idle_rate_of(0) == idle_rate_of(0, 5, 2) == 0


# -- one channel, unlike sources -------------------------------------------------------------------


@pytest.mark.parametrize("loads", [[0.3], [0.3, 0.05], [0.5, 0.01, 0.01, 0.02], [0.2] * 5])
def test_unlike_sources_by_their_chain(loads: list[float]) -> None:
    shares, states = chain([load / (1 - load) for load in loads])
    busy = sum(share for share, state in zip(shares, states, strict=True) if state)
    found = finds_busy(loads)
    assert found.model is Model.ENGSET
    assert found.chance == pytest.approx(busy, rel=1e-9)
    assert found.waiting == pytest.approx(min(1.0, sum(loads)))


@given(load=st.floats(0.001, 0.2), sources=st.integers(1, MANY_SOURCES - 1))
def test_alike_sources_are_engsets(load: float, sources: int) -> None:
    found = finds_busy([load] * sources)
    assert found.chance == pytest.approx(engset_time(sources, 1, load / (1 - load)), rel=1e-12)


def test_one_other_group_is_on_the_air_as_long_as_it_is() -> None:
    """On paper: a group alone, 15 minutes of an hour on the air, is found there by one of four.
    Erlang B would say 0.25 / 1.25 = 1/5."""
    assert finds_busy([0.25]).chance == pytest.approx(1 / 4)
    assert erlang_b(0.25, 1) == pytest.approx(1 / 5)


def test_from_many_sources_on_erlang_b_will_do() -> None:
    """The limit holds: less than one percentage point, at one source fewer it does not."""

    def apart(sources: int, load: float) -> float:
        each = load / sources
        return engset_time(sources, 1, each / (1 - each)) - erlang_b(load, 1)

    assert all(0 < apart(MANY_SOURCES, load / 100) < 0.01 for load in range(1, 101))
    assert apart(MANY_SOURCES - 1, 1.0) > 0.01
    found = finds_busy([0.5 / 40] * 40)
    assert found.model is Model.ERLANG_B
    assert found.chance == pytest.approx(1 / 3)  # 0.5 / 1.5


def test_one_large_source_among_many_small_ones_is_one() -> None:
    """Kish's effective size: (sum)^2 / sum of squares. On paper: 0.5 and 50 of 0.001: 0.55^2 /
    (0.25 + 0.00005) = 0.3025 / 0.25005."""
    loads = [0.5] + [0.001] * 50
    assert alike_sources(loads) == pytest.approx(0.3025 / 0.25005)
    assert alike_sources([0.1] * 7) == pytest.approx(7)
    assert alike_sources([]) == alike_sources([0.0, 0.0]) == 0
    assert finds_busy(loads).model is Model.ENGSET
    assert finds_busy(loads).chance > 0.5


def test_the_ends_of_it() -> None:
    assert finds_busy([]).chance == finds_busy([0.0]).chance == 0
    assert finds_busy([1.0]).chance == finds_busy([0.2, 1.7]).chance == 1
    assert finds_busy([0.7, 0.7]).waiting == 1


def test_load_is_time_on_the_air() -> None:
    assert erlangs(900_000, 3_600_000) == 0.25
    assert erlangs(0, 0) == 0


# -- senseless input -------------------------------------------------------------------------------

NO_LOADS = [-0.1, math.nan, math.inf]


@pytest.mark.parametrize("load", NO_LOADS)
def test_loads_that_are_none(load: float) -> None:
    with pytest.raises(ValueError, match="load_erlangs: must be a finite number, 0 or more"):
        erlang_b(load, 1)
    with pytest.raises(ValueError, match="idle_rate: must be"):
        engset_time(3, 1, load)
    with pytest.raises(ValueError, match="loads_erlangs: must be"):
        finds_busy([0.1, load])
    with pytest.raises(ValueError, match="load_erlangs: must be"):
        idle_rate_of(load)


def test_numbers_that_are_none() -> None:
    with pytest.raises(ValueError, match="channels: must be a whole number, at least 0, but is -1"):
        erlang_b(1, -1)
    with pytest.raises(ValueError, match="channels: must be a whole number, at least 1"):
        erlangs_for(0.1, 0)
    with pytest.raises(ValueError, match="channels"):
        erlang_b(1, 1.5)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="sources: must be a whole number, at least 1"):
        engset_call(0, 1, 0.1)
    with pytest.raises(ValueError, match="never blocked offers less than 1 erlang"):
        idle_rate_of(1.0)
    for blocking in (-0.1, 1.0, math.nan):
        with pytest.raises(ValueError, match="blocking: must be 0 or more and below 1"):
            erlangs_for(blocking, 1)
