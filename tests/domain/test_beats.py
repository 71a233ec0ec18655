"""The sign that alerts get through, and how its absence is noticed. Times worked out by hand.

Three in a row: the contract, Beat (`streamer/contract/published.py`).
"""

from streamer.clock import from_ms
from streamer.contract.published import Beat
from streamer.domain.beats import Beats

NOW = 1_800_000_000_000
EVERY_S = 60.0
MINUTE = 60_000


def beat(at_ms: int, version: int | None = None, every_s: float = EVERY_S) -> Beat:
    return Beat(
        region="far", version=version or at_ms, at=from_ms(at_ms), next_within_s=every_s,
        open=0, acknowledged=0,
    )  # fmt: skip


def expecting() -> Beats:
    made = Beats()
    made.connected()
    made.expect(NOW, EVERY_S)
    return made


def test_nothing_is_missed_where_nobody_expects_it() -> None:
    """A record that is played."""
    beats = Beats()
    beats.take(beat(NOW), NOW)
    assert beats.silent_since_ms(NOW + 10**9) is None


def test_none_at_all_is_missed_after_three_times_what_was_expected() -> None:
    beats = expecting()
    assert beats.silent_since_ms(NOW + 3 * MINUTE) is None
    assert beats.silent_since_ms(NOW + 3 * MINUTE + 1) == NOW


def test_three_in_a_row_are_missed_and_the_next_ends_it() -> None:
    beats = expecting()
    last = NOW
    for minute in range(1, 5):
        last = NOW + minute * MINUTE
        beats.take(beat(last), last + 200)
        assert beats.silent_since_ms(last + 3 * MINUTE) is None
    assert beats.silent_since_ms(last + 200 + 3 * MINUTE) is None
    assert beats.silent_since_ms(last + 201 + 3 * MINUTE) == last + 200
    again = last + 10 * MINUTE
    beats.take(beat(again), again)
    assert beats.silent_since_ms(again) is None


def test_its_own_word_of_the_next_counts() -> None:
    beats = expecting()
    beats.take(beat(NOW, every_s=5), NOW)
    assert beats.silent_since_ms(NOW + 15_000) is None
    assert beats.silent_since_ms(NOW + 15_001) == NOW


def test_a_retained_one_of_long_ago_is_no_sign_of_life() -> None:
    """Who opens the board at night sees at once that none has come for three hours."""
    beats = expecting()
    old = NOW - 180 * MINUTE
    beats.take(beat(old), NOW)
    assert beats.silent_since_ms(NOW) == old


def test_later_ones_count_by_their_arrival() -> None:
    """The clock of the worker's machine may be far off."""
    beats = expecting()
    behind = NOW - 20 * MINUTE
    beats.take(beat(behind), NOW)
    assert beats.silent_since_ms(NOW) == behind
    beats.take(beat(behind + MINUTE), NOW + MINUTE)
    assert beats.silent_since_ms(NOW + MINUTE) is None
    assert beats.silent_since_ms(NOW + 4 * MINUTE + 1) == NOW + MINUTE


def test_the_same_once_more_says_nothing_new() -> None:
    """It comes again with every new connection."""
    beats = expecting()
    beats.take(beat(NOW), NOW)
    beats.connected()
    beats.take(beat(NOW), NOW + 5 * MINUTE)
    assert beats.silent_since_ms(NOW + 5 * MINUTE) == NOW
    beats.take(beat(NOW - MINUTE), NOW + 5 * MINUTE)  # an older one, late
    assert beats.silent_since_ms(NOW + 5 * MINUTE) == NOW


def test_what_was_heard_is_not_made_older_by_a_retained_one() -> None:
    beats = expecting()
    beats.take(beat(NOW), NOW)
    beats.take(beat(NOW + MINUTE), NOW + 2 * MINUTE)
    beats.connected()
    beats.take(beat(NOW + 61_000), NOW + 3 * MINUTE)  # said before the first was heard here
    assert beats.silent_since_ms(NOW + 5 * MINUTE) is None
    assert beats.silent_since_ms(NOW + 5 * MINUTE + 1) == NOW + 2 * MINUTE
