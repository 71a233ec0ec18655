"""Sends committed messages within the window and notes what the broker has taken over."""

from collections import deque
from collections.abc import Callable, Iterable, Sequence

import structlog

from streamer.clock import Clock
from streamer.mqtt.connection import Connection
from streamer.state import keys
from streamer.state.shapes import OutMessage
from streamer.state.store import Store
from streamer.worker.deriver import ToSend
from streamer.worker.metrics import Metrics

log = structlog.get_logger()

QUEUE_LIMIT = 2000
"""Messages beyond this wait in Redis and come up when their lease ends."""


class Publisher:
    """For one connection; its unanswered messages are left to the outbox when it ends. `note` is
    told what the broker has taken over, before it is confirmed."""

    def __init__(
        self,
        connection: Connection,
        store: Store,
        clock: Clock,
        metrics: Metrics,
        note: Callable[[Sequence[OutMessage]], None] = lambda messages: None,
    ) -> None:
        self._connection = connection
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._note = note
        self._queue: deque[ToSend] = deque()
        self._sent: dict[int, ToSend] = {}
        self._plain: set[int] = set()
        self._taken: dict[int | str, list[OutMessage]] = {}

    @property
    def idle(self) -> bool:
        """Nothing waits to be sent, answered or confirmed."""
        return not (self._queue or self._sent or self._plain or self._taken)

    def offer(self, messages: Iterable[ToSend]) -> None:
        """Queue committed messages."""
        for message in messages:
            if len(self._queue) < QUEUE_LIMIT:
                self._queue.append(message)

    def claim(self) -> None:
        """Take up messages that nobody has sent: another's who died, or those left over."""
        now_ms = self._clock.now_ms()
        for partition in [*self._store.partitions, keys.ALERTS]:
            if self._queue:
                return
            claimed = self._store.claim_out(partition, now_ms, max(1, self._connection.room))
            self.offer(ToSend(partition, message) for message in claimed)
            self.pump()

    def pump(self) -> None:
        """Send while the window has room."""
        while self._queue and self._connection.room:
            item = self._queue.popleft()
            m = item.message
            token = self._connection.publish(m.topic, m.payload.encode(), retain=m.retain)
            self._sent[token] = item

    def send_plain(self, topic: str, payload: str, *, retain: bool = False) -> None:
        """Send something that is not in the outbox, as soon as there is room."""
        while not self._connection.room:
            self.collect()
            self._connection.wait_for_answers(0.05)
        self._plain.add(self._connection.publish(topic, payload.encode(), retain=retain))

    def await_plain(self) -> None:
        """Wait until the broker has answered all that `send_plain` sent."""
        while self._plain:
            self._connection.wait_for_answers(0.05)
            self.collect()

    def collect(self) -> None:
        """Sort the broker's answers."""
        for answer in self._connection.answers():
            if answer.token in self._plain:
                self._plain.discard(answer.token)
                item = None
            else:
                item = self._sent.pop(answer.token, None)
            if not answer.ok:
                self._metrics.publish_refused.inc()
                topic = item.message.topic if item else "refused, reply or worker"
                log.error(
                    "broker refused a message",
                    topic=topic,
                    reason=answer.reason,
                    hint="give the worker's account the right to publish there",
                )
                continue
            self._metrics.published.inc()
            if item is not None:
                self._taken.setdefault(item.partition, []).append(item.message)

    def settle(self) -> None:
        """Confirm in Redis what the broker has taken over. Raises StoreUnavailable."""
        for partition in list(self._taken):
            messages: Sequence[OutMessage] = self._taken[partition]
            self._note(messages)
            self._store.confirm(partition, messages, self._clock.now_ms())
            del self._taken[partition]
