"""Gateways of a soak: some played by a courier that loses nothing, some real agents.

What each of them says goes to the ledger too, from which an undisturbed worker makes the state that
must come out. One class of them speaks in single messages and arrays, another follows a file.
"""

import json
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from streamer.clock import SystemClock
from streamer.contract.topics import Kind, gateway_topic
from streamer.mqtt.connection import Connection, MqttError, Session
from streamer.mqtt.settings import broker_from_url
from tests.integration.rig import PORTS, OutsideGateway, Script
from tests.servers import Mosquitto
from tests.state.scene import moment

CLOCK: Final = SystemClock()
SAFE_AFTER_S: Final = 10.0
"""What the broker took over is on its disk after so long (`autosave_interval 1` in the tests);
until then a sender keeps it, as the agent does."""
BEAT_S: Final = 5.0
MOST_AT_ONCE: Final = 20

Tell = Callable[[str, bytes], None]
"""To the ledger: topic and payload."""


class Talk(Script):
    """What a gateway of a soak hears. Positions lie in few cells and each made-up identity comes
    once, so that what is learned and quarantined reaches its bounds early in an hour."""

    def __init__(self, gateway: str, seed: int) -> None:
        super().__init__(gateway, seed)
        self._strangers = 0

    def _event(self, now_ms: int) -> dict[str, Any]:
        event = super()._event(now_ms)
        if event.get("station") == "NOBODY":
            self._strangers += 1
            event["station"] = f"NOBODY{self._strangers}"
        if place := event.get("position"):
            place["lat"], place["lon"] = -46 + place["lat"] % 0.1, 20 + place["lon"] % 0.1
        return event


