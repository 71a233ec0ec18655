"""The Prometheus rules: valid to Prometheus itself, each tried with series that make it fire and
that do not, each in the runbook, and about metrics that exist."""

import re
import subprocess
from pathlib import Path

import pytest
import yaml

from dashboards.make.cases import CASES, rule_of
from dashboards.make.files import FOLDER
from dashboards.make.rules import RULES, RUNBOOK, TELL, Rule, Severity
from tests.servers import program

NAMES = [rule.name for rule in RULES]


def promtool(*words: str, folder: Path = FOLDER) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [program("promtool"), *words], capture_output=True, text=True, check=False, cwd=folder
    )


def test_prometheus_accepts_the_rules() -> None:
    done = promtool("check", "rules", "rules.yml")
    assert done.returncode == 0, done.stderr
    assert f"{len(RULES)} rules found" in done.stdout


def test_every_rule_does_what_its_cases_say() -> None:
    """Source: Prometheus' own rule engine."""
    done = promtool("test", "rules", "rules_test.yml")
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("rule", RULES, ids=NAMES)
def test_every_rule_has_a_case_in_which_it_fires_and_one_in_which_not(rule: Rule) -> None:
    expected = [e for case in CASES if rule_of(case) == rule for e in case.expected]
    assert any(e.alerts for e in expected)
    if rule.name != "StreamerWatchdog":  # that it always fires is what it is for
        assert any(not e.alerts for e in expected)


@pytest.mark.parametrize(
    ("asks", "found"), [("vector(1) < 0", "got:[]"), ("vector(1)", "exp:[]")], ids=["mute", "loud"]
)
def test_the_cases_find_a_rule_that_never_fires_or_always(
    tmp_path: Path, asks: str, found: str
) -> None:
    """Else the cases would prove nothing."""
    content = yaml.safe_load((FOLDER / "rules.yml").read_text())
    for group in content["groups"]:
        for rule in group["rules"]:
            rule["expr"], rule["for"] = asks, "0s"
            del rule["annotations"]  # most of promtool's time goes into telling them
    (tmp_path / "rules.yml").write_text(yaml.safe_dump(content))
    (tmp_path / "rules_test.yml").write_text((FOLDER / "rules_test.yml").read_text())
    done = promtool("test", "rules", "rules_test.yml", folder=tmp_path)
    assert done.returncode != 0
    said = re.sub(r"\s+", "", done.stdout + done.stderr)
    tries = re.findall(r"alertname:(Streamer\w+),time:\w+,(.*?)(?=alertname:|$)", said)
    failed = {name for name, outcome in tries if found in outcome}
    known = set(NAMES) if found == "got:[]" else set(NAMES) - {"StreamerWatchdog"}
    assert failed == known


@pytest.mark.parametrize("rule", RULES, ids=NAMES)
def test_every_rule_has_its_heading_in_the_runbook(rule: Rule) -> None:
    headings = re.findall(r"^### (\w+)$", (FOLDER / "README.md").read_text(), re.M)
    assert headings.count(rule.name) == 1
    assert rule.anchor == f"{RUNBOOK}#{rule.name.lower()}"  # as pages of Markdown make anchors
    assert rule.runbook
    assert rule.runbook[-1] == "."


def test_the_runbook_says_the_same_of_every_rule_and_of_no_other() -> None:
    """Each heading answers the same five questions."""
    text = (FOLDER / "README.md").read_text()
    parts = re.split(r"^### ", text, flags=re.M)[1:]
    assert [part.split("\n", 1)[0] for part in parts] == NAMES  # in the order of the rules
    for part, rule in zip(parts, RULES, strict=True):
        said = re.findall(r"^- \*\*(.+?):\*\* ", part, re.M)
        assert said == ["Means", "On the air", "First look", "Do", "Do not"], rule.name
        assert f"({rule.severity})" in part, rule.name


def test_who_hears_of_it_first_tells_net_controls() -> None:
    """Where the picture may stand still: silence there looks like calm."""
    first = {rule.name for rule in RULES if rule.runbook.startswith(TELL)}
    assert {f"Streamer{name}" for name in (
        "NoWorker", "WorkerStuck", "RedisAway", "BrokerAway", "EventsLate", "BoardBlind",
        "ServerClockWrong", "BeatLost",
    )} <= first  # fmt: skip
    for part in re.split(r"^### ", (FOLDER / "README.md").read_text(), flags=re.M)[1:]:
        assert (f"- **Do:** {TELL}" in part) == (part.split("\n", 1)[0] in first), part


def test_severities_say_who_is_woken() -> None:
    assert {rule.severity for rule in RULES} == set(Severity)
    assert [r.name for r in RULES if r.severity is Severity.NONE] == ["StreamerWatchdog"]
