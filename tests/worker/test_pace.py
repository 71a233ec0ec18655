"""How much is looked at at once."""

from streamer.worker.pace import LONG_S, MOST, SHORT_S, Pace


def test_it_begins_with_little_and_grows_while_looks_are_short() -> None:
    pace = Pace()
    assert pace.limit < MOST
    for _ in range(10):
        pace.took(SHORT_S / 2)
    assert pace.limit == MOST


def test_long_looks_make_it_smaller_but_never_nothing() -> None:
    pace = Pace()
    for _ in range(10):
        pace.took(LONG_S * 2)
    assert pace.limit == 1


def test_between_it_stays() -> None:
    pace = Pace()
    before = pace.limit
    pace.took((LONG_S + SHORT_S) / 2)
    assert pace.limit == before
