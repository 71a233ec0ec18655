"""How many stations one gateway may have heard within an hour: each new one leaves a record in
Redis, and whoever has a gateway's account could invent them without end.

Hours are those in which the overs were said, so that a backlog of a day is a day. What is counted
is the worker's own and outlasts a new version of the region file; several workers each judge their
part.
"""

from typing import Final

from streamer.clock import Clock
from streamer.config import RegionView
from streamer.worker.flood import MOST_NAMES

HOUR_MS: Final = 3_600_000
HOURS_KEPT: Final = 50
"""Newest hours kept of a gateway: more than `late_after_s` lets in, unless it is above two days."""
REST_S: Final = 3600.0
"""Of an hour in which nothing was said for so long the number of stations is kept alone."""


class _Hour:
    __slots__ = ("count", "said_s", "stations")

    def __init__(self, now_s: float) -> None:
        self.count = 0
        self.stations: set[str] = set()
        self.said_s = now_s


class Crowd:
    """For one worker."""

    def __init__(self, view: RegionView, clock: Clock) -> None:
        self._clock = clock
        self._hours: dict[str, dict[int, _Hour]] = {}
        self.use(view)

    def use(self, view: RegionView) -> None:
        """Judge by another version of the region file."""
        self._most = view.limits.stations_per_h

    def admits(self, gateway: str, station: str, ms: int) -> bool:
        """Whether an over of the station, begun at `ms`, is to be taken. The same when it is asked
        again, as a message is read several times while Redis is away."""
        now_s = self._clock.monotonic_s()
        hours = self._hours.get(gateway)
        if hours is None:
            # With `open_gateways` there may be more names than are kept: the rest share one.
            name = gateway if len(self._hours) < MOST_NAMES else ""
            hours = self._hours.setdefault(name, {})
        hour = hours.get(ms // HOUR_MS) or _begin(hours, ms // HOUR_MS, now_s)
        hour.said_s = now_s
        if station in hour.stations:
            return True
        if hour.count >= self._most:
            return False
        hour.count += 1
        hour.stations.add(station)
        return True


def _begin(hours: dict[int, _Hour], number: int, now_s: float) -> _Hour:
    begun = hours[number] = _Hour(now_s)
    for hour in hours.values():
        if now_s - hour.said_s > REST_S:
            hour.stations = set()
    if len(hours) > HOURS_KEPT:
        del hours[min(hours)]
    return begun
