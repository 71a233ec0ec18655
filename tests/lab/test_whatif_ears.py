"""Which repeater stands in, by learned coverage: held against the domain's own coverage, and the
chances of a signal against SciPy's distributions."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from scipy.stats import norm, truncnorm

from streamer.config import Learning
from streamer.domain.cells import cell_at
from streamer.domain.coverage import Basis, Coverage
from streamer.domain.levels import Signal
from streamer.domain.model import Learned, Sums
from streamer.lab.day import Hearing, RecordedOver
from streamer.lab.whatif_ears import Ears, Known, learn
from tests.lab.whatif_make import LAKE, MILL, RIDGE, A, over, view

LEARNING = Learning()
NEAR_RIDGE, FAR = (0.05, 20.0), (0.25, 20.1)
CELL = cell_at(*NEAR_RIDGE, LEARNING.cell_resolution)
ELSEWHERE = cell_at(*FAR, LEARNING.cell_resolution)


def heard_by(*levels_dbm: tuple[str, float | None]) -> RecordedOver:
    made = over(0, A, *(name for name, _ in levels_dbm), fix=NEAR_RIDGE)
    return replace(made, heard=tuple(Hearing(name, dbm, None) for name, dbm in levels_dbm))


OVERS = [
    heard_by((RIDGE, -80.0)),
    heard_by((RIDGE, -90.0), (LAKE, -110.0)),
    heard_by((RIDGE, None)),
    over(3, A, MILL, rssi_dbm=-70.0),  # it did not say where it was
]


def test_what_is_learned_is_counted_as_the_workers_count_it() -> None:
    """By hand: on ridge 3 overs, 2 with a signal, -80 - 90 = -170, 6400 + 8100 = 14500."""
    learned = learn(OVERS, LEARNING)
    assert learned[RIDGE] == Learned(RIDGE, {CELL: Sums(3, 2, -170, 14_500)}, {})
    assert learned[LAKE].cells == {CELL: Sums(1, 1, -110, 12_100)}
    assert MILL not in learned


def ears() -> Ears:
    return Ears(learn(OVERS, LEARNING), view().sites, LEARNING)


def coverages() -> dict[str, Coverage]:
    """Made apart, by the domain alone."""
    learned = learn(OVERS, LEARNING)
    return {
        name: Coverage(learned.get(name, Learned(name, {}, {})), site, LEARNING)
        for name, site in view().sites.items()
    }


@pytest.mark.parametrize("deaf", [[], [RIDGE], [RIDGE, LAKE], [LAKE, MILL]])
@pytest.mark.parametrize("cell", [CELL, ELSEWHERE])
def test_the_chance_is_that_of_the_domain(cell: str, deaf: Sequence[str]) -> None:
    """Of a usual station, and where the record does not say how strong it came in."""
    known = {name: c.chance(cell) for name, c in coverages().items() if name not in deaf}
    best = max(known, key=lambda name: known[name].chance or 0.0)
    found = ears().best(Known(cell), frozenset(deaf))
    assert found is not None
    assert (found.repeater, found.basis) == (best, known[best].basis)
    assert found.chance == known[best].chance
    assert known[best].low <= found.chance <= known[best].high


def test_it_says_what_it_rests_on() -> None:
    near = ears().best(Known(CELL), frozenset())
    far = ears().best(Known(ELSEWHERE), frozenset({RIDGE, LAKE}))
    assert near is not None
    assert far is not None
    assert (near.basis, far.basis) == (Basis.LEARNED, Basis.PHYSICS)


def test_nothing_is_said_where_nothing_is_known() -> None:
    assert ears().best(Known(None), frozenset()) is None
    everybody = frozenset({RIDGE, LAKE, MILL})
    assert ears().best(Known(CELL), everybody) is None


def test_a_repeater_without_a_place_is_named() -> None:
    sites = {**view().sites, "hill/uhf": replace(view().sites[RIDGE], lat=None, lon=None)}
    assert Ears({}, sites, LEARNING).unplaced == ("hill/uhf",)
    assert ears().unplaced == ()


@pytest.mark.parametrize("stronger_db", [-12, 0, 9])
@pytest.mark.parametrize("heard_dbm", [None, -85, -110])
def test_how_strong_it_is_and_was_heard_shifts_the_chance(
    stronger_db: int, heard_dbm: int | None
) -> None:
    """Source: SciPy's normal distribution, cut off above where it was heard."""
    mill = coverages()[MILL]
    signal = mill.signal(CELL)
    assert signal is not None
    mean = signal.mean_dbm + stronger_db
    cut = math.inf if heard_dbm is None else (heard_dbm - mean) / signal.spread_db
    weakest = (mill.hears_dbm - mean) / signal.spread_db
    found = ears().best(Known(CELL, stronger_db, heard_dbm), frozenset({RIDGE, LAKE}))
    assert found is not None
    assert found.chance == pytest.approx(truncnorm.sf(weakest, -math.inf, cut), abs=1e-9)


def test_a_signal_is_above_with_the_chance_of_the_normal_distribution() -> None:
    assert Signal(-100, 8).above(-116) == pytest.approx(norm.sf(-116, -100, 8))
    assert Signal(-100, 8).above(-116, -90) == pytest.approx(
        truncnorm.sf(-2, -math.inf, 1.25), rel=1e-9
    )


def test_who_was_heard_at_the_weakest_is_heard_nowhere_weaker() -> None:
    assert Signal(-60, 5).above(-116, -116) == 0
    assert Signal(-60, 5).above(-116, -130) == 0


def test_an_expectation_that_was_far_off_still_gives_a_chance() -> None:
    """The mean lies 20 spreads above what was heard, where both chances are below 1e-88."""
    assert 0.9 < Signal(0, 5).above(-116, -100) <= 1


def test_a_station_stronger_than_usual() -> None:
    """Five overs 10 dB above what ridge expects of the cell, against the 5 that it takes to believe
    half: 5."""
    signal = ears().coverage(RIDGE).signal(CELL)
    assert signal is not None
    overs = [over(n, A, RIDGE, rssi_dbm=signal.mean_dbm + 10) for n in range(5)]
    assert ears().stronger_db(overs, [CELL] * 5) == 5
    assert ears().stronger_db(overs, [None] * 5) == 0
    assert ears().stronger_db([over(0, A, RIDGE)], [CELL]) == 0
