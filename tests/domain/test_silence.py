"""The law of pauses, against the normal and the exponential distribution and by hand."""

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from streamer.domain.silence import (
    BASE_PAUSES,
    ENOUGH_PAUSES,
    FULL_PRESENCE,
    LEAST_CV,
    MOST_PHI,
    MOST_TURNS,
    NEWER_WEIGHT,
    OTHER_HOURS_WEIGHT,
    POLICY_MEMBERS,
    PRIOR_PAUSES,
    PRIOR_TURNS,
    RANDOM_CV,
    SLOWEST,
    Law,
    OwnLaw,
    Pause,
    group_law,
    learn,
    pauses_of,
    phi_of,
    prior_law,
    slower,
    turns_of,
    value_at,
)
from streamer.state.keys import PRESENCE_KEPT

NOW_S = 1_800_014_400  # noon
GRAIN_S = 60
HOUR_S = 3600


def random_law(mean_s: float) -> Law:
    """Of somebody who keys at random: the cube root of an exponential pause has the mean
    Gamma(4/3) and the mean square Gamma(5/3) (moments of the exponential distribution)."""
    first, second = math.gamma(4 / 3), math.gamma(5 / 3)
    scale = math.cbrt(mean_s)
    return Law(scale * first, scale * math.sqrt(second - first**2))


def pauses(lengths: Sequence[int], end_s: int = NOW_S) -> tuple[Pause, ...]:
    """Newest first, one after the other."""
    found = []
    for length in lengths:
        end_s -= length
        found.append(Pause(end_s, length))
    return tuple(found)


def presence(*steps_s: int, newest_s: int = NOW_S) -> tuple[int, ...]:
    """Grains, newest first, so far apart."""
    found = [newest_s]
    for step in steps_s:
        found.append(found[-1] - step)
    return tuple(found)


class TestPhi:
    @pytest.mark.parametrize(
        ("z", "phi"),
        [
            (0, 0.30103), (1, 0.799546), (1.2815515655, 1.0), (2, 1.643016), (2.326347874, 2.0),
            (3, 2.869699), (3.0902323062, 3.0), (4, 4.499335), (5, 6.542646), (6, 9.005864),
            (7, 11.892854), (8, 15.206143),
        ],
    )  # fmt: skip
    def test_the_exact_tail(self, z: float, phi: float) -> None:
        """The formula of Hayashibara et al. 2004; values computed with erfc, not published. The
        logistic form in wide use differs: 10.78 at z = 6."""
        assert phi_of(100 + 7 * z, 100, 7) == pytest.approx(phi, abs=1e-6)

    @given(st.floats(-6, 11), st.floats(-50, 50), st.floats(0.01, 100))
    def test_as_scipy_has_it(self, z: float, mean: float, spread: float) -> None:
        expected = -norm.logsf(z) / math.log(10)
        assert phi_of(mean + z * spread, mean, spread) == pytest.approx(
            min(expected, MOST_PHI), rel=1e-6, abs=1e-9
        )

    def test_it_is_bounded(self) -> None:
        """erfc is 0 in double precision beyond z = 38.6 or so."""
        assert phi_of(12, 0, 1) == MOST_PHI
        assert phi_of(1e6, 0, 1) == MOST_PHI

    @given(st.floats(0.01, 25), st.floats(-50, 50), st.floats(0.1, 100))
    def test_the_inverse(self, phi: float, mean: float, spread: float) -> None:
        assert phi_of(value_at(phi, mean, spread), mean, spread) == pytest.approx(phi, rel=1e-6)


