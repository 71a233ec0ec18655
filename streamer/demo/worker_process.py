"""The demo's worker: the program a region really runs, as a process of its own, and its counts."""

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from prometheus_client.parser import text_string_to_metric_families

from streamer.clock import Clock
from streamer.demo.services import Child, await_ready, fetched, free_port

_EVENTS: Final = "streamer_events_total"
_NOT_COUNTED: Final = ("duplicate", "too_old")


@dataclass(frozen=True, slots=True)
class Counts:
    """The worker's own counts: `by_tally` says what the counted events counted as."""

    counted: int
    duplicates: int
    by_tally: dict[str, int]


class WorkerProcess:
    """`streamer worker REGION.toml`, ready to work when this is made; raises ServiceFailed."""

    def __init__(self, region_file: Path, name: str, folder: Path, clock: Clock) -> None:
        self._http = f"127.0.0.1:{free_port()}"
        self._command = [sys.executable, "-m", "streamer", "worker", str(region_file)]
        self._command += ["--name", name, "--share", name]
        self._folder = folder
        self.child = Child("worker", [*self._command, "--http", self._http], folder)
        await_ready(self.child, lambda: fetched(f"{self._http}/readyz") is not None, clock)

    def counts(self) -> Counts | None:
        """What it has counted so far; None when it does not answer."""
        text = fetched(f"{self._http}/metrics")
        if text is None:
            return None
        tallies = {
            sample.labels["tally"]: round(sample.value)
            for family in text_string_to_metric_families(text)
            for sample in family.samples
            if sample.name == _EVENTS
        }
        counted = {name: n for name, n in tallies.items() if name not in _NOT_COUNTED}
        return Counts(sum(counted.values()), tallies.get("duplicate", 0), counted)

    def stop(self) -> int:
        """Let it drain and end; returns its exit code."""
        return self.child.stop(within_s=10)
