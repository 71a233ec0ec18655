"""The rules of Prometheus. The alerts about members, gateways and repeaters are the workers' own;
these watch the watchers, and what they stand on.

How much and how long is common practice, no source, where nothing else is said; what was chosen is
judged by `dashboards/rules_test.yml`.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from dashboards.make.ask import BOARDS, JOB, grown, metric, process, quantile, same, watcher
from streamer.domain.workers import MISSED

RUNBOOK: Final = "dashboards/README.md"


class Severity(StrEnum):
    """Critical: wake somebody. Warning: look at it in the morning. None: not for people."""

    CRITICAL = "critical"
    WARNING = "warning"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Rule:
    """`lasts`: how long `asks` must have found something. `runbook`: what to do first, in a line;
    the heading of the same name in the runbook says more."""

    name: str
    severity: Severity
    asks: str
    lasts: str
    summary: str
    runbook: str

    @property
    def anchor(self) -> str:
        """Where the runbook says more."""
        return f"{RUNBOOK}#{self.name.lower()}"

    @property
    def annotations(self) -> dict[str, str]:
        return {"summary": self.summary, "runbook": self.runbook, "runbook_anchor": self.anchor}


def _rule(name: str, severity: Severity, asks: str, lasts: str, summary: str, first: str) -> Rule:
    return Rule(f"Streamer{name}", severity, asks, lasts, summary, first)


BROKER_CONNECTIONS: Final = 8000
"""`max_connections` for certificates in configs/mosquitto.conf."""
BROKER_MEMORY_BYTES: Final = 1024**3
"""`mem_limit` of the broker in docker-compose.yml."""

_CRITICAL, _WARNING, _NONE = Severity.CRITICAL, Severity.WARNING, Severity.NONE
_FILLED: Final = f"{metric('redis_memory_bytes')} / {metric('redis_memory_limit_bytes')}"
_OFFSETS: Final = same("clock_offset_seconds", "gateway")
_MEDIAN_AGE: Final = quantile(0.5, "event_age_seconds", "5m")
_GATEWAYS: Final = f"(count({same('gateway_up', 'gateway')}) or vector(0))"
_REFUSED_A_GATEWAY: Final = 600
"""One in so many seconds from each gateway is nothing to look at."""
_DAYS_LEFT: Final = f"(min({metric('broker_certificate_end_seconds')}) - time()) / 86400"
_NEW_CERTIFICATE: Final = (
    "`streamer enroll --refresh`, copy the broker's files (configs/README.md) and send the broker "
    "SIGHUP."
)
_CERTIFICATE_ENDS: Final = (
    "The broker's certificate ends in {{ $value | humanize }} days; then no gateway can connect"
)
_BOARDS_UP: Final = f'up{{job="{BOARDS}"}}'
TELL: Final = (
    "Tell net controls by radio: take nobody as watched since HH:MM; hold roll calls by voice."
)
"""What comes first where the picture may stand still: silence looks like calm."""

OF_WORKERS: Final = [
    _rule("Watchdog", _NONE, "vector(1)", "0s",
          "Always there: who no longer gets it has no alerts",
          "Send it to something outside that tells you when it stays away."),
    _rule("NoWorker", _CRITICAL, f'absent(up{{job="{JOB}"}} == 1)', "30s",
          "No worker answers: nothing is followed, nobody is told of anything",
          f"{TELL} Look at the machine, then start the workers under the same names; nothing is "
          "lost while the broker holds their messages."),
    _rule("WorkerSilent", _CRITICAL, f'up{{job="{JOB}"}} == 0', "1m",
          "Worker {{ $labels.instance }} does not answer",
          f"{TELL} Start it again under the same name; the broker keeps its messages for that "
          "name."),
    _rule("WorkerStuck", _CRITICAL, f"{metric('loop_age_seconds')} > 30", "1m",
          "Worker {{ $labels.instance }} answers but does no work",
          f"{TELL} Read its log, then start it again; what it had not acknowledged comes again."),
    _rule("WorkerRestarts", _WARNING,
          f"changes({process('process_start_time_seconds')}[30m]) > 2", "0s",
          "Worker {{ $labels.instance }} starts again and again",
          "Its log says why it ended each time, in its last lines before `worker starts`."),
    _rule("EventsLate", _WARNING, f"{quantile(0.5, 'event_age_seconds', '10m')} > 60", "15m",
          "Half of all batches hold keyings older than a minute",
          f"{TELL} See whether one gateway sends a backlog (fine), or all are late (workers, "
          "Redis)."),
    _rule("EventsVeryLate", _CRITICAL, f"{_MEDIAN_AGE} > 300", "5m",
          "Half of all batches hold keyings older than five minutes: members are judged by what is "
          "old",
          f"{TELL} See whether all are late (workers, Redis, the broker) or one gateway sends a "
          "backlog."),
    # What delays messages makes clocks look wrong (half the delay), so it is not judged then.
    _rule("ServerClockWrong", _CRITICAL,
          f"abs(quantile(0.5, {_OFFSETS})) > 2 unless on () {_MEDIAN_AGE} > 15", "10m",
          "Most gateways are off from this server's clock by the same: it is the server's that is "
          "wrong",
          f"{TELL} Look at time synchronisation on the workers' machines (`chronyc tracking`, "
          "`timedatectl`), not at the gateways."),
]  # fmt: skip

OF_REDIS: Final = [
    _rule("RedisAway", _CRITICAL, f"{metric('redis_up')} == 0", "30s",
          "Worker {{ $labels.instance }} holds its messages because Redis does not answer",
          f"{TELL} Look at Redis first (memory, disk, rights); nothing is lost while messages "
          "wait."),
    _rule("RedisUnsteady", _WARNING, f"{grown('redis_errors', '10m')} > 10", "0s",
          "Redis often does not answer worker {{ $labels.instance }}",
          "`redis-cli latency latest` and Redis' own log: slow disk, swapping, failovers."),
    _rule("RedisFilling", _WARNING, f"max({_FILLED}) > 0.75", "15m",
          "Redis uses three quarters of the memory that it may use",
          "`redis-cli info memory`; give it more, or keep less (`[privacy]`; not "
          "`expire_after_s`: silent members would no longer be counted)."),
    _rule("RedisFull", _CRITICAL, f"max({_FILLED}) > 0.92", "1m",
          "Redis is nearly full: then it refuses writes and all work stands still",
          "`config set maxmemory` upwards now if the machine (or the container) has twice as much; "
          "it never throws anything away by itself."),
    _rule("RedisNotDurable", _CRITICAL, f"min({metric('redis_durable')}) == 0", "5m",
          "Redis does not keep its writes on disk: a restart would lose them",
          "`redis-cli config get appendonly` must say yes; `redis-cli info persistence` says why "
          "writing fails."),
    _rule("RedisReplicasMissing", _WARNING, f"{same('redis_replicas_missing')} > 0", "1m",
          "A Redis node has fewer replicas than the region file asks for",
          "Bring the replica back: if this master dies now, its newest writes may be lost."),
]  # fmt: skip

OF_BROKER: Final = [
    _rule("BrokerAway", _CRITICAL, f"{metric('connected')} == 0", "1m",
          "Worker {{ $labels.instance }} has no connection to the broker",
          f"{TELL} Look at the broker and at the worker's account; agents keep events on "
          "disk."),
    _rule("BrokerUnsteady", _WARNING, f"{grown('reconnects', '10m')} > 5", "0s",
          "Worker {{ $labels.instance }} connects to the broker again and again",
          "Two workers under one name cut each other off: each needs its own. Else read the "
          "broker's log."),
    _rule("BrokerDrops", _CRITICAL, f"max({grown('broker_dropped', '10m')}) > 0", "0s",
          "The broker throws messages away",
          f"{TELL} Raise max_queued_messages (configs/mosquitto.conf); see who is absent or slow."),
    _rule("BrokerBacklog", _WARNING, f"{same('broker_stored_messages')} > 100000", "15m",
          "The broker holds more than 100,000 messages",
          "Somebody does not take his: a worker that is absent or slow, or a board, see "
          "streamer_broker_clients."),
    _rule("BrokerMemory", _CRITICAL,
          f"{same('broker_memory_bytes')} > {round(0.7 * BROKER_MEMORY_BYTES)}", "5m",
          "The broker holds {{ $value | humanize1024 }}B in memory: ended for want of memory, it "
          "loses what it has not yet written",
          "See who is absent (streamer_broker_clients) and bring him back, or empty his share "
          "(`--drain`); or give the broker more memory."),
    _rule("BrokerConnections", _WARNING,
          f"{same('broker_clients', presence='connected')} > {BROKER_CONNECTIONS * 8 // 10}",
          "5m",
          "{{ $value }} clients are connected; the broker takes "
          f"{BROKER_CONNECTIONS:,} connections in all",
          "Raise max_connections (configs/mosquitto.conf) and the limit of open files, then "
          "restart the broker."),
    _rule("BrokerCertificateEnds", _WARNING, f"{_DAYS_LEFT} < 14", "1h",
          _CERTIFICATE_ENDS, _NEW_CERTIFICATE),
    _rule("BrokerCertificateLastDays", _CRITICAL, f"{_DAYS_LEFT} < 3", "10m",
          _CERTIFICATE_ENDS, f"Now. {_NEW_CERTIFICATE}"),
    _rule("PublishRefused", _CRITICAL, f"{grown('publish_refused', '10m')} > 0", "0s",
          "The broker refuses what worker {{ $labels.instance }} publishes",
          "The account of the worker lacks rights: its log names the topic."),
    _rule("OutboxGrows", _WARNING,
          f"max(min_over_time({metric('waiting_out')}[5m])) > 1000", "0s",
          "Published state lags behind",
          "See whether the broker refuses the worker's messages (streamer_publish_refused_total)."),
]  # fmt: skip

OF_INPUT: Final = [
    _rule("InputRefused", _WARNING,
          f"sum by (reason) (rate({metric('refused', reason='!flood')}[10m])) "
          f"> scalar(clamp_min({_GATEWAYS} / {_REFUSED_A_GATEWAY}, 0.1))", "10m",
          "Gateways send input that is not accepted ({{ $labels.reason }})",
          "`streamer refused` names the gateways and says what is wrong."),
    _rule("GatewayFloods", _WARNING,
          f"sum by (gateway) ({grown('flooded', '10m')}) > 0", "0s",
          "Gateway {{ $labels.gateway }} floods: much of what it says is refused",
          "Ask its keeper what it sends. Until it ends, call the members last heard there by "
          "another way."),
]  # fmt: skip

OF_JOURNAL: Final = [
    _rule("JournalNotWritten", _WARNING, f"{metric('journal_well')} == 0", "1m",
          "Worker {{ $labels.instance }} cannot write its journal; what it takes in meanwhile is "
          "not recorded",
          "Its log says why (disk full, rights of the folder); the work itself goes on."),
    _rule("JournalDiskFilling", _WARNING, f"{metric('journal_disk_free_ratio')} < 0.1", "15m",
          "The disk of the journal of worker {{ $labels.instance }} is nearly full",
          "Move old files away, or keep less (`keep_days`, `keep_gb` of `[journal]`)."),
]  # fmt: skip

OF_BOARDS: Final = [
    # Of no board at all there is nothing to say: a region may do without.
    _rule("NoBoard", _CRITICAL,
          f"sum({_BOARDS_UP} * on (instance) {metric('board_broker_connected')} "
          f"or {_BOARDS_UP} == 0) == 0", "2m",
          "No board reads the broker: net controls see an old picture or none",
          f"{TELL} Look at the broker and at the boards' logs."),
    _rule("BoardSilent", _WARNING, f'up{{job="{BOARDS}"}} == 0', "2m",
          "Board {{ $labels.instance }} does not answer",
          "Start it again; it holds nothing that could be lost."),
    _rule("BoardBlind", _WARNING, f"{metric('board_broker_connected')} == 0", "2m",
          "Board {{ $labels.instance }} does not read the broker: what it shows is old",
          f"{TELL} Look at the broker and at the board's account."),
    _rule("BoardGuessed", _WARNING, f"{grown('board_sign_in_failures', '10m')} > 50", "0s",
          "Somebody tries names and passwords at board {{ $labels.instance }}",
          "Its log has the addresses; shut them out before the board."),
]  # fmt: skip

OF_ALERTS: Final = [
    _rule("AlertmanagerAway", _CRITICAL,
          'max(up{job="alertmanager"}) == 0 or '
          f"max(increase({watcher('prometheus_notifications_dropped_total')}[5m])) > 0", "1m",
          "Prometheus cannot tell Alertmanager anything: nobody hears of these rules",
          "Look at Alertmanager and the line to it. Who hears of this has it by another way: watch "
          "Prometheus' own page of alerts."),
    _rule("AlertmanagerTellsBadly", _CRITICAL,
          "sum by (integration) (increase("
          f"{watcher('alertmanager_notifications_failed_total')}[10m])) > 0", "0s",
          "Alertmanager could not tell people by {{ $labels.integration }}",
          "Its log says why (address, account, line); tell those people by another way."),
    _rule("BeatLost", _CRITICAL, f"{same('beats_missing')} >= {MISSED}", "30s",
          "The way of alerts does not work: nobody would be told of anything",
          f"{TELL} See whether a worker runs and Redis answers; its log says what goes wrong."),
    _rule("AlertsNotDelivered", _CRITICAL, f"min by (channel) ({metric('delivery_well')}) == 0",
          "2m",
          "Channel {{ $labels.channel }} does not take what it is told about alerts",
          "`streamer channels REGION.toml --send {{ $labels.channel }}` says why; watch the board "
          "meanwhile. What was not taken is sent again."),
    _rule("AlertsGivenUp", _CRITICAL,
          f"sum by (channel) ({grown('parcels', '1h', outcome='dead')}) > 0", "0s",
          "Messages about alerts were given up by channel {{ $labels.channel }}",
          "`streamer channels REGION.toml` says why (address, account, size) and which alerts; "
          "tell those who should have had them."),
]  # fmt: skip

GROUPS: Final = {
    "streamer-workers": OF_WORKERS,
    "streamer-redis": OF_REDIS,
    "streamer-broker": OF_BROKER,
    "streamer-input": OF_INPUT,
    "streamer-journal": OF_JOURNAL,
    "streamer-boards": OF_BOARDS,
    "streamer-alerts": OF_ALERTS,
}
RULES: Final = [rule for rules in GROUPS.values() for rule in rules]


def rules_file() -> dict[str, object]:
    """The content of `rules.yml`."""
    return {
        "groups": [
            {"name": name, "rules": [_as_yaml(rule) for rule in rules]}
            for name, rules in GROUPS.items()
        ]
    }


def _as_yaml(rule: Rule) -> dict[str, object]:
    return {
        "alert": rule.name,
        "expr": rule.asks,
        "for": rule.lasts,
        "labels": {"severity": rule.severity.value},
        "annotations": rule.annotations,
    }
