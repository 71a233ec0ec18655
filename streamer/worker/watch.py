"""Turns what the worker sees into metrics, each occurrence once."""

from collections import Counter
from collections.abc import Container

from streamer.domain.fanout import FanOutResult
from streamer.domain.model import GroupSnapshot
from streamer.worker.merger import Merged
from streamer.worker.messages import carried_after_s
from streamer.worker.metrics import Metrics


class Watch:
    """One for each worker."""

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics
        self._carried: dict[tuple[str, str], int | None] = {}

    def outdated(self) -> None:
        self._metrics.outdated.inc()

    def events(self, merged: Merged) -> None:
        """Events by what they counted as."""
        tallies: Counter[str] = Counter()
        for gateway, (verdicts, _) in merged.verdicts.items():
            said = merged.batch.gateways[gateway].events
            for event, verdict in zip(said, verdicts, strict=True):
                tallies[{"1": event[2], "0": "duplicate"}.get(verdict, "too_old")] += 1
        for tally, count in tallies.items():
            self._metrics.events.labels(tally).inc(count)

    def carrying(
        self, snapshot: GroupSnapshot, fanout: FanOutResult, listed: Container[str]
    ) -> None:
        """How soon repeaters of the region file carried what they should: others have no bound."""
        group = snapshot.group
        for wanted in fanout.wanted:
            said = snapshot.carrying.get(wanted.repeater)
            waited_s = carried_after_s(wanted, said)
            key = (group, wanted.repeater)
            if (
                waited_s is not None
                and wanted.repeater in listed
                and said is not None
                and self._carried.get(key) != said.since_ms
            ):
                self._carried[key] = said.since_ms
                self._metrics.heard_to_carried_seconds.labels(wanted.repeater).observe(waited_s)
