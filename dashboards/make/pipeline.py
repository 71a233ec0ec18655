"""The dashboard of the way of an event: from the broker through the workers into Redis and out."""

from typing import Final

from dashboards.make.ask import BOARDS, JOB, grown, metric, process, quantile, rate, same
from dashboards.make.panels import Dashboard, Lines, Number, Panel, Query

_UP: Final = f'up{{job="{JOB}"}}'
_EACH: Final = "{{instance}}"
_TLS: Final = "a broker with TLS"
_BROKER: Final = "a broker that says it, as Mosquitto does"
_QUANTILES: Final = {0.5: "median", 0.95: "95 of 100", 0.99: "99 of 100"}


def _quantiles(attribute: str) -> tuple[Query, ...]:
    return tuple(Query(quantile(q, attribute), words) for q, words in _QUANTILES.items())


def _each(attribute: str, **labels: str) -> Query:
    """Of each worker."""
    return Query(metric(attribute, **labels), _EACH)


_NOW: Final = [
    Number("Workers that answer", "Of those that Prometheus asks.",
           (Query(f"sum({_UP})", "answer"), Query(f"count({_UP})", "asked"))),
    Number("Workers with Redis", "Without it they hold what comes, and lose nothing.",
           (Query(f"sum({metric('redis_up')})"),), bad_below=1),
    Number("Workers with the broker", "Without it agents keep events on disk.",
           (Query(f"sum({metric('connected')})"),), bad_below=1),
    Number("Events a second", "All that were counted, known ones too.",
           (Query(f"sum({rate('events')})"),)),
    Number("Waiting to go out", "Messages that the broker has not taken over yet.",
           (Query(same("waiting_out")),), bad_from=1000),
    Number("Redis memory", "Of the fullest node, of what it may use at most.",
           (Query(f"max({metric('redis_memory_bytes')} / {metric('redis_memory_limit_bytes')})"),),
           unit="percentunit", bad_from=0.75),
]  # fmt: skip

_IN: Final = [
    Lines("Messages a second", "From gateways, by the worker that took them over.",
          (Query(rate("messages"), _EACH),)),
    Lines("Events a second by tally", "What they counted as. A duplicate was counted before.",
          (Query(f"sum by (tally) ({rate('events')})", "{{tally}}"),), stacked=True),
    Lines("Refused a second by reason", "`streamer refused` says who sent it and what is wrong.",
          (Query(f"sum by (reason) ({rate('refused')})", "{{reason}}"),)),
    Lines("Refused for flooding", "Messages a second of gateways that send more than is accepted.",
          (Query(f"topk(10, sum by (gateway) ({rate('flooded')}))", "{{gateway}}"),)),
    Lines("Events in a batch", "The more is waiting, the larger they are.",
          _quantiles("batch_events")),
    Lines("Time for a batch", "From its decoding to its acknowledgement.",
          _quantiles("batch_seconds"), unit="s"),
    Lines("Age of events", "Of the oldest keying of each batch: a backlog makes it high.",
          _quantiles("event_age_seconds"), unit="s"),
    Lines("Results given up", "The subject changed while it was looked at; it is looked at again.",
          (Query(f"sum({rate('outdated')})"),)),
]  # fmt: skip

_OUT: Final = [
    Lines("Published a second", "What the broker has taken over.",
          (Query(rate("published"), _EACH),)),
    Lines("Waiting to go out", "Messages that the broker has not taken over yet.",
          (Query(same("waiting_out"), "messages"),)),
    Lines("Refused by the broker", "A second. The worker's log names the topic.",
          (Query(rate("publish_refused"), _EACH),)),
]  # fmt: skip

