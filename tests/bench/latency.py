"""From a keying to the fan-out that shows it, as a gateway sees it.

A probe gateway keys a station of its own in each of several groups on the other of its two
repeaters; these groups do not linger, so the fan-out is then that repeater alone. Publishing and
receiving are in one process and on one clock.
"""

import random
import time
from dataclasses import dataclass

from pydantic_core import from_json, to_json

from streamer.clock import from_ms
from streamer.contract import topics
from streamer.contract.topics import Kind, gateway_topic
from streamer.mqtt.connection import Connection, Incoming
from tests.bench.send import CLOCK, connected, new_boot
from tests.bench.world import (
    PROBE_GATEWAY,
    PROBE_GROUPS,
    REGION,
    probe_group,
    probe_station,
)

_PORTS = ("a", "b")
LONGEST_WAIT_S = 5.0


@dataclass(slots=True)
class Probe:
    number: int
    port: int = 0
    keyed_s: float | None = None
    next_s: float = 0.0

    @property
    def repeater(self) -> str:
        return f"{PROBE_GATEWAY}/{_PORTS[self.port]}"


def measure_latency(url: str, seconds: float) -> tuple[list[float], int]:
    """Latencies in ms for `seconds`, and how many keyings were not answered in 5 s."""
    dice = random.Random(3)
    probes = {probe_group(n): Probe(n) for n in range(PROBE_GROUPS)}
    boot, seq, lost = new_boot(), 0, 0
    found_ms: list[float] = []
    with connected(url, "bench-probe") as connection:
        connection.subscribe([(topics.fanout_topic(REGION, group), 1) for group in probes])
        end_s = time.perf_counter() + seconds
        while (now_s := time.perf_counter()) < end_s or any(p.keyed_s for p in probes.values()):
            for group, probe in probes.items():
                if probe.keyed_s is None and probe.next_s <= now_s < end_s:
                    probe.port, seq = 1 - probe.port, seq + 1
                    probe.keyed_s = time.perf_counter()
                    key(connection, boot, seq, probe, group)
                elif probe.keyed_s is not None and now_s - probe.keyed_s > LONGEST_WAIT_S:
                    probe.keyed_s, lost = None, lost + 1
            messages = connection.poll(0.005)
            arrived_s = time.perf_counter()
            connection.acknowledge(messages)
            connection.answers()
            for message in messages:
                probe = probes[message.topic.rsplit("/", 1)[1]]
                if probe.keyed_s is not None and shows(message, probe.repeater):
                    found_ms.append((arrived_s - probe.keyed_s) * 1000)
                    probe.keyed_s = None
                    # Not in step with anything that the worker does at even distances.
                    probe.next_s = arrived_s + dice.uniform(0.02, 0.08)
    return found_ms, lost


def shows(message: Incoming, repeater: str) -> bool:
    return [r["repeater"] for r in from_json(message.payload)["repeaters"]] == [repeater]


def key(connection: Connection, boot: str, seq: int, probe: Probe, group: str) -> None:
    moment = from_ms(CLOCK.now_ms()).isoformat()
    event = {
        "v": 1, "boot": boot, "seq": seq, "sent_at": moment, "repeater": probe.repeater,
        "station": probe_station(probe.number), "to": group, "over": f"{boot}-{seq}",
        "phase": "start", "started_at": moment,
    }  # fmt: skip
    connection.publish(gateway_topic(REGION, PROBE_GATEWAY, Kind.HEARD), to_json(event))
    connection.flush()
