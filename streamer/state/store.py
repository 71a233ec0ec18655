"""The typed face of the state. Every method is safe to call again with the same events."""

import json
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import redis

from streamer.config import RegionView
from streamer.domain.check_out_words import words_of_groups
from streamer.domain.membership import CLOSED
from streamer.domain.model import (
    FloodSpan,
    GatewaySnapshot,
    GroupSnapshot,
    LiveState,
    StationRecord,
)
from streamer.state import keys as k
from streamer.state.air import Air
from streamer.state.base import (
    LEASE_MS,
    Begun,
    StoreMismatch,
    StoreUnavailable,
    compact,
    connect,
    flat,
    guarded,
    to_send,
)
from streamer.state.counting import content, settings
from streamer.state.expiry import Expiry
from streamer.state.knowledge import Knowledge
from streamer.state.outbox import Outbox
from streamer.state.records import (
    Summaries,
    floods_from,
    gateway_from,
    group_from,
    live_from,
    station_from,
)
from streamer.state.scripts import Call, Script
from streamer.state.servers import Servers
from streamer.state.setup import Setup
from streamer.state.shapes import (
    Claim,
    GatewayBatch,
    Keying,
    Outcome,
    OutMessage,
    RouteMark,
    Tell,
)

__all__ = ["CLOSED", "LEASE_MS", "Store", "StoreMismatch", "StoreUnavailable", "connect"]

BY_HAND = "desk 0 0"
"""The tie of what was not heard but ordered: a word that no gateway can say."""


