"""Lengths of time as people type them: worked out by hand."""

import pytest

from streamer.domain.durations import seconds_of


@pytest.mark.parametrize(
    ("text", "seconds"), [("20s", 20), ("2m", 120), ("1h", 3600), ("7", 7), (" 0.5m ", 30)]
)
def test_read(text: str, seconds: float) -> None:
    assert seconds_of(text) == seconds


@pytest.mark.parametrize(
    "text", ["", "0", "-3s", "20 s", "1d", "s", "1e3", "\u0663m", "2h 5m", "."]
)
def test_refused_with_what_is_expected(text: str) -> None:
    with pytest.raises(ValueError, match="give a time such as 20s, 2m or 1h"):
        seconds_of(text)
