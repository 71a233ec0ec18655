"""A small invented region and what gateways may say in it, for tests of the state."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import redis

from streamer.alerts.desk import Desk
from streamer.clock import ManualClock, from_ms
from streamer.config import Region, RegionView
from streamer.contract.topics import Kind, gateway_topic
from streamer.mqtt.connection import Incoming
from streamer.redis_settings import RedisAddress
from streamer.state.shapes import OutMessage
from streamer.state.store import Store, connect
from streamer.worker.batch import Batch
from streamer.worker.deriver import Deriver, ToSend
from streamer.worker.intake import Intake
from streamer.worker.metrics import Metrics
from streamer.worker.region_orders import RegionOrders
from streamer.worker.watch import Watch

START_MS = 1_800_000_000_000
GATEWAYS = ("ridge", "lake", "mill")
PORTS = ("uhf", "vhf")
REPEATERS = tuple(f"{g}/{p}" for g in GATEWAYS for p in PORTS)
STATIONS = ("QA1ABC", "QB2DEF", "QC3GHI", "QD4JKL")
GROUPS = ("RESCUE", "NET", "TALK")


def region(**changes: Any) -> RegionView:
    """The region, with settings that make things happen within minutes."""
    content = {
        "region": "scene",
        "extra_prefixes": ["Q"],
        "partitions": 3,
        "policy": {
            "overdue_after_s": 60,
            "out_of_reach_after_s": 120,
            "expire_after_s": 240,
            "linger_s": 30,
            "starved_after_s": 5,
            "late_after_s": 3600,
        },
        "limits": {"gateway_lost_after_s": 90, "events_lost_after_s": 5},
        "gateway": [
            {
                "id": g,
                "repeater": [
                    {"id": p, "lat": -46.0 - i, "lon": 20.0, "range_km": 30} for p in PORTS
                ],
            }
            for i, g in enumerate(GATEWAYS)
        ],
        "group": [
            {"name": "RESCUE", "pins": ["mill/vhf"]},
            {"name": "NET", "bars": ["lake/vhf"], "policy": {"linger_s": 10}},
            {"name": "TALK"},
        ],
        **changes,
    }
    return RegionView(Region.model_validate(json.loads(json.dumps(content)), strict=False))


def message(gateway: str, kind: Kind, content: Any, region_name: str = "scene") -> Incoming:
    payload = content if isinstance(content, bytes) else json.dumps(content).encode()
    return Incoming(gateway_topic(region_name, gateway, kind), payload, 1, False, 0)


def moment(ms: int) -> str:
    return from_ms(ms).isoformat().replace("+00:00", "Z")


@dataclass
class Teller:
    """Numbers what one gateway says, as its agent would."""

    gateway: str
    boot: str = "0190000000000001"
    seq: int = 0
    beats: int = 0

    def _common(self, ms: int) -> dict[str, Any]:
        self.seq += 1
        return {"v": 1, "boot": self.boot, "seq": self.seq, "sent_at": moment(ms)}

    def heard(self, ms: int, station: str, over: str, port: str = "uhf", **more: Any) -> Incoming:
        content = {
            **self._common(ms),
            "repeater": f"{self.gateway}/{port}",
            "station": station,
            "over": over,
            "phase": "start",
            "started_at": moment(ms),
            **more,
        }
        return message(self.gateway, Kind.HEARD, content)

    def route(self, ms: int, group: str, action: str, port: str = "uhf", **more: Any) -> Incoming:
        content = {
            **self._common(ms),
            "repeater": f"{self.gateway}/{port}",
            "group": group,
            "action": action,
            "at": moment(ms),
            **more,
        }
        return message(self.gateway, Kind.ROUTE, content)

    def state(self, ms: int, *, up: bool = True, session: int = 0, **more: Any) -> Incoming:
        self.beats += 1
        content = {
            "v": 1,
            "boot": self.boot,
            "session": session,
            "seq": self.beats,
            "sent_at": moment(ms),
            "up": up,
            **more,
        }
        return message(self.gateway, Kind.STATE, content)


@dataclass
class Bench:
    """Workers without a broker: what they publish is kept as a broker would keep it."""

    view: RegionView
    url: str | RedisAddress
    clock: ManualClock = field(default_factory=lambda: ManualClock(START_MS))
    retained: dict[str, str] = field(default_factory=dict)
    passing: list[tuple[str, str]] = field(default_factory=list)

    @cached_property
    def client(self) -> "redis.Redis":
        """One for all its workers: finding out about a cluster takes a while."""
        return connect(self.url)

    def worker(self) -> "BenchWorker":
        return BenchWorker(self)

    def publish(self, message: OutMessage) -> None:
        if not message.retain:
            self.passing.append((message.topic, message.payload))
        elif message.payload:
            self.retained[message.topic] = message.payload
        else:
            self.retained.pop(message.topic, None)


class BenchWorker:
    """The worker's steps, one by one, so that a test can cut in between."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.store = Store(bench.client, bench.view)
        self.intake = Intake(bench.view)
        self.orders = RegionOrders(self.store)
        self.deriver = Deriver(self.store, bench.clock, Watch(Metrics()), self.orders)
        self.desk = Desk(self.store, at_once=True)
        self.refusals: list[Any] = []

    def steps(self, messages: Sequence[Incoming]) -> Iterator[str]:
        """Merge messages and publish what follows; yields after each step."""
        now_ms = self.bench.clock.now_ms()
        batch = Batch()
        for m in messages:
            self.intake.take(m, now_ms, batch)
        self.refusals += batch.refusals
        if batch.gateways:
            self.store.apply_gateways(batch.gateways, now_ms)
        yield "counted"
        tells = self.store.apply_stations(batch.keyings, now_ms) if batch.keyings else []
        yield "stations"
        if tells or batch.routes:
            self.store.apply_groups(tells, batch.routes, now_ms)
        yield "groups"
        yield from self.derive()

    def derive(self) -> Iterator[str]:
        for partition in self.store.partitions:
            claims = self.store.claim_due(partition, self.bench.clock.now_ms())
            yield "claimed"
            sending = self.deriver.look(claims)
            yield "committed"
            yield from self.send(sending)

    def send(self, sending: Sequence[ToSend]) -> Iterator[str]:
        for item in sending:
            self.bench.publish(item.message)
            yield "sent"
            self.store.confirm(item.partition, [item.message], self.bench.clock.now_ms())
            yield "confirmed"

    def sweep(self) -> int:
        """What any worker does by the clock; returns how much there was to do."""
        now_ms, done = self.bench.clock.now_ms(), 0
        if self.orders.refresh(now_ms):
            self.intake.rules = self.orders.rules
        untold = self.store.untold_stations(now_ms - 3000)
        if untold:
            tells = self.store.apply_stations({name: [] for name in untold}, now_ms)
            self.store.apply_groups(tells, [], now_ms)
        for partition in [*self.store.partitions, "alerts"]:
            if isinstance(partition, int):
                claims = self.store.claim_due(partition, now_ms)
                done += len(claims)
                for _ in self.send(self.deriver.look(claims)):
                    pass
            claimed = self.store.claim_out(partition, now_ms, 100)
            done += len(claimed)
            for _ in self.send([ToSend(partition, m) for m in claimed]):
                pass
        told = self.desk.turn(now_ms)
        for _ in self.send([ToSend("alerts", m) for m in told]):
            pass
        self.store.settle_told(now_ms)
        return done + len(told)

    def run(self, messages: Sequence[Incoming]) -> None:
        for _ in self.steps(messages):
            pass

    def settle(self) -> None:
        while self.sweep():
            pass
