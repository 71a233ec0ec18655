"""The rules of Prometheus. The alerts about members, gateways and repeaters are the workers' own;
these watch the watchers, and what they stand on.

How much and how long is common practice, no source, where nothing else is said; what was chosen is
judged by `dashboards/rules_test.yml`.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from dashboards.make.ask import BOARDS, JOB, grown, metric, process, quantile, same
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


_CRITICAL, _WARNING, _NONE = Severity.CRITICAL, Severity.WARNING, Severity.NONE
_FILLED: Final = f"{metric('redis_memory_bytes')} / {metric('redis_memory_limit_bytes')}"
_OFFSETS: Final = same("clock_offset_seconds", "gateway")

OF_WORKERS: Final = [
    _rule("Watchdog", _NONE, "vector(1)", "0s",
          "Always there: who no longer gets it has no alerts",
          "Send it to something outside that tells you when it stays away."),
    _rule("NoWorker", _CRITICAL, f'absent(up{{job="{JOB}"}} == 1)', "30s",
          "No worker answers: nothing is followed, nobody is told of anything",
          "Look at the machine, then start the workers under the same names; nothing is lost while "
          "the broker holds their messages."),
    _rule("WorkerSilent", _CRITICAL, f'up{{job="{JOB}"}} == 0', "1m",
          "Worker {{ $labels.instance }} does not answer",
          "Start it again under the same name; the broker keeps its messages for that name."),
    _rule("WorkerStuck", _CRITICAL, f"{metric('loop_age_seconds')} > 30", "1m",
          "Worker {{ $labels.instance }} answers but does no work",
          "Read its log, then start it again; what it had not acknowledged comes again."),
    _rule("WorkerRestarts", _WARNING,
          f"changes({process('process_start_time_seconds')}[30m]) > 2", "0s",
          "Worker {{ $labels.instance }} starts again and again",
          "Its log says why it ended each time, in its last lines before `worker starts`."),
    _rule("EventsLate", _WARNING, f"{quantile(0.5, 'event_age_seconds', '10m')} > 60", "15m",
          "Half of all batches hold keyings older than a minute",
          "See whether one gateway sends a backlog (fine), or all are late (workers, Redis)."),
    _rule("ServerClockWrong", _CRITICAL, f"abs(quantile(0.5, {_OFFSETS})) > 2", "5m",
          "Most gateways are off from this server's clock by the same: it is the server's that is "
          "wrong",
          "Look at time synchronisation on the workers' machines (`chronyc tracking`, "
          "`timedatectl`), not at the gateways."),
]  # fmt: skip

OF_REDIS: Final = [
    _rule("RedisAway", _CRITICAL, f"{metric('redis_up')} == 0", "30s",
          "Worker {{ $labels.instance }} holds its messages because Redis does not answer",
          "Look at Redis first (memory, disk, rights); nothing is lost while messages wait."),
    _rule("RedisUnsteady", _WARNING, f"{grown('redis_errors', '10m')} > 10", "0s",
          "Redis often does not answer worker {{ $labels.instance }}",
          "`redis-cli latency latest` and Redis' own log: slow disk, swapping, failovers."),
    _rule("RedisFilling", _WARNING, f"max({_FILLED}) > 0.75", "15m",
          "Redis uses three quarters of the memory that it may use",
          "`redis-cli info memory`; give it more, or keep less (`[privacy]`, `expire_after_s`)."),
    _rule("RedisFull", _CRITICAL, f"max({_FILLED}) > 0.92", "1m",
          "Redis is nearly full: then it refuses writes and all work stands still",
          "`redis-cli config set maxmemory` upwards now if the machine has room; it never throws "
          "anything away by itself."),
    _rule("RedisNotDurable", _WARNING, f"min({metric('redis_durable')}) == 0", "5m",
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
          "Look at the broker and at the worker's account; agents keep events on disk."),
    _rule("BrokerUnsteady", _WARNING, f"{grown('reconnects', '10m')} > 5", "0s",
          "Worker {{ $labels.instance }} connects to the broker again and again",
          "Two workers under one name cut each other off: each needs its own. Else read the "
          "broker's log."),
    _rule("BrokerDrops", _CRITICAL, f"max({grown('broker_dropped', '10m')}) > 0", "0s",
          "The broker throws messages away",
          "Raise max_queued_messages (configs/mosquitto.conf); see who is absent or slow."),
    _rule("BrokerBacklog", _WARNING, f"{same('broker_stored_messages')} > 100000", "15m",
          "The broker holds more than 100,000 messages",
          "Somebody does not take his: a worker that is absent or slow, or a board, see "
          "streamer_broker_clients."),
    _rule("BrokerCertificateEnds", _WARNING,
          f"(min({metric('broker_certificate_end_seconds')}) - time()) / 86400 < 14", "1h",
          "The broker's certificate ends in {{ $value | humanize }} days; then no gateway can "
          "connect",
          "Make a new one (configs/README.md, accounts and certificates) and send the broker "
          "SIGHUP."),
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
          f"sum by (reason) (rate({metric('refused')}[10m])) > 0.1", "10m",
          "Gateways send input that is not accepted ({{ $labels.reason }})",
          "`streamer refused` names the gateways and says what is wrong."),
    _rule("GatewayFloods", _WARNING,
          f"sum by (gateway) ({grown('flooded', '10m')}) > 0", "0s",
          "Gateway {{ $labels.gateway }} sends more than is accepted",
          "Call its keeper; if it goes on, revoke its account (configs/README.md, attack)."),
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
    _rule("BoardSilent", _WARNING, f'up{{job="{BOARDS}"}} == 0', "2m",
          "Board {{ $labels.instance }} does not answer",
          "Start it again; it holds nothing that could be lost."),
    _rule("BoardBlind", _WARNING, f"{metric('board_broker_connected')} == 0", "2m",
          "Board {{ $labels.instance }} does not read the broker: what it shows is old",
          "Look at the broker and at the board's account."),
    _rule("BoardGuessed", _WARNING, f"{grown('board_sign_in_failures', '10m')} > 50", "0s",
          "Somebody tries names and passwords at board {{ $labels.instance }}",
          "Its log has the addresses; shut them out before the board."),
]  # fmt: skip

OF_ALERTS: Final = [
    _rule("BeatLost", _CRITICAL, f"{same('beats_missing')} >= {MISSED}", "30s",
          "The way of alerts does not work: nobody would be told of anything",
          "See whether a worker runs and Redis answers; its log says what goes wrong."),
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