class TestCubeRoots:
    def test_the_spread_of_one_who_keys_at_random(self) -> None:
        law = random_law(1.0)
        assert pytest.approx(law.spread / law.mean, abs=5e-5) == RANDOM_CV

    @pytest.mark.parametrize("times", [0.7, 1, 1.5, 2.302585, 3, 4, 5, 6, 8, 9.2103])
    def test_as_the_exponential_distribution(self, times: float) -> None:
        """Source: E. B. Wilson and M. M. Hilferty, Proc. Nat. Acad. Sci. 17, 1931: the cube root of
        a gamma variate is near enough normal. The exponential tail is t / mean / ln 10 decades;
        within 3.5 % of it from a third of a decade to 4 (measured here: 3.2 %)."""
        exact = times / math.log(10)
        assert 0.3 < exact < 4.0001
        assert random_law(600).phi(times * 600) == pytest.approx(exact, rel=0.035)

    def test_regularity(self) -> None:
        assert random_law(600).regularity == pytest.approx(0, abs=2e-4)
        assert Law(5, 5 * RANDOM_CV / 4).regularity == pytest.approx(0.75)
        assert Law(5, 5).regularity == 0

    @given(st.floats(0.31, 12), st.floats(1, 20), st.floats(0.1, 5))
    def test_a_silence_by_its_phi(self, phi: float, mean: float, spread: float) -> None:
        law = Law(mean, spread)
        assert law.phi(law.silence_s(phi)) == pytest.approx(phi, rel=1e-6)

    def test_half_are_shorter(self) -> None:
        law = Law(6, 2)
        assert law.usual_s == 216
        assert law.phi(216) == pytest.approx(math.log10(2))

    @given(st.floats(0.31, 12), st.floats(1, 1e6))
    def test_the_prior_is_of_one_who_keys_at_random(self, phi: float, silence_s: float) -> None:
        law = prior_law(phi, silence_s)
        assert law.phi(silence_s) == pytest.approx(phi, rel=1e-6)
        assert law.spread == pytest.approx(RANDOM_CV * law.mean)

    @pytest.mark.parametrize("phi", [1e-20, 1e-6, 0.001, 0.1])
    def test_a_threshold_that_everybody_passes_gives_a_law_all_the_same(self, phi: float) -> None:
        """Half of all silences are as long as what is half as unusual: there the prior ends."""
        assert prior_law(phi, 600).mean > 0


class TestOwnLaw:
    def test_without_pauses_the_law_alone(self) -> None:
        base = Law(6, 2)
        assert OwnLaw(base).phi(500) == pytest.approx(base.phi(500))

    def test_shares_by_hand(self) -> None:
        """A Dirichlet process over its base (Ferguson 1973): (n longer + a S(t)) / (n + a), a = 4.
        At 216 s the base says one half."""
        assert BASE_PAUSES == 4
        own = OwnLaw(Law(6, 2), [(100, 1), (200, 1), (300, 1), (400, 1)])
        assert own.pauses == 4
        assert own.phi(216) == pytest.approx(-math.log10((2 + 4 * 0.5) / 8))
        weighed = OwnLaw(Law(6, 2), [(400, 0.5), (100, 1), (300, 0.25)])
        assert weighed.pauses == 1.75
        assert weighed.phi(216) == pytest.approx(-math.log10((0.75 + 2) / 5.75))

    def test_a_pause_as_long_counts_as_longer(self) -> None:
        own = OwnLaw(Law(6, 2), [(216, 1)])
        assert own.phi(216) == pytest.approx(-math.log10((1 + 2) / 5))
        assert own.phi(216.001) == pytest.approx(-math.log10(2 / 5), abs=1e-4)

    def test_one_who_keys_four_times_as_seldom(self) -> None:
        own = OwnLaw(Law(6, 2), [(100, 1), (300, 1)])
        assert own.phi(864, 4) == own.phi(216)

    @given(
        st.lists(st.tuples(st.integers(61, 7200), st.floats(0.01, 1)), max_size=30),
        st.floats(1, 15),
        st.floats(0.1, 5),
        st.floats(0, 1e5),
        st.floats(0, 1e5),
        st.floats(1, 12),
    )
    def test_a_longer_silence_is_never_less_unusual(
        self,
        own: list[tuple[float, float]],
        mean: float,
        spread: float,
        one: float,
        other: float,
        slow: float,
    ) -> None:
        law = OwnLaw(Law(mean, spread), own)
        short, long = sorted((one, other))
        assert 0 <= law.phi(short, slow) <= law.phi(long, slow) + 1e-12
        assert law.phi(long, slow) <= MOST_PHI
        assert law.phi(long, slow) <= law.phi(long) + 1e-12


