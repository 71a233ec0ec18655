"""The chance to be heard: single cases by hand, and calibration on a land whose truth is known."""

import math
import random
from dataclasses import replace
from statistics import NormalDist, fmean

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from streamer.config import Learning, Site
from streamer.domain.cells import boundary, cell_at, centre, disk_of, ring_of, sphere_km
from streamer.domain.coverage import (
    Basis,
    Chance,
    Coverage,
    or_zero,
)
from streamer.domain.level_law import EXCESS_DB, EXCESS_ERROR_DB, SCATTER_DB, SHADOW_DB, scatter_db
from streamer.domain.model import Sums
from tests.domain.coverage_make import (
    LEARNING,
    SITE,
    Truth,
    coverage,
    demo_sites,
    learn,
    learned,
    sums,
)

PHI = NormalDist().cdf


def cell_at_km(km: float) -> str:
    """East of the site, on the equator: 1 degree is 111.3195 km (WGS 84)."""
    return cell_at(0.0, 20.0 + km / 111.3195, 7)


NEAR, FAR = cell_at_km(8), cell_at_km(60)


class TestByDistance:
    def test_the_chance_is_that_of_the_level(self) -> None:
        """By hand: 37 dBm - P.525 - 30 dB against -116 dBm, all uncertainties in it."""
        found = coverage().chance(FAR)
        km = sphere_km(0.0, 20.0, FAR)
        level = 37 - (32.4 + 20 * math.log10(146) + 20 * math.log10(km)) - EXCESS_DB
        error = math.hypot(SHADOW_DB, EXCESS_ERROR_DB)
        assert found.level_dbm == pytest.approx(level, abs=1e-6)
        assert found.chance == pytest.approx(PHI((level + 116) / math.hypot(SCATTER_DB, error)))
        assert found.low == pytest.approx(PHI((level - 1.645 * error + 116) / SCATTER_DB))
        assert found.high == pytest.approx(PHI((level + 1.645 * error + 116) / SCATTER_DB))
        assert found.basis is Basis.PHYSICS
        assert found.overs == 0
        assert found.reason == "nothing heard near here yet: by its distance of 60 km alone"

    def test_beyond_the_horizon_it_falls_steeply(self) -> None:
        """30 m and 2 m see each other over 22.576 + 5.829 = 28.4 km (test_propagation)."""
        low = coverage(site=replace(SITE, antenna_m=30.0))
        assert low.chance(cell_at_km(25)) == coverage().chance(cell_at_km(25))
        beyond, open_ = low.chance(FAR), coverage().chance(FAR)
        assert beyond.level_dbm is not None
        assert open_.level_dbm is not None
        assert beyond.level_dbm < open_.level_dbm - 15
        assert beyond.reason == (
            "nothing heard near here yet: by its distance of 60 km alone, "
            "which is beyond the radio horizon of 28 km"
        )

    def test_beyond_the_stated_range_too(self) -> None:
        stated = coverage(site=replace(SITE, range_km=25.0)).chance(FAR)
        assert stated.reason.endswith("which is beyond the range of 25 km")
        assert or_zero(stated) < or_zero(coverage().chance(FAR)) - 0.3

    def test_where_stations_were_heard_is_no_horizon(self) -> None:
        site = replace(SITE, antenna_m=10.0, range_km=20.0)
        once = coverage({cell_at_km(70): sums([-95])}, site).chance(FAR)
        often = coverage({cell_at_km(70): sums([-95] * 3)}, site).chance(FAR)
        assert or_zero(often) > or_zero(once) + 0.1
        assert "beyond" not in often.reason

    def test_a_higher_frequency_reaches_less(self) -> None:
        high = coverage(site=replace(SITE, freq_mhz=439.0)).chance(FAR).level_dbm
        low = coverage().chance(FAR).level_dbm
        assert low is not None
        assert high is not None
        assert low - high == pytest.approx(20 * math.log10(439 / 146))


