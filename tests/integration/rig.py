"""Gateways under load while something is killed, and an undisturbed run of the same events."""

import contextlib
import json
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from streamer.agent.agent import Agent
from streamer.agent.config import AgentSettings, load_settings
from streamer.clock import ManualClock, SystemClock
from streamer.config import RegionView
from streamer.contract.topics import Kind, gateway_topic
from streamer.mqtt.connection import Incoming
from streamer.state.store import Store, StoreUnavailable, connect
from tests.integration.stage import Stage
from tests.servers import Mosquitto, wait_until
from tests.state.canonical import canonical
from tests.state.scene import Bench, moment

GATEWAYS = ("ridge", "lake", "mill", "pass")
PORTS = ("uhf", "vhf")
GROUPS = ("RESCUE", "NET", "TALK")
STATIONS = tuple(f"Q{a}{n}{b}AB" for a in "ABCDEF" for n in "13579" for b in "KW")
RATE_PER_S = 1000
"""Of all gateways together; how fast they are fed. What is claimed is what arrives, not this."""
STEP_S = 0.02

HOUR_S = 3600
BY_THE_CLOCK = ("#born", "#standing", "#fanout_digest", "#reach_digest", "#checkup")
"""Fields that tell when a group or gateway was first seen or looked at, or that are made from such
times."""
NO_FLOOD = {
    "flood_messages_per_s": 1_000_000, "flood_burst_messages": 10_000_000,
    "flood_mb_per_s": 1_000_000, "flood_burst_mb": 1_000_000, "stations_per_h": 1_000_000,
    "refusals_told_at_once": 10_000_000,
}  # fmt: skip
"""Each gateway says as much as all of a region would."""
REGION: dict[str, Any] = {
    "partitions": 3,
    # Nothing here comes about by the clock while a test lasts, so that two runs can be compared.
    "policy": {
        "overdue_after_s": HOUR_S, "out_of_reach_after_s": HOUR_S, "expire_after_s": 2 * HOUR_S,
        "linger_s": 0, "starved_after_s": HOUR_S,
    },
    "limits": {"gateway_lost_after_s": HOUR_S, "events_lost_after_s": HOUR_S,
               "roster_refresh_s": 0.2, **NO_FLOOD},
    "group": [{"name": name} for name in GROUPS],
    "gateway": [{"id": g, "repeater": [{"id": p} for p in PORTS]} for g in GATEWAYS],
}  # fmt: skip


class Script:
    """What one gateway hears, from a seed: field teams that move, talk, check in and out."""

    def __init__(self, gateway: str, seed: int) -> None:
        self._gateway = gateway
        self._random = random.Random(f"{gateway} {seed}")
        self._number = 0

    def events(self, count: int, now_ms: int) -> list[dict[str, Any]]:
        return [self._event(now_ms) for _ in range(count)]

    def _event(self, now_ms: int) -> dict[str, Any]:
        r = self._random
        self._number += 1
        over = f"{self._gateway}-{self._number}"
        port = r.choice(PORTS)
        if r.random() < 0.2:
            action = r.choice(("carrying", "released", "sent"))
            return {"repeater": port, "group": r.choice(GROUPS), "action": action, "over": over}
        duration_s = r.choice((0.5, 1.0, 1.5))
        event: dict[str, Any] = {
            "repeater": port,
            "station": r.choice(STATIONS) if r.random() < 0.99 else "NOBODY",
            "to": r.choice((*GROUPS, *GROUPS, "QZ9ZZZ", None)),
            "over": over,
            "phase": "end",
            # A moment in the last two seconds, so that gateways overtake each other.
            "started_at": moment(now_ms - r.randrange(2000) - round(duration_s * 1000)),
            "duration_s": duration_s,
            "rssi_dbm": -float(r.randrange(60, 120)),
        }
        if r.random() < 0.05:
            event["text"] = "out"
        if r.random() < 0.1:
            event["position"] = {"lat": -46.5 + r.random(), "lon": 20.0 + r.random()}
        return event


