"""What a worker says at once of what it has taken over: refusals, answers to heartbeats."""

from streamer.clock import Clock
from streamer.contract import topics
from streamer.state.store import Store
from streamer.worker.batch import Batch
from streamer.worker.merger import Merged
from streamer.worker.messages import time_reply
from streamer.worker.metrics import Metrics
from streamer.worker.publisher import Publisher

OTHER = "other"
"""Gateways that the region file does not list, in a metric's label: it must stay bounded."""

ON_THE_WAY_MS = 3000
"""So long a later event may overtake an earlier one: other workers have it in hand."""


class Answers:
    """For one worker. Raises StoreUnavailable, ConnectionLost; then nothing is acknowledged."""

    def __init__(self, store: Store, clock: Clock, metrics: Metrics) -> None:
        self._store = store
        self._clock = clock
        self._metrics = metrics

    def refuse(self, publisher: Publisher, batch: Batch) -> None:
        """Keep, count and publish what was not accepted."""
        if not (batch.refusals or batch.untold):
            return
        texts = [(r.reason.value, r.model_dump_json()) for r in batch.refusals]
        self._store.refuse(texts, batch.untold)
        view = self._store.view
        topic = topics.refused_topic(view.name)
        for reason, text in texts:
            self._metrics.refused.labels(reason).inc()
            publisher.send_plain(topic, text)
        for reason, count in batch.untold.items():
            self._metrics.refused.labels(reason).inc(count)
        for name, entry in batch.gateways.items():
            if entry.floods:
                label = name if name in view.gateways else OTHER
                self._metrics.flooded.labels(label).inc(sum(times for _, times in entry.floods))
        # Acknowledged only once the refusal is with the broker: nothing vanishes without a word.
        publisher.await_plain()

    def heartbeats(self, publisher: Publisher, merged: Merged) -> None:
        """Answer heartbeats that were taken over.

        A broker on the way may have crashed with what it had acknowledged, or one behind it, of
        which the agent's connection tells nothing: what is missing is told, and comes again.
        """
        missing: dict[str, int] = {}
        for gateway, place, state in merged.batch.states:
            taken = merged.verdicts.get(gateway, ("", ""))[1]
            if taken[place : place + 1] == "1":
                topic = topics.reply_topic(self._store.view.name, gateway)
                if gateway not in missing:
                    missing[gateway] = self._missing(gateway)
                now_ms = self._clock.now_ms()
                answer = time_reply(state, merged.received_ms, now_ms, missing[gateway])
                publisher.send_plain(topic, answer)

    def _missing(self, gateway: str) -> int:
        """Events of it that have been missing for a while; before, they are on the way."""
        found = self._store.gateway(gateway)
        if found.hole_ms is None or self._clock.now_ms() < found.hole_ms + ON_THE_WAY_MS:
            return 0
        return found.missing
