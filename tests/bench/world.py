"""An invented region of any size, and what its gateways say: a mix of events near to real ones.

Overs with a start and an end event; one in ten on a neighbouring repeater of the one before; half
of them addressed to one of the station's two groups; some with a position, a few that check out.
A repeater says that it carries a group when a member first needs it there, and one over in 25 is
said to have been sent. Nothing is random but by the seed.
"""

import heapq
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from pydantic_core import to_json

from streamer.clock import from_ms
from streamer.contract.topics import Kind, gateway_topic

REGION = "bench"
PROBE_GATEWAY = "probe"
PROBE_GROUPS = 4
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_MOVES, _TO_GROUP, _TO_OWN, _WITH_POSITION, _CHECKS_OUT = 0.1, 0.5, 0.85, 0.2, 0.002
_OVERS_PER_SENT = 25


@dataclass(frozen=True, slots=True)
class Said:
    """One event: when, by which gateway, of which kind."""

    ms: int
    gateway: str
    kind: Kind
    content: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Packet:
    """One message to publish and how many events it holds that are counted."""

    ms: int
    topic: str
    payload: bytes
    events: int


def call_sign(number: int) -> str:
    """Of the invented series Q; `number` below 4.5 million."""
    rest, digit = divmod(number, 10)
    letters = []
    for _ in range(4):
        rest, index = divmod(rest, 26)
        letters.append(_LETTERS[index])
    return f"Q{letters[3]}{digit}{letters[2]}{letters[1]}{letters[0]}"


def probe_group(number: int) -> str:
    return f"PROBE{number}"


def probe_station(number: int) -> str:
    return f"QZ{number}PRB"


