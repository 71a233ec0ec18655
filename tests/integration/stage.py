"""A broker, a Redis and real workers, with what gateways say going in and what is published seen.

Gateways are played by the standard client library, so that nothing of ours stands between the
test and the broker.
"""

import json
import threading
from collections import defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Protocol

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from streamer.clock import SystemClock
from streamer.config import RegionView, load_region
from streamer.contract.topics import Kind, gateway_topic
from streamer.mqtt.connection import Incoming
from streamer.state.store import Store, connect
from tests.servers import Mosquitto, WorkerProcess, wait_until
from tests.state.scene import Teller

Places = dict[str, tuple[str, ...]]
"""Repeater -> why it is wanted."""
EVERYTHING = ("#",)
OF_WORKERS = ("fanout/+", "reach/+", "alert/+", "reply/+", "refused")
"""What workers say about what gateways say."""


def toml(content: dict[str, Any]) -> str:
    """A region file's text; tables and lists of tables as TOML writes them."""
    plain = {k: v for k, v in content.items() if not _is_table(v)}
    lines = [f"{key} = {json.dumps(value)}" for key, value in plain.items()]
    for key, value in content.items():
        if isinstance(value, dict):
            lines += [f"[{key}]", *(f"{k} = {json.dumps(v)}" for k, v in value.items())]
        elif _is_table(value):
            for table in value:
                lines += [f"[[{key}]]", *_fields(table)]
                lines += [
                    line
                    for repeater in table.get("repeater", ())
                    for line in [f"[[{key}.repeater]]", *_fields(repeater)]
                ]
    return "\n".join(lines) + "\n"


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and isinstance(value[0], dict)
    )


def _fields(table: dict[str, Any]) -> list[str]:
    lines = []
    for key, value in table.items():
        if isinstance(value, dict):
            inner = ", ".join(f"{k} = {json.dumps(v)}" for k, v in value.items())
            lines.append(f"{key} = {{ {inner} }}")
        elif not _is_table(value):
            lines.append(f"{key} = {json.dumps(value)}")
    return lines


class Peer:
    """One connection of the standard client: says things and keeps what it reads."""

    def __init__(
        self,
        port: int,
        name: str,
        filters: Sequence[str] = (),
        *,
        will: tuple[str, bytes] | None = None,
        login: tuple[str, str] | None = None,
    ) -> None:
        self.messages: list[tuple[str, bytes]] = []
        self.by_topic: dict[str, list[bytes]] = defaultdict(list)
        self._unanswered: set[int] = set()
        self._answered: set[int] = set()
        self._granted = threading.Event()
        self._client = client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=paho.MQTTv5,
            reconnect_on_failure=False,
        )
        client.max_inflight_messages_set(100)
        client.max_queued_messages_set(0)
        client.on_message = self._keep
        client.on_publish = lambda _c, _u, mid, *_: self._answered.add(mid)
        client.on_subscribe = lambda *_: self._granted.set()
        if will is not None:
            client.will_set(*will, qos=1, retain=True)
        if login is not None:
            client.username_pw_set(*login)
        client.connect("127.0.0.1", port)
        client.loop_start()
        wait_until(client.is_connected, f"{name} to be connected")
        if filters:
            client.subscribe([(one, 1) for one in filters])
            assert self._granted.wait(10)

    def _keep(self, _client: Any, _user: Any, message: paho.MQTTMessage) -> None:
        topic, payload = message.topic, bytes(message.payload)
        self.by_topic[topic].append(payload)
        self.messages.append((topic, payload))

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self._unanswered.add(self._client.publish(topic, payload, qos=1, retain=retain).mid)

    def wait(self, seconds: float = 20.0) -> None:
        """Until the broker has answered all that was published."""
        wait_until(lambda: self._unanswered <= self._answered, "the broker to take it", seconds)

    @property
    def unanswered(self) -> int:
        return len(self._unanswered) - len(self._answered)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def vanish(self) -> None:
        """As when the power goes: the connection ends without a word."""
        sock = self._client.socket()
        assert sock is not None
        self._client.on_disconnect = None
        self._client.loop_stop()
        sock.close()


class Addressed(Protocol):
    """A Redis, or several that are reached by one address."""

    @property
    def url(self) -> str: ...


