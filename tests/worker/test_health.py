"""What a worker says of itself over HTTP. The client is the standard library's."""

import json
import socket
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPConnection

import pytest

from streamer.clock import ManualClock
from streamer.worker import health as module
from streamer.worker.health import STUCK_AFTER_S, Health, serve
from streamer.worker.metrics import Metrics
from tests.servers import free_port


class Served:
    """A worker's health, served on `port`."""

    def __init__(self) -> None:
        self.clock, self.health, self.port = ManualClock(0), Health(), free_port()
        self.health.beat_s = self.clock.monotonic_s()
        self.stop = serve("127.0.0.1", self.port, self.health, Metrics(), self.clock)

    def get(self, path: str) -> tuple[int, bytes]:
        with closing(HTTPConnection("127.0.0.1", self.port, timeout=5)) as connection:
            connection.request("GET", path)
            answer = connection.getresponse()
            return answer.status, answer.read()


@pytest.fixture
def served() -> Iterator[Served]:
    found = Served()
    yield found
    found.stop()


def test_ready_is_who_runs_and_reaches_both(served: Served) -> None:
    assert [served.get(path)[0] for path in ("/healthz", "/readyz")] == [503, 503]
    served.health.redis_up = True
    assert [served.get(path)[0] for path in ("/healthz", "/readyz")] == [200, 503]
    served.health.connected = True
    assert [served.get(path)[0] for path in ("/healthz", "/readyz")] == [200, 200]
    served.clock.advance_s(STUCK_AFTER_S)
    assert [served.get(path)[0] for path in ("/healthz", "/readyz")] == [503, 503]
    assert json.loads(served.get("/readyz")[1])["loop"] == "stuck"
    assert served.get("/elsewhere")[0] == 404


def test_the_journal_is_told_and_makes_nobody_unready(served: Served) -> None:
    served.health.redis_up = served.health.connected = True
    assert json.loads(served.get("/readyz")[1])["journal"] == "none is kept"
    served.health.journal = lambda: "cannot be written to /full: No space left; 3 lines lost"
    status, text = served.get("/readyz")
    assert status == 200
    assert json.loads(text)["journal"].startswith("cannot be written to /full")


def test_one_who_connects_and_says_nothing_keeps_nobody_waiting(served: Served) -> None:
    with socket.create_connection(("127.0.0.1", served.port)):
        assert served.get("/metrics")[0] == 200


def test_and_is_cut_off(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module._Quiet, "timeout", 0.1)
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as silent:
        assert silent.recv(1) == b""