@dataclass
class World:
    """12 gateways with 20 repeaters, and as many stations and groups as asked for."""

    stations: int
    groups: int
    seed: int = 1
    place: list[int] = field(init=False)
    repeaters: list[str] = field(init=False)

    def __post_init__(self) -> None:
        self.gateways = [f"gw{g:02d}" for g in range(12)]
        self.repeaters = [f"{g}/{p}" for i, g in enumerate(self.gateways) for p in _ports(i)]
        self.names = [call_sign(n) for n in range(self.stations)]
        self._numbers = {name: n for n, name in enumerate(self.names)}
        self.group_names = [f"G{n:04d}" for n in range(self.groups)]
        self._random = random.Random(self.seed)
        self._order = list(range(self.stations))
        self._random.shuffle(self._order)
        self._next = 0
        self.place = [self._random.randrange(len(self.repeaters)) for _ in self.names]
        self._own = [self._random.choice(self.group_names) for _ in self.names]
        self._carried: set[tuple[str, str]] = set()
        self._second = [self._random.choice(self.group_names) for _ in self.names]

    def region_file(self, learning: bool = True) -> str:
        """The region as TOML. Probe groups drop a repeater at once, to make their moves visible."""
        lines = [
            f'region = "{REGION}"',
            'extra_prefixes = ["Q"]',
            "[limits]",
            "gateway_lost_after_s = 7200",
            # A few gateways say here what a thousand would.
            "flood_messages_per_s = 1_000_000",
            "flood_burst_messages = 10_000_000",
            "flood_mb_per_s = 1_000_000",
            "flood_burst_mb = 1_000_000",
            "stations_per_h = 1_000_000",
            "[policy]",
            "linger_s = 120",
            "[learning]",
            f"enabled = {str(learning).lower()}",
        ]
        for i, gateway in enumerate(self.gateways):
            lines += ["[[gateway]]", f'id = "{gateway}"']
            for port in _ports(i):
                at = self.repeaters.index(f"{gateway}/{port}")
                lines += ["[[gateway.repeater]]", f'id = "{port}"']
                lines += [f"lat = {-45 - at * 0.2:.1f}", "lon = 20.0", "range_km = 30"]
        lines += ["[[gateway]]", f'id = "{PROBE_GATEWAY}"']
        lines += [f'[[gateway.repeater]]\nid = "{port}"' for port in ("a", "b")]
        lines += [f'[[group]]\nname = "{name}"' for name in self.group_names]
        for number in range(PROBE_GROUPS):
            lines += ["[[group]]", f'name = "{probe_group(number)}"', "policy = {linger_s = 0}"]
        return "\n".join(lines) + "\n"

    # -- what is said ------------------------------------------------------------------------

    def heartbeats(self, boot: str, ms: int) -> list[Packet]:
        """One state of each gateway."""
        packets = []
        for gateway in self.gateways:
            ports = [r for r in self.repeaters if r.startswith(f"{gateway}/")]
            content = {
                "v": 1, "boot": boot, "session": 1, "seq": 1, "sent_at": _moment(ms),
                "clock_offset_s": 0.0, "up": True, "spooled": 0,
                "repeaters": [{"id": r, "up": True, "range_km": 30.0} for r in ports],
            }  # fmt: skip
            topic = gateway_topic(REGION, gateway, Kind.STATE)
            packets.append(Packet(ms, topic, to_json(content), 0))
        return packets

    def packets(
        self, boot: str, events: int, per_message: int, start_ms: int, end_ms: int
    ) -> Iterator[Packet]:
        """Exactly `events` events between two times, in arrays of `per_message` (1: no array)."""
        waiting: dict[tuple[str, Kind], list[Said]] = {}
        for said in self._numbered(boot, events, start_ms, end_ms):
            key = (said.gateway, said.kind)
            held = waiting.setdefault(key, [])
            held.append(said)
            if len(held) >= per_message:
                yield _packet(waiting.pop(key))
        for held in waiting.values():
            yield _packet(held)

    def _numbered(self, boot: str, events: int, start_ms: int, end_ms: int) -> Iterator[Said]:
        seqs = dict.fromkeys(self.gateways, 0)
        for _, said in zip(range(events), self._said(events, start_ms, end_ms), strict=False):
            seqs[said.gateway] += 1
            head = {
                "v": 1, "boot": boot, "seq": seqs[said.gateway],
                "sent_at": _moment(said.ms), "clock_offset_s": 0.012,
            }  # fmt: skip
            yield Said(said.ms, said.gateway, said.kind, head | said.content)

    def _said(self, events: int, start_ms: int, end_ms: int) -> Iterator[Said]:
        """Without end: starts of overs at even distances, each followed by its end."""
        step_ms = (end_ms - start_ms) / (events / 2)
        # A station is not on the air twice at a time.
        longest_ms = min(6000.0, 0.6 * step_ms * self.stations, (end_ms - start_ms) / 20)
        ends: list[tuple[int, int, Said]] = []
        for number in range(events):
            ms = round(start_ms + number * step_ms)
            while ends and ends[0][0] <= ms:
                yield heapq.heappop(ends)[2]
            begun, ended = self._over(ms, f"{start_ms:x}-{number}", longest_ms)
            yield begun
            heapq.heappush(ends, (ended.ms, number, ended))
            yield from self._routes(begun, number)

    def _over(self, ms: int, over: str, longest_ms: float) -> tuple[Said, Said]:
        dice = self._random
        who = self._order[self._next]
        self._next = (self._next + 1) % self.stations
        if dice.random() < _MOVES:
            at = self.place[who] + dice.choice((-1, 1))
            self.place[who] = min(max(at, 0), len(self.repeaters) - 1)
        repeater = self.repeaters[self.place[who]]
        duration_ms = round(longest_ms * dice.uniform(0.2, 1.0))
        content: dict[str, Any] = {
            "repeater": repeater, "station": self.names[who], "to": self._addressed(who),
            "over": over, "phase": "start", "started_at": _moment(ms),
            "rssi_dbm": -60.0 - dice.randrange(60),
        }  # fmt: skip
        if dice.random() < _WITH_POSITION:
            lat = -45 - self.place[who] * 0.2 + dice.uniform(-0.1, 0.1)
            content["position"] = {"lat": round(lat, 5), "lon": round(20 + dice.random() / 9, 5)}
        gateway = repeater.split("/")[0]
        ended = content | {"phase": "end", "duration_s": duration_ms / 1000, "ber_pct": 0.4}
        if content["to"] and dice.random() < _CHECKS_OUT:
            ended["text"] = "OUT"
        return (
            Said(ms, gateway, Kind.HEARD, content),
            Said(ms + duration_ms, gateway, Kind.HEARD, ended),
        )

    def _addressed(self, who: int) -> str | None:
        dice = self._random
        if dice.random() >= _TO_GROUP:
            return dice.choice((None, self.names[dice.randrange(self.stations)]))
        return self._own[who] if dice.random() < _TO_OWN else self._second[who]

    def _routes(self, begun: Said, number: int) -> Iterator[Said]:
        """What repeaters say of groups on account of an over."""
        repeater, who = begun.content["repeater"], self._numbers[begun.content["station"]]
        for group in (self._own[who], self._second[who]):
            if (group, repeater) not in self._carried:
                self._carried.add((group, repeater))
                yield _route(begun, repeater, group, {"action": "carrying"})
        if number % _OVERS_PER_SENT == 0:
            sender = self.repeaters[(self.place[who] + 1) % len(self.repeaters)]
            sent = {"action": "sent", "over": begun.content["over"], "from_gateway": begun.gateway}
            yield _route(begun, sender, self._own[who], sent)

    def carried_everywhere(self) -> None:
        """Do not say again what repeaters have long said that they carry."""
        self._carried = {(g, r) for g in self.group_names for r in self.repeaters}


def _route(begun: Said, repeater: str, group: str, more: dict[str, Any]) -> Said:
    content = {"repeater": repeater, "group": group, "at": _moment(begun.ms), "latency_s": 0.2}
    return Said(begun.ms, repeater.split("/", maxsplit=1)[0], Kind.ROUTE, content | more)


def _ports(gateway: int) -> tuple[str, ...]:
    return ("uhf", "vhf") if gateway < 8 else ("uhf",)


def _moment(ms: int) -> str:
    return from_ms(ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _packet(held: list[Said]) -> Packet:
    first = held[0]
    content: Any = [s.content for s in held] if len(held) > 1 else first.content
    topic = gateway_topic(REGION, first.gateway, first.kind)
    return Packet(first.ms, topic, to_json(content), len(held))
