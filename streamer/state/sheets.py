"""Which lines of sums a batch adds to, gathered by the hash that keeps them. No I/O.

A sheet is a hash, a line one of its fields: a text of whole numbers, so that no sum depends on the
order in which it was made. The gateway script reads all lines of a sheet at once.
"""

from collections.abc import Callable, Hashable, Iterator
from typing import Any, Final, Generic, TypeVar

SHEET: Final = 100_000
"""A place is the number of the sheet, from 1, times this, and the position of the line in the
sheet as the script gets it, from 2: before it stands how long to keep it."""

Name = TypeVar("Name", bound=Hashable)
Line = TypeVar("Line", bound=Hashable)


class Sheets(Generic[Name, Line]):
    """Sheets by their name; with `head` each begins with that line."""

    __slots__ = ("_head", "_sheets")

    def __init__(self, *head: Line) -> None:
        self._head = head
        self._sheets: dict[Name, tuple[int, dict[Line, int]]] = {}

    def place(self, name: Name, line: Line) -> int:
        """Where the line is, which is put in if it is not there yet."""
        sheet = self._sheets.get(name)
        if sheet is None:
            first = (len(self._sheets) + 1) * SHEET + 2
            lines = {known: first + n for n, known in enumerate(self._head)}
            sheet = self._sheets[name] = first, lines
        first, lines = sheet
        return lines.setdefault(line, first + len(lines))

    def __iter__(self) -> Iterator[Name]:
        return iter(self._sheets)

    def content(
        self, left_ms: Callable[[Name], int], field: Callable[[Line], str]
    ) -> list[list[Any]]:
        """As the script takes them: ms to keep (not above 0: past its time, nothing is added to
        it), field, field... of each sheet."""
        return [[left_ms(name), *map(field, lines)] for name, (_, lines) in self._sheets.items()]