class TestPauses:
    def test_of_a_presence(self) -> None:
        found = pauses_of(presence(300, 120, 600), GRAIN_S, 7200)
        assert found == (
            Pause(NOW_S - 300, 300), Pause(NOW_S - 420, 120), Pause(NOW_S - 1020, 600),
        )  # fmt: skip
        assert pauses_of((), GRAIN_S, 7200) == pauses_of((NOW_S,), GRAIN_S, 7200) == ()

    def test_a_burst_is_no_pause(self) -> None:
        assert pauses_of(presence(60, 60, 61, 60), GRAIN_S, 7200) == (Pause(NOW_S - 181, 61),)

    def test_an_absence_is_not_to_become_usual(self) -> None:
        found = pauses_of(presence(7200, 7199, 86_400), GRAIN_S, 7200)
        assert [p.length_s for p in found] == [7199]

    @pytest.mark.parametrize(
        ("begin_s", "end_s", "kept"),
        [
            (-299, -200, [120]),  # within the first
            (-500, -299, []),  # over both
            (-420, -300, [300]),  # exactly the second
            (-2000, -420, [300, 120]),  # only touches it
            (0, 100, [300, 120]),
        ],
    )
    def test_a_pause_in_darkness_may_have_been_none(
        self, begin_s: int, end_s: int, kept: list[int]
    ) -> None:
        dark = [((NOW_S + begin_s) * 1000, (NOW_S + end_s) * 1000)]
        found = pauses_of(presence(300, 120), GRAIN_S, 7200, dark)
        assert [p.length_s for p in found] == kept


