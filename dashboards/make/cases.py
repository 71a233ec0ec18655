"""What each rule must do with invented series: when it fires and when not. `rules_test.yml` is
made of these, and `promtool test rules` runs it."""

import re
from dataclasses import dataclass, field
from typing import Final

from dashboards.make.ask import BOARDS, JOB, metric, process, watcher
from dashboards.make.rules import RULES, Rule

A, B = {"job": JOB, "instance": "a"}, {"job": JOB, "instance": "b"}
"""Two workers."""
BOARD = {"job": BOARDS, "instance": "c"}
BOARD_TOO = {"job": BOARDS, "instance": "d"}
AM = {"job": "alertmanager"}


@dataclass(frozen=True, slots=True)
class Expected:
    """At a time after the begin: the labels of each alert that stands, or none. `values`: what the
    texts of each say of its value."""

    at: str
    alerts: tuple[dict[str, str], ...] = ()
    values: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Case:
    """Series in promtool's notation: `1x10` is 1 and then ten times the same, a step a minute."""

    name: str
    series: dict[str, str]
    expected: tuple[Expected, ...]
    step: str = field(default="1m")


def _of(selector: str, labels: dict[str, str]) -> str:
    """A series: a selector with more labels."""
    name, _, has = selector.partition("{")
    parts = [part for part in has.rstrip("}").split(", ") if part and not part.startswith("job=")]
    parts += [f'{key}="{value}"' for key, value in labels.items()]
    return f"{name}{{{', '.join(parts)}}}"


def _m(attribute: str, worker: dict[str, str], **labels: str) -> str:
    return _of(metric(attribute, **labels), worker)


def _up(worker: dict[str, str]) -> str:
    return _of("up", worker)


def _buckets(count_a_minute: dict[str, int]) -> dict[str, str]:
    """A histogram of event ages that grows by so much in each bucket a minute."""
    name = metric("event_age_seconds")
    return {
        _of(f"{name}_bucket", {**A, "le": le}): f"0+{count}x60"
        for le, count in count_a_minute.items()
    }


UNKNOWN: Final = " ".join(["NaN"] * 71)
"""What is not known yet, a minute each."""

CLOCKS: Final = {
    _m("clock_offset_seconds", A, gateway=name): value
    for name, value in (
        ("ridge", "0 3x20"),
        ("lake", "0 2.5x20"),
        ("moor", "0 3.1x20"),
        ("cape", "0x21"),
    )
}
"""A server whose clock goes wrong after a minute, as its gateways see it."""

