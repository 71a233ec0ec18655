"""Tables, ages and escapes."""

from collections import Counter
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from streamer.clock import to_ms
from streamer.reading.text import WIDTH, age, ago, moment, plural, printable, table, wrap
from tests.state.scene import START_MS


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (0.9, "0 s"),
        (59.9, "59 s"),
        (60, "1 min"),
        (185, "3 min 5 s"),
        (3600, "1 h"),
        (7384, "2 h 3 min"),
        (86_400, "1 d"),
        (100_000, "1 d 3 h"),
        (-61, "in 1 min 1 s"),
    ],
)
def test_an_age_in_words(seconds: float, text: str) -> None:
    assert age(seconds) == text


def test_what_lies_ahead_is_not_ago() -> None:
    assert ago(1000, 61_000) == "1 min ago"
    assert ago(61_000, 1000) == "in 1 min"


def test_a_time_has_its_date_unless_it_is_today() -> None:
    assert moment(START_MS, START_MS + 1) == "08:00:00Z"
    assert moment(START_MS, START_MS + 86_400_000) == "2027-01-15 08:00:00Z"
    # The standard library's calendar.
    assert to_ms(datetime(2027, 1, 15, 8, tzinfo=UTC)) == START_MS


def test_a_terminal_is_not_commanded() -> None:
    assert printable("a\x1b[2Jb\r\n\u202e") == "a\\x1b[2Jb\\r\\n\\u202e"
    assert printable("ordinary, even accented: \xe9") == "ordinary, even accented: \xe9"


def test_columns_are_aligned_and_empty_ones_left_out() -> None:
    assert table(["A", "LONG", "C", "D"], [["1", "x", "", "end"], ["22", "y", "", "end"]]) == [
        "A   LONG  D",
        "1   x     end",
        "22  y     end",
    ]
    assert table(["A"], []) == []


def test_a_name_and_a_number_with_its_unit_are_not_broken() -> None:
    """Two names of 28 and a text: 80 - 3 gaps of 2 - 28 - 28 - 9 leave 9 for the text."""
    long = "ridge-north-of-the-old-mill/u"
    row = [long, long.replace("ridge", "lakes"), "was 12 min away for 3 h", "1 min 5 s"]
    lines = table(["REPEATER", "OTHER", "WHY", "AGE"], [row])
    text = "\n".join(lines)
    assert max(map(len, lines)) <= WIDTH
    assert row[0] in text
    assert row[1] in text
    for whole in ("12 min", "3 h", "1 min"):
        assert whole in text, whole
    wrapped = wrap("x" * (WIDTH - 10) + " it was 12 min")
    assert wrapped == ["x" * (WIDTH - 10) + " it was", "12 min"]
    # A number before a word that only begins like a unit is let go.
    assert wrap("x" * (WIDTH - 10) + " it was 1 stop")[0].endswith("was 1")


def test_what_cannot_fit_is_broken_all_the_same() -> None:
    lines = table(["A", "B"], [["a" * 60, "b" * 60]])
    assert max(map(len, lines)) <= WIDTH
    assert len(lines) == 3


ANY_CELLS = st.integers(1, 6).flatmap(
    lambda n: st.lists(st.lists(st.text(max_size=90), min_size=n, max_size=n), max_size=4)
)


@given(rows=ANY_CELLS)
def test_a_table_fits_and_loses_nothing(rows: list[list[str]]) -> None:
    heads = [f"H{n}" for n in range(len(rows[0]))] if rows else ["H"]
    lines = table(heads, rows, "  ")
    assert all(len(line) <= WIDTH for line in lines)
    shown = "".join(lines)
    assert all(c.isprintable() for c in shown)
    # Breaking a cell may only move or drop blanks: every other character is there as often.
    kept = [n for n in range(len(heads)) if any(row[n] for row in rows)]
    cells = [heads[n] for n in kept] + [printable(cell) for row in rows for cell in row]
    assert Counter("".join(cells).replace(" ", "")) == Counter(shown.replace(" ", ""))


@given(text=st.text(max_size=300))
def test_wrapped_text_fits(text: str) -> None:
    assert all(len(line) <= WIDTH for line in wrap(text, "  ", "    "))


def test_one_and_many() -> None:
    assert [plural(n, "member") for n in (0, 1, 2)] == ["0 members", "1 member", "2 members"]
    assert plural(2, "man", "men") == "2 men"