class TestLearned:
    def test_its_own_overs_count_most(self) -> None:
        weak = coverage({NEAR: sums([-112, -110, -114, -108] * 3)}).chance(NEAR)
        strong = coverage({NEAR: sums([-82, -80, -84, -78] * 3)}).chance(NEAR)
        assert weak.basis is strong.basis is Basis.LEARNED
        assert weak.overs == 12
        assert weak.reason == "heard about 12 overs from here, -111 dBm on average"
        assert or_zero(strong) > 0.99
        assert or_zero(weak) < 0.85
        assert or_zero(coverage().chance(NEAR)) > 0.9

    def test_one_over(self) -> None:
        found = coverage({NEAR: sums([-90])}).chance(NEAR)
        assert found.reason == "heard about 1 over from here, -90 dBm on average"

    def test_the_missing_weak_overs_are_made_up_for(self) -> None:
        """Heard at -113 dBm on average, 3 dB above the threshold: the plain average flatters."""
        site = replace(SITE, lat=None, lon=None)
        found = coverage({NEAR: sums([-115, -113, -112, -112] * 10)}, site).chance(NEAR)
        assert found.level_dbm is not None
        assert found.level_dbm < -114

    def test_more_overs_narrow_it_but_one_parked_station_does_not_settle_it(self) -> None:
        def width(overs: int) -> float:
            found = coverage({NEAR: sums([-112, -108] * overs)}).chance(NEAR)
            return found.high - found.low

        assert width(1) > width(4) > width(100)
        assert width(100) == pytest.approx(width(10_000), rel=0.05)
        assert width(10_000) > 0.15

    def test_overs_without_a_level_count_as_heard(self) -> None:
        """Expected weak, heard all the same."""
        site = replace(SITE, antenna_m=10.0)
        far = cell_at_km(75)
        mute = coverage({far: sums([], silent=2)}, site).chance(far)
        assert or_zero(mute) > or_zero(coverage(site=site).chance(far)) + 0.1
        assert mute.basis is Basis.LEARNED
        assert mute.reason == "heard about 2 overs from here, how strong is not known"

    def test_neighbours_are_asked_when_the_cell_is_silent(self) -> None:
        ring = {cell: sums([-112, -110] * 4) for cell in ring_of(NEAR, 1)}
        found = coverage(ring).chance(NEAR)
        assert found.basis is Basis.NEIGHBOURS
        assert found.overs == 0
        assert found.reason == "nothing heard from here yet: judged by 6 cells close by"
        one = coverage({ring_of(NEAR, 2)[0]: sums([-112, -110] * 4)}).chance(NEAR)
        assert one.reason == "nothing heard from here yet: judged by 1 cell close by"
        by_distance = coverage().chance(NEAR)
        assert or_zero(found) < or_zero(one) < or_zero(by_distance)
        assert found.high - found.low > 0.2

    def test_the_excess_is_learned_from_all_cells(self) -> None:
        """A repeater that hears everything 15 dB weaker than expected hears less far off too."""
        cells = {}
        for km in range(2, 22, 2):
            level = coverage().chance(cell_at_km(km)).level_dbm
            assert level is not None
            cells[cell_at_km(km)] = sums([level - 15 + d for d in (-4, -1, 0, 1, 4)])
        poor = coverage(cells)
        excess, error = poor.excess_db
        assert excess == pytest.approx(EXCESS_DB + 15, abs=5)
        assert error < EXCESS_ERROR_DB
        assert or_zero(poor.chance(FAR)) < or_zero(coverage().chance(FAR)) - 0.15
        assert poor.chance(FAR).basis is Basis.PHYSICS

    @pytest.mark.parametrize("mean", [-100.0, -113.0, -117.0])
    def test_the_scatter_is_found_though_weak_overs_are_missing(self, mean: float) -> None:
        """Truth: 9 dB, drawn; heard overs spread less, down to 3 dB at the threshold."""
        rng = random.Random(11)
        cells = []
        for _ in range(150):
            heard = [y for y in (rng.gauss(mean, 9) for _ in range(12)) if y > -116]
            cells.append(sums(heard))
        assert scatter_db(cells, -116) == pytest.approx(9, abs=1)
        assert scatter_db([], -116) == SCATTER_DB

    def test_cells_alike_teach_the_excess_less(self) -> None:
        """A hundred cells close by share their shadow: no better than so many dB."""
        cells = {cell: sums([-90, -88]) for cell in disk_of(NEAR, 5)}
        assert len(cells) == 91
        assert coverage(cells).excess_db[1] > SHADOW_DB / math.sqrt(91 / 3)

    def test_a_better_receiver_than_configured(self) -> None:
        """Cells heard below the configured threshold lower it."""
        deep = {cell: sums([-121, -120, -122]) for cell in disk_of(NEAR, 1)}
        assert or_zero(coverage(deep).chance(NEAR)) > 0.3
        assert (
            or_zero(coverage({NEAR: sums([-110] * 9)} | deep).chance(FAR))
            > or_zero(coverage({NEAR: sums([-110] * 9)}).chance(FAR)) - 0.9
        )

    def test_cells_of_another_size_are_passed_over(self) -> None:
        other = {cell_at(0.0, 20.0, 6): sums([-90]), "nonsense": sums([-90]), NEAR: Sums()}
        found = coverage(other)
        assert list(found.cells()) == []
        assert found.chance(NEAR) == coverage().chance(NEAR)

    def test_cells_known(self) -> None:
        found = coverage({NEAR: sums([-90])})
        assert list(found.cells()) == [(NEAR, found.chance(NEAR))]
        assert found.boundary(NEAR) == boundary(NEAR)

    def test_the_resolution_is_configured(self) -> None:
        """Source: uber/h3, website/docs/quickstart.md."""
        fine = Coverage(learned({}), SITE, Learning(cell_resolution=10))
        assert fine.cell_of(37.7955, -122.3937) == "8a283082a677fff"
        assert fine.chance_at(37.7955, -122.3937) == fine.chance("8a283082a677fff")


