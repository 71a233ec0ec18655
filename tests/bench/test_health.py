"""Repeater health on invented months with the truth known: a smaller, fixed part of the benchmark.

The acceptance: a loss of 6 dB is found within 30 overs, false alarms are fewer than one in a
repeater-month. Measured over 24 months it is found within 30 overs in seven cases of ten; here the
same months always give the same numbers, so that a change of the rules shows.
"""

import random

import pytest

from tests.bench.health import PLAIN_DB, Plain, Score, _name, score, table
from tests.bench.health_world import JUDGED, REPEATERS, WARM_DAYS, Fault, Kept, World


@pytest.fixture(scope="module")
def result() -> Score:
    return score(range(2), every=10, trials=4)


def test_a_loss_is_found_soon(result: Score) -> None:
    assert len(result.overs_to["ours"]) >= 8
    assert result.quantile("ours", 0.5) <= 30
    assert result.found_within("ours") >= 0.5
    assert result.found_within("ours", 60) >= 0.8


def test_noise_is_found_soon(result: Score) -> None:
    assert result.quantile("errors", 0.9) <= 30


def test_a_sound_repeater_is_hardly_ever_blamed(result: Score) -> None:
    assert result.months == 2
    assert result.overs > 5000
    assert result.per_month("degraded") < 1
    assert result.per_month("deaf") < 1


def test_the_plain_threshold_cries_wolf(result: Score) -> None:
    """So that the months are no easy ones."""
    assert all(result.per_month(_name(db)) >= 5 for db in PLAIN_DB)


def test_a_deaf_one_is_found_within_two_days(result: Score) -> None:
    assert result.hours(0.9) < 48


def test_the_table_tells_it_all(result: Score) -> None:
    text = table(result)
    assert "6 dB of feed line lost" in text
    assert all(_name(db) in text for db in PLAIN_DB)
    assert "deaf: found after" in text


class TestWorld:
    def test_the_same_seed_gives_the_same_overs(self) -> None:
        assert World(7).overs == World(7).overs
        assert World(7).overs != World(8).overs

    def test_there_is_enough_of_everything(self) -> None:
        overs = World(7).overs
        assert {sent.tuned for sent in overs} == set(REPEATERS)
        assert len({sent.station for sent in overs}) > 30
        assert overs[-1].ms > WARM_DAYS * 86_400_000

    def test_faults_do_what_they_say(self) -> None:
        """The same overs, sound, weaker and unheard."""
        overs = World(7).overs[:3000]
        sound, weak, deaf, noisy = (Kept() for _ in range(4))
        pairs = []
        for sent in overs:
            whole = [o for o in sound.take(sent, None) if o.repeater == JUDGED]
            less = [o for o in weak.take(sent, Fault(0, loss_db=6)) if o.repeater == JUDGED]
            worse = [o for o in noisy.take(sent, Fault(0, errors_pct=5)) if o.repeater == JUDGED]
            assert not [o for o in deaf.take(sent, Fault(0, deaf=True)) if o.repeater == JUDGED]
            assert len(less) <= len(whole) == len(worse)
            pairs += list(zip(whole, less, worse, strict=False))
        assert len(pairs) > 500
        for whole_over, less_over, worse_over in pairs:
            assert (whole_over.rssi_dbm or 0) - (less_over.rssi_dbm or 0) == 6
            assert worse_over.rssi_dbm == whole_over.rssi_dbm
            assert (worse_over.ber_pct or 0) > (whole_over.ber_pct or 0)

    def test_what_is_kept_is_bounded_as_the_state_bounds_it(self) -> None:
        kept = Kept()
        overs = World(7).overs[:3000]
        for sent in overs:
            kept.take(sent, None)
        assert max(len(path) for path in kept.paths.values()) == 16
        heard = kept.hearing(overs[-1].ms, silence=True)
        times = [over.ms for over in heard.recent]
        assert times == sorted(times, reverse=True)
        assert {over.repeater for over in heard.recent} == {JUDGED}
        assert len({over.station for over in heard.recent}) <= 40
        # The first three thousand overs lie within the sums' newest epochs, aged by half at most.
        whole = sum(s.overs for s in heard.learned.stations.values())
        assert 500 < whole <= 3000


def test_the_plain_threshold_by_hand() -> None:
    plain = Plain(6)
    rng = random.Random(1)
    assert not any(plain.hear(-90 + rng.choice((-1, 1))) for _ in range(200))
    assert not any(plain.hear(-97) for _ in range(20))
    assert any(plain.hear(-97) for _ in range(10))