CASES: Final = [
    Case("Watchdog", {_up(A): "0x5"}, (Expected("0m", ({},)), Expected("5m", ({},)))),
    Case("NoWorker", {_up(A): "1x2 0x10", _up(B): "1 0x20"},
         (Expected("2m"), Expected("4m", ({},)))),
    Case("NoWorker", {_up(A): "1x2 _x20"}, (Expected("2m"), Expected("9m", ({},)))),
    Case("WorkerSilent", {_up(A): "1x2 0x10", _up(B): "1x12"},
         (Expected("3m"), Expected("5m", (A,)))),
    Case("WorkerStuck", {_m("loop_age_seconds", A): "0x2 35+60x10",
          _m("loop_age_seconds", B): "29x12"},
         (Expected("3m"), Expected("5m", (A,)))),
    Case("WorkerRestarts",
         {_of(process("process_start_time_seconds"), A): "1 2 3 4x40",
          _of(process("process_start_time_seconds"), B): "1 2 3x41"},
         (Expected("2m"), Expected("3m", (A,)), Expected("42m"))),
    Case("EventsLate", _buckets({"30": 4, "60": 4, "300": 10, "+Inf": 10}),
         (Expected("10m"), Expected("20m", ({},)))),
    Case("EventsLate", _buckets({"30": 6, "60": 6, "300": 10, "+Inf": 10}), (Expected("30m"),)),
    Case("EventsVeryLate", _buckets({"60": 4, "300": 4, "3600": 10, "+Inf": 10}),
         (Expected("5m"), Expected("11m", ({},)))),
    Case("EventsVeryLate", _buckets({"60": 0, "300": 10, "3600": 10, "+Inf": 10}),
         (Expected("30m"),)),
    Case("ServerClockWrong", CLOCKS, (Expected("10m"), Expected("12m", ({},)))),
    Case("ServerClockWrong", {**CLOCKS, **_buckets({"10": 6, "30": 10, "+Inf": 10})},
         (Expected("12m", ({},)),)),
    Case("ServerClockWrong", {**CLOCKS, **_buckets({"10": 0, "30": 10, "+Inf": 10})},
         (Expected("20m"),)),  # messages are late: that is what makes clocks look wrong
    Case("ServerClockWrong",
         {_m("clock_offset_seconds", A, gateway=name): value for name, value in
          (("ridge", "40x20"), ("lake", "0x20"), ("moor", "0.1x20"))}, (Expected("15m"),)),
    Case("RedisAway", {_m("redis_up", A): "1 0x10", _m("redis_up", B): "1x11"},
         (Expected("1m"), Expected("2m", (A,)))),
    Case("RedisUnsteady", {_m("redis_errors", A): "0 12x30", _m("redis_errors", B): "0 8x30"},
         (Expected("0m"), Expected("10m", (A,)), Expected("12m"))),
    Case("RedisFilling",
         {_m("redis_memory_bytes", A): "7x5 8x30", _m("redis_memory_limit_bytes", A): "10x35"},
         (Expected("15m"), Expected("22m", ({},)))),
    Case("RedisFilling",
         {_m("redis_memory_bytes", A): UNKNOWN, _m("redis_memory_limit_bytes", A): UNKNOWN},
         (Expected("30m"),)),
    Case("RedisFull",
         {_m("redis_memory_bytes", A): "90x5 93x30", _m("redis_memory_limit_bytes", A): "100x35"},
         (Expected("5m"), Expected("7m", ({},)))),
    Case("RedisNotDurable", {_m("redis_durable", A): "1x2 0x10", _m("redis_durable", B): UNKNOWN},
         (Expected("5m"), Expected("8m", ({},)))),
    Case("RedisNotDurable", {_m("redis_durable", A): UNKNOWN}, (Expected("12m"),)),
    Case("RedisReplicasMissing",
         {_m("redis_replicas_missing", A): "0x2 1x10", _m("redis_replicas_missing", B): "0x12"},
         (Expected("2m"), Expected("4m", ({},)))),
    Case("BrokerAway", {_m("connected", A): "1 0x10", _m("connected", B): "1x10"},
         (Expected("1m"), Expected("2m", (A,)))),
    Case("BrokerUnsteady", {_m("reconnects", A): "1+1x20", _m("reconnects", B): "1 2 3 3x20"},
         (Expected("2m"), Expected("10m", (A,)))),
    Case("BrokerDrops", {_m("broker_dropped", A): "0x3 2x20", _m("broker_dropped", B): "0x3 2x20"},
         (Expected("3m"), Expected("4m", ({},)), Expected("14m"))),
    Case("BrokerBacklog", {_m("broker_stored_messages", A): "900x5 120000x30"},
         (Expected("10m"), Expected("21m", ({},)))),
    Case("BrokerCertificateEnds",
         {_m("broker_certificate_end_seconds", A): f"{10 * 86400}x70",
          _m("broker_certificate_end_seconds", B): UNKNOWN},
         (Expected("30m"), Expected("60m", ({},), ("9.958",)))),
    Case("BrokerCertificateEnds", {_m("broker_certificate_end_seconds", A): f"{15 * 86400}x70"},
         (Expected("70m"),)),
    Case("BrokerCertificateLastDays", {_m("broker_certificate_end_seconds", A): f"{2 * 86400}x70"},
         (Expected("5m"), Expected("10m", ({},), ("1.993",)))),
    Case("BrokerCertificateLastDays", {_m("broker_certificate_end_seconds", A): f"{4 * 86400}x70"},
         (Expected("70m"),)),
    # 800 and 700 MiB; the rule begins at seven tenths of 1 GiB, which are 716.8.
    Case("BrokerMemory",
         {_m("broker_memory_bytes", A): f"0x5 {800 * 1024**2}x20",
          _m("broker_memory_bytes", B): UNKNOWN},
         (Expected("9m"), Expected("11m", ({},), ("800Mi",)))),
    Case("BrokerMemory", {_m("broker_memory_bytes", A): f"{700 * 1024**2}x20"},
         (Expected("20m"),)),
    Case("BrokerConnections",
         {_m("broker_clients", A, presence="connected"): "6400x5 6401x20",
          _m("broker_clients", A, presence="absent"): "9000x25"},
         (Expected("9m"), Expected("11m", ({},), ("6401",)))),
    Case("PublishRefused", {_m("publish_refused", A): "0 0 1x20", _m("publish_refused", B): "0x20"},
         (Expected("1m"), Expected("2m", (A,)), Expected("13m"))),
    Case("OutboxGrows", {_m("waiting_out", A): "0x5 1500x20"},
         (Expected("9m"), Expected("11m", ({},)))),
    Case("InputRefused",
         {_m("refused", A, reason="shape"): "0+5x60", _m("refused", B, reason="shape"): "0+5x60",
          _m("refused", A, reason="late"): "0+5x60", _m("refused", A, reason="flood"): "0+900x60"},
         (Expected("5m"), Expected("20m", ({"reason": "shape"},)))),
    # 120 gateways, one message each in ten minutes: 12 a minute.
    Case("InputRefused",
         {**{_m("gateway_up", A, gateway=f"g{n}"): "1x60" for n in range(120)},
          _m("refused", A, reason="shape"): "0+11x60", _m("refused", A, reason="late"): "0+13x60"},
         (Expected("20m", ({"reason": "late"},)),)),
    Case("GatewayFloods",
         {_m("flooded", A, gateway="ridge"): "0 300x20", _m("flooded", A, gateway="lake"): "0x20"},
         (Expected("0m"), Expected("1m", ({"gateway": "ridge"},)), Expected("12m"))),
    Case("JournalNotWritten", {_m("journal_well", A): "1 0x10", _m("journal_well", B): "1x10"},
         (Expected("1m"), Expected("2m", (A,)))),
    Case("JournalDiskFilling",
         {_m("journal_disk_free_ratio", A): "0.2x5 0.09x30",
          _m("journal_disk_free_ratio", B): UNKNOWN},
         (Expected("15m"), Expected("22m", (A,)))),
    Case("NoBoard",
         {_up(BOARD): "1x20", _m("board_broker_connected", BOARD): "1x2 0x20",
          _up(BOARD_TOO): "1x5 0x20", _m("board_broker_connected", BOARD_TOO): "1x5 _x20"},
         (Expected("7m"), Expected("8m", ({},)))),
    Case("NoBoard",
         {_up(BOARD): "0x20", _up(BOARD_TOO): "1x20",
          _m("board_broker_connected", BOARD_TOO): "1x20"},
         (Expected("20m"),)),
    Case("NoBoard", {_up(A): "1x20"}, (Expected("20m"),)),
    Case("BoardSilent", {_up(BOARD): "1x2 0x10", _up(A): "1x12"},
         (Expected("4m"), Expected("6m", (BOARD,)))),
    Case("BoardBlind", {_m("board_broker_connected", BOARD): "1x2 0x10"},
         (Expected("4m"), Expected("6m", (BOARD,)))),
    Case("BoardGuessed", {_m("board_sign_in_failures", BOARD): "0+1x20 80 80x20"},
         (Expected("19m"), Expected("22m", (BOARD,)), Expected("35m"))),
    Case("AlertmanagerAway", {_up(AM): "1x2 0x10"},
         (Expected("3m"), Expected("5m", ({},)))),
    Case("AlertmanagerAway",
         {_up(AM): "1x30", watcher("prometheus_notifications_dropped_total"): "0x5 3x30"},
         (Expected("5m"), Expected("8m", ({},)), Expected("14m"))),
    Case("AlertmanagerTellsBadly",
         {_of(watcher("alertmanager_notifications_failed_total"), {**AM, "integration": way}): count
          for way, count in (("email", "0x3 1x20"), ("webhook", "0x23"))},
         (Expected("3m"), Expected("4m", ({"integration": "email"},)), Expected("15m"))),
    Case("BeatLost", {_m("beats_missing", A): "0 1 2 3x10"},
         (Expected("3m"), Expected("4m", ({},)))),
    Case("AlertsNotDelivered",
         {_m("delivery_well", A, channel="mail"): "1 0x10",
          _m("delivery_well", B, channel="mail"): "1x10",
          _m("delivery_well", A, channel="hook"): "1x10"},
         (Expected("2m"), Expected("4m", ({"channel": "mail"},)))),
    Case("AlertsGivenUp",
         {_m("parcels", A, channel="mail", outcome="dead"): "0 1x70",
          _m("parcels", A, channel="mail", outcome="delivered"): "0+1x70",
          _m("parcels", A, channel="hook", outcome="dead"): "0x70"},
         (Expected("0m"), Expected("1m", ({"channel": "mail"},)), Expected("62m"))),
]  # fmt: skip


