"""The gateways of a rig, played by hand over a plain MQTT client.

A thread of its own sends what goes on by itself: heartbeats, the keying of members who keep in
touch, and what the repeaters carry, which follows the published fan-outs as a region's network
does. A test says what happens: who keys where, who falls silent, which repeater refuses.
"""

import contextlib
import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from streamer.clock import SystemClock
from streamer.config import RegionView
from streamer.contract.topics import Kind, gateway_topic
from streamer.demo.land import Place, to_degrees
from streamer.mqtt.connection import Incoming
from tests.board.rig import Rig
from tests.integration.stage import Peer
from tests.state.scene import Teller, moment

TURN_S: Final = 0.2
BEAT_S: Final = 1.0
KEYING_S: Final = 1.2
"""How often a member who keeps in touch keys: well within the policy's overdue_after_s."""
OVER_S: Final = 0.6


@dataclass
class Keeper:
    """A member who keys again and again."""

    station: str
    repeater: str
    group: str | None
    place: Place | None
    rssi_dbm: float
    next_ms: int


class Gateways:
    """Every gateway of the region. All methods may be called from the test's thread."""

    def __init__(self, rig: Rig) -> None:
        self.view: RegionView = rig.view
        self.clock = SystemClock()
        boot = f"{self.clock.now_ms():020d}"
        self._tellers = {name: Teller(name, boot) for name in rig.view.gateways}
        self._lost: set[str] = set()
        self._off: dict[str, int] = {}
        """Repeaters that are off, and since when."""
        self._refusing: set[str] = set()
        self._keepers: dict[str, Keeper] = {}
        self._carrying: set[tuple[str, str]] = set()
        self._overs = 0
        self._next_beat_ms = 0
        self._lock = threading.RLock()
        self._stop = threading.Event()
        fanouts = f"net/{rig.view.name}/fanout/+"
        self._peer = Peer(rig.broker.port, "gateways", [fanouts])
        self._thread = threading.Thread(target=self._run, name="gateways")

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(10)
        self._peer.close()

    # -- what a test says ------------------------------------------------------------------------

    def key(
        self,
        station: str,
        repeater: str,
        group: str | None,
        place: Place | None = None,
        *,
        ago_s: float = 0.0,
        **more: Any,
    ) -> str:
        """One over that ended `ago_s` ago; its id. `more` are fields of the event."""
        with self._lock:
            self._overs += 1
            over = f"{self._tellers[repeater.split('/', maxsplit=1)[0]].boot[-6:]}-{self._overs}"
            ended_ms = self.clock.now_ms() - round(ago_s * 1000)
            started_ms = ended_ms - round(OVER_S * 1000)
            event = {"to": group, "phase": "end", "duration_s": OVER_S, "ber_pct": 0.4,
                     "sent_at": moment(ended_ms), **more}  # fmt: skip
            event.setdefault("rssi_dbm", -90.0)
            if place is not None:
                lat, lon = to_degrees(place)
                event["position"] = {"lat": round(lat, 5), "lon": round(lon, 5)}
            gateway, port = repeater.split("/")
            self._say(self._tellers[gateway].heard(started_ms, station, over, port, **event))
            return over

    def keep(
        self,
        station: str,
        repeater: str,
        group: str | None,
        place: Place | None = None,
        rssi_dbm: float = -90.0,
    ) -> None:
        """The station keys there now and from now on; moves it, if it did so elsewhere."""
        with self._lock:
            keeper = Keeper(station, repeater, group, place, rssi_dbm, 0)
            self._keepers[station] = keeper
            self._keying(keeper)

    def silence(self, station: str) -> None:
        """It keys no more."""
        with self._lock:
            self._keepers.pop(station, None)

    def refuse(self, repeater: str, *, refusing: bool = True) -> None:
        """It does not begin to carry anything, and ceases what it carries."""
        with self._lock:
            (self._refusing.add if refusing else self._refusing.discard)(repeater)

    def set_repeater(self, repeater: str, *, up: bool) -> None:
        """It goes off, or comes back, and its gateway says so with the next heartbeat."""
        with self._lock:
            if up:
                self._off.pop(repeater, None)
            else:
                self._off.setdefault(repeater, self.clock.now_ms())

    def lose(self, gateway: str) -> None:
        """It dies: the broker says it by the gateway's will, and nothing comes from it."""
        with self._lock:
            self._lost.add(gateway)
            self._carrying = {c for c in self._carrying if not c[1].startswith(f"{gateway}/")}
            will = {"v": 1, "boot": self._tellers[gateway].boot, "session": 0, "up": False}
            will["sent_at"] = moment(self.clock.now_ms())
            self._publish(gateway, Kind.STATE, json.dumps(will).encode())

    def revive(self, gateway: str) -> None:
        """It comes back, with another boot."""
        with self._lock:
            self._lost.discard(gateway)
            self._tellers[gateway] = Teller(gateway, f"{self.clock.now_ms():020d}")
            self._next_beat_ms = 0

    def carry(self, group: str, repeater: str) -> None:
        """It says that it carries the group though nobody asked."""
        with self._lock:
            self._route(group, repeater, "carrying")

    def carries(self, group: str, repeater: str) -> bool:
        """Whether it last said so."""
        with self._lock:
            return (group, repeater) in self._carrying

    def sent(self, group: str, repeater: str, over: str, from_gateway: str) -> None:
        """It says that it sent an over of the group out."""
        with self._lock:
            self._route(group, repeater, "sent", over=over, from_gateway=from_gateway)

    def say(self, gateway: str, kind: Kind, payload: bytes) -> None:
        """Anything, also what no agent would send."""
        with self._lock:
            self._publish(gateway, kind, payload)

    # -- what goes on by itself ------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stop.wait(TURN_S):
            with self._lock:
                now_ms = self.clock.now_ms()
                if now_ms >= self._next_beat_ms:
                    self._next_beat_ms = now_ms + round(BEAT_S * 1000)
                    self._beat(now_ms)
                for keeper in self._keepers.values():
                    if now_ms >= keeper.next_ms:
                        self._keying(keeper)
                self._follow()

    def _beat(self, now_ms: int) -> None:
        for name, teller in self._tellers.items():
            if name not in self._lost:
                ports = [f"{name}/{port.id}" for port in self.view.gateways[name].repeater]
                told = [self._told(port) for port in ports]
                # Its clock is measured, as agents do.
                more: dict[str, Any] = {"software": "by hand", "spooled": 0, "clock_offset_s": 0.01}
                self._say(teller.state(now_ms, repeaters=told, **more))

    def _told(self, repeater: str) -> dict[str, Any]:
        since_ms = self._off.get(repeater)
        changed = {"changed_at": moment(since_ms)} if since_ms is not None else {}
        return {"id": repeater, "up": since_ms is None, **changed}

    def _keying(self, keeper: Keeper) -> None:
        keeper.next_ms = self.clock.now_ms() + round(KEYING_S * 1000)
        if keeper.repeater.split("/")[0] not in self._lost and keeper.repeater not in self._off:
            self.key(
                keeper.station,
                keeper.repeater,
                keeper.group,
                keeper.place,
                rssi_dbm=keeper.rssi_dbm,
            )

    def _follow(self) -> None:
        for topic, said in list(self._peer.by_topic.items()):
            if not said[-1]:
                continue
            group = topic.split("/")[-1]
            wanted = {r["repeater"] for r in json.loads(said[-1])["repeaters"]}
            for repeater in sorted(wanted | {r for g, r in self._carrying if g == group}):
                able = repeater not in self._refusing and repeater not in self._off
                if repeater.split("/")[0] in self._lost:
                    continue
                wants, there = able and repeater in wanted, (group, repeater) in self._carrying
                if wants and not there:
                    self._carrying.add((group, repeater))
                    self._route(group, repeater, "carrying")
                elif there and not wants:
                    self._carrying.discard((group, repeater))
                    self._route(group, repeater, "released")

    # -- saying ----------------------------------------------------------------------------------

    def _route(self, group: str, repeater: str, action: str, **more: Any) -> None:
        gateway, port = repeater.split("/")
        said = self._tellers[gateway].route(self.clock.now_ms(), group, action, port, **more)
        self._say(said)

    def _say(self, message: Incoming) -> None:
        """In this region; a `Teller` names another."""
        _, _, _, gateway, kind = message.topic.split("/")
        self._publish(gateway, Kind(kind), message.payload)

    def _publish(self, gateway: str, kind: Kind, payload: bytes) -> None:
        topic = gateway_topic(self.view.name, gateway, kind)
        self._peer.publish(topic, payload, retain=kind is Kind.STATE)


@contextlib.contextmanager
def gateways_of(rig: Rig) -> Iterator[Gateways]:
    """Gateways at work, ended afterwards."""
    gateways = Gateways(rig)
    gateways.start()
    try:
        yield gateways
    finally:
        gateways.close()
