"""A recorded day, ready to be asked: overs, what repeaters said they carry, when they were dark."""

from collections.abc import Mapping
from dataclasses import dataclass

from streamer.config import RegionView
from streamer.domain.model import Fix
from streamer.state.entries import Entry


@dataclass(frozen=True, slots=True)
class Hearing:
    """One repeater that heard an over."""

    repeater: str
    rssi_dbm: float | None
    ber_pct: float | None


@dataclass(frozen=True, slots=True)
class RecordedOver:
    """One transmission, however many repeaters heard it and however often it was told.

    `group` is '' where it was not addressed to a group; `repeater` is where it put the station;
    `noted_ms` is when a worker first learned of it; `texts` are what was sent with it. Times are
    corrected, in ms since 1970.
    """

    over: str
    station: str
    to: str | None
    group: str
    began_ms: int
    ended_ms: int
    noted_ms: int
    repeater: str
    heard: tuple[Hearing, ...]
    out_group: str
    out_word: str
    fix: Fix | None
    texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CarriedSpan:
    """A repeater said that it carried a group, from one time to another."""

    group: str
    repeater: str
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Day:
    """`overs` by `began_ms`; `dark` are the times, in order, in which a repeater or its gateway did
    not report."""

    view: RegionView
    begin_ms: int
    end_ms: int
    overs: tuple[RecordedOver, ...]
    carried: tuple[CarriedSpan, ...]
    dark: Mapping[str, tuple[tuple[int, int], ...]]
    acts: tuple[Entry, ...]
