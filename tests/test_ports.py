"""The ports that tests give to their servers."""

import socket

import pytest

from tests import servers
from tests.servers import PORTS, free_port


def test_processes_side_by_side_have_all_ports_and_none_twice(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What a process is called and how many there are: pytest-xdist's documented variables."""
    monkeypatch.setenv("PYTEST_XDIST_WORKER_COUNT", "3")
    given: list[int] = []
    for name in ("gw0", "gw1", "gw2"):
        monkeypatch.setenv("PYTEST_XDIST_WORKER", name)
        given += servers._own_ports()
    assert sorted(given) == list(PORTS)


def test_a_port_is_given_once() -> None:
    assert len({free_port() for _ in range(100)}) == 100


def test_a_port_that_is_taken_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    a, b = free_port(), free_port()
    monkeypatch.setattr(servers, "_ports", iter([a, b]))
    with socket.create_server(("127.0.0.1", a)):
        assert free_port() == b
    with pytest.raises(pytest.fail.Exception, match="no port between 10000 and 32000 is left"):
        free_port()