class TestWithoutALaw:
    NOWHERE = replace(SITE, lat=None, lon=None)

    @pytest.mark.parametrize("site", [None, NOWHERE])
    def test_only_cells_heard_and_those_around(self, site: Site | None) -> None:
        found = coverage({NEAR: sums([-90, -92, -88])}, site)
        assert found.place is None
        assert or_zero(found.chance(NEAR)) > 0.95
        assert found.chance(ring_of(NEAR, 1)[0]).basis is Basis.NEIGHBOURS
        far = found.chance(FAR)
        assert far == Chance(
            None,
            0.0,
            1.0,
            None,
            0.0,
            Basis.UNKNOWN,
            "nothing was heard near here, and where the repeater stands is not known",
        )

    def test_without_a_frequency_nothing_is_said_before_it_has_learned(self) -> None:
        site = replace(SITE, freq_mhz=None)
        far = coverage(site=site).chance(FAR)
        assert far.chance is None
        assert far.reason == "nothing was heard yet, and the repeater's frequency is not known"

    def test_without_a_frequency_the_excess_takes_it_up(self) -> None:
        """The law with the true frequency and the one without agree once both have learned."""
        cells = {cell_at_km(km): sums([-75 - km / 2, -79 - km / 2] * 3) for km in range(2, 30, 2)}
        without = coverage(cells, replace(SITE, freq_mhz=None)).chance(FAR)
        true = coverage(cells).chance(FAR)
        assert without.level_dbm == pytest.approx(true.level_dbm, abs=3)


@settings(max_examples=150, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(sorted(disk_of(NEAR, 3))),
        st.tuples(st.lists(st.floats(-150, 0), max_size=6), st.floats(0, 9), st.floats(1e-6, 1)),
        max_size=8,
    ),
    st.sampled_from([None, SITE, replace(SITE, freq_mhz=None), replace(SITE, antenna_m=1.0)]),
)
def test_a_chance_is_a_chance(
    heard: dict[str, tuple[list[float], float, float]], site: Site | None
) -> None:
    """Whatever was heard, however long ago: between 0 and 1, within its interval."""
    aged = {}
    for cell, (levels, silent, age) in heard.items():
        s = sums(levels, silent)
        aged[cell] = Sums(
            s.overs * age, s.signals * age, s.signal_sum * age, s.signal_squares * age
        )
    found = coverage(aged, site)
    for cell in (*disk_of(NEAR, 4), FAR):
        chance = found.chance(cell)
        assert 0 <= chance.low <= chance.high <= 1
        assert chance.chance is None or chance.low <= chance.chance <= chance.high


# -- calibration ---------------------------------------------------------------------------------

REPEATERS = ("ondrik/vhf", "sarnolf/vhf", "brimsolt/uhf")
MORE_LOSS_DB = (0.0, 12.0, 20.0)
"""The land as it is (its excess is just what is expected), and two poorer ones."""
Judged = list[tuple[Truth, Chance, Chance]]


