"""The demo's worker: the program a region really runs, as a process of its own."""

import sys
from pathlib import Path

from streamer.clock import Clock
from streamer.demo.services import Child, await_ready, fetched, free_port


class WorkerProcess:
    """`streamer worker REGION.toml`, ready to work when this is made; raises ServiceFailed.

    `port` is where it serves its metrics, 0: a free one."""

    def __init__(
        self, region_file: Path, name: str, share: str, folder: Path, clock: Clock, port: int,
        *more: str,
    ) -> None:  # fmt: skip
        self._http = f"127.0.0.1:{port or free_port()}"
        self._command = [sys.executable, "-m", "streamer", "worker", str(region_file)]
        self._command += ["--name", name, "--share", share, *more]
        self._folder = folder
        said = f"worker{name.removeprefix(share)}"  # the first is just the worker
        self.child = Child(said, [*self._command, "--http", self._http], folder)
        await_ready(self.child, lambda: fetched(f"{self._http}/readyz") is not None, clock)

    def stop(self) -> int:
        """Let it drain and end; returns its exit code."""
        return self.child.stop(within_s=10)
