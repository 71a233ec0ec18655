"""The demo's board: the program that a region really runs, as a process of its own."""

import sys
from pathlib import Path
from typing import Final

from streamer.clock import Clock
from streamer.demo.services import Child, await_ready, fetched, free_port

_LAND: Final = Path(__file__).with_name("land.geojson")


class BoardProcess:
    """`streamer board` on the loopback address, ready when this is made; raises ServiceFailed."""

    def __init__(self, region_file: Path, port: int, folder: Path, clock: Clock) -> None:
        place = f"127.0.0.1:{port or free_port()}"
        self.url = f"http://{place}/"
        command = [sys.executable, "-m", "streamer", "board", "--region", str(region_file)]
        command += ["--port", place.rpartition(":")[2], "--base-map", str(_LAND)]
        self.child = Child("board", command, folder)
        await_ready(self.child, lambda: fetched(f"{place}/healthz") is not None, clock)

    def stop(self) -> int:
        return self.child.stop(within_s=8)