class Courier:
    """Brings messages to the broker, whatever becomes of it: what it did not answer, answered with
    "nobody has subscribed" or took over just before it died goes again. A thread of its own."""

    def __init__(self, url: str, name: str) -> None:
        self._settings, self._name = broker_from_url(url), name
        self._todo: deque[tuple[str, bytes, bool]] = deque()
        self._under_way: dict[int, tuple[str, bytes, bool]] = {}
        self._taken: deque[tuple[float, tuple[str, bytes, bool]]] = deque()
        self._later: list[tuple[str, bytes, bool]] = []
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def bring(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self._todo.append((topic, payload, retain))

    @property
    def waiting(self) -> int:
        return len(self._todo) + len(self._under_way) + len(self._later)

    def end(self) -> None:
        self._ending.set()
        self._thread.join(10)

    def _run(self) -> None:
        while not self._ending.is_set():
            connection = Connection(self._settings, Session(self._name, window=200), CLOCK)
            try:
                connection.open()
                self._serve(connection)
            except MqttError:
                again = [*self._under_way.values(), *self._later]
                again = [what for _, what in self._taken] + again
                self._todo.extendleft(reversed(again))
                for kept in (self._under_way, self._taken, self._later):
                    kept.clear()
                time.sleep(0.2)
            finally:
                connection.close()

    def _serve(self, connection: Connection) -> None:
        again_s = 0.0
        while not self._ending.is_set():
            now_s = time.monotonic()
            if self._later and now_s >= again_s:
                self._todo.extendleft(reversed(self._later))
                self._later.clear()
                again_s = now_s + 0.5
            while self._todo and connection.room:
                what = self._todo.popleft()
                # Noted first: what fails on the way was not answered either.
                self._under_way[-1] = what
                token = connection.publish(what[0], what[1], retain=what[2])
                self._under_way[token] = self._under_way.pop(-1)
            connection.poll(0.02)
            for answer in connection.answers():
                what = self._under_way.pop(answer.token)
                if answer.nobody_subscribed or not answer.ok:
                    self._later.append(what)
                else:
                    self._taken.append((now_s, what))
            while self._taken and now_s - self._taken[0][0] > SAFE_AFTER_S:
                self._taken.popleft()


class Played:
    """A gateway that speaks in single messages and in arrays, now this, now that."""

    def __init__(self, name: str, region: str, broker: Mosquitto, seed: int, tell: Tell) -> None:
        self.name, self._region, self._tell = name, region, tell
        self._talk, self._boot = Talk(name, seed), f"{time.time_ns():020d}"
        self._seq = self._beats = self._turn = 0
        self._next_beat_s = 0.0
        self.made: Counter[str] = Counter()
        self.garbage = 0
        self.courier = Courier(broker.url, f"soak-{name}")

    def give(self, count: int, now_ms: int) -> None:
        by_kind: dict[Kind, list[dict[str, Any]]] = {Kind.HEARD: [], Kind.ROUTE: []}
        for event in self._talk.events(count, now_ms):
            kind = Kind.ROUTE if "action" in event else Kind.HEARD
            event["repeater"] = f"{self.name}/{event['repeater']}"
            if kind is Kind.ROUTE:
                event["at"] = moment(now_ms)
            self._seq += 1
            by_kind[kind].append({**self._common(now_ms, self._seq), **event})
            self.made[tally_of(kind, event)] += 1
        self._turn += 1
        for kind, events in by_kind.items():
            size = 1 if self._turn % 2 else MOST_AT_ONCE
            for at in range(0, len(events), size):
                part = events[at : at + size]
                self._say(kind, json.dumps(part if size > 1 else part[0]).encode())
        self._beat(now_ms)

    def _common(self, now_ms: int, seq: int) -> dict[str, Any]:
        return {"v": 1, "boot": self._boot, "seq": seq, "sent_at": moment(now_ms)}

    def _say(self, kind: Kind, payload: bytes) -> None:
        topic = gateway_topic(self._region, self.name, kind)
        self._tell(topic, payload)
        self.courier.bring(topic, payload)

    def _beat(self, now_ms: int) -> None:
        """A heartbeat now and then, and with each something that is no event."""
        if time.monotonic() < self._next_beat_s:
            return
        self._next_beat_s = time.monotonic() + BEAT_S
        self._beats += 1
        state = {
            **self._common(now_ms, self._beats), "session": 1, "up": True,
            "repeaters": [{"id": f"{self.name}/{port}", "up": True} for port in PORTS],
        }  # fmt: skip
        topic = gateway_topic(self._region, self.name, Kind.STATE)
        self.courier.bring(topic, json.dumps(state).encode(), retain=True)
        self.garbage += 1
        topic = gateway_topic(self._region, self.name, Kind.HEARD)
        self.courier.bring(topic, f'{{"v": 1, "garbage": {self.garbage}'.encode())

    @property
    def idle(self) -> bool:
        return not self.courier.waiting

    def end(self) -> None:
        self.courier.end()


class Followed(OutsideGateway):
    """A real agent that follows a file, in a process of its own which can be killed."""

    grace_s = round(SAFE_AFTER_S)
    program = (str(Path(__file__).with_name("agent_process.py")),)

    def __init__(
        self, folder: Path, name: str, region: str, broker: Mosquitto, seed: int, tell: Tell
    ) -> None:
        super().__init__(folder, name, region, broker, seed)
        self._script, self._tell = Talk(name, seed), tell
        self._ledger = Ledger(self.folder / "ledger")
        self._turn = threading.Lock()  # who kills it and who reads along are two threads
        self.made: Counter[str] = Counter()
        self.overs: list[str] = []

    def _made(self, count: int, now_ms: int) -> list[dict[str, Any]]:
        events = super()._made(count, now_ms)
        for event in events:
            kind = Kind.ROUTE if "action" in event else Kind.HEARD
            if kind is Kind.ROUTE:  # else it would be the agent's own time
                event["at"] = moment(now_ms)
            self.made[tally_of(kind, event)] += 1
        return events

    def tick(self) -> None:
        """Pass on what is in the ledger for so long that its transaction has ended."""
        with self._turn:
            self._pass_on(self._ledger.settled(time.monotonic()))

    def kill(self) -> None:
        """Kill it, and leave out what it had not committed."""
        with self._turn:
            super().kill()
            recorded = list(self.recorded())
            self._pass_on(self._ledger.ended(recorded[-1] if recorded else None))

    def _pass_on(self, entries: Sequence[tuple[Kind, dict[str, Any], bytes]]) -> None:
        for kind, event, payload in entries:
            self.overs.append(event["over"])
            self._tell(gateway_topic(self.settings.region, self.name, kind), payload)

    @property
    def idle(self) -> bool:
        """Whether all that it was given is in the ledger."""
        self.tick()
        return len(self.overs) == self.given


class Ledger:
    """What an agent wrote beside its spool. `settled` and `ended` give each entry once."""

    def __init__(self, path: Path) -> None:
        self._path, self._at = path, 0
        self._held: deque[tuple[float, Kind, dict[str, Any], bytes]] = deque()

    def _read(self, now_s: float) -> None:
        if not self._path.exists():
            return
        with self._path.open("rb") as file:
            file.seek(self._at)
            text = file.read()
        whole = text.rfind(b"\n") + 1
        self._at += whole
        for line in text[:whole].splitlines():
            kind, _, payload = line.partition(b"\t")
            self._held.append((now_s, Kind(kind.decode()), json.loads(payload), payload))

    def settled(
        self, now_s: float, after_s: float = 3.0
    ) -> list[tuple[Kind, dict[str, Any], bytes]]:
        self._read(now_s)
        found = []
        while self._held and now_s - self._held[0][0] > after_s:
            found.append(self._held.popleft()[1:])
        return found

    def ended(self, last: tuple[str, int] | None) -> list[tuple[Kind, dict[str, Any], bytes]]:
        """All the rest but what lies behind the last that was committed, (boot, seq)."""
        self._read(0.0)
        kept = [
            entry[1:] for entry in self._held
            if last is None or (entry[2]["boot"], entry[2]["seq"]) <= last
        ]  # fmt: skip
        self._held.clear()
        return kept


def tally_of(kind: Kind, event: dict[str, Any]) -> str:
    """As what the state counts it."""
    if kind is Kind.ROUTE:
        return "route"
    return "quarantined" if event["station"].startswith("NOBODY") else "heard"