@pytest.fixture(scope="module")
def judged() -> dict[float, Judged]:
    """By loss: the truth of each cell, its chance as learned, and by the law alone."""
    found: dict[float, Judged] = {}
    for loss in MORE_LOSS_DB:
        rows = found.setdefault(loss, [])
        for repeater in REPEATERS:
            known, truths, _ = learn(repeater, loss, seed=5)
            blank = Coverage(learned({}, repeater), known.site, LEARNING)
            rows += [(t, known.chance(t.cell), blank.chance(t.cell)) for t in truths]
    return found


def held_out(rows: Judged) -> Judged:
    """Cells that nobody ever keyed in."""
    return [row for row in rows if not row[0].visited]


def brier(pairs: list[tuple[float, float]]) -> float:
    """Brier score (1950) of chances against what happens: each over is heard or not, so its
    expectation is (said - true)^2 + true (1 - true); Murphy (1973) calls the second uncertainty."""
    return fmean((said - true) ** 2 + true * (1 - true) for said, true in pairs)


@pytest.mark.parametrize("loss", MORE_LOSS_DB)
def test_chances_are_reliable_where_nobody_ever_keyed(
    judged: dict[float, Judged], loss: float
) -> None:
    """Reliability by bins of what was said. The land's shadows are steep and the model does not
    know them: a bin (of a twentieth of the cells or more) may be off by a fifth; weighted by their
    sizes the bins are off by less than 0.08."""
    rows = held_out(judged[loss])
    assert len(rows) > 500
    off = 0.0
    for low, high in ((0, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        there = [(or_zero(c), t.share) for t, c, _ in rows if low <= or_zero(c) < high]
        if there:
            gap = abs(fmean(s for s, _ in there) - fmean(t for _, t in there))
            assert gap < 0.2 or len(there) < len(rows) / 20, (low, high, len(there))
            off += gap * len(there) / len(rows)
    assert off < 0.08


@pytest.mark.parametrize("loss", MORE_LOSS_DB)
def test_nine_intervals_of_ten_hold_the_truth(judged: dict[float, Judged], loss: float) -> None:
    for rows in (held_out(judged[loss]), [r for r in judged[loss] if r[0].visited and r[1].overs]):
        inside = fmean(c.low - 0.005 <= t.share <= c.high + 0.005 for t, c, _ in rows)
        assert inside > 0.87


@pytest.mark.parametrize("loss", MORE_LOSS_DB)
def test_learning_beats_the_law_alone(judged: dict[float, Judged], loss: float) -> None:
    rows = held_out(judged[loss])
    by_learning = brier([(or_zero(c), t.share) for t, c, _ in rows])
    by_law = brier([(or_zero(p), t.share) for t, _, p in rows])
    best = brier([(t.share, t.share) for t, _, _ in rows])
    assert best < by_learning < by_law
    gained = (by_law - by_learning) / (by_law - best)  # 1: nothing left to gain
    assert gained > (0.6 if loss else 0.1)


def test_a_cells_own_overs_tell_more_than_its_neighbours() -> None:
    """The same cells, judged with their own overs and without them."""
    known, truths, cells = learn(REPEATERS[0], 12.0, seed=5)
    share = {truth.cell: truth.share for truth in truths}
    own, others = [], []
    for cell in sorted(cells)[::2]:
        rest = {c: s for c, s in cells.items() if c != cell}
        without = Coverage(learned(rest, REPEATERS[0]), known.site, LEARNING)
        own.append((or_zero(known.chance(cell)), share[cell]))
        others.append((or_zero(without.chance(cell)), share[cell]))
    assert len(own) > 50
    assert brier(own) < brier(others)


def test_of_what_is_not_known_the_chance_is_none() -> None:
    assert or_zero(None) == 0


def test_the_sites_of_the_demo_have_what_the_law_needs() -> None:
    """So that the calibration above speaks of what it says it does."""
    for name in REPEATERS:
        site = demo_sites()[name]
        assert None not in (site.lat, site.lon, site.antenna_m, site.freq_mhz)
    assert centre(NEAR)[1] == pytest.approx(20.07, abs=0.03)