class Stage:
    """One region in service. Its name is its own, so stages share a Redis. What is published is
    seen below the levels `seen`; without `gw/` where so much is said that reading it takes long."""

    def __init__(
        self,
        folder: Path,
        broker: Mosquitto,
        store: Addressed,
        /,
        seen: Sequence[str] = EVERYTHING,
        **region: Any,
    ) -> None:
        self.folder = folder
        self.broker = broker
        self.redis = store
        self.clock = SystemClock()
        self.file = folder / "region.toml"
        self.content = region
        self.view = self.write(region)
        self.region = self.view.name
        self.workers: list[WorkerProcess] = []
        self._peers: list[Peer] = []
        self._said: Peer | None = None
        self.reader = self.peer("reader", *(f"net/{self.region}/{level}" for level in seen))
        self.client: Any = connect(
            self.view.redis_address(store.url)
        )  # its types leave open if it answers in bytes
        self.store = Store(self.client, self.view)

    # -- making ------------------------------------------------------------------------------

    def write(self, content: dict[str, Any]) -> RegionView:
        self.file.write_text(toml(content))
        return load_region(self.file)

    def worker(self, name: str = "worker-1") -> WorkerProcess:
        """A worker in service."""
        worker = self.unstarted_worker(name)
        worker.start()
        return worker

    def unstarted_worker(
        self, name: str, *more: str, store: str | None = None, broker_of_file: bool = False
    ) -> WorkerProcess:
        worker = WorkerProcess(
            self.file,
            f"{self.region}-{name}",
            None if broker_of_file else self.broker.url,
            store or self.redis.url,
            *more,
        )
        self.workers.append(worker)
        return worker

    def peer(self, name: str, *filters: str, will: tuple[str, bytes] | None = None) -> Peer:
        peer = Peer(self.broker.port, f"{self.region}-{name}", filters, will=will)
        self._peers.append(peer)
        return peer

    def close(self) -> None:
        for worker in self.workers:
            worker.close()
        for peer in self._peers:
            peer.close()
        self.client.close()

    # -- saying ------------------------------------------------------------------------------

    @property
    def now_ms(self) -> int:
        return self.clock.now_ms()

    def say(self, *messages: Incoming) -> None:
        """Publish what gateways say, in this region."""
        if self._said is None:
            self._said = self.peer("gateways")
        for message in messages:
            _, _, _, gateway, kind = message.topic.split("/")
            topic = gateway_topic(self.region, gateway, Kind(kind))
            self._said.publish(topic, message.payload, retain=kind == Kind.STATE)

    def publish(self, topic: str, payload: bytes) -> None:
        if self._said is None:
            self._said = self.peer("gateways")
        self._said.publish(topic, payload)

    @property
    def unanswered(self) -> int:
        """Messages that the broker has not taken over yet."""
        return self._said.unanswered if self._said is not None else 0

    def taken(self, seconds: float = 30.0) -> None:
        """Until the broker has taken over all that was said."""
        if self._said is not None:
            self._said.wait(seconds)

    # -- seeing ------------------------------------------------------------------------------

    def _newest(self, topic: str) -> Any:
        said = self.reader.by_topic[topic]
        return json.loads(said[-1]) if said and said[-1] else None

    def all(self, topic: str) -> list[Any]:
        """Everything that was ever published there."""
        return [json.loads(payload) for payload in list(self.reader.by_topic[topic])]

    def all_said(self, topic: str) -> list[Any]:
        """The same without the taking back of what was retained."""
        return [json.loads(payload) for payload in list(self.reader.by_topic[topic]) if payload]

    def fanout(self, group: str) -> Any:
        return self._newest(f"net/{self.region}/fanout/{group}") or {}

    def reach(self, group: str) -> Any:
        return self._newest(f"net/{self.region}/reach/{group}") or {}

    def wanted(self, group: str) -> Places:
        """Where a group should be carried now, and why."""
        return {r["repeater"]: tuple(r["why"]) for r in self.fanout(group).get("repeaters", ())}

    def standings(self, group: str) -> dict[str, str]:
        return {m["station"]: m["standing"] for m in self.reach(group).get("members", ())}

    def places(self, group: str) -> dict[str, str]:
        return {m["station"]: m["repeater"] for m in self.reach(group).get("members", ())}

    def replies(self, gateway: str) -> list[Any]:
        """Acknowledgements for the air, without the answers to heartbeats."""
        said = self.all(f"net/{self.region}/reply/{gateway}")
        return [reply for reply in said if reply["kind"] == "ack"]

    def times(self, gateway: str) -> list[Any]:
        said = self.all(f"net/{self.region}/reply/{gateway}")
        return [reply for reply in said if reply["kind"] == "time"]

    def alerts(self) -> dict[str, Any]:
        """Retained alerts by id, as a reader of the topics knows them."""
        known: dict[str, Any] = {}
        for topic, payload in list(self.reader.messages):
            _, _, what, *rest = topic.split("/")
            if what == "alert":
                if not payload:
                    known.pop(rest[0], None)
                elif (alert := json.loads(payload))["state"] != "cleared":
                    known[rest[0]] = alert
        return known

    def ever(self, kind: str) -> set[str]:
        """The ids of all alerts that were ever told as of a kind."""
        told = [
            json.loads(payload)
            for topic, payload in list(self.reader.messages)
            if topic.startswith(f"net/{self.region}/alert/") and payload
        ]
        return {alert["id"] for alert in told if alert["kind"] == kind}

    def refused(self) -> list[Any]:
        return self.all(f"net/{self.region}/refused")

    @property
    def refused_count(self) -> int:
        return len(self.reader.by_topic[f"net/{self.region}/refused"])

    def refused_at_least(self, count: int) -> bool:
        return self.refused_count >= count

    def counted(self, gateway: str) -> int:
        """Events that count, by (boot, seq)."""
        counts = self.store.gateway(gateway).counts
        return sum(n for tally, n in counts.items() if tally != "duplicate")

    def expect(self, check: Callable[[], object], value: object, what: str) -> None:
        """Poll until `check()` gives `value`; fails showing what it gave instead."""
        seen: list[object] = [None]

        def same() -> bool:
            seen[0] = check()
            return seen[0] == value

        try:
            wait_until(same, what)
        except pytest.fail.Exception:
            logs = "\n".join(worker.log()[-1500:] for worker in self.workers)
            pytest.fail(f"{what}: expected {value!r}, but it is {seen[0]!r}\n{logs}")

    def quiet(self, workers: int = 1) -> None:
        """Until a worker has taken in everything dealt to it so far, seen by what is said last.

        So many marks are made as there are workers: the broker deals in turn, also to the absent.
        """
        before = self.refused_count
        self.taken()
        for number in range(workers):
            marker = Teller("marker", boot=f"{self.now_ms:020d}")
            self.say(marker.heard(self.now_ms, "QZ9ZZZ", f"marker-{number}"))
        wait_until(lambda: self.refused_count > before, "the mark to be refused")
