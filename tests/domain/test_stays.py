"""Stays and moves of a path: cases thought out by hand; common practice, no source."""

from streamer.domain.model import PathEntry, Stay
from streamer.domain.stays import Move, counted, moves_of, stays_of

HOUR_MS = 3_600_000


def path(*newest_first: tuple[int, str, str]) -> tuple[PathEntry, ...]:
    return tuple(PathEntry(ms, repeater, over, 0) for ms, repeater, over in newest_first)


def test_nothing_heard_no_stay() -> None:
    assert stays_of((), HOUR_MS) == ()
    assert moves_of(()) == ()


def test_there_and_back_are_two_moves() -> None:
    stays = stays_of(
        path((90, "a/u", "o4"), (70, "b/u", "o3"), (50, "b/u", "o2"), (10, "a/u", "o1")), 999
    )
    assert stays == (
        Stay("a/u", 90, 90, None),
        Stay("b/u", 50, 70, 90),
        Stay("a/u", 10, 10, 50),
    )
    assert moves_of(stays) == (Move(90, "b/u", "a/u", 70), Move(50, "a/u", "b/u", 10))


def test_one_over_on_two_repeaters_is_no_move() -> None:
    """It counts where it put the station, which is the first of its entries."""
    heard = path((90, "b/u", "o2"), (90, "a/u", "o2"), (10, "b/u", "o1"))
    assert [(e.repeater, e.over) for e in counted(heard)] == [("b/u", "o2"), ("b/u", "o1")]
    assert stays_of(heard, 999) == (Stay("b/u", 10, 90, None),)


def test_a_silence_as_long_as_the_expiry_ends_a_stay_but_is_no_move() -> None:
    heard = path((HOUR_MS, "a/u", "o2"), (0, "a/u", "o1"))
    assert stays_of(heard, HOUR_MS + 1) == (Stay("a/u", 0, HOUR_MS, None),)
    stays = stays_of(heard, HOUR_MS)
    assert stays == (Stay("a/u", HOUR_MS, HOUR_MS, None), Stay("a/u", 0, 0, HOUR_MS))
    assert moves_of(stays) == ()
