"""Keeps what is known of people no longer than `[privacy]` of the region file says.

A worker does a little of it with every slow tick; workers may do the same at once, since a part is
taken out only as it was read. A position is dropped by the station's own script, when its time has
come or with the next keying; here stations are woken that know of no such time.
"""

import re
from collections import deque
from collections.abc import Callable, Iterator, Set
from datetime import datetime
from functools import partial
from typing import Any, Final

from pydantic_core import from_json, to_json

from streamer.clock import from_ms, to_ms
from streamer.config import RegionView
from streamer.contract.published import Duty
from streamer.state import buckets
from streamer.state import keys as k
from streamer.state.base import guarded
from streamer.state.entries import Act
from streamer.state.mending import Mender, Mending
from streamer.state.ordered import duties_from

ROUND_MS: Final = 10 * 60_000
"""From the begin of one round to that of the next: so much longer something may be kept."""
JOBS_AT_ONCE: Final = 4
"""Jobs of a tick, each of one key and at most PORTION of its entries."""
PORTION: Final = 100
DAY_MS: Final = 86_400_000
ROSTER: Final = "roster"
"""In the details of an entry that set one."""

_IN_MS: Final = re.compile(r"\d{13}")
"""From 2001 on, as dead letters have it."""

Job = Callable[[], "Job | None"]
"""Something to do; returns what remains of it."""


class Tidying:
    """For one worker. Raises StoreUnavailable; then nothing is lost, it is tried again."""

    def __init__(self, client: Any, view: Callable[[], RegionView]) -> None:
        self._client = client
        self._view = view
        self._jobs: deque[Job] = deque()
        self._next_ms = 0
        self._positions_h: float | None = None
        """As the last round had it: stations are woken when it has become another."""

    def tick(self, now_ms: int) -> None:
        """Do a little, if its time has come."""
        if not self._jobs:
            if now_ms < self._next_ms:
                return
            self._begin(_Round(self._client, self._view(), now_ms))
            self._next_ms = now_ms + ROUND_MS
        for _ in range(min(JOBS_AT_ONCE, len(self._jobs))):
            more = self._jobs[0]()
            self._jobs.popleft()  # only now: should Redis not answer, it is done again
            if more is not None:
                self._jobs.append(more)

    def _begin(self, begun: "_Round") -> None:
        positions_h = begun.view.region.privacy.positions_keep_h
        if positions_h is not None and positions_h != self._positions_h:
            self._jobs.extend(partial(begun.wake_stations, p) for p in begun.partitions)
        self._positions_h = positions_h
        self._jobs.extend(begun.jobs())


def tidy(client: Any, view: RegionView, now_ms: int) -> None:
    """A whole round at once, by a clock that is not the machine's: for a replay."""
    for job in _Round(client, view, now_ms).jobs():
        more: Job | None = job
        while more is not None:
            more = more()


