"""The worker's sign of life: readers see by it how old the picture is that the worker publishes."""

import re
import socket
import zlib
from collections.abc import Callable
from typing import Final

from streamer.clock import Clock, from_ms
from streamer.contract.common import NAME_PATTERN
from streamer.contract.published import WorkerState
from streamer.contract.topics import worker_topic
from streamer.mqtt.connection import Connection, Will
from streamer.worker.publisher import Publisher

EVERY_S: Final = 2.0
NEXT_WITHIN_S: Final = 5.0
"""Longer than EVERY_S: a round of the worker may take its time."""
_LONGEST_NAME: Final = 32
_ANSWER_S: Final = 5.0


class Sign:
    """Says `worker/{name}`. Plain publishes, not of the outbox: an old one is worth nothing."""

    def __init__(
        self, region: str, name: str, clock: Clock, store: Callable[[], str | None] = lambda: None
    ) -> None:
        self._region = region
        self._name = name
        self._clock = clock
        self._topic = worker_topic(region, name)
        self._store = store
        self._said_store: str | None = None
        self._next_s = 0.0
        self._events = 0
        self._since_s = clock.monotonic_s()

    def count(self, events: int) -> None:
        """Note events taken over."""
        self._events += events

    def _events_per_s(self) -> float:
        now_s = self._clock.monotonic_s()
        passed_s = now_s - self._since_s
        rate = self._events / passed_s if passed_s > 0 else 0.0
        self._events, self._since_s = 0, now_s
        return round(rate, 1)

    def _payload(
        self, *, waiting: int | None = None, up: bool = False, events_per_s: float | None = None
    ) -> str:
        return WorkerState(
            region=self._region,
            name=self._name,
            up=up,
            at=from_ms(self._clock.now_ms()),
            next_within_s=NEXT_WITHIN_S if up else None,
            waiting=waiting,
            events_per_s=events_per_s,
            store=self._store(),
        ).model_dump_json()

    def will(self) -> Will:
        """What the broker says for a connection that is made now, should it be lost."""
        self._next_s = 0.0  # the will of the last one may just have gone out
        return Will(self._topic, self._payload().encode())

    def live(self, publisher: Publisher, waiting: int) -> None:
        """Say it if it is due, or if the store is another: who waits for that must not wait long.
        Called after a round in which messages could be taken over."""
        now_s = self._clock.monotonic_s()
        if now_s >= self._next_s or self._store() != self._said_store:
            self._next_s, self._said_store = now_s + EVERY_S, self._store()
            said = self._payload(waiting=waiting, up=True, events_per_s=self._events_per_s())
            publisher.send_plain(self._topic, said, retain=True)

    def stop(self, publisher: Publisher) -> None:
        """The last word of a clean stop."""
        publisher.send_plain(self._topic, self._payload(), retain=True)

    def remove(self, connection: Connection) -> None:
        """Take back what is retained: this worker has left for good, and nobody misses it."""
        connection.publish(self._topic, b"", retain=True)
        until_s = self._clock.monotonic_s() + _ANSWER_S
        while not connection.answers() and self._clock.monotonic_s() < until_s:
            connection.wait_for_answers(0.05)


def default_name() -> str:
    """A worker's name made of the machine's, always the same on one machine."""
    return name_for(socket.gethostname())


def name_for(host: str) -> str:
    """A worker's name for a machine; where the machine's name is too long, what is cut off counts
    in a checksum (CRC-32): two workers of one name would take each other's place."""
    name = "worker-" + re.sub(r"[^a-z0-9_-]", "-", host.lower())
    if len(name) <= _LONGEST_NAME:
        return name
    tag = f"-{zlib.crc32(host.encode()):08x}"
    return name[: _LONGEST_NAME - len(tag)] + tag


def check_name(name: str) -> None:
    """Raises ValueError, saying what is allowed, for a name that is not safe in a topic."""
    if not re.fullmatch(NAME_PATTERN, name):
        raise ValueError(
            f"--name {name!r}: must be 1 to {_LONGEST_NAME} of a-z, 0-9, _ and -, a letter or "
            "digit first: it is the worker's client id and a level of its topic"
        )
