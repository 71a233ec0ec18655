"""Spans of time by repeater, as sorted columns: what is so at a moment is found by two look-ups.

A span holds its begin and not its end. Times in ms.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
Span = tuple[int, int, int]
"""Number of a repeater, from, until."""


def places_of(spans: Sequence[Span], repeaters: int) -> list[tuple[Times, Times]]:
    """By number of repeater: the begins in order, and the ends in order."""
    table = np.array(spans, np.int64).reshape(-1, 3)
    found = []
    for repeater in range(repeaters):
        own = table[table[:, 0] == repeater]
        found.append((np.sort(own[:, 1]), np.sort(own[:, 2])))
    return found


def active_at(begins: Times, ends: Times, ms: Times) -> Times:
    """How many spans hold each of these moments; `begins` and `ends` each in order."""
    begun = np.searchsorted(begins, ms, "right")
    return (begun - np.searchsorted(ends, ms, "right")).astype(np.int64)


@dataclass(frozen=True, slots=True)
class Union:
    """Of one repeater: the times in which any of its spans held, none touching, in order."""

    begins: Times
    ends: Times

    def holds(self, ms: Times) -> NDArray[np.bool_]:
        return active_at(self.begins, self.ends, ms) > 0

    def ended_before(self, ms: Times) -> Times:
        """When it last ended at or before each moment; far in the past where it never did."""
        padded = np.concatenate([np.array([np.iinfo(np.int64).min // 2]), self.ends])
        found: Times = padded[np.searchsorted(self.ends, ms, "right")]
        return found


def union_of(begins: Times, ends: Times) -> Union:
    """Of spans given by their begins in order and their ends in order: how many hold at a time does
    not depend on which end belongs to which begin."""
    if not len(begins):
        return Union(begins, ends)
    # A begin opens the union where by then as many spans have ended as have begun before; one
    # that begins as another ends goes on.
    number = np.arange(len(begins))
    opens = np.searchsorted(ends, begins, "left") == number
    closes = np.append(opens[1:], True)
    return Union(begins[opens], ends[closes])


def union_from(spans: Iterable[tuple[int, int]]) -> Union:
    """Of spans in any order, from and until."""
    listed = list(spans)
    begins = np.sort(np.array([a for a, _ in listed], np.int64))
    return union_of(begins, np.sort(np.array([b for _, b in listed], np.int64)))


def pairs_of(union: Union) -> list[tuple[int, int]]:
    """From and until of each of its times."""
    return list(zip(union.begins.tolist(), union.ends.tolist(), strict=True))


def without(kept: Union, cut: Iterable[tuple[int, int]]) -> Union:
    """What is left outside of some spans, which are in order and do not overlap."""
    cuts = list(cut)
    if not cuts or not len(kept.begins):
        return kept
    begins, ends = [], []
    for begin, end in zip(kept.begins.tolist(), kept.ends.tolist(), strict=True):
        at = begin
        for from_ms, until_ms in cuts:
            if until_ms <= at or from_ms >= end:
                continue
            if from_ms > at:
                begins.append(at)
                ends.append(from_ms)
            at = until_ms
        if at < end:
            begins.append(at)
            ends.append(end)
    return Union(np.array(begins, np.int64), np.array(ends, np.int64))
