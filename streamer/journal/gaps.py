"""Where a journal has nothing because nobody recorded, not because nothing was said."""

from collections.abc import Callable, Iterable, Iterator
from typing import Final

from streamer.clock import from_ms
from streamer.journal import lines as journal
from streamer.journal.lines import Line

LEAST_MS: Final = 60_000
"""A worker that is started again at once leaves no gap worth a word; heartbeats come more often."""


class Gaps:
    """Takes lines in the order in which they were noted; `found` are the gaps so far, from and
    until in ms."""

    def __init__(self) -> None:
        self.found: list[tuple[int, int]] = []
        self._last_ms: int | None = None

    def take(self, line: Line) -> tuple[int, int] | None:
        """The gap before this line, if there is one: it begins a file, and nobody noted anything
        for long before it."""
        noted_ms, last_ms = line["noted_ms"], self._last_ms
        self._last_ms = noted_ms if last_ms is None else max(last_ms, noted_ms)
        begun = line["kind"] == journal.BEGIN
        if not begun or last_ms is None or noted_ms - last_ms < LEAST_MS:
            return None
        self.found.append((last_ms, noted_ms))
        return last_ms, noted_ms


def telling_gaps(lines: Iterable[Line], tell: Callable[[str], None]) -> Iterator[Line]:
    """The lines as they are; a gap before a file's begin is told in words."""
    gaps = Gaps()
    for line in lines:
        gap = gaps.take(line)
        if gap is not None:
            begin, end = from_ms(gap[0]), from_ms(gap[1])
            tell(
                f"nothing was recorded from {begin:%Y-%m-%d %H:%M:%S}Z to {end:%Y-%m-%d %H:%M:%S}Z "
                f"({(gap[1] - gap[0]) / 60_000:.0f} min): it counts here as time in which nobody "
                "was heard"
            )
        yield line
