"""Plain text for people: columns that fit, ages in words, nothing that a terminal would obey.

Needs the base install alone.
"""

import io
import re
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

from streamer.domain.plain_words import age, ago, moment, plural, printable

__all__ = [
    "WIDTH", "age", "ago", "complain", "moment", "plural", "printable", "say", "table", "wrap",
]  # fmt: skip

WIDTH: Final = 80
_GAP: Final = 2
_NARROWEST: Final = 6
_GLUE: Final = "\xa0"
"""A blank that `textwrap` does not break at, and that printable text does not hold."""
_BEFORE_A_UNIT: Final = re.compile(r"(?<=[0-9]) (?=(?:d|h|min|s|ms|km|dB|dBm|%)(?![A-Za-z0-9]))")


def say(lines: Iterable[str]) -> None:
    """Print to standard output, whatever characters it can take."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    for line in lines:
        print(line.rstrip())


def complain(command: str, text: str) -> None:
    """One error on standard error: what, where, what to do."""
    for line in text.split("\n"):
        print(f"streamer {command}: {printable(line)}", file=sys.stderr)


def wrap(text: str, indent: str = "", hanging: str | None = None) -> list[str]:
    """Lines of at most WIDTH; `hanging` is the indent of all but the first."""
    rest = indent if hanging is None else hanging
    return _broken(printable(text), WIDTH, indent, rest)


def _broken(text: str, width: int, first: str = "", rest: str = "") -> list[str]:
    """`text`, which is printable, in lines; a number stays with its unit."""
    lines = textwrap.wrap(
        _glued(text), width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )
    return [line.replace(_GLUE, " ") for line in lines]


def _glued(text: str) -> str:
    return _BEFORE_A_UNIT.sub(_GLUE, text)


def _longest_word(text: str) -> int:
    return max(map(len, _glued(text).split(" ")))


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], indent: str = "") -> list[str]:
    """Aligned columns; where they would not fit, the widest ones are broken into lines: between
    words as long as that is enough, and within a word, such as a name, only then.

    A column that is empty in every row is left out.
    """
    if not rows:
        return []
    cells = [[printable(cell) for cell in row] for row in rows]
    used = [n for n in range(len(heads)) if any(row[n] for row in cells)]
    lines = [[heads[n] for n in used], *([row[n] for n in used] for row in cells)]
    widths = [max(len(line[n]) for line in lines) for n in range(len(used))]
    words = [max(_longest_word(line[n]) for line in lines) for n in range(len(used))]
    room = WIDTH - len(indent) - _GAP * (len(widths) - 1)
    for least in (words, [_NARROWEST] * len(widths)):
        while sum(widths) > room:
            loose = [n for n in range(len(widths)) if widths[n] > least[n]]
            if not loose:
                break
            widths[max(loose, key=lambda n: (widths[n], -n))] -= 1
    return [text for line in lines for text in _row(line, widths, indent)]


def _row(cells: Sequence[str], widths: Sequence[int], indent: str) -> list[str]:
    parts = [_broken(cell, width) or [""] for cell, width in zip(cells, widths, strict=True)]
    lines = []
    for n in range(max(map(len, parts), default=0)):
        padded = (
            (part[n] if n < len(part) else "").ljust(width)
            for part, width in zip(parts, widths, strict=True)
        )
        lines.append((indent + (" " * _GAP).join(padded)).rstrip())
    return lines
