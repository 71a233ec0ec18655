"""One broker for all tests of rights; those that change accounts use names of their own."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.enroll.raw import Raw
from tests.enroll.rig import Accounts, OurMosquitto


@pytest.fixture(scope="session")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[OurMosquitto]:
    accounts = Accounts(tmp_path_factory.mktemp("enroll"))
    accounts.enrol("--init", "--host", "localhost", "--host", "127.0.0.1")
    accounts.enrol("--all")
    accounts.enrol("worker-1", "--role", "worker")
    accounts.enrol("worker-2", "board-2", "--role", "worker", "--password")
    accounts.enrol("board", "--role", "board")
    accounts.enrol("desk", "--role", "reader", "--password")
    site = ("site", "--role", "bridge", "--host", "site.example")
    accounts.enrol(*site, "--for", "mill", "--for", "pass")
    server = OurMosquitto(accounts)
    server.start()
    yield server
    server.close()


@pytest.fixture(autouse=True)
def _hang_up() -> Iterator[None]:
    yield
    while Raw.opened:
        Raw.opened.pop().close()


@pytest.fixture
def accounts(tmp_path: Path) -> Accounts:
    """A folder of its own, just begun."""
    made = Accounts(tmp_path)
    made.enrol("--init", "--host", "localhost")
    return made
