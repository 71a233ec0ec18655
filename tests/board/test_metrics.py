"""What a board in service says of itself to Prometheus."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families as families

from streamer.board.metrics import BoardNow
from streamer.board.metrics import families as all_families
from tests.board.asking import PASSWORD, write_people
from tests.board.test_command import BoardProcess, refused
from tests.servers import free_port, program, wait_until


class Watched(BoardProcess):
    """With people, and neither broker nor Redis."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        write_people(folder / "users.toml")
        super().__init__(
            folder, "--users", str(folder / "users.toml"), "--metrics", f"127.0.0.1:{self.port}"
        )

    def text(self) -> str:
        return httpx.get(f"http://127.0.0.1:{self.port}/metrics").text

    def value(self, name: str) -> float:
        found = [s.value for f in families(self.text()) for s in f.samples if s.name == name]
        assert len(found) == 1, name
        return found[0]


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Watched]:
    made = Watched(tmp_path)
    made.start()
    yield made
    made.close()


def test_it_tells_what_it_has_and_who_fails_to_sign_in(board: Watched) -> None:
    wait_until(lambda: board.value("streamer_board_redis_up") == 0, "Redis to be missed")
    assert board.value("streamer_board_broker_connected") == 0
    assert board.value("streamer_board_streams") == 0
    assert board.value("streamer_board_sign_in_failures_total") == 0
    with httpx.Client(base_url=board.url) as visitor:
        for name, password, status in (
            ("desk", "wrong", 401), ("nobody", PASSWORD, 401), ("desk", PASSWORD, 200),
        ):  # fmt: skip
            given = {"name": name, "password": password}
            assert visitor.post("/api/v1/session", json=given).status_code == status
    assert board.value("streamer_board_sign_in_failures_total") == 2


def test_promtool_finds_nothing_to_say_and_it_ends_cleanly(board: Watched) -> None:
    done = subprocess.run(
        [program("promtool"), "check", "metrics"], input=board.text(), capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    told = {family.name for family in families(board.text())}
    assert {family.name for family in all_families(BoardNow())} <= told
    assert board.stop() == 0  # with its second port
    with pytest.raises(httpx.ConnectError):
        board.text()


@pytest.mark.parametrize("text", ["localhost", "localhost:", "localhost:x"])
def test_a_place_that_is_none_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    code, said = refused(tmp_path, capsys, "--metrics", text)
    assert (code, "--metrics" in said, "HOST:PORT is expected" in said) == (2, True, True)


@pytest.fixture(autouse=True)
def _logs_as_before() -> Iterator[None]:
    """The command sets up the log of its process, which is the tests' here."""
    yield
    structlog.reset_defaults()


def test_a_port_that_is_taken_is_said(board: Watched, tmp_path: Path) -> None:
    other = BoardProcess(tmp_path, "--metrics", f"127.0.0.1:{board.port}")
    other.launch()
    assert other.process is not None
    assert other.process.wait(30) == 1
    assert "--metrics: Address already in use" in other.log()
    other.close()
