"""The Prometheus rules: valid to Prometheus itself, and about metrics that exist."""

import re
import subprocess
from pathlib import Path

from prometheus_client import generate_latest

from streamer.worker.metrics import Metrics
from tests.servers import program

RULES = Path(__file__).parents[2] / "dashboards" / "rules.yml"


def test_prometheus_accepts_the_rules() -> None:
    done = subprocess.run(
        [program("promtool"), "check", "rules", str(RULES)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_rules_name_only_metrics_that_exist() -> None:
    exposed = set(re.findall(r"^# TYPE (\S+)", generate_latest(Metrics().registry).decode(), re.M))
    named = set(re.findall(r"\bstreamer_\w+", RULES.read_text()))
    assert named
    assert named <= exposed
