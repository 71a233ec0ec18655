"""How many stations one gateway may have heard within an hour: each new one leaves a record in
Redis, and whoever has a gateway's account could invent them without end.

Hours are counted from a gateway's first over. They are the worker's own and outlast a new version
of the region file; several workers each judge their part.
"""

from typing import Final

from streamer.clock import Clock
from streamer.config import RegionView
from streamer.worker.flood import MOST_NAMES

HOUR_S: Final = 3600.0


class _Hour:
    __slots__ = ("since_s", "stations")

    def __init__(self, now_s: float) -> None:
        self.since_s = now_s
        self.stations: set[str] = set()


class Crowd:
    """For one worker."""

    def __init__(self, view: RegionView, clock: Clock) -> None:
        self._clock = clock
        self._hours: dict[str, _Hour] = {}
        self.use(view)

    def use(self, view: RegionView) -> None:
        """Judge by another version of the region file."""
        self._most = view.limits.stations_per_h

    def admits(self, gateway: str, station: str) -> bool:
        """Whether an over of the station is to be taken. The same when it is asked again, as a
        message is read several times while Redis is away."""
        hour = self._hours.get(gateway) or self._begin(gateway)
        if station in hour.stations:
            return True
        now_s = self._clock.monotonic_s()
        if now_s >= hour.since_s + HOUR_S:
            hour.since_s, hour.stations = now_s, set()
        if len(hour.stations) >= self._most:
            return False
        hour.stations.add(station)
        return True

    def _begin(self, gateway: str) -> _Hour:
        """With `open_gateways` there may be more names than are kept: the rest share one."""
        name = gateway if len(self._hours) < MOST_NAMES else ""
        return self._hours.setdefault(name, _Hour(self._clock.monotonic_s()))
