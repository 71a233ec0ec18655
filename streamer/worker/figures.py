"""What the region and its Redis look like, as metrics: read from what was published and from what
gateways said last, so that every worker tells the same, also of what another has worked out."""

import json
from collections import Counter, defaultdict
from collections.abc import Callable
from typing import Final, NamedTuple

from prometheus_client import Gauge

from streamer.contract.published import Carriage, Standing
from streamer.contract.topics import beat_topic, fanout_topic, reach_topic
from streamer.domain.liveness import GatewayStanding
from streamer.state.keys import ALERTS
from streamer.state.lookups import sights
from streamer.state.shapes import OutMessage
from streamer.state.store import Store
from streamer.worker.metrics import Metrics

ROUND: Final = 6
"""In so many rounds each gateway's counting is read once: a thousand at once take a while."""
SHOWN: Final = [s for s in Standing if s not in (Standing.EXPIRED, Standing.CHECKED_OUT)]

Values = dict[tuple[str, ...], float]
"""Label values, in the order of the metric's labels -> the value."""


class _Group(NamedTuple):
    """What two published messages of a group say, and their versions."""

    tokens: tuple[str, ...]
    carriages: Counter[str]
    idle: int
    standings: Counter[str]


class RegionFigures:
    """For one worker. Only what the region file names is told, so that labels stay bounded."""

    def __init__(self, store: Store, metrics: Metrics) -> None:
        self._store = store
        self._metrics = metrics
        self._ticks = 0
        self._groups: dict[str, _Group] = {}
        self._told: dict[Gauge, set[tuple[str, ...]]] = {}
        # A part a second: events wait while it is looked at. With 1,000 gateways the longest takes
        # some hundredths of a second.
        self._parts: tuple[Callable[[int], None], ...] = (
            self._of_groups,
            self._of_gateways,
            self._of_counting,
            self._of_redis,
            self._of_beats,
        )

    @property
    def parts(self) -> int:
        """After so many ticks everything has been looked at, all but the counting."""
        return len(self._parts)

    def tick(self, now_ms: int) -> None:
        """Bring the next part up to date. Raises StoreUnavailable."""
        self._parts[self._ticks % self.parts](now_ms)
        self._ticks += 1

    def _tell(self, gauge: Gauge, values: Values) -> None:
        """Set these series and drop all others: a group that the region file no longer names."""
        for labels, value in values.items():
            gauge.labels(*labels).set(value)
        self._drop_others(gauge, set(values))

    def _drop_others(self, gauge: Gauge, kept: set[tuple[str, ...]]) -> None:
        for labels in self._told.get(gauge, set()) - kept:
            gauge.remove(*labels)
        self._told[gauge] = kept

    def _of_groups(self, _now_ms: int) -> None:
        self._groups = self._read()
        metrics, groups = self._metrics, self._groups.items()
        self._tell(
            metrics.fanout_repeaters,
            {(name, c.value): g.carriages[c] for name, g in groups for c in Carriage},
        )
        self._tell(
            metrics.members, {(name, s.value): g.standings[s] for name, g in groups for s in SHOWN}
        )
        self._tell(metrics.idle_repeaters, {(name,): g.idle for name, g in groups})

    def _read(self) -> dict[str, _Group]:
        """One question for each partition."""
        store, found = self._store, {}
        by_partition: dict[int, list[str]] = defaultdict(list)
        for name in store.view.groups:
            by_partition[store.keys.partition_of(name)].append(name)
        for partition, names in by_partition.items():
            topics = [
                t(store.view.name, name) for name in names for t in (fanout_topic, reach_topic)
            ]
            said = store.published(partition, topics)
            for name, fanout, reach in zip(names, said[::2], said[1::2], strict=True):
                found[name] = self._read_one(name, fanout, reach)
        return found

    def _read_one(self, name: str, fanout: OutMessage | None, reach: OutMessage | None) -> _Group:
        tokens = tuple("" if m is None else m.token for m in (fanout, reach))
        known = self._groups.get(name)
        if known is not None and known.tokens == tokens:
            return known
        wanted, roster = ({} if m is None else json.loads(m.payload) for m in (fanout, reach))
        return _Group(
            tokens,
            Counter(r["carriage"] for r in wanted.get("repeaters", ())),
            len(wanted.get("idle", ())),
            Counter(m["standing"] for m in roster.get("members", ())),
        )

    def _of_gateways(self, now_ms: int) -> None:
        metrics, view = self._metrics, self._store.view
        now = sights(self._store, now_ms)
        found = [now.gateway(name) for name in view.gateways]
        up: Values = {(s.gateway,): s.standing is GatewayStanding.UP for s in found}
        self._tell(metrics.gateway_up, up)
        offsets = {s.gateway: s.state.clock_offset_s for s in found if s.state is not None}
        known: Values = {(name,): s for name, s in offsets.items() if s is not None}
        self._tell(metrics.clock_offset_seconds, known)
        reporting: Values = {(name,): now.repeater(name).reporting for name in view.sites}
        self._tell(metrics.repeater_up, reporting)
        for name in view.gateways:
            metrics.flooded.labels(name)  # a first flood must not go unseen

    def _of_counting(self, _now_ms: int) -> None:
        gauge, names = self._metrics.events_missing, list(self._store.view.gateways)
        for name in names[self._ticks // self.parts % ROUND :: ROUND]:
            gauge.labels(name).set(self._store.gateway(name).missing)
        self._drop_others(gauge, {(name,) for name in names})

    def _of_beats(self, now_ms: int) -> None:
        region = self._store.view.region
        (beat,) = self._store.published(ALERTS, [beat_topic(region.region)])
        if beat is not None and beat.payload:
            every_ms = 1000 * json.loads(beat.payload)["next_within_s"]
            missing = max(0, now_ms - int(beat.token)) // every_ms
            self._metrics.beats_missing.set(missing)

    def _of_redis(self, _now_ms: int) -> None:
        found = self._store.servers_figures()
        if found is not None:
            self._metrics.redis_memory_bytes.set(found.memory_bytes)
            self._metrics.redis_memory_limit_bytes.set(found.limit_bytes)
            self._metrics.redis_durable.set(found.durable)