_BROKER_ROW: Final = [
    Lines("Connected", "1 while a worker has a connection.", (_each("connected"),)),
    Lines("Connections made", "In ten minutes. Many: two workers share a name, or the line fails.",
          (Query(f"increase({metric('reconnects')}[10m])", _EACH),)),
    Lines("Clients", "Absent ones have a session that fills.",
          (Query(same("broker_clients", "presence"), "{{presence}}", _BROKER),)),
    Lines("Messages held", "By the broker, retained ones among them.",
          (Query(same("broker_stored_messages"), "held", _BROKER),)),
    Lines("Memory of the broker", "What it has taken, without that of TLS.",
          (Query(same("broker_memory_bytes"), "taken", _BROKER),), unit="bytes"),
    Lines("Thrown away", "By the broker, in ten minutes. Each is a loss.",
          (Query(f"max(increase({metric('broker_dropped')}[10m]))", "messages"),)),
    Number("Certificate", "Days until the one that the broker shows ends.",
           (Query(f"(min({metric('broker_certificate_end_seconds')}) - time()) / 86400",
                  "", _TLS),),
           unit="d", bad_below=14, width=8),
]  # fmt: skip

_REDIS: Final = [
    Lines("Answers", "1 while Redis answers a worker.", (_each("redis_up"),)),
    Lines("Not answered", "Calls a second.", (Query(rate("redis_errors"), _EACH),)),
    Lines("Memory", "Of the fullest node, and what it may use at most.",
          (Query(same("redis_memory_bytes"), "used"),
           Query(same("redis_memory_limit_bytes"), "limit")),
          unit="bytes"),
    Lines("Kept on disk", "1 while every node writes to its file.",
          (Query(f"min({metric('redis_durable')})", "durable"),)),
    Lines("Replicas missing", "Of those asked for, at the worst node.",
          (Query(same("redis_replicas_missing"), "missing"),)),
]  # fmt: skip

_PROCESS: Final = [
    Lines("Since the loop went round", "Each worker's; seconds are too long.",
          (_each("loop_age_seconds"),), unit="s"),
    Lines("Memory of workers", "Resident.",
          (Query(process("process_resident_memory_bytes"), _EACH),), unit="bytes"),
    Lines("Processor time", "Seconds in each second; a worker uses one core at most, and a little.",
          (Query(f"rate({process('process_cpu_seconds_total')}[$__rate_interval])", _EACH),)),
    Lines("Journal", "Lines a second that were written and that could not be.",
          (Query(f"sum({rate('journal_lines')})", "written"),
           Query(f"sum({rate('journal_lost_lines')})", "lost"))),
    Lines("Journal's disk", "Share that is free.",
          (Query(f"min({metric('journal_disk_free_ratio')})", "free", "a journal"),),
          unit="percentunit"),
    Lines("Journal well", "0 while it cannot be written.", (_each("journal_well"),)),
]  # fmt: skip

_BOARD: Final = [
    Lines("Boards that answer", "1 while one does.", (Query(f'up{{job="{BOARDS}"}}', _EACH),)),
    Lines("Open pages", "Of each board.", (_each("board_streams"),)),
    Lines("Reads the broker", "1 while it does.", (_each("board_broker_connected"),)),
    Lines("Redis answers it", "1 while it does.", (_each("board_redis_up"),)),
    Lines("Failed to sign in", "In ten minutes.",
          (Query(grown("board_sign_in_failures", "10m"), _EACH),)),
    Lines("Not readable", "Published messages in ten minutes: the board is older than the workers.",
          (Query(grown("board_unreadable", "10m"), _EACH),)),
]  # fmt: skip

_ROWS: Final[list[tuple[str, list[Panel]]]] = [
    ("Now", [*_NOW]),
    ("In", [*_IN]),
    ("Out", [*_OUT]),
    ("Broker", [*_BROKER_ROW]),
    ("Redis", [*_REDIS]),
    ("Workers and journal", [*_PROCESS]),
    ("Boards", [*_BOARD]),
]

PIPELINE: Final = Dashboard(
    "streamer-pipeline",
    "Pipeline",
    "The way of an event, where it waits and what is lost.",
    _ROWS,
)
