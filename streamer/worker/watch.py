"""Turns what the worker sees into metrics, each occurrence once."""

from collections import Counter
from collections.abc import Sequence

from streamer.contract.published import Carriage, Standing
from streamer.domain.fanout import FanOutResult
from streamer.domain.liveness import GatewaySight, GatewayStanding
from streamer.domain.membership import Judgement
from streamer.domain.model import GatewaySnapshot, GroupSnapshot, Summary
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

    def group(
        self,
        snapshot: GroupSnapshot,
        judged: Sequence[tuple[Summary, Judgement]],
        fanout: FanOutResult,
    ) -> None:
        group, metrics = snapshot.group, self._metrics
        carriages = Counter(w.carriage for w in fanout.wanted)
        for carriage in Carriage:
            metrics.fanout_repeaters.labels(group, carriage).set(carriages[carriage])
        standings = Counter(j.standing for _, j in judged)
        for standing in Standing:
            if standing not in (Standing.EXPIRED, Standing.CHECKED_OUT):
                metrics.members.labels(group, standing).set(standings[standing])
        metrics.idle_repeaters.labels(group).set(len(fanout.idle))
        for wanted in fanout.wanted:
            said = snapshot.carrying.get(wanted.repeater)
            waited_s = carried_after_s(wanted, said)
            key = (group, wanted.repeater)
            if (
                waited_s is not None
                and said is not None
                and self._carried.get(key) != said.since_ms
            ):
                self._carried[key] = said.since_ms
                metrics.heard_to_carried_seconds.labels(wanted.repeater).observe(waited_s)

    def gateway(self, sight: GatewaySight, snapshot: GatewaySnapshot) -> None:
        name, metrics = sight.gateway, self._metrics
        metrics.gateway_up.labels(name).set(sight.standing is GatewayStanding.UP)
        metrics.events_missing.labels(name).set(snapshot.missing)
        if sight.state is not None and sight.state.clock_offset_s is not None:
            metrics.clock_offset_seconds.labels(name).set(sight.state.clock_offset_s)