class Store(Outbox, Knowledge, Air, Expiry, Servers, Setup):
    """The state of one region. Raises StoreUnavailable when Redis does not answer."""

    def __init__(self, client: "redis.Redis", view: RegionView) -> None:
        super().__init__(client, view)
        self._told: dict[int, list[tuple[str, int]]] = defaultdict(list)
        self._summaries = Summaries()

    # -- start ---------------------------------------------------------------------------------

    def prepare(self, now_ms: int) -> None:
        """Check that Redis is fit and wake every configured group and gateway.

        Raises StoreMismatch when the state was made with another number of partitions or when
        Redis may throw keys away.
        """
        with guarded():
            made = self._client.hget(self.keys.meta(), "partitions")
            if made is not None and int(str(made)) != self.keys.partitions:
                raise StoreMismatch(
                    f"region {self.view.name}: the state in Redis has partitions = {made}, the "
                    f"region file says {self.keys.partitions}: set it back, or start with an "
                    "empty Redis database"
                )
        self._write(("HSET", self.keys.meta(), "partitions", self.keys.partitions))
        self.check_eviction()
        with guarded():
            known = self._client.hget(self.keys.meta(), "subjects")
        # Those that the region file has dropped too, so that what was published about them can be
        # taken back; noted only then, or a crash in between would leave it standing.
        ours = self._subjects()
        self.wake(sorted({*(known or "").split(), *ours}), now_ms)
        self.wake_desk(now_ms)
        # Here and not at the first look: when that is depends on how much there is to do.
        self._write(*(("HSETNX", self._subject_key(one), "#born", now_ms) for one in ours))
        self._write(("HSET", self.keys.meta(), "subjects", " ".join(ours)))

    def _subjects(self) -> list[str]:
        return [f"g/{name}" for name in self.view.groups] + [
            f"w/{name}" for name in self.view.gateways
        ]

    def have_retold(self, now_ms: int) -> None:
        """Have every group and gateway say anew what is wrong with it."""
        keys = map(self._subject_key, self._subjects())
        self._write(*(("HSET", key, "#conditions", "outdated") for key in keys))
        self.wake(self._subjects(), now_ms)

    def wake(self, subjects: Sequence[str], ms: int) -> None:
        """Have subjects looked at, at `ms` at the latest."""
        by_partition: dict[int, list[str]] = defaultdict(list)
        for subject in subjects:
            by_partition[self.keys.partition_of(subject[2:])].append(subject)
        for partition, names in by_partition.items():
            self._run(Script.WAKE, [self.keys.due(partition)], [ms, *names])

    # -- merging events ------------------------------------------------------------------------

    def apply_gateways(
        self, batches: Mapping[str, GatewayBatch], now_ms: int
    ) -> dict[str, tuple[str, str]]:
        """Count events and take states over.

        Returns for each gateway one character an event ('1' new, '0' known, '-' too old to be
        judged) and one a state ('1' taken over).
        """
        return self.begin_gateways(batches, now_ms).finish()

    def begin_gateways(
        self, batches: Mapping[str, GatewayBatch], now_ms: int
    ) -> Begun[dict[str, tuple[str, str]]]:
        """The same, to be waited for."""
        calls = []
        split = self._split(batches)
        common = compact(settings(self.view, now_ms))
        for partition, names in split.items():
            keys = [self.keys.due(partition), self.keys.live(partition)]
            arguments = [common]
            for name in names:
                more, said = content(self.keys, name, batches[name], now_ms)
                keys += [self.keys.gateway(name), self.keys.quarantine(name)]
                keys += [self.keys.holes(name), *more]
                arguments.append(compact(said))
            calls.append(Call(Script.GATEWAY, keys, arguments))

        def read(replies: list[Any]) -> dict[str, tuple[str, str]]:
            pairs = zip(split.values(), replies, strict=True)
            named = (pair for names, reply in pairs for pair in zip(names, reply, strict=True))
            return {name: (events, states) for name, (events, states) in named}

        return self._start(calls, read)

    def apply_stations(self, keyings: Mapping[str, list[Keying]], now_ms: int) -> list[Tell]:
        """Merge keyings by station; returns what groups must be told, changed or not."""
        return self.begin_stations(keyings, now_ms).finish()

    def begin_stations(self, keyings: Mapping[str, list[Keying]], now_ms: int) -> Begun[list[Tell]]:
        """The same, to be waited for."""
        split = self._split(keyings)
        calls = [
            self._station_call(partition, names, keyings, now_ms)
            for partition, names in split.items()
        ]

        def read(replies: list[Any]) -> list[Tell]:
            pairs = zip(split.items(), replies, strict=True)
            return [
                tell
                for (partition, names), stations in pairs
                for name, reply in zip(names, stations, strict=True)
                for tell in self._tells(partition, name, reply)
            ]

        return self._start(calls, read)

    def _tells(self, partition: int, station: str, reply: list[str]) -> list[Tell]:
        pairs = zip(reply[1::2], reply[2::2], strict=True)
        groups = self.view.groups
        tells = [Tell(g, station, reply[0], summary) for g, summary in pairs if g in groups]
        if not tells:
            self._told[partition].append((station, int(reply[0])))
        return tells

    def _station_call(
        self,
        partition: int,
        names: Sequence[str],
        keyings: Mapping[str, list[Keying]],
        now_ms: int,
        entry: str = "",
    ) -> Call:
        learning = self.view.learning
        settings: dict[str, Any] = {
            "now": now_ms,
            "path": k.PATH_LENGTH,
            "check_ins": k.CHECK_INS_KEPT,
            "linger": round(self.view.longest_linger_s * 1000),
            "expire": round(self.view.longest_expire_s * 1000),
            "forget": self.forget_ms,
            "told": self._told.pop(partition, []),
            "grain": learning.grain_s if learning.enabled else 0,
            "presence": k.PRESENCE_KEPT,
            "positions": self.positions_ms or 0,
            **_words(self.view),
        }
        if entry:
            settings |= {"entry": entry, "kept": k.LOG_KEPT}
        keys = [self.keys.due(partition), self.keys.tell(partition)]
        keys += [self.keys.station(name) for name in names]
        if entry:
            keys.append(self.keys.log(partition))
        arguments = [compact(settings), *(_keyings_json(name, keyings[name]) for name in names)]
        return Call(Script.STATION, keys, arguments)

    def check_out_by_hand(self, station: str, group: str, now_ms: int, entry: str) -> None:
        """Check a known station out without its having been heard, and log it."""
        out = Keying(station, now_ms, BY_HAND, "", "", None, None, "", group, "", now_ms)
        partition = self.keys.partition_of(station)
        call = self._station_call(partition, [station], {station: [out]}, now_ms, entry)
        (reply,) = self._start([call], lambda replies: replies[0]).finish()
        # Should this end here, a worker finds the station among those to be told of.
        self.apply_groups(self._tells(partition, station, reply), [], now_ms)

    def untold_stations(self, before_ms: int, limit: int = 200) -> list[str]:
        """Stations whose groups may not have been told, because a worker died in between."""
        found: list[str] = []
        for partition in self.partitions:
            with guarded():
                found += self._client.zrangebyscore(
                    self.keys.tell(partition), "-inf", before_ms, 0, limit
                )
        return found

    def settle_told(self, now_ms: int) -> None:
        """Note which stations' groups were told; otherwise done along with the next keyings."""
        for partition in [p for p, told in self._told.items() if told]:
            call = self._station_call(partition, [], {}, now_ms)
            self._start([call], len).finish()

    def apply_groups(self, tells: Sequence[Tell], routes: Sequence[RouteMark], now_ms: int) -> None:
        """Tell groups of their stations and of what repeaters say."""
        by_group: dict[str, tuple[list[Any], list[Any]]] = defaultdict(lambda: ([], []))
        for tell in tells:
            by_group[tell.group][0].append((tell.station, tell.summary))
        for r in routes:
            mark = (r.ms, r.tie, r.repeater, r.action, r.latency, r.over, r.source)
            by_group[r.group][1].append(mark)
        settings = {
            "now": now_ms,
            "refresh": round(self.view.limits.roster_refresh_s * 1000),
            "sent_kept": k.SENT_KEPT,
            "marks_kept": k.MARKS_KEPT,
        }
        calls = []
        for partition, names in self._split(by_group).items():
            keys = [self.keys.due(partition)]
            arguments = [compact(settings)]
            for name in names:
                told, marks = by_group[name]
                stale = round(self.view.policies[name].overdue_after_s * 1000)
                keys += [self.keys.group(name), self.keys.sent(name)]
                content = {"name": name, "stale": stale, "tells": told, "routes": marks}
                arguments.append(compact(content))
            calls.append(Call(Script.GROUP, keys, arguments))
        self._start(calls, len).finish()
        for tell in tells:
            self._told[self.keys.partition_of(tell.station)].append((tell.station, int(tell.rev)))

    @property
    def forget_ms(self) -> int:
        """How long a station is remembered: longer than the latest event that still counts."""
        return round((self.view.longest_late_s + self.view.longest_expire_s) * 1000)

    @property
    def positions_ms(self) -> int | None:
        """How long a position is kept; None: as long as the station."""
        hours = self.view.region.privacy.positions_keep_h
        return None if hours is None else round(hours * 3_600_000)

    # -- looking at subjects -------------------------------------------------------------------

    def claim_due(self, partition: int, now_ms: int, limit: int = 100) -> list[Claim]:
        """Take subjects whose time has come."""
        arguments = [now_ms, LEASE_MS, limit]
        subjects = self._run(Script.CLAIM_DUE, [self.keys.due(partition)], arguments)
        return [Claim(subject, partition, now_ms + LEASE_MS) for subject in subjects]

    def groups(self, names: Sequence[str]) -> list[GroupSnapshot]:
        """Snapshots of groups; a group nobody spoke of is an empty one."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for name in names:
                pipe.hgetall(self.keys.group(name))
                pipe.zrange(self.keys.sent(name), 0, -1, withscores=True)
            answers = pipe.execute()
        pairs = zip(names, answers[::2], answers[1::2], strict=True)
        return [group_from(name, fields, sent, self._summaries) for name, fields, sent in pairs]

    def station(self, station: str) -> StationRecord | None:
        return self.stations([station])[0]

    def stations(self, names: Sequence[str]) -> list[StationRecord | None]:
        """Records of stations, None where nothing is known."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for name in names:
                pipe.hgetall(self.keys.station(name))
            answers = pipe.execute()
        return [station_from(n, fields) for n, fields in zip(names, answers, strict=True)]

    def places_behind(self, gateway: str) -> list[tuple[str, str]]:
        """(station, repeater) of the members whose place, as last worked out, is behind it."""
        with guarded():
            pipe = self._client.pipeline(transaction=False)
            for name in self.view.groups:
                pipe.hget(self.keys.group(name), "#previous")
            texts = pipe.execute()
        found = set()
        for text in filter(None, texts):
            for station, known in json.loads(text).items():
                standing, repeater = known.split(" ")
                if standing not in CLOSED and repeater.startswith(f"{gateway}/"):
                    found.add((station, repeater))
        return sorted(found)

    def gateway(self, gateway: str) -> GatewaySnapshot:
        with guarded():
            return gateway_from(gateway, self._client.hgetall(self.keys.gateway(gateway)))

    def live(
        self,
    ) -> tuple[dict[str, LiveState], frozenset[str], dict[str, tuple[FloodSpan, ...]]]:
        """The newest state of each gateway, which ever spoke of routes, and the floods of those
        that flooded."""
        states: dict[str, LiveState] = {}
        routers, floods = set(), {}
        for partition in self.partitions:
            with guarded():
                fields = self._client.hgetall(self.keys.live(partition))
            for name, text in fields.items():
                if name.startswith("@"):
                    routers.add(name[1:])
                elif name.startswith("!"):
                    floods[name[1:]] = floods_from(text)
                else:
                    states[name] = live_from(name, text)
        return states, frozenset(routers), floods

    def commit(
        self, outcomes: Sequence[Outcome], now_ms: int
    ) -> list[tuple[Outcome, list[OutMessage] | None]]:
        """Store outcomes, each with the messages that the caller may send at once, or None if it
        was outdated. They come back in another order."""
        by_partition: dict[int, list[Outcome]] = defaultdict(list)
        for outcome in outcomes:
            by_partition[outcome.claim.partition].append(outcome)
        done: list[tuple[Outcome, list[OutMessage] | None]] = []
        for partition, ours in by_partition.items():
            p = partition
            keys = [self.keys.due(p), self.keys.out(p), self.keys.published(p)]
            arguments: list[str | int] = [now_ms, LEASE_MS]
            for outcome in ours:
                keys.append(self._subject_key(outcome.claim.subject))
                arguments += [_outcome_json(outcome), *flat(outcome.messages)]
            replies = self._run(Script.COMMIT, keys, arguments)
            for outcome, reply in zip(ours, replies, strict=True):
                done.append((outcome, to_send(outcome.messages, reply)))
        return done

    # -- helpers -------------------------------------------------------------------------------

    def _split(self, names: Mapping[str, Any]) -> dict[int, list[str]]:
        split: dict[int, list[str]] = defaultdict(list)
        for name in names:
            split[self.keys.partition_of(name)].append(name)
        return split


