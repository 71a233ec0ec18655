"""What repeaters were learned to hear, kept for a while: a tenth of a second it takes to read that
of a busy one. Threads may share it."""

from collections import OrderedDict
from collections.abc import Iterable
from threading import Lock
from typing import Final

from streamer.config import Learning, RegionView, Site
from streamer.domain.coverage import Coverage
from streamer.domain.places import distance_km, range_km_of
from streamer.state.store import Store

NEAR_KM: Final = 30.0
"""Beyond its range a repeater may hear somebody now and then."""
MOST_KEPT: Final = 512
FRESH_MS: Final = 300_000
"""So old may be what people are shown."""


def fresh_ms(now_ms: int) -> int:
    """The time as of which coverage is shown to people: the same for FRESH_MS."""
    return now_ms // FRESH_MS * FRESH_MS


class Coverages:
    """The newest of each repeater, those asked for last. What a store is asked raises
    StoreUnavailable when Redis does not answer."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: OrderedDict[str, tuple[tuple[int, Site | None, Learning], Coverage]] = (
            OrderedDict()
        )

    def of(self, store: Store, repeater: str, as_of_ms: int) -> Coverage:
        """What a repeater hears, as it counts at a time."""
        key = as_of_ms, store.view.sites.get(repeater), store.view.learning
        with self._lock:
            known = self._kept.get(repeater)
            if known is not None and known[0] == key:
                self._kept.move_to_end(repeater)
                return known[1]
        # Read without the lock: two may do so at once, which is better than all waiting.
        made = Coverage(store.learned(repeater, as_of_ms), key[1], key[2])
        with self._lock:
            self._kept[repeater] = key, made
            self._kept.move_to_end(repeater)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return made

    def near(self, store: Store, lat: float, lon: float, as_of_ms: int) -> list[Coverage]:
        """Of the repeaters that may hear a station at a place (degrees)."""
        return [self.of(store, s.repeater, as_of_ms) for s in sites_near(store.view, lat, lon)]


def sites_near(view: RegionView, lat: float, lon: float) -> Iterable[Site]:
    """The repeaters of the region file that may hear a station at a place (degrees)."""
    return (site for site in view.sites.values() if _may_hear(site, lat, lon))


def _may_hear(site: Site, lat: float, lon: float) -> bool:
    if site.lat is None or site.lon is None:
        return False
    # Cheap first: a degree of latitude is 111 km, near enough.
    reach_km = range_km_of(site) + NEAR_KM
    if abs(site.lat - lat) * 110 > reach_km:
        return False
    return distance_km(site.lat, site.lon, round(lat, 2), round(lon, 2)) <= reach_km
