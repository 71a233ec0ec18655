"""Where a station was one after the other, from its kept overs. Pure.

The station script works out the newest stays too, as far as a group needs them for lingering; a
test holds both together.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from streamer.domain.model import PathEntry, StationRecord, Stay


@dataclass(frozen=True, slots=True)
class Move:
    """A station was heard on `to_repeater` at `at_ms`, and before that, last at `last_ms`, on
    `from_repeater`."""

    at_ms: int
    from_repeater: str
    to_repeater: str
    last_ms: int


def counted(record: StationRecord) -> Iterator[PathEntry]:
    """One entry an over, newest first: an over heard on several repeaters counts where it put the
    station, which is the first of its entries. The newest counts where the station is now: among
    the ports of one gateway that heard it at the same time, its numbers decide."""
    place = record.place
    newest = (place.ms, place.repeater, place.over)
    seen = {place.over}
    yield from (e for e in record.path if (e.ms, e.repeater, e.over) == newest)
    for entry in record.path:
        if entry.over not in seen:
            seen.add(entry.over)
            yield entry


def stays_of(record: StationRecord, expire_ms: int) -> tuple[Stay, ...]:
    """The stays of a station's kept overs, newest first. A silence of `expire_ms` ends a stay too:
    by then every group has counted the station as gone."""
    stays: list[Stay] = []
    for entry in counted(record):
        later = stays[-1] if stays else None
        if (
            later is not None
            and later.repeater == entry.repeater
            and later.arrived_ms - entry.ms < expire_ms
        ):
            stays[-1] = Stay(later.repeater, entry.ms, later.last_ms, later.left_ms)
        else:
            left_ms = None if later is None else later.arrived_ms
            stays.append(Stay(entry.repeater, entry.ms, entry.ms, left_ms))
    return tuple(stays)


def moves_of(stays: Sequence[Stay]) -> tuple[Move, ...]:
    """From one repeater to another, newest first, as `stays`."""
    return tuple(
        Move(later.arrived_ms, earlier.repeater, later.repeater, earlier.last_ms)
        for later, earlier in pairwise(stays)
        if later.repeater != earlier.repeater
    )