class Gateway:
    """An agent with its spool. Nothing leaves the spool while a test lasts: it is the evidence."""

    grace_s = 3600

    def __init__(self, folder: Path, name: str, region: str, broker: Mosquitto, seed: int) -> None:
        self.name = name
        self.folder = folder / name
        self.folder.mkdir()
        self.given = 0
        self._script = Script(name, seed)
        self.file = self.folder / "agent.toml"
        self.feed = self.folder / "radio.log"
        self.file.write_text(
            f'region = "{region}"\ngateway = "{name}"\nrate_mps = 5000\nheartbeat_s = 2\n'
            f"[broker]\nport = {broker.port}\nkeepalive_s = 5\n"
            f"[spool]\npath = {json.dumps(str(self.spool))}\ngrace_s = {self.grace_s}\n"
            + "".join(f'[[repeater]]\nid = "{port}"\n' for port in PORTS)
        )

    @property
    def spool(self) -> Path:
        return self.folder / "spool.db"

    @property
    def settings(self) -> AgentSettings:
        return load_settings(self.file)

    def give(self, count: int, now_ms: int) -> None:
        raise NotImplementedError

    def start(self) -> None:
        raise NotImplementedError

    def end(self) -> None:
        raise NotImplementedError

    def _made(self, count: int, now_ms: int) -> list[dict[str, Any]]:
        self.given += count
        return self._script.events(count, now_ms)

    def recorded(self) -> dict[tuple[str, int], Incoming]:
        """Every event of the spool by (boot, seq), in order. Read from a copy: the agent has locked
        the file. To be called while nothing is written."""
        with tempfile.TemporaryDirectory() as copies:
            for path in self.folder.glob("spool.db*"):
                if not path.name.endswith("-shm"):
                    shutil.copy(path, copies)
            with contextlib.closing(sqlite3.connect(Path(copies) / "spool.db")) as db:
                rows = db.execute("SELECT kind, payload FROM event ORDER BY id").fetchall()
        found = {}
        for kind, payload in rows:
            event = json.loads(payload)
            topic = gateway_topic(self.settings.region, self.name, Kind(kind))
            found[event["boot"], event["seq"]] = Incoming(topic, bytes(payload), 1, False, 0)
        return found


class InsideGateway(Gateway):
    """The agent in this process, fed by calls."""

    def start(self) -> None:
        self.agent = Agent(self.settings, SystemClock())
        self.agent.start()

    def give(self, count: int, now_ms: int) -> None:
        self.agent.submit_many(self._made(count, now_ms))

    def end(self) -> None:
        self.agent.stop(abrupt=True)


class OutsideGateway(Gateway):
    """The agent in a process of its own, which follows a file and can be killed."""

    program: Sequence[str] = ("-m", "streamer.agent")

    def start(self) -> None:
        if not self.feed.exists():
            self.feed.touch()
            with self.file.open("a") as file:
                file.write(
                    f'[[source]]\ntype = "file"\nstart = "begin"\nformat = "json"\n'
                    f"path = {json.dumps(str(self.feed))}\n"
                )
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, *self.program, str(self.file)],
                stdin=subprocess.DEVNULL, stderr=log, cwd=self.folder,
            )  # fmt: skip

    launch = start

    def answers(self) -> bool:
        """It is not asked anything."""
        return True

    def give(self, count: int, now_ms: int) -> None:
        lines = "".join(json.dumps(event) + "\n" for event in self._made(count, now_ms))
        with self.feed.open("a") as file:
            file.write(lines)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def end(self) -> None:
        self.kill()