class TestLearn:
    PRIOR = random_law(1200)

    def test_knowing_nothing_it_is_nearly_the_prior(self) -> None:
        """The mean of the prior counts as known from 6 pauses: sqrt(7/6) more spread."""
        law = learn((), self.PRIOR, NOW_S)
        assert law.base.mean == pytest.approx(self.PRIOR.mean)
        assert law.base.spread == pytest.approx(self.PRIOR.spread * math.sqrt(7 / 6))
        assert law.pauses == 0

    def test_by_hand(self) -> None:
        """Two pauses of 216 s (cube root 6) before a prior of mean 10, spread 3, counting 6."""
        assert PRIOR_PAUSES == 6
        total = 1 + NEWER_WEIGHT + 6
        mean = (6 * (1 + NEWER_WEIGHT) + 10 * 6) / total
        squares = (1 + NEWER_WEIGHT) * (6 - mean) ** 2 + 6 * (9 + (10 - mean) ** 2)
        found = learn(pauses([216, 216]), Law(10, 3), NOW_S)
        assert found.base.mean == pytest.approx(mean)
        assert found.base.spread == pytest.approx(math.sqrt(squares / total * (1 + 1 / total)))
        assert found.pauses == pytest.approx(1 + NEWER_WEIGHT)

    def test_many_own_pauses_beat_the_prior_and_few_do_not(self) -> None:
        """It keys every 2 to 4 minutes, its group every 20."""
        keys = [120, 240, 180, 150, 210]
        many, few = (learn(pauses(keys * n)[:most], self.PRIOR, NOW_S).phi(1200) for n, most in
                     ((12, 60), (1, 2)))  # fmt: skip
        alone = learn((), self.PRIOR, NOW_S).phi(1200)
        assert few < alone + 0.4
        assert many > alone + 0.75

    def test_a_burst_changes_nothing(self) -> None:
        """Ten overs within two minutes, after pauses of 10 minutes: it is not quick for that."""
        slow = presence(*[600] * 12)
        talk = presence(60, 60, *[600] * 12, newest_s=NOW_S + 120)
        found = [
            learn(pauses_of(p, GRAIN_S, 7200), self.PRIOR, NOW_S).phi(1800) for p in (slow, talk)
        ]
        assert found[0] == found[1]

    def test_a_beacon_is_held_to_its_turn(self) -> None:
        """Common practice, no source: what sends every 10 minutes has failed after two turns."""
        law = learn(pauses([600] * 63), self.PRIOR, NOW_S)
        assert law.base.spread >= LEAST_CV * law.base.mean
        assert law.base.regularity > 0.45
        assert law.phi(660) > 1
        assert law.phi(590) < 0.1
        assert law.phi(1200) > 1.25

    def test_pauses_at_another_time_of_day_count_less(self) -> None:
        """The middle of a pause is what counts; the day is round."""
        for hours, weight in ((0, 1), (3, 1), (4, 0.4), (12, 0.4), (20.5, 0.4), (21.5, 1), (24, 1)):
            middle_s = NOW_S - round(hours * HOUR_S)
            own = learn([Pause(middle_s - 150, 300)], self.PRIOR, NOW_S)
            assert own.pauses == pytest.approx(weight), hours
        assert OTHER_HOURS_WEIGHT == 0.4

    def test_so_nightly_silence_does_not_make_the_day_slow(self) -> None:
        night = pauses([3600] * 8, NOW_S - 8 * HOUR_S)
        day = pauses([200] * 8, NOW_S)
        by_day = learn((*day, *night), self.PRIOR, NOW_S).phi(1800)
        by_night = learn((*day, *night), self.PRIOR, NOW_S - 12 * HOUR_S).phi(1800)
        assert by_day > by_night + 0.1

    def test_pauses_since_a_duty_began_count_more(self) -> None:
        own = pauses([600, 600])
        since = own[0].began_s + 1.0  # the second had ended by then
        assert learn(own, self.PRIOR, NOW_S, since).pauses == pytest.approx(1 + NEWER_WEIGHT * 0.4)
        assert learn(own, self.PRIOR, NOW_S, since - 1).pauses == pytest.approx(1 + NEWER_WEIGHT)
        assert learn(own, self.PRIOR, NOW_S, None).pauses == pytest.approx(1 + NEWER_WEIGHT)

    def test_newer_pauses_count_more(self) -> None:
        slowed, quickened = [900] * 10 + [120] * 10, [120] * 10 + [900] * 10
        then, now = (learn(pauses(p), self.PRIOR, NOW_S).base.mean for p in (quickened, slowed))
        assert now > then

    @given(
        st.lists(st.integers(61, 7199), max_size=63),
        st.floats(60, 7200),
        st.one_of(st.none(), st.integers(-100_000, 0)),
    )
    def test_it_lies_between_the_prior_and_its_own(
        self, lengths: list[int], mean_s: float, duty: int | None
    ) -> None:
        prior = random_law(mean_s)
        law = learn(pauses(lengths), prior, NOW_S, None if duty is None else NOW_S + duty).base
        means = [prior.mean, *(math.cbrt(length) for length in lengths)]
        assert min(means) - 1e-9 <= law.mean <= max(means) + 1e-9
        assert law.spread >= LEAST_CV * law.mean


