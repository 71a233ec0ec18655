"""A real Prometheus that asks targets each second."""

import json
import urllib.parse
import urllib.request
from collections.abc import Sequence
from typing import Any

import yaml

from dashboards.make.ask import BOARDS, JOB
from dashboards.make.files import FOLDER
from tests.servers import Server, free_port, program


class Prometheus(Server):
    """Scrapes `ports` of this machine as the workers' job, with the rules of dashboards/, which
    here need not last, and `boards` as boards."""

    def __init__(self, ports: Sequence[int], boards: Sequence[int] = ()) -> None:
        super().__init__()
        self._program = program("prometheus")
        self.port = free_port()
        rules = yaml.safe_load((FOLDER / "rules.yml").read_text())
        for group in rules["groups"]:
            for rule in group["rules"]:
                rule["for"] = "0s"
        (self.folder / "rules.yml").write_text(yaml.safe_dump(rules))
        config = {
            "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
            "rule_files": ["rules.yml"],
            "scrape_configs": [
                {"job_name": job, "static_configs": [{"targets": [f"127.0.0.1:{p}" for p in at]}]}
                for job, at in ((JOB, ports), (BOARDS, boards), ("itself", [self.port]))
            ],
        }
        (self.folder / "prometheus.yml").write_text(yaml.safe_dump(config))

    def command(self) -> list[str]:
        return [
            self._program, "--config.file=prometheus.yml", "--storage.tsdb.path=data",
            f"--web.listen-address=127.0.0.1:{self.port}", "--log.level=warn",
        ]  # fmt: skip

    def answers(self) -> bool:
        try:
            return bool(self._get("/-/ready"))
        except OSError:
            return False

    def _get(self, path: str) -> bytes:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
            content: bytes = answer.read()
            return content

    def api(self, what: str, **asked: str) -> Any:
        """An answer of its API. Raises OSError (HTTPError) for a query that it does not take."""
        words = f"?{urllib.parse.urlencode(asked)}" if asked else ""
        return json.loads(self._get(f"/api/v1/{what}{words}"))["data"]

    def values(self, query: str) -> list[float]:
        """What a query finds now."""
        return [float(found["value"][1]) for found in self.api("query", query=query)["result"]]

    def targets_up(self) -> int:
        return sum(target["health"] == "up" for target in self.api("targets")["activeTargets"])