@lru_cache(maxsize=4)  # asked with every batch, and always of the same
def _words(view: RegionView) -> dict[str, Any]:
    """Which groups there are and what checks out of them, short: most have the same words, and
    reading a large table takes Redis longer than the keyings of a batch."""
    words = {group: sorted(found) for group, found in words_of_groups(view).items()}
    usual = Counter(map(tuple, words.values())).most_common(1)
    common = list(usual[0][0]) if usual else []
    return {
        "groups": f" {' '.join(words)} ",
        "words": common,
        "words_of": {group: found for group, found in words.items() if found != common},
    }


def _outcome_json(outcome: Outcome) -> str:
    return compact(
        {
            "subject": outcome.claim.subject,
            "rev": outcome.rev,
            "ver": outcome.ver,
            "told": outcome.told,
            "claimed": outcome.claim.claimed_ms,
            "next": outcome.next_ms,
            "fields": outcome.fields,
            "drop": outcome.drop,
            "drop_stations": outcome.drop_stations,
            "forget": outcome.forget,
            "messages": len(outcome.messages),
        }
    )


def _keyings_json(station: str, keyings: list[Keying]) -> str:
    return compact(
        [
            station,
            *(
                (
                    e.ms, e.tie, e.repeater, e.over, e.info, e.position,
                    e.group, e.out_group, e.out_word, e.end_ms,
                )
                for e in keyings
            ),
        ]
    )  # fmt: skip
