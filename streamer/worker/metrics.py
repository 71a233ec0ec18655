"""Every metric of the worker, in one list: name, kind, labels, meaning.

Labels are bounded by the region file: groups, repeaters, gateways, channels. Never call signs.
"""

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

_LATENCY_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)


class Metrics:
    """The worker's metrics in a registry of their own."""

    def __init__(self) -> None:
        self.registry = r = CollectorRegistry()
        self.messages = Counter("streamer_messages", "Messages received from gateways", registry=r)
        self.events = Counter(
            "streamer_events", "Events by what they counted as", ["tally"], registry=r
        )
        self.refused = Counter(
            "streamer_refused", "Input that was not accepted", ["reason"], registry=r
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
        self.published = Counter(
            "streamer_published", "Messages that the broker took over", registry=r
        )
        self.publish_refused = Counter(
            "streamer_publish_refused", "Messages that the broker refused", registry=r
        )
        self.outdated = Counter(
            "streamer_outdated_commits", "Results given up because the subject changed", registry=r
        )
        self.reconnects = Counter("streamer_broker_connects", "Connections made", registry=r)
        self.redis_errors = Counter(
            "streamer_redis_errors", "Calls that Redis did not answer", registry=r
        )
        self.connected = Gauge("streamer_broker_connected", "1 while connected", registry=r)
        self.redis_up = Gauge("streamer_redis_up", "1 while Redis answers", registry=r)
        self.journal_lines = Counter(
            "streamer_journal_lines", "Lines written to the journal", registry=r
        )
        self.journal_lost_lines = Counter(
            "streamer_journal_lost_lines", "Lines that could not be written", registry=r
        )
        self.journal_well = Gauge(
            "streamer_journal_well", "0 while the journal cannot be written", registry=r
        )
        self.waiting_out = Gauge(
            "streamer_outbox_messages", "Messages not yet taken over by the broker", registry=r
        )
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
        self.air_flooded_seconds = Counter(
            "streamer_air_flooded_seconds",
            "Time on the air that sending them on every other repeater would have taken",
            registry=r,
        )
        self.gateway_up = Gauge(
            "streamer_gateway_up", "1 while a gateway reports", ["gateway"], registry=r
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
        self._of_alerts(r)
        self.heard_to_carried_seconds = Histogram(
            "streamer_heard_to_carried_seconds",
            "From the keying that called for a group on a repeater to its being carried there",
            ["repeater"],
            buckets=_LATENCY_S,
            registry=r,
        )

    def _of_alerts(self, r: CollectorRegistry) -> None:
        self.alerts = Gauge("streamer_alerts", "Open alerts by kind", ["kind"], registry=r)
        self.alerts_held = Gauge(
            "streamer_alerts_held", "Trouble that another alert explains", registry=r
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
