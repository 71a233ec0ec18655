"""Where a journal has nothing because nobody recorded, not because nothing was said."""

from collections.abc import Callable, Iterable, Iterator
from typing import Final

from streamer.clock import from_ms
from streamer.journal import lines as journal
from streamer.journal.lines import Line

LEAST_MS: Final = 60_000
"""A worker that is started again at once leaves no gap worth a word; heartbeats come more often."""


def telling_gaps(lines: Iterable[Line], tell: Callable[[str], None]) -> Iterator[Line]:
    """The lines as they are; a gap before a file's begin is told in words."""
    last_ms: int | None = None
    for line in lines:
        noted_ms = line["noted_ms"]
        begun = line["kind"] == journal.BEGIN
        if begun and last_ms is not None and noted_ms - last_ms >= LEAST_MS:
            begin, end = from_ms(last_ms), from_ms(noted_ms)
            minutes = (noted_ms - last_ms) / 60_000
            tell(
                f"nothing was recorded from {begin:%Y-%m-%d %H:%M:%S}Z to {end:%Y-%m-%d %H:%M:%S}Z "
                f"({minutes:.0f} min): it counts here as time in which nobody was heard"
            )
        last_ms = noted_ms if last_ms is None else max(last_ms, noted_ms)
        yield line
