"""Gathers from the state what a repeater's health is judged by, at a bounded cost.

Of what repeaters learned only the lines in question are read. What others heard is asked for only
where a repeater has been silent for a while, which is mostly when they heard little either.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from streamer.config import RegionView, Site
from streamer.domain.cells import cell_at
from streamer.domain.liveness import Sights
from streamer.domain.model import StationRecord
from streamer.domain.places import distance_km, range_km_of
from streamer.domain.repeater_health import (
    BUSY_SPAN_MS,
    DEAF_SILENCE_MS,
    Elsewhere,
    Hearing,
    Share,
    shares,
)
from streamer.domain.signal_loss import WINDOW_MS
from streamer.state.keys import BUCKET_MS
from streamer.state.lookups import overs_of
from streamer.state.store import Store

MOST_STATIONS: Final = 40
"""Of a repeater, those heard there last."""
MOST_NEIGHBOURS: Final = 12
MOST_ELSEWHERE: Final = 120
"""Stations of all neighbours, those heard last."""
_KM_A_DEGREE: Final = 110.0
"""Of latitude, at least (WGS 84: 110.6 to 111.7)."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """What `repeater_health.judge` is given; `stations` are how many the recent overs are of."""

    hearing: Hearing
    share: Share
    stations: int


class Hearings:
    """For one worker. Raises StoreUnavailable when Redis does not answer."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._view: RegionView | None = None
        self._neighbours: dict[str, tuple[str, ...]] = {}

    def of(self, repeater: str, sights: Sights, heard_ms: int | None, now_ms: int) -> Gathered:
        """Of one repeater. `heard_ms` is when it was last known to have heard something: the state
        forgets that after a day."""
        store, sight = self._store, sights.repeater(repeater)
        since_ms = now_ms - WINDOW_MS
        heard = store.heard_since(repeater, since_ms)[:MOST_STATIONS]
        records = store.stations([station for station, _ in heard])
        recent = overs_of(records, repeater, since_ms)
        times = [ms for ms in (heard_ms, heard[0][1] if heard else None) if ms is not None]
        last_ms = max(times, default=None)
        silent_ms = max((ms for ms in (last_ms, sight.since_ms) if ms is not None), default=now_ms)
        near: tuple[str, ...] = ()
        elsewhere: list[Elsewhere] = []
        if now_ms - silent_ms >= DEAF_SILENCE_MS:
            near = self._near(repeater)
            elsewhere = self._elsewhere(near, silent_ms)
        lines = {over.cell or f"@{over.station}" for over in elsewhere}
        names = [*(over.station for over in recent), *(over.station for over in elsewhere)]
        ours = lines | {f"@{name}" for name in names}
        learned = store.learned_of(repeater, sorted(ours), now_ms)
        learneds = {name: store.learned_of(name, sorted(lines), now_ms) for name in near}
        hearing = Hearing(
            learned, recent, last_ms, sight.reporting, sight.since_ms, elsewhere,
            self._air(repeater, now_ms), BUCKET_MS,
        )  # fmt: skip
        share = shares({**learneds, repeater: learned}, repeater)
        return Gathered(hearing, share, len({over.station for over in recent}))

    def _air(self, repeater: str, now_ms: int) -> list[tuple[int, int]]:
        numbers = range((now_ms - BUSY_SPAN_MS) // BUCKET_MS, now_ms // BUCKET_MS + 1)
        return [(b.start_ms, b.air_ms) for b in self._store.buckets(repeater, numbers)]

    def _elsewhere(self, near: Sequence[str], since_ms: int) -> list[Elsewhere]:
        """What neighbours heard since, of the stations that they heard last."""
        times: dict[str, int] = {}
        for repeater in near:
            for station, ms in self._store.heard_since(repeater, since_ms + 1)[:MOST_STATIONS]:
                times[station] = max(ms, times.get(station, ms))
        newest = sorted(times, key=lambda station: (-times[station], station))[:MOST_ELSEWHERE]
        resolution = self._store.view.learning.cell_resolution
        return [
            Elsewhere(entry.ms, record.station, entry.repeater, cell)
            for record in self._store.stations(newest)
            if record is not None
            for cell in (_cell(record, resolution),)
            for entry in record.path
            if entry.ms > since_ms and entry.repeater in near
        ]

    def _near(self, repeater: str) -> tuple[str, ...]:
        """The nearest repeaters that a station may be heard by as well."""
        view = self._store.view
        if view is not self._view:
            self._view = view
            self._neighbours.clear()
        if repeater not in self._neighbours:
            self._neighbours[repeater] = neighbours(view, repeater)
        return self._neighbours[repeater]


def _cell(record: StationRecord, resolution: int) -> str | None:
    return cell_at(record.fix.lat, record.fix.lon, resolution) if record.fix else None


def neighbours(view: RegionView, repeater: str) -> tuple[str, ...]:
    """The repeaters of the region file whose range meets that of this one, the nearest first."""
    site = view.sites.get(repeater)
    if site is None:
        return ()
    found = [
        (apart_km, other.repeater)
        for other in view.sites.values()
        if other is not site and (apart_km := _apart_km(site, other)) is not None
    ]
    return tuple(name for _, name in sorted(found)[:MOST_NEIGHBOURS])


def _apart_km(a: Site, b: Site) -> float | None:
    """None if no place is in the range of both, or if that is not known."""
    if a.lat is None or a.lon is None or b.lat is None or b.lon is None:
        return None
    reach_km = range_km_of(a) + range_km_of(b)
    if abs(a.lat - b.lat) * _KM_A_DEGREE > reach_km:
        return None
    apart_km = distance_km(a.lat, a.lon, b.lat, b.lon)
    return apart_km if apart_km <= reach_km else None
