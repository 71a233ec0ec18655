"""The typed face of the state. Every method is safe to call again with the same events."""

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import redis
from redis.backoff import NoBackoff
from redis.exceptions import RedisError, ResponseError
from redis.retry import Retry

from streamer.config import RegionView
from streamer.contract.published import AlertKind, Standing
from streamer.domain.model import GatewaySnapshot, GroupSnapshot, LiveState, StationRecord
from streamer.state import keys as k
from streamer.state.records import gateway_from, group_from, live_from, station_from
from streamer.state.scripts import Script, Scripts
from streamer.state.shapes import (
    Claim,
    GatewayBatch,
    Keying,
    Outcome,
    OutMessage,
    RouteMark,
    Tell,
)

CLOSED = frozenset({Standing.EXPIRED, Standing.CHECKED_OUT})
LEASE_MS = 3000
"""A claimed subject or message comes up again after this, should the claimer have died."""


class StoreUnavailable(Exception):
    """Redis did not do what it was asked; nothing is lost as long as it is asked again."""


class StoreMismatch(Exception):
    """The state in Redis was made with settings that cannot be mixed with the present ones."""


def connect(url: str) -> "redis.Redis":
    """A client that fails fast and leaves trying again to its user."""
    return redis.Redis.from_url(
        url,
        decode_responses=True,
        socket_timeout=5.0,
        socket_connect_timeout=2.0,
        retry=Retry(NoBackoff(), 0),
        health_check_interval=0,
    )


@contextmanager
def _guarded() -> Iterator[None]:
    try:
        yield
    except RedisError as error:
        raise StoreUnavailable(f"Redis: {type(error).__name__}: {error}") from error


def _compact(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))


