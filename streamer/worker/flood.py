"""How much one gateway may say to a worker, and how much is told of what is refused.

Both are buckets that fill up with time; of each only the time at which it will be full again is
kept (virtual scheduling, as in the generic cell rate algorithm of ITU-T I.371; from memory). They
are the worker's own and outlast a new version of the region file; several workers each judge their
part, so the limit of all together is as many times as high.

What comes fast was not always said fast: while a worker was away, did not reach the broker or
Redis, the broker kept what sound gateways said. So a time without work counts: each gateway may
for as long again bring what it was free to say meanwhile. Messages that the broker marks as sent
before (DUP, which no gateway can set) were judged before.
"""

from collections.abc import Sequence
from enum import Enum
from functools import lru_cache
from typing import Final

from streamer.clock import Clock
from streamer.config import RegionView
from streamer.contract import topics
from streamer.mqtt.connection import Incoming
from streamer.state.alerting import Ears

PAUSE_S: Final = 1.0
"""A time without work that is longer counts as absence."""
LEAST_S: Final = 60.0
"""For at least so long what was kept meanwhile may come."""
UNKNOWN_S: Final = 86_400.0
"""Taken for the absence of a worker whose session is known to the broker and not to Redis."""
TOLD_EVERY_S: Final = 1.0
"""A flood of one gateway is told so often at most."""
MOST_NAMES: Final = 10_000
"""So many gateways have a bucket of their own; with `open_gateways` there may be more."""
_MEGA: Final = 1_000_000


class _Bucket:
    __slots__ = ("bytes_s", "messages_s", "told_s", "untold")

    def __init__(self, now_s: float) -> None:
        self.messages_s = self.bytes_s = now_s
        self.told_s = now_s - TOLD_EVERY_S
        self.untold = 0


class Flood:
    """For one worker."""

    def __init__(self, view: RegionView, clock: Clock) -> None:
        self._clock = clock
        self._buckets: dict[str, _Bucket] = {}
        self._swept_s = clock.monotonic_s()
        self._worked_s = clock.monotonic_s()
        self._credit_s = 0.0
        self._credit_until_s = self._worked_s
        self._begun = False
        self.use(view)

    def use(self, view: RegionView) -> None:
        """Judge by another version of the region file; buckets stay as they are."""
        limits = view.limits
        self._message_s = 1 / limits.flood_messages_per_s
        self._byte_s = 1 / (limits.flood_mb_per_s * _MEGA)
        # Half of one more, so that rounding does not cost the last one.
        self._burst_s = (limits.flood_burst_messages + 0.5) * self._message_s
        self._burst_bytes_s = (limits.flood_burst_mb * _MEGA + 0.5) * self._byte_s
        self._name_of = lru_cache(maxsize=8192)(lambda topic: _name_of(topic, view))

    # -- times without work ------------------------------------------------------------------

    def begin(self, name: str, ears: Sequence[Ears], now_ms: int) -> None:
        """Say, once and before this worker says that it lives, what Redis knows of the last of its
        name: since then the broker may have kept messages for it."""
        if self._begun:
            return
        self._begun = True
        last_ms = next((e.at_ms if e.hears else e.since_ms for e in ears if e.worker == name), None)
        away_s = UNKNOWN_S if last_ms is None else max(0.0, (now_ms - last_ms) / 1000)
        self._worked_s = self._clock.monotonic_s() - away_s

    def nothing_waits(self) -> None:
        """The broker knew no session of this worker: it has kept nothing."""
        self._worked_s = self._clock.monotonic_s()
        self._credit_s = 0.0

    def worked(self) -> None:
        """What had come could be taken over."""
        self._worked_s = self._clock.monotonic_s()

    def _credit(self, now_s: float) -> float:
        """For how long before now a gateway may have saved up what it was free to say."""
        if now_s >= self._credit_until_s:
            self._credit_s = 0.0
        away_s = now_s - self._worked_s
        if away_s > PAUSE_S and away_s >= self._credit_s:
            self._credit_s = away_s
            self._credit_until_s = now_s + max(LEAST_S, away_s)
        return self._credit_s

    # -- judging -----------------------------------------------------------------------------

    def sift(self, messages: list[Incoming]) -> list[Incoming]:
        """The same messages in the same order, those marked that are to be refused unread, and
        those that are to tell of it. A message is judged once, when it comes: it may be read
        several times while Redis is away."""
        now_s = self._clock.monotonic_s()
        floor_s = now_s - self._credit(now_s)
        burst_s, burst_bytes_s = now_s + self._burst_s, now_s + self._burst_bytes_s
        for at, message in enumerate(messages):
            name = None if message.dup else self._name_of(message.topic)
            if name is None:
                continue
            bucket = self._buckets.get(name) or self._bucket(name, now_s, floor_s)
            messages_s = max(bucket.messages_s, floor_s) + self._message_s
            bytes_s = max(bucket.bytes_s, floor_s) + len(message.payload) * self._byte_s
            unread = messages_s > burst_s or bytes_s > burst_bytes_s
            if unread:
                bucket.untold += 1
            else:
                bucket.messages_s, bucket.bytes_s = messages_s, bytes_s
            if bucket.untold:
                flooded = _to_tell(bucket, now_s)
                if unread or flooded:
                    messages[at] = message._replace(unread=unread, flooded=flooded)
        return messages

    def _bucket(self, name: str, now_s: float, floor_s: float) -> _Bucket:
        """A new bucket, or beyond the bound the one that all other names share."""
        if len(self._buckets) >= MOST_NAMES:
            self._sweep(now_s, floor_s)
            if len(self._buckets) >= MOST_NAMES:
                return self._buckets.setdefault("", _Bucket(floor_s))
        made = self._buckets[name] = _Bucket(floor_s)
        return made

    def _sweep(self, now_s: float, floor_s: float) -> None:
        """Forget buckets that are full: a new one would be the same. Seldom, as it looks at all."""
        if now_s < self._swept_s + TOLD_EVERY_S:
            return
        self._swept_s = now_s
        for name, bucket in list(self._buckets.items()):
            if max(bucket.messages_s, bucket.bytes_s) <= floor_s and not bucket.untold:
                del self._buckets[name]

    @property
    def names(self) -> int:
        """Gateways that have a bucket."""
        return len(self._buckets)


