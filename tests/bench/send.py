"""Publishing: a backlog as fast as the broker takes it, and a steady load in a process of its own.

Run as `python -m tests.bench.send` it is the load of `Load`.
"""

import argparse
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import chain

from streamer.clock import SystemClock
from streamer.mqtt.connection import Connection, Session
from streamer.mqtt.settings import broker_from_url
from tests.bench.world import Packet, World

CLOCK = SystemClock()
_BACKLOG_SPAN_MS = 20 * 60_000


def new_boot() -> str:
    """Rises from call to call."""
    return f"{time.time_ns():020d}-bench"


@contextmanager
def connected(url: str, name: str) -> Iterator[Connection]:
    """A connection of our own to send with."""
    connection = Connection(broker_from_url(url), Session(name, window=400), CLOCK)
    connection.open()
    try:
        yield connection
    finally:
        connection.close()


def send(connection: Connection, packets: Iterable[Packet]) -> tuple[int, int]:
    """Publish all at QoS 1 and wait for the broker's word; returns (messages, events)."""
    messages = events = waiting = 0
    for packet in packets:
        while not connection.room:
            connection.poll(1.0)
            waiting -= len(connection.answers())
        connection.publish(packet.topic, packet.payload)
        messages, events, waiting = messages + 1, events + packet.events, waiting + 1
    while waiting:
        connection.poll(1.0)
        waiting -= len(connection.answers())
    return messages, events


def send_backlog(url: str, world: World, events: int, per_message: int) -> tuple[int, int]:
    """Events of the last twenty minutes, after one heartbeat of each gateway."""
    boot, now_ms = new_boot(), CLOCK.now_ms()
    packets = world.packets(boot, events, per_message, now_ms - _BACKLOG_SPAN_MS, now_ms - 10_000)
    with connected(url, "bench-backlog") as connection:
        return send(connection, chain(world.heartbeats(boot, now_ms), packets))


class Load:
    """A steady load of one-event messages by a child process, ended with the block."""

    def __init__(self, url: str, world: World, events_per_s: int, seconds: float) -> None:
        self._words = [
            url, str(world.stations), str(world.groups), str(events_per_s), str(seconds),
        ]  # fmt: skip
        self.sent_per_s = 0.0

    def __enter__(self) -> "Load":
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.send", *self._words],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self._process.stdout is not None
        if self._process.stdout.readline().strip() != "ready":
            raise RuntimeError("the load did not start")
        return self

    def __exit__(self, *_: object) -> None:
        out, _err = self._process.communicate(timeout=60)
        self.sent_per_s = float(out)


def _steady(url: str, world: World, events_per_s: int, seconds: float) -> float:
    start_ms = CLOCK.now_ms() + 200
    end_ms = start_ms + round(seconds * 1000)
    events = round(events_per_s * seconds)
    packets = world.packets(new_boot(), events, 1, start_ms, end_ms)
    with connected(url, "bench-load") as connection:
        print("ready", flush=True)
        for packet in packets:
            while (ahead_ms := packet.ms - CLOCK.now_ms()) > 0 or not connection.room:
                connection.poll(max(0, ahead_ms) / 1000)
                connection.answers()
            connection.publish(packet.topic, packet.payload)
        connection.poll(0.05)
    return events / ((CLOCK.now_ms() - start_ms) / 1000)


def _main() -> None:
    parser = argparse.ArgumentParser(description="a steady load")
    parser.add_argument("url")
    parser.add_argument("stations", type=int)
    parser.add_argument("groups", type=int)
    parser.add_argument("events_per_s", type=int)
    parser.add_argument("seconds", type=float)
    a = parser.parse_args()
    world = World(a.stations, a.groups)
    world.carried_everywhere()
    print(_steady(a.url, world, a.events_per_s, a.seconds))


if __name__ == "__main__":
    _main()