class Store:
    """The state of one region. Raises StoreUnavailable when Redis does not answer."""

    def __init__(self, client: "redis.Redis", view: RegionView) -> None:
        self._client: Any = client  # its types leave open whether it answers in bytes
        self._scripts = Scripts(client)
        self._told: dict[int, list[tuple[str, int]]] = defaultdict(list)
        self.view = view
        self.keys = k.Keys(view.name, view.region.partitions)

    @property
    def partitions(self) -> range:
        return range(self.keys.partitions)

    # -- start ---------------------------------------------------------------------------------

    def prepare(self, now_ms: int) -> None:
        """Check that Redis is fit and wake every configured group and gateway.

        Raises StoreMismatch when the state was made with another number of partitions or when
        Redis may throw keys away.
        """
        with _guarded():
            made = self._client.hget(self.keys.meta(), "partitions")
            if made is not None and int(str(made)) != self.keys.partitions:
                raise StoreMismatch(
                    f"region {self.view.name}: the state in Redis has partitions = {made}, the "
                    f"region file says {self.keys.partitions}: set it back, or start with an "
                    "empty Redis database"
                )
            self._client.hset(self.keys.meta(), "partitions", self.keys.partitions)
            policy = self._eviction_policy()
            if policy not in (None, "noeviction"):
                raise StoreMismatch(
                    f"Redis has maxmemory-policy {policy}: it would throw members away when full; "
                    "set it to noeviction"
                )
            gone = self._swap_known_subjects()
        self.wake([*gone, *self._subjects()], now_ms)

    def _eviction_policy(self) -> str | None:
        """None where the server does not let us ask, as hosted ones may."""
        try:
            found = dict(self._client.config_get("maxmemory-policy"))
        except ResponseError:
            return None
        return found.get("maxmemory-policy")

    def _subjects(self) -> list[str]:
        return [f"g/{name}" for name in self.view.groups] + [
            f"w/{name}" for name in self.view.gateways
        ]

    def _swap_known_subjects(self) -> list[str]:
        """Keep the list of groups and gateways; returns those that the region file has dropped,
        so that what was published about them can be taken back."""
        known = self._client.hget(self.keys.meta(), "subjects")
        now = self._subjects()
        self._client.hset(self.keys.meta(), "subjects", " ".join(now))
        return sorted(set((known or "").split()) - set(now))

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
        limits = self.view.limits
        settings = {
            "now": now_ms,
            "grace": round(limits.events_lost_after_s * 1000),
            "holes": k.HOLES_KEPT,
            "boots": k.BOOTS_KEPT,
            "quarantine": limits.quarantine_size,
        }
        verdicts: dict[str, tuple[str, str]] = {}
        for partition, names in self._split(batches).items():
            keys = [self.keys.due(partition), self.keys.live(partition)]
            arguments = [_compact(settings)]
            for name in names:
                batch = batches[name]
                keys += [self.keys.gateway(name), self.keys.quarantine(name)]
                content = {
                    "name": name,
                    "events": batch.events,
                    "states": batch.states,
                    "future_ms": batch.future_ms,
                }
                arguments.append(_compact(content))
            replies = self._run(Script.GATEWAY, keys, arguments)
            verdicts |= {n: (r[0], r[1]) for n, r in zip(names, replies, strict=True)}
        return verdicts

    def apply_stations(self, keyings: Mapping[str, list[Keying]], now_ms: int) -> list[Tell]:
        """Merge keyings by station; returns what groups must be told, changed or not."""
        tells = []
        for partition, names in self._split(keyings).items():
            replies = self._run_stations(partition, names, keyings, now_ms)
            for name, reply in zip(names, replies, strict=True):
                pairs = zip(reply[1::2], reply[2::2], strict=True)
                told_of = [Tell(group, name, reply[0], summary) for group, summary in pairs]
                known = [tell for tell in told_of if tell.group in self.view.groups]
                tells += known
                if not known:
                    self._told[partition].append((name, int(reply[0])))
        return tells

    def _run_stations(
        self,
        partition: int,
        names: Sequence[str],
        keyings: Mapping[str, list[Keying]],
        now_ms: int,
    ) -> list[list[str]]:
        told = self._told.pop(partition, [])
        settings = {
            "now": now_ms,
            "path": k.PATH_LENGTH,
            "check_ins": k.CHECK_INS_KEPT,
            "linger": round(self.view.longest_linger_s * 1000),
            "forget": self.forget_ms,
            "told": told,
        }
        keys = [self.keys.due(partition), self.keys.tell(partition)]
        keys += [self.keys.station(name) for name in names]
        arguments = [_compact(settings), *(_keyings_json(name, keyings[name]) for name in names)]
        replies: list[list[str]] = self._run(Script.STATION, keys, arguments)
        return replies

    def untold_stations(self, before_ms: int, limit: int = 200) -> list[str]:
        """Stations whose groups may not have been told, because a worker died in between."""
        found: list[str] = []
        for partition in self.partitions:
            with _guarded():
                found += self._client.zrangebyscore(
                    self.keys.tell(partition), "-inf", before_ms, 0, limit
                )
        return found

    def settle_told(self, now_ms: int) -> None:
        """Note which stations' groups were told; otherwise done along with the next keyings."""
        for partition in [p for p, told in self._told.items() if told]:
            self._run_stations(partition, [], {}, now_ms)

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
        }
        for partition, names in self._split(by_group).items():
            keys = [self.keys.due(partition)]
            arguments = [_compact(settings)]
            for name in names:
                told, marks = by_group[name]
                stale = round(self.view.policies[name].overdue_after_s * 1000)
                keys += [self.keys.group(name), self.keys.sent(name)]
                content = {"name": name, "stale": stale, "tells": told, "routes": marks}
                arguments.append(_compact(content))
            self._run(Script.GROUP, keys, arguments)
        for tell in tells:
            self._told[self.keys.partition_of(tell.station)].append((tell.station, int(tell.rev)))

    @property
    def forget_ms(self) -> int:
        """How long a station is remembered: longer than the latest event that still counts."""
        return round((self.view.longest_late_s + self.view.longest_expire_s) * 1000)

    # -- looking at subjects -------------------------------------------------------------------

    def claim_due(self, partition: int, now_ms: int, limit: int = 100) -> list[Claim]:
        """Take subjects whose time has come."""
        arguments = [now_ms, LEASE_MS, limit]
        subjects = self._run(Script.CLAIM_DUE, [self.keys.due(partition)], arguments)
        return [Claim(subject, partition, now_ms + LEASE_MS) for subject in subjects]

    def groups(self, names: Sequence[str]) -> list[GroupSnapshot]:
        """Snapshots of groups; a group nobody spoke of is an empty one."""
        with _guarded():
            pipe = self._client.pipeline(transaction=False)
            for name in names:
                pipe.hgetall(self.keys.group(name))
                pipe.zrange(self.keys.sent(name), 0, -1, withscores=True)
            answers = pipe.execute()
        pairs = zip(names, answers[::2], answers[1::2], strict=True)
        return [group_from(name, fields, sent) for name, fields, sent in pairs]

    def station(self, station: str) -> StationRecord | None:
        with _guarded():
            return station_from(station, self._client.hgetall(self.keys.station(station)))

    def places_behind(self, gateway: str) -> list[tuple[str, str]]:
        """(station, repeater) of the members whose place, as last worked out, is behind it."""
        with _guarded():
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
        with _guarded():
            return gateway_from(gateway, self._client.hgetall(self.keys.gateway(gateway)))

    def live(self) -> tuple[dict[str, LiveState], frozenset[str]]:
        """The newest state of each gateway, and which gateways ever spoke of routes."""
        states: dict[str, LiveState] = {}
        routers = set()
        for partition in self.partitions:
            with _guarded():
                fields = self._client.hgetall(self.keys.live(partition))
            for name, text in fields.items():
                if name.startswith("@"):
                    routers.add(name[1:])
                else:
                    states[name] = live_from(name, text)
        return states, frozenset(routers)

    def commit(self, outcome: Outcome, now_ms: int) -> list[OutMessage] | None:
        """Store an outcome; the messages that the caller may send at once, None if outdated."""
        claim = outcome.claim
        key = {"g": self.keys.group, "s": self.keys.station, "w": self.keys.gateway}[claim.kind]
        settings = {
            "subject": claim.subject,
            "rev": outcome.rev,
            "ver": outcome.ver,
            "claimed": claim.claimed_ms,
            "next": outcome.next_ms,
            "now": now_ms,
            "lease": LEASE_MS,
            "fields": outcome.fields,
            "drop": outcome.drop,
            "drop_stations": outcome.drop_stations,
            "forget": outcome.forget,
        }
        p = claim.partition
        keys = [key(claim.name), self.keys.due(p), self.keys.out(p), self.keys.published(p)]
        return self._committed(Script.COMMIT, keys, settings, outcome.messages)

    # -- alerts --------------------------------------------------------------------------------

    def alerts_of(self, owner: str) -> tuple[int, dict[str, str]]:
        """The revision of an owner's alerts and their records as JSON, by id."""
        with _guarded():
            line = self._client.hget(self.keys.alert_owners(), owner)
            if line is None:
                return 0, {}
            rev, *ids = str(line).split(" ")
            texts = self._client.hmget(self.keys.alerts(), ids)
        return int(rev), {i: str(t) for i, t in zip(ids, texts, strict=True) if t is not None}

    def alert(self, alert_id: str) -> str | None:
        with _guarded():
            text = self._client.hget(self.keys.alerts(), alert_id)
        return None if text is None else str(text)

    def all_alerts(self) -> dict[str, str]:
        with _guarded():
            return dict(self._client.hgetall(self.keys.alerts()))

    def alerts_by_kind(self) -> dict[str, int]:
        """How many alerts of each kind are open or acknowledged; every kind is there."""
        counts = dict.fromkeys((kind.value for kind in AlertKind), 0)
        with _guarded():
            for alert_id in self._client.hkeys(self.keys.alerts()):
                counts[alert_id.split(".")[0]] += 1
        return counts

    def owner_of_alert(self, alert_id: str) -> str | None:
        """Which subject raised an alert."""
        with _guarded():
            owners = self._client.hgetall(self.keys.alert_owners())
        return next((o for o, line in owners.items() if alert_id in line.split(" ")[1:]), None)

    def offer_again(self, name: str, now_ms: int) -> None:
        """Have an alert's message sent by the next worker that looks."""
        with _guarded():
            self._client.zadd(self.keys.out(k.ALERTS), {name: now_ms})

    def commit_alerts(
        self,
        owner: str,
        *,
        rev: int,
        records: Mapping[str, str],
        gone: Sequence[str],
        changed: Sequence[str],
        messages: Sequence[OutMessage],
        now_ms: int,
    ) -> list[OutMessage] | None:
        """Store an owner's alerts: `records` is all that remain, `changed` which are new."""
        settings = {
            "owner": owner,
            "rev": rev,
            "ids": " ".join(sorted(records)),
            "records": [(i, records[i]) for i in changed],
            "gone": list(gone),
            "now": now_ms,
            "lease": LEASE_MS,
        }
        keys = [self.keys.alerts(), self.keys.alert_owners()]
        keys += [self.keys.out(k.ALERTS), self.keys.published(k.ALERTS)]
        return self._committed(Script.COMMIT_ALERTS, keys, settings, messages)

    # -- publishing ----------------------------------------------------------------------------

    def claim_out(self, partition: int | str, now_ms: int, limit: int) -> list[OutMessage]:
        """Take messages that wait to be published."""
        keys = [self.keys.out(partition), self.keys.published(partition)]
        flat = self._run(Script.CLAIM_OUT, keys, [now_ms, LEASE_MS, limit])
        pairs = zip(flat[::2], flat[1::2], strict=True)
        return [OutMessage.from_content(name, content) for name, content in pairs]

    def confirm(self, partition: int | str, messages: Sequence[OutMessage], now_ms: int) -> None:
        """Note that the broker has taken messages over."""
        keys = [self.keys.out(partition), self.keys.published(partition)]
        arguments: list[str | int] = [now_ms]
        for message in messages:
            arguments += [message.name, message.token, int(message.keep)]
        self._run(Script.CONFIRM, keys, arguments)

    def waiting_out(self) -> int:
        """How many messages are not yet confirmed by the broker."""
        with _guarded():
            return sum(
                int(self._client.zcard(self.keys.out(p))) for p in [*self.partitions, k.ALERTS]
            )

    def published(self, partition: int | str, names: Sequence[str]) -> list[OutMessage | None]:
        """The newest content of retained messages, None where there is none."""
        if not names:
            return []
        with _guarded():
            contents = self._client.hmget(self.keys.published(partition), list(names))
        pairs = zip(names, contents, strict=True)
        return [OutMessage.from_content(n, str(c)) if c is not None else None for n, c in pairs]

    # -- refusals and workers ------------------------------------------------------------------

    def refuse(self, refusals: Sequence[tuple[str, str]]) -> None:
        """Count and keep refusals, each a reason and the JSON of the message."""
        flat = [part for refusal in refusals for part in refusal]
        keys = [self.keys.refused(), self.keys.refusals()]
        self._run(Script.REFUSE, keys, [self.view.limits.refused_size, *flat])

    def refusals(self) -> dict[str, int]:
        """How many refusals of each reason."""
        with _guarded():
            found = self._client.hgetall(self.keys.refusals())
        return {reason: int(count) for reason, count in found.items()}

    def quarantined(self, gateway: str) -> dict[str, tuple[int, int, str]]:
        """Identities that are not call signs: count, last heard in ms, reason."""
        with _guarded():
            found = self._client.hgetall(self.keys.quarantine(gateway))
        parts = {call: text.split(" ") for call, text in found.items()}
        return {call: (int(c), int(ms), why) for call, (c, ms, why) in parts.items()}

    def note_worker(self, worker: str, now_ms: int) -> None:
        """Say that a worker lives."""
        with _guarded():
            self._client.zadd(self.keys.workers(), {worker: now_ms})

    def ping(self) -> None:
        with _guarded():
            self._client.ping()

    # -- helpers -------------------------------------------------------------------------------

    def _split(self, names: Mapping[str, Any]) -> dict[int, list[str]]:
        split: dict[int, list[str]] = defaultdict(list)
        for name in names:
            split[self.keys.partition_of(name)].append(name)
        return split

    def _run(self, script: Script, keys: Sequence[str], arguments: Sequence[str | int]) -> Any:
        with _guarded():
            return self._scripts.run(script, keys, arguments)

    def _committed(
        self,
        script: Script,
        keys: Sequence[str],
        settings: Mapping[str, Any],
        messages: Sequence[OutMessage],
    ) -> list[OutMessage] | None:
        arguments: list[str | int] = [_compact(settings)]
        for message in messages:
            arguments += [message.name, message.content()]
        stored, *ours = self._run(script, keys, arguments)
        if not stored:
            return None
        return [m for m, flag in zip(messages, ours, strict=True) if flag]


def _keyings_json(station: str, keyings: list[Keying]) -> str:
    return _compact(
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
