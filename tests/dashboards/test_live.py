"""A real Prometheus on the demo's two workers: what the panels ask for is found, the rules are
well, and what workers expose is accepted in both formats."""

import math
import subprocess
import sys
import urllib.request
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as openmetrics_families,
)

from dashboards.make.panels import Query
from dashboards.make.pictures import DASHBOARDS
from dashboards.make.rules import RULES
from streamer.clock import SystemClock
from tests.dashboards.prometheus import Prometheus
from tests.servers import Mosquitto, Server, free_port, program, wait_until

pytestmark = [pytest.mark.slow, pytest.mark.mosquitto, pytest.mark.redis]

NOT_HERE = {"a broker with TLS"}
"""What the demo has not: tests/worker/test_broker_said.py shows that it is told."""
FAST = "3"
"""The story's gateway dies after 38 of its seconds, for 20 of them."""


class Demo(Server):
    """Two workers, a journal, a channel, and a story in which things fail."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        super().__init__()
        self.ports = [free_port(), free_port()]
        self._broker = broker
        self._words = ["--record", str(folder / "day"), "--alerts", str(folder / "alerts")]

    def command(self) -> list[str]:
        ports = [word for port in self.ports for word in ("--metrics-port", str(port))]
        return [
            sys.executable, "-m", "streamer", "demo", "--json", "--no-board", "--workers", "2",
            "--speed", FAST, "--broker", self._broker.url, *ports, *self._words,
        ]  # fmt: skip

    def environment(self) -> dict[str, str]:
        return {**super().environment(), "TMPDIR": str(self.folder)}

    def answers(self) -> bool:
        try:
            return all(self.metrics(port) for port in self.ports)
        except OSError:
            return False

    def metrics(self, port: int, accept: str = "text/plain") -> str:
        asked = urllib.request.Request(
            f"http://127.0.0.1:{port}/metrics", headers={"Accept": accept}
        )
        with urllib.request.urlopen(asked, timeout=5) as answer:
            self.content_type = answer.headers["Content-Type"]
            return str(answer.read().decode())


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    server = Mosquitto("sys_interval 1\n")  # instead of 10 s, so as not to wait for its word
    server.start()
    yield server
    server.close()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory, broker: Mosquitto) -> Iterator[Demo]:
    program("redis-server", "valkey-server")
    server = Demo(tmp_path_factory.mktemp("d"), broker)
    server.start()
    yield server
    assert server.stop(40) == 0, server.log()[-3000:]
    server.close()


class BoardOfDemo(Server):
    """A board of the demo's region."""

    def __init__(self, region: Path) -> None:
        super().__init__()
        self.port = free_port()
        self._region = str(region)

    def command(self) -> list[str]:
        return [
            sys.executable, "-m", "streamer", "board", "--region", self._region, "--port", "0",
            "--metrics", f"127.0.0.1:{self.port}",
        ]  # fmt: skip

    def answers(self) -> bool:
        return "board at" in self.log()


@pytest.fixture(scope="module")
def board(demo: Demo) -> Iterator[BoardOfDemo]:
    (region,) = demo.folder.glob("streamer-demo-*/*.toml")
    server = BoardOfDemo(region)
    server.start()
    yield server
    server.close()


@pytest.fixture(scope="module")
def prometheus(demo: Demo, board: BoardOfDemo) -> Iterator[Prometheus]:
    server = Prometheus(demo.ports, [board.port])
    server.start()
    wait_until(lambda: server.targets_up() == 4, "two workers, the board and itself")
    yield server
    server.close()


def asked_now(query: Query) -> str:
    """As Grafana would ask, with what its variables stand for."""
    return query.asks.replace("$__rate_interval", "15s").replace("$group", ".*")


def test_every_panel_finds_what_it_asks_for(prometheus: Prometheus) -> None:
    left = {
        (board.title, panel.title, query.named or str(number)): query
        for board in DASHBOARDS
        for panel in board.panels
        for number, query in enumerate(panel.queries)
    }
    assert len(left) > 60
    for query in left.values():  # also those that need something: an error raises
        prometheus.values(asked_now(query))
    left = {place: query for place, query in left.items() if query.needs not in NOT_HERE}

    def all_found() -> bool:
        for place, query in list(left.items()):
            if not all(map(math.isnan, prometheus.values(asked_now(query)))):
                del left[place]
        SystemClock().sleep_s(0.3)  # it asks its targets once a second
        return not left

    try:
        wait_until(all_found, "data", 45)
    except pytest.fail.Exception:
        pytest.fail("\n".join(f"{place}: {asked_now(query)}" for place, query in left.items()))


def test_the_rules_are_well_and_those_that_should_fire(prometheus: Prometheus) -> None:
    """By the demo's own doing: its Redis keeps nothing on disk."""
    groups = prometheus.api("rules")["groups"]
    rules = {rule["name"]: rule for group in groups for rule in group["rules"]}
    assert set(rules) == {rule.name for rule in RULES}
    wait_until(
        lambda: (
            {a["labels"]["alertname"] for a in prometheus.api("alerts")["alerts"]}
            >= {"StreamerWatchdog", "StreamerRedisNotDurable"}
        ),
        "what must fire",
    )
    groups = prometheus.api("rules")["groups"]
    for rule in (rule for group in groups for rule in group["rules"]):
        assert (rule["health"], rule.get("lastError")) == ("ok", None), rule["name"]


def test_prometheus_finds_no_sample_twice(prometheus: Prometheus) -> None:
    """Source: its own count of duplicates, which the Python parsers let pass."""
    for trouble in ("duplicate_timestamp", "out_of_order", "out_of_bounds"):
        assert prometheus.values(f"prometheus_target_scrapes_sample_{trouble}_total") == [0.0]


def test_promtool_finds_nothing_to_say_about_a_worker_at_work(demo: Demo) -> None:
    text = demo.metrics(demo.ports[0])
    done = subprocess.run(
        [program("promtool"), "check", "metrics"], input=text, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize("accept", ["text/plain", "application/openmetrics-text; version=1.0.0"])
def test_no_line_of_a_worker_at_work_stands_twice(demo: Demo, accept: str) -> None:
    for port in demo.ports:
        lines = demo.metrics(port, accept).splitlines()
        assert demo.content_type.startswith(accept.split(";", maxsplit=1)[0])
        names = [line.rsplit(" ", 1)[0] for line in lines if line[0] != "#"]
        assert [name for name, count in Counter(names).items() if count > 1] == []
        assert len(names) > 200


def test_openmetrics_is_well_formed(demo: Demo) -> None:
    """Source: prometheus_client's parser of OpenMetrics, which is strict about order and types."""
    text = demo.metrics(demo.ports[0], "application/openmetrics-text; version=1.0.0")
    assert text.endswith("# EOF\n")
    families = {family.name for family in openmetrics_families(text)}  # type: ignore[no-untyped-call]
    assert {"streamer_events", "streamer_batch_seconds", "streamer_gateway_up"} <= families


def test_no_label_holds_a_call_sign(demo: Demo, prometheus: Prometheus) -> None:
    """All call signs of the demo begin with Q, and nothing else does."""
    for port in demo.ports:
        assert '="Q' not in demo.metrics(port)
