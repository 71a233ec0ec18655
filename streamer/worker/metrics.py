"""Every metric of the worker, in one list: name, kind, labels, meaning.

The rules and pictures in dashboards/ are made from this list, so none can ask for a metric or a
label that does not exist. `LABELS` says what bounds each label: never call signs.
"""

import math
from dataclasses import dataclass
from typing import Final

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    PlatformCollector,
    ProcessCollector,
    disable_created_metrics,
)
from prometheus_client.metrics import MetricWrapperBase
from prometheus_client.metrics_core import Metric

from streamer.contract.published import RefusalReason

# When each counter began: twice the series, and nobody asks for it.
disable_created_metrics()  # type: ignore[no-untyped-call]

_LATENCY_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)

LABELS: Final = {
    "tally": "what an event counts as, a fixed list",
    "reason": "why input is refused, a fixed list",
    "carriage": "whether a repeater does what it should, a fixed list",
    "standing": "how a member stands, a fixed list",
    "kind": "kinds of alerts, a fixed list",
    "severity": "how soon somebody should look, a fixed list",
    "outcome": "what became of a parcel, a fixed list",
    "presence": "connected or absent",
    "group": "groups of the region file",
    "gateway": "gateways of the region file",
    "repeater": "repeaters of the region file",
    "channel": "channels of the region file",
}
"""Each label, and what bounds the values it can take."""
TALLIES: Final = (
    "heard",
    "route",
    "quarantined",
    "refused",
    "future",
    "late",
    "duplicate",
    "too_old",
)
OUTCOMES: Final = ("delivered", "retried", "dead")


