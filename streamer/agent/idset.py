"""Row ids in little memory: nearly all of them follow each other, so ranges are kept."""

from array import array
from collections.abc import Iterable, Iterator
from typing import Final

_LOOSE: Final = 1024


class IdSet:
    """A set of positive integers, as ranges. Adding is cheap; ranges are merged now and then."""

    def __init__(self, ids: Iterable[int] = ()) -> None:
        self._loose = array("q")
        self._ranges: list[tuple[int, int]] = []
        self.add(ids)

    def add(self, ids: Iterable[int]) -> None:
        self._loose.extend(ids)
        if len(self._loose) > _LOOSE:
            self.ranges()

    def ranges(self) -> list[tuple[int, int]]:
        """First and last of each run of ids, rising."""
        if self._loose:
            merged: list[tuple[int, int]] = []
            for first, last in sorted([*self._ranges, *((one, one) for one in self._loose)]):
                if merged and first <= merged[-1][1] + 1:
                    merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
                else:
                    merged.append((first, last))
            del self._loose[:]
            self._ranges = merged
        return self._ranges

    def take(self, limit: int) -> list[int]:
        """Remove and return at most `limit` ids, the lowest first."""
        taken: list[int] = []
        ranges = self.ranges()
        while ranges and len(taken) < limit:
            first, last = ranges.pop(0)
            end = min(last, first + limit - len(taken) - 1)
            taken.extend(range(first, end + 1))
            if end < last:
                ranges.insert(0, (end + 1, last))
        return taken

    def __len__(self) -> int:
        return sum(last - first + 1 for first, last in self.ranges())

    def __iter__(self) -> Iterator[int]:
        for first, last in self.ranges():
            yield from range(first, last + 1)
