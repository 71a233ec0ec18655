"""Pieces of queries, checked against the list of metrics: a name or a label that does not exist is
an error here, and not an empty picture at night."""

from typing import Final

from streamer.board.metrics import BoardNow, families
from streamer.worker.metrics import Described, Metrics, described, named

LIST: Final = described(Metrics()) | {
    family.name.removeprefix("streamer_"): Described(
        named(family), family.type, (), family.documentation
    )
    for family in families(BoardNow())
}
"""The workers' by their attribute, the board's by their name: `board_streams`."""
OF_PROMETHEUS: Final = ("job", "instance")
"""Labels that Prometheus itself puts on whatever it scrapes."""
OF_PROCESSES: Final = (
    "process_cpu_seconds_total",
    "process_max_fds",
    "process_open_fds",
    "process_resident_memory_bytes",
    "process_start_time_seconds",
)
"""What the client library says of every process (prometheus_client, ProcessCollector)."""
JOB: Final = "streamer"
"""The name under which Prometheus scrapes the workers."""
BOARDS: Final = "streamer-board"
"""And boards."""
OF_WATCHERS: Final = {
    "alertmanager_notifications_failed_total": "alertmanager",
    "prometheus_notifications_dropped_total": "prometheus",
}
"""What Alertmanager and Prometheus say of themselves, and the names under which they are scraped
(configs/compose/prometheus.yml). Source: their own /metrics, which a test asks."""


def metric(attribute: str, **labels: str) -> str:
    """A selector: `metric("events", tally="heard")` is `streamer_events_total{tally="heard"}`.

    `attribute` is the name in `Metrics`. A value that begins with `~` is a regular expression; `!`
    is what the label must not be.
    Raises ValueError for what is not in the list.
    """
    return _selector(_known(attribute).name, _known(attribute), labels)


def process(name: str) -> str:
    """A selector for one of OF_PROCESSES of the workers. Raises ValueError for others."""
    if name not in OF_PROCESSES:
        raise ValueError(f"{name}: not among OF_PROCESSES")
    return f'{name}{{job="{JOB}"}}'


def watcher(name: str) -> str:
    """A selector for one of OF_WATCHERS. Raises ValueError for others."""
    if name not in OF_WATCHERS:
        raise ValueError(f"{name}: not among OF_WATCHERS")
    return f'{name}{{job="{OF_WATCHERS[name]}"}}'


def rate(attribute: str, span: str = "$__rate_interval", **labels: str) -> str:
    """How much a counter grows a second, over a span of time."""
    return f"rate({_counter(attribute, labels)}[{span}])"


def grown(attribute: str, span: str, **labels: str) -> str:
    """How much a counter has grown within a span of time."""
    return f"increase({_counter(attribute, labels)}[{span}])"


def quantile(q: float, attribute: str, span: str = "$__rate_interval", by: str = "") -> str:
    """A quantile of a histogram, all workers together; `by` keeps one of its labels."""
    known = _known(attribute)
    if known.kind != "histogram" or (by and by not in known.labels):
        raise ValueError(f"{attribute}: no histogram by {by!r} in the list of metrics")
    kept = f"le, {by}" if by else "le"
    return f"histogram_quantile({q:g}, sum by ({kept}) (rate({known.name}_bucket[{span}])))"


def same(attribute: str, *labels: str, **chosen: str) -> str:
    """A figure of the region: every worker tells the same, so any worker's will do."""
    wrong = set(labels) - set(_known(attribute).labels)
    if wrong:
        raise ValueError(f"{attribute}: has no label {sorted(wrong)[0]}")
    by = f" by ({', '.join(labels)})" if labels else ""
    return f"max{by} ({metric(attribute, **chosen)})"


def _known(attribute: str) -> Described:
    if attribute not in LIST:
        raise ValueError(f"{attribute}: not in the list of metrics (streamer/worker/metrics.py)")
    return LIST[attribute]


def _counter(attribute: str, labels: dict[str, str]) -> str:
    if _known(attribute).kind != "counter":
        raise ValueError(f"{attribute}: is a {_known(attribute).kind}, not a counter")
    return metric(attribute, **labels)


def _selector(name: str, known: Described, labels: dict[str, str]) -> str:
    wrong = set(labels) - {*known.labels, *OF_PROMETHEUS}
    if wrong:
        raise ValueError(f"{known.name}: has no label {sorted(wrong)[0]}")
    parts = [f"{label}{_compared(value)}" for label, value in labels.items()]
    return f"{name}{{{', '.join(parts)}}}" if parts else name


def _compared(value: str) -> str:
    how = {"~": "=~", "!": "!="}.get(value[:1])
    return f'{how}"{value[1:]}"' if how else f'="{value}"'
