"""Stays and moves of a path: cases thought out by hand; common practice, no source."""

from dataclasses import replace

from streamer.domain.model import PathEntry, Place, StationRecord, Stay
from streamer.domain.stays import Move, counted, moves_of, stays_of

HOUR_MS = 3_600_000


def heard(*newest_first: tuple[int, str, str]) -> StationRecord:
    path = tuple(PathEntry(ms, repeater, over, 0) for ms, repeater, over in newest_first)
    first = path[0]
    place = Place(first.ms, first.repeater[0], first.repeater, first.over)
    return StationRecord("QA1ABC", 1, 0, place, None, path, {}, {})


def test_one_over_is_one_stay() -> None:
    assert stays_of(heard((5, "a/u", "o1")), HOUR_MS) == (Stay("a/u", 5, 5, None),)
    assert moves_of(()) == ()


def test_there_and_back_are_two_moves() -> None:
    stays = stays_of(
        heard((90, "a/u", "o4"), (70, "b/u", "o3"), (50, "b/u", "o2"), (10, "a/u", "o1")), 999
    )
    assert stays == (
        Stay("a/u", 90, 90, None),
        Stay("b/u", 50, 70, 90),
        Stay("a/u", 10, 10, 50),
    )
    assert moves_of(stays) == (Move(90, "b/u", "a/u", 70), Move(50, "a/u", "b/u", 10))


def test_one_over_on_two_repeaters_is_no_move() -> None:
    """It counts where it put the station, which is the first of its entries."""
    record = heard((90, "b/u", "o2"), (90, "a/u", "o2"), (10, "b/u", "o1"))
    assert [(e.repeater, e.over) for e in counted(record)] == [("b/u", "o2"), ("b/u", "o1")]
    assert stays_of(record, 999) == (Stay("b/u", 10, 90, None),)


def test_a_silence_as_long_as_the_expiry_ends_a_stay_but_is_no_move() -> None:
    record = heard((HOUR_MS, "a/u", "o2"), (0, "a/u", "o1"))
    assert stays_of(record, HOUR_MS + 1) == (Stay("a/u", 0, HOUR_MS, None),)
    stays = stays_of(record, HOUR_MS)
    assert stays == (Stay("a/u", HOUR_MS, HOUR_MS, None), Stay("a/u", 0, 0, HOUR_MS))
    assert moves_of(stays) == ()


def test_the_newest_over_counts_where_the_station_is_now() -> None:
    """Two ports of one gateway heard it at the same time; the later number put it on the lower."""
    record = heard((90, "a/v", "o2"), (90, "a/u", "o2"), (10, "a/u", "o1"))
    record = replace(record, place=replace(record.place, repeater="a/u"))
    assert stays_of(record, 999) == (Stay("a/u", 10, 90, None),)
