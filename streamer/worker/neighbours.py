"""What other workers say of themselves, read before anything is joined or published: two workers of
one region that work on two stores would overwrite each other's fan-outs.

Each says in its sign of life which store it works on (`state/lineage.py`). Whoever finds another
that lives and works on another one stays out and tries again: it cannot know which store is the
right one, and who is in service must not be disturbed. After a Redis was really replaced, each
worker in service says the new store as soon as it has noticed.
"""

from typing import Final

import structlog
from pydantic import ValidationError

from streamer.clock import Clock, from_ms
from streamer.contract.published import WorkerState
from streamer.contract.topics import worker_topic
from streamer.domain.workers import Workers
from streamer.mqtt.connection import BrokerRefused, Connection, Incoming
from streamer.state.lineage import Lineage
from streamer.state.store import StoreMismatch, StoreUnavailable
from streamer.worker.health import Health

log = structlog.get_logger()

FRESH_S: Final = 60.0
"""A sign of life older than this hinders nobody: its broker crashed before it could say the will.
Long, since a worker whose Redis is away is silent and must not be taken for dead at once."""
_QUIET_S: Final = 0.2
"""Retained messages come together with the answer to the subscription."""
_MOST_S: Final = 1.0


class OtherStore(StoreMismatch):
    """Another worker lives and works on another store."""


class Neighbours:
    """For one worker; its connections come and go."""

    def __init__(self, region: str, name: str, lineage: Lineage, clock: Clock) -> None:
        self._name = name
        self._lineage = lineage
        self._clock = clock
        self._filter = worker_topic(region, "+")
        self._begin = worker_topic(region, "")
        self._workers = Workers()
        self._told = ""
        self.out = False
        """It stays out; then nothing is told to anybody, not even by other channels."""
        self.store: str | None = None
        """The store that this worker works on; None before it has been asked."""
        self.was_another = False
        """Something at the broker tells that the region was worked on with another store."""

    def refresh(self) -> None:
        """See which store it is now. Raises StoreUnavailable."""
        self.store = self._lineage.store_id()

    def look(self, connection: Connection) -> None:
        """Read what others say on a new connection. Raises OtherStore, and MqttError."""
        try:
            self.refresh()
        except StoreUnavailable:
            if self.store is None:
                raise
            # The one known last: what comes is held until it answers.
        self._workers = Workers()
        self._subscribe(connection)
        states = [one for one in self._workers.states if one.store != self.store]
        self.was_another = bool(states)
        trouble = self.trouble()
        if not trouble:
            self.out = False
            return
        connection.unsubscribe([self._filter])
        if any(one.name == self._name and one.up for one in states):
            # In service till now, as others may be who find their store replaced too: each would
            # wait for the other, if none said that it works no more on the one before.
            self._step_back(connection)
        raise OtherStore(trouble)

    def _subscribe(self, connection: Connection) -> None:
        try:
            connection.subscribe([(self._filter, 0)])
        except BrokerRefused as error:
            log.error(
                "what other workers say cannot be read: nobody notices one with another Redis",
                reason=str(error),
            )
            return
        begun_s = last_s = self._clock.monotonic_s()
        while (now_s := self._clock.monotonic_s()) < min(last_s + _QUIET_S, begun_s + _MOST_S):
            connection.wait_for_answers(_QUIET_S / 2)
            if said := connection.pick(self._begin):
                self.sift(said)
                last_s = now_s

    def _step_back(self, connection: Connection) -> None:
        down = WorkerState(
            region=self._lineage.view.name, name=self._name, up=False,
            at=from_ms(self._clock.now_ms()), next_within_s=None, waiting=None, events_per_s=None,
            store=self.store,
        )  # fmt: skip
        topic = worker_topic(down.region, self._name)
        connection.publish(topic, down.model_dump_json().encode(), retain=True)
        until_s = self._clock.monotonic_s() + _MOST_S
        while not connection.answers() and self._clock.monotonic_s() < until_s:
            connection.wait_for_answers(_QUIET_S / 2)

    def sift(self, messages: list[Incoming]) -> list[Incoming]:
        """Take in what workers say and return all other messages."""
        others = []
        for message in messages:
            if message.topic.startswith(self._begin):
                self._take(message)
            else:
                others.append(message)
        return others

    def _take(self, message: Incoming) -> None:
        name = message.topic.removeprefix(self._begin)
        if not message.payload:
            self._workers.leave(name)
            return
        try:
            state = WorkerState.model_validate_json(message.payload)
        except ValidationError:
            return  # none of ours
        if state.name == name:
            self._workers.take(state, self._clock.now_ms())

    def trouble(self) -> str:
        """In words, who lives and works on another store; empty if nobody does."""
        if self.store is None:
            return ""
        found = [
            f"worker {state.name}, heard at {from_ms(alive_ms):%Y-%m-%dT%H:%M:%SZ}"
            for state, alive_ms in self._workers.alive(self._clock.now_ms(), FRESH_S)
            if state.name != self._name and state.store not in (None, self.store)
        ]
        if not found:
            return ""
        work = "works" if len(found) == 1 else "work"
        return f"{'; '.join(found)}, {work} on another Redis"

    def tell(self, health: Health) -> None:
        """In service: who has come that works on another store."""
        trouble = self.trouble()
        health.others = trouble or "all on one Redis"
        self._log(trouble, "two stores for one region: they overwrite each other", "")

    def stay_out(self, trouble: str, health: Health) -> None:
        """Nothing is joined."""
        self.out = True
        health.broker, health.others = "not joined, see others", trouble
        words = "not joined: two stores for one region would overwrite each other"
        self._log(trouble, words, "; nothing is lost, this worker tries again")

    def _log(self, trouble: str, words: str, what_now: str) -> None:
        """Once a change of who it is."""
        names = [part.split(",")[0] for part in trouble.split("; ")] if trouble else []
        now = f"{words}: {names}" if names else ""
        if now == self._told:
            return
        self._told = now
        if trouble:
            hint = f"see redis_url of the region file and --redis, here and there{what_now}"
            log.error(words, others=trouble, hint=hint)
        else:
            log.info("no other worker works on another Redis any more")