class _Round(Mender):
    """What is to be looked at, as of one time."""

    def __init__(self, client: Any, view: RegionView, now_ms: int) -> None:
        super().__init__(client, view)
        self._now_ms = now_ms
        self._privacy = view.region.privacy

    def jobs(self) -> Iterator[Job]:
        """The rosters before the log: which are kept decides what stays there."""
        yield self._duties
        yield self._works
        yield self._refused
        for key in self._found(self.keys.dead_letters("*")):
            yield partial(self._letters, key)
        for name in self._caged():
            yield partial(self._quarantine, name)
        for repeater in sorted(self._repeaters()):
            yield partial(self._heard, repeater)
        for partition in [*self.partitions, k.ALERTS, k.REGION]:
            yield partial(self._log, partition)
        yield partial(self._rosters_in_log, 0)

    def wake_stations(self, partition: int) -> None:
        """Have every station looked at that has been told no time for its position to go: it was
        last heard when positions were kept for longer. Once after a begin, or a new setting."""
        key = self.keys.due(partition)
        with guarded():
            subjects = self._client.zrangebyscore(key, f"({self._now_ms}", "+inf")
        stations = [s for s in map(str, subjects) if s.startswith("s/")]
        if stations:
            scored = [part for station in stations for part in (self._now_ms, station)]
            self._write(("ZADD", key, "LT", *scored))

    def _before_ms(self, days: float) -> int:
        return self._now_ms - round(days * DAY_MS)

    # -- identities and refused input ------------------------------------------------------------

    def _caged(self) -> list[str]:
        """Gateways that may hold an identity."""
        return sorted({*self.view.gateways, *self._unlisted(self.keys.quarantines())})

    def _repeaters(self) -> set[str]:
        """Repeaters that may have a list of who was heard."""
        return {*self.view.sites, *self._unlisted(self.keys.heard_lists())}

    def _unlisted(self, pattern: str) -> set[str]:
        """What follows the last colon of such keys, where others than those of the region file may
        speak."""
        found = self._found(pattern) if self.view.region.open_gateways else ()
        return {key.rpartition(":")[2] for key in found}

    def _found(self, pattern: str) -> list[str]:
        with guarded():
            return sorted({str(key) for key in self._client.scan_iter(match=pattern, count=1000)})

    def _heard(self, repeater: str) -> None:
        """The list itself goes by its own time, but one station heard keeps it for all."""
        before_ms = self._now_ms - buckets.KEPT_MS
        with guarded():
            self._client.zremrangebyscore(self.keys.heard(repeater), "-inf", f"({before_ms}")

    def _quarantine(self, gateway: str) -> None:
        key = self.keys.quarantine(gateway)
        before_ms = self._before_ms(self._privacy.quarantine_keep_days)
        with guarded():
            fields = self._client.hgetall(key)
        old = [(c, text) for c, text in fields.items() if int(text.split(" ")[1]) < before_ms]
        self.mend(key, Mending(gone=old), self._now_ms)

    def _refused(self) -> Job | None:
        more = self._tail(self.keys.refused(), self._privacy.refused_keep_days)
        return self._refused if more else None

    def _letters(self, key: str) -> Job | None:
        """Of a channel that the region file has no more, too."""
        more = self._tail(key, self._privacy.dead_letters_keep_days)
        return partial(self._letters, key) if more else None

    # -- the log, duties and rosters -------------------------------------------------------------

    def _log(self, partition: int | str) -> Job | None:
        more = self._tail(self.keys.log(partition), self._privacy.log_keep_days)
        return partial(self._log, partition) if more else None

    def _tail(self, key: str, keep_days: float) -> bool:
        """Take out of the end of a list, whose newest stands first, what is older; whether there
        may be more."""
        before_ms = self._before_ms(keep_days)
        with guarded():
            texts = [str(text) for text in self._client.lrange(key, -PORTION, -1)]
        old = [("", text) for text in texts if _at_ms(text) < before_ms]
        self.mend(key, Mending(gone=old), self._now_ms)
        return len(old) == PORTION

    def _duties(self) -> None:
        with guarded():
            # In this order: the roster of a duty that begins just now must not seem to have none.
            listed = self._client.hgetall(self.keys.rosters())
            texts = self._client.hgetall(self.keys.duties())
        duties, gone = Mending(), Mending()
        for duty in duties_from(texts):
            text = texts[duty.id]
            if self._is_over(duty, self._privacy.rosters_keep_days) and duty.id in listed:
                gone.gone.append((duty.id, listed[duty.id]))
            if self._is_over(duty, self._privacy.log_keep_days):
                duties.gone.append((duty.id, text))
            elif duty.expected and self._is_over(duty, self._privacy.rosters_keep_days):
                bare = duty.model_copy(update={"expected": ()})
                duties.put.append((duty.id, text, bare.model_dump_json()))
        gone.gone += [(name, text) for name, text in listed.items() if name not in texts]
        self.mend(self.keys.rosters(), gone, self._now_ms)
        self.mend(self.keys.duties(), duties, self._now_ms)

    def _works(self) -> None:
        """Planned work ends by itself at the latest."""
        key, before_ms = self.keys.maintenance(), self._before_ms(self._privacy.log_keep_days)
        with guarded():
            texts = self._client.hgetall(key)
        old = [(name, text) for name, text in texts.items() if _at_ms(text, "until") < before_ms]
        self.mend(key, Mending(gone=old), self._now_ms)

    def _is_over(self, duty: Duty, days: float) -> bool:
        return duty.ended_at is not None and duty.ended_at < from_ms(self._before_ms(days))

    def _rosters_in_log(self, start: int) -> Job | None:
        """The log holds every roster that was ever set: those of duties whose roster is no longer
        kept go from there too. That it was set, by whom and when, stays."""
        key = self.keys.log(k.ALERTS)
        with guarded():
            texts = self._client.lrange(key, start, start + PORTION - 1)
            kept = {str(name) for name in self._client.hkeys(self.keys.rosters())}
        mending = Mending()
        for text in texts:
            bare = _without_roster(str(text), kept)
            if bare is not None:
                mending.put.append(("", text, bare))
        self.mend(key, mending, self._now_ms)
        more = len(texts) == PORTION
        return partial(self._rosters_in_log, start + PORTION) if more else None


def _at_ms(text: str, field: str = "at") -> int:
    """When something was noted, as RFC 3339 or in ms; of what cannot be read (a newer program's) as
    if it were to come, so that it is left to that program."""
    try:
        at = from_json(text)[field]
        return int(at) if _IN_MS.fullmatch(at) else to_ms(datetime.fromisoformat(at))
    except (ValueError, LookupError, TypeError):
        return 2**63


def _without_roster(text: str, kept: Set[str]) -> str | None:
    """An entry of the log without the roster that it set, if that duty's roster is not kept; None
    where nothing has to change."""
    try:
        entry = from_json(text)
        lines = entry["details"][ROSTER] if entry["act"] == Act.SET_ROSTER else None
        if not lines or entry["subject"] in kept:
            return None
        bare = entry | {"details": {ROSTER: [], "dropped": len(lines)}}
    except (ValueError, LookupError, TypeError):
        return None
    return to_json(bare).decode()
