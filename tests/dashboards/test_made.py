"""The files in dashboards/ are those that the code makes, and ask for nothing that is not there."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import Metric
from prometheus_client.registry import Collector

from dashboards.make import ask
from dashboards.make.files import FOLDER, all_files
from dashboards.make.panels import Panel
from dashboards.make.pictures import DASHBOARDS
from dashboards.make.rules import RULES
from streamer.board.metrics import BoardNow, families
from streamer.worker.metrics import Metrics, described

MADE = all_files()
OF_PROMETHEUS = {"up", "ALERTS"}
"""Series that Prometheus makes itself."""


@pytest.mark.parametrize("path", MADE, ids=lambda path: str(path.relative_to(FOLDER)))
def test_the_file_is_what_the_code_makes(path: Path) -> None:
    assert path.read_text("utf-8") == MADE[path], "run `make dashboards`"


def test_there_is_no_other_dashboard() -> None:
    assert set((FOLDER / "grafana").iterdir()) == {p for p in MADE if p.suffix == ".json"}


# -- names: by the text of the queries, whatever code has made them --------------------------------


def of_a_board() -> CollectorRegistry:
    class Board(Collector):
        def collect(self) -> list[Metric]:
            return families(BoardNow())

    registry = CollectorRegistry()
    registry.register(Board())
    return registry


def series_with_labels() -> dict[str, set[str]]:
    """Every series of a worker or a board, with its labels. Source: their own exposition."""
    found: dict[str, set[str]] = {}
    metrics = Metrics()
    text = generate_latest(metrics.registry).decode() + generate_latest(of_a_board()).decode()
    kinds = dict(re.findall(r"^# TYPE (\S+) (\S+)$", text, re.M))
    labels = {d.name: set(d.labels) for d in described(metrics).values()}
    for name, kind in kinds.items():
        own = labels.get(name, set())
        if kind == "histogram":
            found |= {f"{name}_bucket": {*own, "le"}, f"{name}_sum": own, f"{name}_count": own}
        else:
            found[name] = own
    return found


def queries() -> list[str]:
    asked = [query.asks for board in DASHBOARDS for p in board.panels for query in p.queries]
    return [*asked, *(rule.asks for rule in RULES)]


@pytest.mark.parametrize("text", sorted(set(queries())))
def test_a_query_names_only_series_and_labels_that_exist(text: str) -> None:
    known = series_with_labels()
    for name, has in re.findall(r"\b((?:streamer|process|up\b|ALERTS)\w*)(\{[^}]*\})?", text):
        if name in OF_PROMETHEUS:
            continue
        assert name in known, name
        asked = set(re.findall(r"(\w+)\s*(?:=~|!~|!=|=)", has))
        assert asked <= {*known[name], "job", "instance"}, text
    kept = {word for by in re.findall(r"by \(([^)]*)\)", text) for word in by.split(", ")}
    names = set(re.findall(r"\bstreamer_\w+", text))
    if "alertmanager_notifications_failed_total" in text:
        kept -= {"integration"}  # tests/dashboards/test_watchers.py asks Alertmanager itself
    assert kept <= set().union(*(known[name] for name in names)), text


def test_the_code_refuses_what_is_not_in_the_list() -> None:
    wrong: Callable[[], str]
    for wrong in (
        lambda: ask.metric("no_such_metric"),
        lambda: ask.metric("events", station="x"),
        lambda: ask.rate("redis_up"),
        lambda: ask.quantile(0.5, "events"),
        lambda: ask.same("alerts", "gateway"),
        lambda: ask.process("process_cpu_hours"),
        lambda: ask.watcher("prometheus_no_such_total"),
    ):
        with pytest.raises(ValueError, match=r"list|label|counter|histogram|among|no "):
            wrong()


def test_no_metric_is_watched_by_nobody() -> None:
    """One that no panel and no rule asks for is there for nothing."""
    text = "\n".join(queries())
    assert [d.name for d in ask.LIST.values() if d.name not in text] == []


# -- the form, as Grafana reads it -----------------------------------------------------------------


@pytest.fixture(params=[board.uid for board in DASHBOARDS])
def board(request: pytest.FixtureRequest) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((FOLDER / "grafana" / f"{request.param}.json").read_text())
    return content


def test_panels_lie_side_by_side_and_none_over_another(board: dict[str, Any]) -> None:
    """Grafana's grid is 24 wide."""
    taken: set[tuple[int, int]] = set()
    for panel in board["panels"]:
        grid = panel["gridPos"]
        assert grid["x"] + grid["w"] <= 24, panel["title"]
        cells = {
            (x, y)
            for x in range(grid["x"], grid["x"] + grid["w"])
            for y in range(grid["y"], grid["y"] + grid["h"])
        }
        assert not cells & taken, panel["title"]
        taken |= cells


def test_every_panel_says_what_it_shows_and_asks_the_one_source(board: dict[str, Any]) -> None:
    panels = [panel for panel in board["panels"] if panel["type"] != "row"]
    assert len(panels) > 10
    for panel in panels:
        assert panel["title"]
        assert panel["description"].endswith("."), panel["title"]
        assert panel["datasource"] == {"type": "prometheus", "uid": "prometheus"}
        refs = [target["refId"] for target in panel["targets"]]
        assert len(refs) == len(set(refs)) > 0


def test_only_what_is_judged_has_a_colour(board: dict[str, Any]) -> None:
    """Grafana paints a number without thresholds in the colour of its only step: green, however bad
    it is."""
    numbers = [panel for panel in board["panels"] if panel["type"] == "stat"]
    assert numbers
    for panel in numbers:
        steps = panel["fieldConfig"]["defaults"]["thresholds"]["steps"]
        coloured = panel["options"]["colorMode"] != "none"
        assert coloured == (len(steps) > 1), panel["title"]
        assert len(panel["targets"]) == 1 or not coloured, panel["title"]


def test_dashboards_are_told_apart() -> None:
    assert len({b.uid for b in DASHBOARDS}) == len({b.title for b in DASHBOARDS}) == 3
    assert all(isinstance(p, Panel) for b in DASHBOARDS for p in b.panels)


def test_there_are_no_call_signs_in_them() -> None:
    """Figures, not people: who is where is the board's."""
    assert "station" not in "\n".join(queries())
