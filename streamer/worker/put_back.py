"""Notices that the store may have been put back to what it was before (`state/lineage.py`), and has
everything said anew then, above what readers may have seen.

Without it, readers who remember a higher version would ignore the restored world for as long as
nothing changes, and alerts that were opened after the backup would stand at the broker for ever.
What the broker retains is read on the worker's own connection: an account may have only one.

It is noticed by the ids of the Redis processes, and once a connection by the fan-outs that the
broker retains: none can be newer than the store's, unless something else has written them. Nothing
is done while another worker lives on another store (`worker/neighbours.py`): it would undo it.
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

import structlog
from pydantic_core import from_json

from streamer.alerts.desk import last_word_of_unknown, say_alerts_anew
from streamer.alerts.maintenance import runs
from streamer.clock import Clock
from streamer.contract import topics
from streamer.domain.duty import running
from streamer.domain.versions import next_version
from streamer.mqtt.connection import (
    BrokerRefused,
    BrokerUnreachable,
    Connection,
    ConnectionLost,
    Incoming,
)
from streamer.state.ordered import duties_from, works_from
from streamer.state.shapes import OutMessage
from streamer.state.store import Store
from streamer.worker.neighbours import Neighbours

log = structlog.get_logger()

QUIET_S: Final = 2.0
"""The broker sends what it retains at once; when nothing has come for so long, that was all."""
COMPARE_S: Final = 0.2
"""Retained messages come together with the answer to the subscription."""
_MAKERS: Final = (
    topics.fanout_topic, topics.reach_topic, topics.alert_topic, topics.duty_topic,
    topics.maintenance_topic,
)  # fmt: skip
_OF_GROUPS: Final = ("fanout", "reach")


@dataclass(slots=True)
class _Reading:
    """What the broker retains, as far as it has come."""

    servers: str
    last_s: float
    retained: dict[str, bytes] = field(default_factory=dict)


class PutBack:
    """For one worker. Raises StoreUnavailable and ConnectionLost; then nothing is lost, it is begun
    again."""

    def __init__(self, store: Store, clock: Clock, neighbours: Neighbours | None = None) -> None:
        self._neighbours = neighbours
        self._store = store
        self._clock = clock
        self._lineage = store.lineage()
        self._filters = [make(store.view.name, "+") for make in _MAKERS]
        self._begins = tuple(name.removesuffix("+") for name in self._filters)
        self._connection: Connection | None = None
        self._subscribed = False
        self._newer: dict[str, int] = {}
        self._reading: _Reading | None = None

    @property
    def reads(self) -> bool:
        """It has noticed, and reads what the broker retains."""
        return self._reading is not None

    def use(self, connection: Connection | None) -> None:
        """The worker's connection from now on."""
        self._connection, self._reading = connection, None
        # The session may be left with them by a worker that died while it read.
        self._subscribed = connection is not None and connection.session_present

    def sift(self, messages: list[Incoming]) -> list[Incoming]:
        """Take in what is read here and return all other messages. Always: what the broker had sent
        before it was asked to stop still comes afterwards, and is no gateway's."""
        others = []
        for message in messages:
            if not message.topic.startswith(self._begins):
                others.append(message)
            elif self._reading is not None:
                self._reading.last_s = self._clock.monotonic_s()
                if message.retain and message.payload:  # else published now: the store knows it
                    self._reading.retained[message.topic] = message.payload
        return others

    def tick(self) -> None:
        """To be called about once a second; nothing happens without a connection."""
        if self._connection is None:
            return
        if self._neighbours is not None and self._neighbours.trouble():
            self._reading = None  # what it has read may be outdated by then
            return
        if self._reading is None:
            self._look(self._connection)
        elif self._clock.monotonic_s() >= self._reading.last_s + QUIET_S:
            self._say_anew(self._reading, self._reading.servers)
            self._newer = {}
            self._reading = None
            self._end(self._connection)

    def _look(self, connection: Connection) -> None:
        """See whether there is anything to read."""
        servers = self._lineage.servers()
        known = self._lineage.known_servers()
        if self._newer or servers not in (None, known):
            self._begin(connection, servers or known or "")
        elif self._subscribed:
            self._end(connection)

    def _begin(self, connection: Connection, servers: str) -> None:
        self._reading = _Reading(servers, self._clock.monotonic_s())
        self._subscribed = True
        try:
            with _answered():
                connection.subscribe([(name, 0) for name in self._filters])
        except BrokerRefused as error:
            log.error(
                "what the broker retains cannot be read: alerts that it alone knows stay there",
                reason=str(error),
            )

    def compare(self, connection: Connection) -> None:
        """On a new connection, before anything is published: whether the broker holds fan-outs that
        are newer than the store's. What its workers publish stands in the store before, and the
        store is read after the broker. Raises StoreUnavailable, MqttError."""
        try:
            connection.subscribe([(self._filters[0], 0)])
        except BrokerRefused:
            return  # said when more is read
        until_s = self._clock.monotonic_s() + COMPARE_S
        while self._clock.monotonic_s() < until_s:
            connection.wait_for_answers(COMPARE_S / 2)
        connection.unsubscribe([self._filters[0]])
        said = [m for m in connection.pick(self._begins[0]) if m.retain]
        at_broker = {m.topic.split("/")[3]: _version(m.payload) for m in said}
        groups = [group for group in self._store.view.groups if group in at_broker]
        here = self._lineage.fanout_versions(groups)
        self._newer |= {
            group: at_broker[group] for group in groups if at_broker[group] > here[group]
        }
        if self._newer:
            names = sorted(self._newer)[:10]
            log.warning("fan-outs at the broker are newer than the store's", groups=names)

    def _end(self, connection: Connection) -> None:
        with _answered():
            connection.unsubscribe(self._filters)
        self._subscribed = False

    def _say_anew(self, reading: _Reading, servers: str) -> None:
        now_ms, store = self._clock.now_ms(), self._store
        if self._lineage.known_servers() == servers and not self._newer:
            return  # another worker has done it
        is_new = self._lineage.is_new(servers)
        region = store.view.name
        by_kind: dict[str, dict[str, bytes]] = {}
        for topic, payload in reading.retained.items():
            kind, name = topic.split("/")[2:]
            by_kind.setdefault(kind, {})[name] = payload
        here = self._lineage.fanout_versions(list(store.view.groups))
        newer = 0
        for group in store.view.groups:
            held = {kind: by_kind.get(kind, {}).get(group, b"") for kind in _OF_GROUPS}
            at_broker = {kind: _version(payload) for kind, payload in held.items()}
            at_broker["fanout"] = max(at_broker["fanout"], self._newer.get(group, 0))
            newer += at_broker["fanout"] > here[group]
            self._lineage.say_group_anew(group, at_broker, now_ms)
        store.wake([f"g/{group}" for group in store.view.groups], now_ms)
        say_alerts_anew(store, now_ms)
        self._say_orders_anew(now_ms)
        taken_back = self._take_back(region, reading.retained, now_ms)
        self._lineage.note_servers(servers)
        was_another = self._neighbours is None or self._neighbours.was_another
        if is_new and not (newer or taken_back or was_another):
            log.info("a new store: nobody has worked with it, and the broker tells of no other")
            return
        log.warning(
            "the store may have been put back: everything is said anew",
            hint="after a restart of Redis this is all; after a restore see 'Backup and restore'",
            groups=len(store.view.groups),
            taken_back=taken_back,
        )

    def _say_orders_anew(self, now_ms: int) -> None:
        """Duties and planned work that run."""
        store, region = self._store, self._store.view.name
        texts = store.duties()
        for duty in running(duties_from(texts)):
            new = duty.model_copy(update={"version": next_version(duty.version, now_ms)})
            said = _said(topics.duty_topic(region, duty.id), new.version, new.model_dump_json())
            key = self._lineage.keys.duties()
            self._lineage.say_record_anew(key, duty.id, texts[duty.id], said.payload, said, now_ms)
        texts = store.works()
        for work in [w for w in works_from(texts) if runs(w, now_ms)]:
            after = work.model_copy(update={"version": next_version(work.version, now_ms)})
            topic = topics.maintenance_topic(region, work.id)
            said = _said(topic, after.version, after.model_dump_json())
            key = self._lineage.keys.maintenance()
            self._lineage.say_record_anew(key, work.id, texts[work.id], said.payload, said, now_ms)
        store.wake_desk(now_ms)

    def _take_back(self, region: str, retained: Mapping[str, bytes], now_ms: int) -> int:
        """What the broker holds and the store does not know, as it was begun after the backup."""
        strange = self._lineage.take_back(_of_the_region(region, retained), now_ms)
        for topic in strange:
            last_word_of_unknown(self._store, topic, retained[topic], now_ms)
        return len(strange)


@contextmanager
def _answered() -> Iterator[None]:
    """Here it is no new connection that fails, but one that is there that ends."""
    try:
        yield
    except BrokerUnreachable as error:
        raise ConnectionLost(str(error)) from error


def _of_the_region(region: str, topics_: Iterable[str]) -> list[str]:
    makers = (topics.alert_topic, topics.duty_topic, topics.maintenance_topic)
    begins = tuple(make(region, "") for make in makers)
    return sorted(topic for topic in topics_ if topic.startswith(begins))


def _version(payload: bytes) -> int:
    """0 for what is none of ours."""
    try:
        return int(from_json(payload)["version"])
    except (ValueError, KeyError, TypeError):
        return 0


def _said(topic: str, version: int, text: str) -> OutMessage:
    return OutMessage(topic, str(version), text, True)