def _name_of(topic: str, view: RegionView) -> str | None:
    """Whose bucket a message is charged to; None: it is refused anyway, and unread. States have
    one of their own: a gateway that floods with events is not to seem lost."""
    found = topics.parse_inbound(topic)
    if found is None or found.region != view.name or not view.knows_gateway(found.gateway):
        return None
    return f"{found.gateway}/{found.kind}" if found.kind == topics.Kind.STATE else found.gateway


def _to_tell(bucket: _Bucket, now_s: float) -> int:
    """How many refused messages are to be told of now; 0: not yet."""
    if now_s < bucket.told_s + TOLD_EVERY_S:
        return 0
    bucket.told_s = now_s
    told, bucket.untold = bucket.untold, 0
    return told


class Telling(Enum):
    """What becomes of a refusal beside its being counted."""

    TOLD = "told"
    LAST = "last"
    """Told, and the next of the same gateway would not be."""
    COUNTED = "counted"


class Restraint:
    """Bounds how many refusals of one gateway are published and kept: each costs a message to all
    who read and a place in the list, and a gateway that sends nothing else must not fill either.
    For one worker; refusals of no known gateway share one bucket."""

    def __init__(self, view: RegionView, clock: Clock) -> None:
        self._clock = clock
        self._full_s: dict[str, float] = {}
        self.use(view)

    def use(self, view: RegionView) -> None:
        """Judge by another version of the region file."""
        self._known = view.knows_gateway
        self._each_s = 1 / view.limits.refusals_told_per_s
        self._burst_s = (view.limits.refusals_told_at_once + 0.5) * self._each_s

    def judge(self, gateway: str | None) -> Telling:
        """Of one refusal, to be asked once for each."""
        now_s = self._clock.monotonic_s()
        name = gateway if gateway is not None and self._known(gateway) else ""
        if name not in self._full_s and len(self._full_s) >= MOST_NAMES:
            name = ""
        full_s = max(self._full_s.get(name, now_s), now_s) + self._each_s
        if full_s > now_s + self._burst_s:
            return Telling.COUNTED
        self._full_s[name] = full_s
        return Telling.LAST if full_s + self._each_s > now_s + self._burst_s else Telling.TOLD