def rule_of(case: Case) -> Rule:
    (found,) = [rule for rule in RULES if rule.name == f"Streamer{case.name}"]
    return found


def tests_file() -> dict[str, object]:
    """The content of `rules_test.yml`, for `promtool test rules` in its folder."""
    return {
        "rule_files": ["rules.yml"],
        "evaluation_interval": "1m",
        "tests": [_as_yaml(case) for case in CASES],
    }


def _as_yaml(case: Case) -> dict[str, object]:
    rule = rule_of(case)
    return {
        "interval": case.step,
        "input_series": [{"series": s, "values": v} for s, v in case.series.items()],
        "alert_rule_test": [
            {
                "eval_time": expected.at,
                "alertname": rule.name,
                "exp_alerts": [
                    _alert(rule, labels, expected.values[n] if expected.values else "")
                    for n, labels in enumerate(expected.alerts)
                ],
            }
            for expected in case.expected
        ],
    }


def _alert(rule: Rule, labels: dict[str, str], value: str) -> dict[str, object]:
    def filled(text: str) -> str:
        text = re.sub(r"\{\{ \$labels\.(\w+) \}\}", lambda m: labels[m[1]], text)
        return re.sub(r"\{\{ \$value[^}]*\}\}", value, text)

    return {
        "exp_labels": {"severity": rule.severity.value, **labels},
        "exp_annotations": {key: filled(text) for key, text in rule.annotations.items()},
    }