class TestGroup:
    def test_without_members_that_are_known_the_policy(self) -> None:
        prior = random_law(900)
        for known in ([], [pauses([60] * (ENOUGH_PAUSES - 1))]):
            law = group_law(known, prior)
            assert law.mean == pytest.approx(prior.mean)
            assert law.spread == pytest.approx(prior.spread, rel=0.01)

    def test_by_hand(self) -> None:
        """Members who pause 125 s (5) and 1000 s (10), the policy counting as two: mean 6, square
        36 + 6.25."""
        assert POLICY_MEMBERS == 2
        law = group_law([pauses([125] * 3), pauses([1000] * 9)], Law(6, 2.5))
        assert law.mean == pytest.approx((5 + 10 + 2 * 6) / 4)
        square = (25 + 100 + 2 * 42.25) / 4
        assert law.spread == pytest.approx(math.sqrt(square - law.mean**2))

    def test_who_keys_most_does_not_stand_for_all(self) -> None:
        quiet = [pauses([1500] * 3) for _ in range(6)]
        once = group_law([pauses([120] * 3), *quiet], random_law(900))
        often = group_law([pauses([120] * 60), *quiet], random_law(900))
        assert once == often

    def test_a_group_of_beacons_does_not_make_people_regular(self) -> None:
        law = group_law([pauses([600] * 30)] * 9, random_law(600))
        assert law.spread >= RANDOM_CV * law.mean


class TestSlower:
    """The window is an hour. What is expected holds within 1 %: the mean of a cube of a normal
    variate is that of an exponential one so far."""

    LAW = random_law(600)  # six turns an hour

    def look(self, *others: tuple[Law, tuple[int, ...]]) -> float:
        turns = [turns_of(law, p, HOUR_S, NOW_S, GRAIN_S) for law, p in others]
        return slower(sum(e for e, _ in turns), sum(h for _, h in turns))

    def test_a_quiet_group(self) -> None:
        """Six each are usual, two of the three were heard once."""
        once, long_ago = presence(9000), presence(900, newest_s=NOW_S - 4000)
        found = self.look((self.LAW, once), (self.LAW, once), (self.LAW, long_ago))
        assert PRIOR_TURNS == 3
        assert found == pytest.approx((3 * 6 + 3) / (2 + 3), rel=0.01)

    def test_a_group_as_ever_or_livelier(self) -> None:
        assert self.look((self.LAW, presence(*[600] * 12))) == pytest.approx(1, abs=0.01)
        assert self.look((self.LAW, presence(*[120] * 40))) == 1
        assert self.look() == 1

    def test_a_burst_is_one_turn(self) -> None:
        assert self.look((self.LAW, presence(*[60] * 30, 9000))) == pytest.approx(
            (6 + 3) / (1 + 3), rel=0.01
        )

    def test_beacons_say_nothing_about_people(self) -> None:
        beacon = Law(math.cbrt(600), LEAST_CV * math.cbrt(600))
        silent = presence(600, newest_s=NOW_S - 2 * HOUR_S)
        with_it = self.look((beacon, silent), (self.LAW, presence(9000)))
        without = self.look((self.LAW, presence(9000)))
        assert with_it / without < 1.3
        assert self.look((Law(9, 0), silent), (self.LAW, presence(9000))) == without

    def test_one_who_keys_so_much_that_the_hour_is_not_kept(self) -> None:
        """64 grains within the last hour: it has been lively, whatever came before."""
        full = presence(*[60] * (FULL_PRESENCE - 1), newest_s=NOW_S + 600)
        assert full[-1] > NOW_S - HOUR_S
        assert self.look((random_law(60), full)) == 1

    def test_bounds(self) -> None:
        silent = presence(600, newest_s=NOW_S - 2 * HOUR_S)
        assert self.look(*[(random_law(120), silent)] * 50) == SLOWEST
        assert self.look((random_law(1), silent)) == pytest.approx((MOST_TURNS + 3) / 3, rel=0.01)

    @given(
        st.lists(
            st.tuples(st.floats(60, 7200), st.lists(st.integers(60, 9000), max_size=63)), max_size=9
        )
    )
    def test_never_below_one(self, members: list[tuple[float, list[int]]]) -> None:
        found = self.look(*((random_law(mean), presence(*steps)) for mean, steps in members))
        assert 1 <= found <= SLOWEST

    def test_as_many_grains_are_kept_as_the_rule_counts_on(self) -> None:
        assert FULL_PRESENCE == PRESENCE_KEPT
