"""What the rules ask of Prometheus and Alertmanager themselves is there, and Alertmanager's file
does what it says: which alert is not told beside another."""

import json
import re
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from dashboards.make.ask import OF_WATCHERS
from dashboards.make.rules import BROKER_CONNECTIONS, BROKER_MEMORY_BYTES, RULES
from streamer.alerts.channels.alertmanager import BEAT_NAME
from streamer.contract.published import AlertKind
from tests.alerts.channels.test_alertmanager import Alertmanager
from tests.dashboards.prometheus import Prometheus
from tests.servers import wait_until

HERE = Path(__file__).parents[2]
FILE = HERE / "configs/compose/alertmanager.yml"
REGION = "hillcountry"


@pytest.fixture(scope="module")
def manager() -> Iterator[Alertmanager]:
    server = Alertmanager()
    (server.folder / "config.yml").write_text(FILE.read_text())
    server.start()
    yield server
    server.close()


@pytest.fixture(scope="module")
def prometheus() -> Iterator[Prometheus]:
    server = Prometheus([])
    server.start()
    yield server
    server.close()


def metrics_of(port: int) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
        return str(answer.read().decode())


def test_what_is_asked_of_them_they_tell(manager: Alertmanager, prometheus: Prometheus) -> None:
    """Source: their own /metrics (Debian's 0.25.0 and 2.42.0)."""
    told = {"alertmanager": metrics_of(manager.port), "prometheus": metrics_of(prometheus.port)}
    for name, job in OF_WATCHERS.items():
        assert f"\n# TYPE {name} counter\n" in told[job]
    assert (
        '\nalertmanager_notifications_failed_total{integration="email"} 0' in told["alertmanager"]
    )
    jobs = yaml.safe_load((HERE / "configs/compose/prometheus.yml").read_text())["scrape_configs"]
    assert {*OF_WATCHERS.values()} <= {job["job_name"] for job in jobs}
    asked = "\n".join(rule.asks for rule in RULES)
    assert all(name in asked for name in OF_WATCHERS)
    found = set(re.findall(r"\b(?:alertmanager|prometheus)_\w+", asked))
    assert found == set(OF_WATCHERS)


def post(manager: Alertmanager, *alerts: dict[str, str]) -> None:
    asked = urllib.request.Request(
        f"{manager.url}/api/v2/alerts",
        json.dumps([{"labels": {**labels, "case": "x"}} for labels in alerts]).encode(),
        {"content-type": "application/json"},
    )
    with urllib.request.urlopen(asked, timeout=5):
        pass


def held(manager: Alertmanager) -> dict[tuple[str, str], bool]:
    """Each alert that is there, with its instance: whether another holds it back."""
    return {
        (a["labels"]["alertname"], a["labels"].get("instance", "")): bool(
            a["status"]["inhibitedBy"]
        )
        for a in manager.ask("alerts")
    }


def test_what_the_one_explains_is_not_told_beside_it(manager: Alertmanager) -> None:
    """Source: Alertmanager's own word. Of one worker's Redis nothing follows for another."""
    names: list[dict[str, str]] = [
        {"alertname": "StreamerRedisAway", "instance": "a"},
        {"alertname": "StreamerWorkerStuck", "instance": "a"},
        {"alertname": "StreamerWorkerStuck", "instance": "b"},
        {"alertname": "StreamerEventsLate"},
        {"alertname": "StreamerGatewayFloods", "gateway": "ridge"},
        {"alertname": "StreamerBoardBlind", "instance": "c"},
        {"alertname": "StreamerBeatLost"},
        {"alertname": str(AlertKind.MEMBER_OUT_OF_REACH), "region": REGION},
    ]
    post(manager, *names)
    wait_until(lambda: len(held(manager)) == len(names), "all to be there")
    wait_until(lambda: held(manager)["StreamerEventsLate", ""], "the first to be held")
    assert {name for name, is_held in held(manager).items() if is_held} == {
        ("StreamerWorkerStuck", "a"), ("StreamerEventsLate", ""),
    }  # fmt: skip
    post(
        manager,
        {"alertname": str(AlertKind.GATEWAY_FLOODING), "region": REGION, "subject": "ridge"},
        {"alertname": "StreamerNoBoard"},
    )
    wait_until(
        lambda: (
            held(manager)["StreamerGatewayFloods", ""] and held(manager)["StreamerBoardBlind", "c"]
        ),
        "those that the new ones explain",
    )
    # What is about people, and that nobody would be told of it, is told beside whatever it is.
    assert not held(manager)["StreamerBeatLost", ""]
    assert not held(manager)[str(AlertKind.MEMBER_OUT_OF_REACH), ""]


def test_the_file_names_alerts_that_exist() -> None:
    """A rule that has got another name would no longer be held back."""
    known = {*(rule.name for rule in RULES), *map(str, AlertKind), BEAT_NAME}
    content = yaml.safe_load(FILE.read_text())

    def matchers(part: Any) -> Iterator[str]:
        for key, value in part.items():
            if key.endswith("matchers"):
                yield from value
            elif key == "routes":
                for route in value:
                    yield from matchers(route)

    said = [m for part in (content["route"], *content["inhibit_rules"]) for m in matchers(part)]
    named = [m for m in said if m.startswith("alertname")]
    assert len(named) > 20
    for matcher in named:
        assert set(matcher.split('"')[1].split("|")) <= known, matcher


def test_no_critical_rule_is_held_back_for_all_by_what_is_of_one_worker() -> None:
    """RedisAway and BrokerAway are of one worker: others may be well, or ill of something else."""
    severity = {rule.name: str(rule.severity) for rule in RULES}
    of_one = {rule.name for rule in RULES if "$labels.instance" in rule.summary}
    for rule in yaml.safe_load(FILE.read_text())["inhibit_rules"]:
        sources, targets = (
            rule[side][0].split('"')[1].split("|")
            for side in ("source_matchers", "target_matchers")
        )
        if of_one.intersection(sources) and rule.get("equal") != ["instance"]:
            assert {severity[name] for name in targets} == {"warning"}, rule


def test_the_limits_are_those_of_the_files() -> None:
    broker = (HERE / "configs/mosquitto.conf").read_text()
    listener = broker[broker.index("\nlistener 8883") :]
    found = re.search(r"^max_connections (\d+)$", listener, re.M)
    assert found is not None
    assert int(found[1]) == BROKER_CONNECTIONS
    limits = re.findall(r"^    mem_limit: (\d+)g$", (HERE / "docker-compose.yml").read_text(), re.M)
    assert int(limits[0]) * 1024**3 == BROKER_MEMORY_BYTES  # the broker's is the first