class Metrics:
    """The worker's metrics in a registry of their own."""

    def __init__(self) -> None:
        self.registry = r = CollectorRegistry()
        ProcessCollector(registry=r)  # memory, files, processor time, start: names process_*
        PlatformCollector(registry=r)  # python_info: which Python runs
        self._of_input(r)
        self._of_output(r)
        self._of_region(r)
        self._of_the_air(r)
        self._of_alerts(r)
        self._of_redis(r)
        self._of_broker(r)
        self.loop_age_seconds = Gauge(
            "streamer_loop_age_seconds", "Since the worker's loop last went round", registry=r
        )
        self._begin()

    def _begin(self) -> None:
        """What must be told from the start on, and what is not known then."""
        for reason in RefusalReason:
            # A counter that appears with its first count seems not to have grown.
            self.refused.labels(reason.value)
        for tally in TALLIES:
            self.events.labels(tally)
        for gauge in (
            self.redis_memory_bytes,
            self.redis_memory_limit_bytes,
            self.redis_durable,
            self.broker_stored_messages,
            self.broker_memory_bytes,
            self.broker_certificate_end_seconds,
            self.journal_disk_free_ratio,
        ):
            gauge.set(math.nan)  # 0 would be a lie

    def _of_input(self, r: CollectorRegistry) -> None:
        """What gateways say, and what becomes of it."""
        self.messages = Counter("streamer_messages", "Messages received from gateways", registry=r)
        self.events = Counter(
            "streamer_events", "Events by what they counted as", ["tally"], registry=r
        )
        self.refused = Counter(
            "streamer_refused", "Input that was not accepted", ["reason"], registry=r
        )
        self.flooded = Counter(
            "streamer_flooded",
            "Messages and overs refused because their gateway sends too many",
            ["gateway"],
            registry=r,
        )
        self.batch_events = Histogram(
            "streamer_batch_events",
            "Events merged in one batch",
            buckets=(1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000),
            registry=r,
        )
        self.batch_seconds = Histogram(
            "streamer_batch_seconds",
            "Time from a batch's decoding to its acknowledgement",
            buckets=_LATENCY_S,
            registry=r,
        )
        self.event_age_seconds = Histogram(
            "streamer_event_age_seconds",
            "Age of the oldest keying of a batch when it was merged",
            buckets=(0.1, 0.5, 1, 2, 5, 10, 30, 60, 300, 3600, 86400),
            registry=r,
        )
        self.outdated = Counter(
            "streamer_outdated_commits", "Results given up because the subject changed", registry=r
        )

    def _of_output(self, r: CollectorRegistry) -> None:
        """What goes out, and what is recorded."""
        self.published = Counter(
            "streamer_published", "Messages that the broker took over", registry=r
        )
        self.publish_refused = Counter(
            "streamer_publish_refused", "Messages that the broker refused", registry=r
        )
        self.waiting_out = Gauge(
            "streamer_outbox_messages", "Messages not yet taken over by the broker", registry=r
        )
        self.journal_lines = Counter(
            "streamer_journal_lines", "Lines written to the journal", registry=r
        )
        self.journal_lost_lines = Counter(
            "streamer_journal_lost_lines", "Lines that could not be written", registry=r
        )
        self.journal_well = Gauge(
            "streamer_journal_well", "0 while the journal cannot be written", registry=r
        )
        self.journal_disk_free_ratio = Gauge(
            "streamer_journal_disk_free_ratio",
            "Share of the journal's disk that is free",
            registry=r,
        )

    def _of_region(self, r: CollectorRegistry) -> None:
        """How the region stands: every worker tells the same (`worker/figures.py`)."""
        self.fanout_repeaters = Gauge(
            "streamer_fanout_repeaters",
            "Repeaters that should carry a group, by whether they do",
            ["group", "carriage"],
            registry=r,
        )
        self.idle_repeaters = Gauge(
            "streamer_idle_repeaters",
            "Repeaters that carry a group for nobody",
            ["group"],
            registry=r,
        )
        self.members = Gauge(
            "streamer_group_members",
            "Members of a group by standing",
            ["group", "standing"],
            registry=r,
        )
        self.gateway_up = Gauge(
            "streamer_gateway_up", "1 while a gateway reports", ["gateway"], registry=r
        )
        self.repeater_up = Gauge(
            "streamer_repeater_up",
            "1 while a repeater can hear for us: it and its gateway report",
            ["repeater"],
            registry=r,
        )
        self.events_missing = Gauge(
            "streamer_gateway_events_missing",
            "Events of a gateway that have not arrived",
            ["gateway"],
            registry=r,
        )
        self.clock_offset_seconds = Gauge(
            "streamer_gateway_clock_offset_seconds",
            "Server time less gateway time, as the gateway knows it",
            ["gateway"],
            registry=r,
        )

    def _of_the_air(self, r: CollectorRegistry) -> None:
        """Time on the air, and how soon groups are carried."""
        self.air_addressed_seconds = Counter(
            "streamer_air_addressed_seconds",
            "Time on the air of overs to groups where they were heard, once an over",
            registry=r,
        )
        self.air_carried_seconds = Counter(
            "streamer_air_carried_seconds",
            "Time on the air of other repeaters that fan-outs wanted for these overs",
            registry=r,
        )
        self.air_everywhere_seconds = Counter(
            "streamer_air_everywhere_seconds",
            "Time on the air that sending them on every other repeater would have taken",
            registry=r,
        )
        self.heard_to_carried_seconds = Histogram(
            "streamer_heard_to_carried_seconds",
            "From the keying that called for a group on a repeater to its being carried there",
            ["repeater"],
            buckets=_LATENCY_S,
            registry=r,
        )

    def _of_alerts(self, r: CollectorRegistry) -> None:
        """What is wrong, and whether people are told of it."""
        self.alerts = Gauge(
            "streamer_alerts", "Open alerts by kind and severity", ["kind", "severity"], registry=r
        )
        self.alerts_held = Gauge(
            "streamer_alerts_held", "Trouble that another alert explains", registry=r
        )
        self.beats_missing = Gauge(
            "streamer_beats_missing",
            "Beats in a row, the sign that the way of alerts works, that have not been made",
            registry=r,
        )
        self.parcels = Counter(
            "streamer_alert_parcels",
            "Messages about alerts by channel and what became of them",
            ["channel", "outcome"],
            registry=r,
        )
        self.notices_waiting = Gauge(
            "streamer_alert_notices_waiting",
            "Notices that a channel has not taken yet",
            ["channel"],
            registry=r,
        )
        self.delivery_well = Gauge(
            "streamer_alert_delivery_well",
            "0 while a channel does not take what it is sent",
            ["channel"],
            registry=r,
        )

    def _of_redis(self, r: CollectorRegistry) -> None:
        """What Redis says of itself, and what of it is to be seen."""
        self.redis_up = Gauge("streamer_redis_up", "1 while Redis answers", registry=r)
        self.redis_errors = Counter(
            "streamer_redis_errors", "Calls that Redis did not answer", registry=r
        )
        self.redis_memory_bytes = Gauge(
            "streamer_redis_memory_bytes", "Memory that the fullest Redis node uses", registry=r
        )
        self.redis_memory_limit_bytes = Gauge(
            "streamer_redis_memory_limit_bytes",
            "maxmemory of that node, or its machine's memory where none is set",
            registry=r,
        )
        self.redis_durable = Gauge(
            "streamer_redis_durable",
            "1 while every Redis node keeps its writes on disk, 0 where one does not or fails to",
            registry=r,
        )
        self.redis_replicas_missing = Gauge(
            "streamer_redis_replicas_missing",
            "Replicas asked for by the region file that do not confirm, at the worst node",
            registry=r,
        )

    def _of_broker(self, r: CollectorRegistry) -> None:
        """The connection, and what the broker says of itself."""
        self.connected = Gauge("streamer_broker_connected", "1 while connected", registry=r)
        self.reconnects = Counter("streamer_broker_connects", "Connections made", registry=r)
        self.broker_dropped = Counter(
            "streamer_broker_dropped",
            "Messages that the broker says it threw away while this worker listened (Mosquitto)",
            registry=r,
        )
        self.broker_stored_messages = Gauge(
            "streamer_broker_stored_messages",
            "Messages that the broker holds, retained ones among them (Mosquitto)",
            registry=r,
        )
        self.broker_memory_bytes = Gauge(
            "streamer_broker_memory_bytes",
            "Memory that the broker has taken, without that of TLS (Mosquitto)",
            registry=r,
        )
        self.broker_clients = Gauge(
            "streamer_broker_clients",
            "Clients of the broker, absent ones with a session among them (Mosquitto)",
            ["presence"],
            registry=r,
        )
        self.broker_certificate_end_seconds = Gauge(
            "streamer_broker_certificate_end_timestamp_seconds",
            "When the certificate ends that the broker shows, in seconds since 1970",
            registry=r,
        )


@dataclass(frozen=True, slots=True)
class Described:
    """One metric as queries name it: a counter with `_total`, a histogram without `_bucket`."""

    name: str
    kind: str
    labels: tuple[str, ...]
    meaning: str


def described(metrics: Metrics) -> dict[str, Described]:
    """Every metric of the list by its attribute in `Metrics`."""
    found = {}
    for attribute, metric in vars(metrics).items():
        if isinstance(metric, MetricWrapperBase):
            (family,) = metric.describe()
            labels = tuple(metric._labelnames)
            found[attribute] = Described(named(family), family.type, labels, family.documentation)
    return found


def named(family: Metric) -> str:
    """A metric's name in queries."""
    return family.name + ("_total" if family.type == "counter" else "")