class Rig:
    """Everything that one kind of round needs. The undisturbed run lives in another Redis database,
    or in the Redis `apart`."""

    def __init__(self, stage: Stage, gateways: Sequence[Gateway], apart: str | None) -> None:
        self.stage = stage
        self.gateways = gateways
        self.view: RegionView = stage.view
        self._replayed: set[tuple[str, str, int]] = set()
        other = apart or f"{stage.redis.url}?db=1"
        self._bench = Bench(self.view, other, ManualClock(SystemClock().now_ms()))
        self._other: Any = connect(other)
        self._steady = self._bench.worker()
        self._steady.store.prepare(self._bench.clock.now_ms())
        self._steady.settle()

    def start(self) -> None:
        for gateway in self.gateways:
            gateway.start()
        wait_until(
            lambda: len(self.store.live()[0]) == len(GATEWAYS), "a heartbeat of every gateway", 30
        )

    @property
    def store(self) -> Store:
        return self.stage.store

    @property
    def inside(self) -> list[Agent]:
        return [gateway.agent for gateway in self.gateways if isinstance(gateway, InsideGateway)]

    def load(
        self, seconds: float, at_s: float = 0.0, what: Callable[[], None] | None = None
    ) -> None:
        """Feed the gateways for so long, and meanwhile do `what`, so long after the begin."""
        clock = SystemClock()
        begin_s = clock.monotonic_s()
        failures: list[BaseException] = []
        doing = threading.Thread(target=_at, args=(begin_s + at_s, what, failures))
        doing.start()
        each, steps = round(RATE_PER_S * STEP_S / len(self.gateways)), round(seconds / STEP_S)
        for step in range(1, steps + 1):
            for gateway in self.gateways:
                gateway.give(each, clock.now_ms())
            clock.sleep_s(max(0.0, begin_s + step * STEP_S - clock.monotonic_s()))
        doing.join(60)
        assert not doing.is_alive()
        assert not failures, failures

    # -- judging -----------------------------------------------------------------------------

    def judge(self) -> int:
        """Wait until all is counted, then compare with the undisturbed run; how many events."""
        wait_until(self._all_counted, "every event to be counted", 60)
        recorded = {g.name: g.recorded() for g in self.gateways}
        for gateway in self.gateways:
            snapshot = self.store.gateway(gateway.name)
            events = recorded[gateway.name]
            assert len(events) == gateway.given
            counted = {t: n for t, n in snapshot.counts.items() if t != "duplicate"}
            assert sum(counted.values()) == len(events), (gateway.name, snapshot.counts)
            assert set(counted) <= {"heard", "route", "quarantined"}, (gateway.name, counted)
            assert snapshot.missing == 0, snapshot.ranges
            assert _numbers(snapshot.ranges) == set(events), gateway.name
        self._replay(recorded)
        seen: list[Any] = [None, None]

        def same() -> bool:
            ours = without_clock(self.stage.client, self.view.name)
            seen[:] = ours, self._state_of_the_undisturbed()
            return bool(seen[0] == seen[1])

        with contextlib.suppress(pytest.fail.Exception):
            wait_until(same, "the same state", 20)
        _assert_same(seen[0], seen[1])
        wait_until(self.told, "the broker to hold the newest messages", 20)
        return sum(map(len, recorded.values()))

    def _all_counted(self) -> bool:
        try:
            return all(self.stage.counted(g.name) >= g.given for g in self.gateways) and not any(
                self.store.gateway(g.name).missing for g in self.gateways
            )
        except StoreUnavailable:  # another is just taking over
            return False

    def _replay(self, recorded: dict[str, dict[tuple[str, int], Incoming]]) -> None:
        """What came new, gateway by gateway in order, through a worker that nobody disturbs."""
        self._bench.clock.advance_s((SystemClock().now_ms() - self._bench.clock.now_ms()) / 1000)
        for name, events in recorded.items():
            new = [m for key, m in events.items() if (name, *key) not in self._replayed]
            self._replayed |= {(name, *key) for key in events}
            for at in range(0, len(new), 500):
                self._steady.run(new[at : at + 500])

    def _state_of_the_undisturbed(self) -> dict[str, Any]:
        # How gateways stand is by the clock: both are judged by the same heartbeats.
        for partition in self.store.partitions:
            key = self.store.keys.live(partition)
            states = self.stage.client.hgetall(key)
            if states:
                self._other.hset(key, mapping=dict(states))
        now_ms = SystemClock().now_ms()
        self._bench.clock.advance_s((now_ms - self._bench.clock.now_ms()) / 1000)
        self._steady.store.wake([f"g/{name}" for name in GROUPS], now_ms)
        self._steady.settle()
        return without_clock(self._other, self.view.name)

    def told(self) -> bool:
        """Whether the broker retains just what Redis says was published last."""
        wanted = {}
        for partition in [*self.store.partitions, "alerts"]:
            for name, content in self.stage.client.hgetall(
                self.store.keys.published(partition)
            ).items():
                if _stands(name):
                    wanted[name] = content.split("\n", 1)[1]
        reader = self.stage.peer("retained", f"net/{self.view.name}/#")
        try:
            with contextlib.suppress(pytest.fail.Exception):
                wait_until(lambda: set(wanted) <= set(reader.by_topic), "them", 2)
            found = {
                topic: said[-1].decode() for topic, said in list(reader.by_topic.items())
                if _stands(topic)
            }  # fmt: skip
        finally:
            reader.close()
        return found == wanted

    def close(self) -> None:
        for gateway in self.gateways:
            gateway.end()
        self._other.close()


def without_clock(client: Any, region: str) -> dict[str, Any]:
    """The canonical state without what is bound to the clock."""
    kept = {}
    for key, content in canonical(client, region).items():
        kind = key.split("}:", 1)[1].split(":")[0]
        if kind in ("due", "live", "meta", "out"):
            continue
        kept[key] = content
        if isinstance(content, dict):
            kept[key] = {k: v for k, v in content.items() if k not in BY_THE_CLOCK}
    return kept


def _stands(topic: str) -> bool:
    """Whether it holds until something happens; a beat comes by the clock."""
    return topic.split("/")[2] in ("fanout", "reach", "alert")


def _at(monotonic_s: float, what: Callable[[], None] | None, failures: list[BaseException]) -> None:
    if what is not None:
        time.sleep(max(0.0, monotonic_s - time.monotonic()))
        try:
            what()
        except BaseException as error:
            failures.append(error)


def _numbers(ranges: dict[str, tuple[tuple[int, int], ...]]) -> set[tuple[str, int]]:
    return {
        (boot, n)
        for boot, spans in ranges.items()
        for first, last in spans
        for n in range(first, last + 1)
    }


def _assert_same(ours: Any, theirs: Any) -> None:
    """Key by key, so that a failure shows the difference and not two whole states."""
    assert set(ours) == set(theirs), set(ours) ^ set(theirs)
    for key in ours:
        if isinstance(ours[key], dict):
            for name in {*ours[key], *theirs[key]}:
                assert ours[key].get(name) == theirs[key].get(name), (key, name)
        assert ours[key] == theirs[key], key


@contextlib.contextmanager
def rig(
    stage: Stage, folder: Path, *, outside: bool, seed: int, apart: str | None = None
) -> Iterator[Rig]:
    """Gateways in service in front of a stage."""
    make = OutsideGateway if outside else InsideGateway
    gateways = [make(folder, name, stage.region, stage.broker, seed) for name in GATEWAYS]
    made = Rig(stage, gateways, apart)
    try:
        made.start()
        yield made
    finally:
        made.close()
