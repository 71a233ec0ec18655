"""The API against its own OpenAPI document, asked by schemathesis: no 5xx, nothing undocumented.

schemathesis makes the requests from the document: its examples, one for each bound and form of
every parameter, and a bounded number at random, half of them about what is there. It runs as a
program of its own, always with the same cases.
"""

import json
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

from tests.board.gateways import Gateways
from tests.board.rig import BoardProcess, Client, Rig
from tests.servers import wait_until

pytestmark = [pytest.mark.mosquitto, pytest.mark.redis, pytest.mark.slow]

GROUP: Final = "SHORE"
STATION: Final = "QA1ABC"
MADE_UP: Final = "BASECAMP"
LOST: Final = "utterfen"
MOST_EXAMPLES: Final = 15
NO_STREAM: Final = "/api/v1/feed"
"""Left out: its good answers last for ten minutes. tests/board/test_feed.py is about it, and
test_roles.py about who may have it."""
ROSTER_FAULTS: Final = "".join(
    f'[[operations]]\ninclude-name = "{name}"\n[operations.checks.positive_data_acceptance]\n'
    'expected-statuses = ["2xx", "401", "403", "404", "409", "422", "5xx"]\n'
    for name in ("POST /api/v1/duties", "PUT /api/v1/duties/{duty_id}/roster")
)
"""No schema of its text can say what a roster in CSV must be: it may be refused by a 422. The other
statuses are schemathesis' own."""
NO_END: Final = "DELETE /api/v1/session"
"""Left out where somebody is signed in: after it they would not be."""


@pytest.fixture(scope="module")
def closed(rig: Rig, gateways: Gateways) -> BoardProcess:
    """A board with users, without a public view, on a region of which something is known."""
    gateways.keep(STATION, "ondrik/vhf", GROUP)
    gateways.key(MADE_UP, "ondrik/vhf", GROUP)
    gateways.lose(LOST)
    board = rig.board("--users", str(rig.users))
    client = rig.client(board, "watch")
    wait_until(lambda: client.rows("alerts"), "the alert")
    wait_until(lambda: STATION in client.rows(f"groups/{GROUP}/roster"), "the member")
    return board


def run(folder: Path, board: BoardProcess, document: str, config: str, *words: str) -> None:
    """Fails with all that it says, if it finds anything. `config` is its file's content."""
    (folder / "openapi.json").write_text(document)
    (folder / "schemathesis.toml").write_text(config)
    command = [sys.executable, "-m", "schemathesis.cli",
               "--config-file", str(folder / "schemathesis.toml"), "run",
               str(folder / "openapi.json"), "--url", board.url, "--checks", "all",
               "--generation-deterministic", "--continue-on-failure", "--no-color",
               "--suppress-health-check", "all", "--request-timeout", "10",
               "--exclude-path", NO_STREAM, *words]  # fmt: skip
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=110, check=False
    )
    assert done.returncode == 0, done.stdout[-8000:] + done.stderr[-2000:]
    print(done.stdout[-1500:])


def document_of(client: Client) -> str:
    said = client.http.get("/api/openapi.json")
    said.raise_for_status()
    return said.text


def session_of(client: Client) -> str:
    """In the configuration's file: the words of a command can be read by others."""
    cookie = "; ".join(f"{name}={value}" for name, value in client.http.cookies.items())
    return (
        f"[headers]\nCookie = {json.dumps(cookie)}\n"
        f"X-CSRF-Token = {json.dumps(client.csrf_token)}\n"
    )


def half_of(there: dict[str, list[str]]) -> str:
    """Half of the values of these parameters of paths are to be what is there."""
    lists = [f"[dictionaries.{name}]\nvalues = {json.dumps(v)}\n" for name, v in there.items()]
    uses = [f'"path.{n}" = {{ dictionary = "{n}", probability = 0.5 }}\n' for n in there]
    return "".join([*lists, "[parameters]\n", *uses])


def test_an_administrator_gets_what_is_documented(
    tmp_path: Path, rig: Rig, closed: BoardProcess
) -> None:
    client = rig.client(closed, "chief")
    exercise = {"title": "Long hill", "kind": "exercise", "groups": [GROUP]}
    work = {"subject": "brimsolt", "for_s": 3600}
    there = {
        "group": [GROUP, "SEARCH-1"],
        "station": [STATION],
        "gateway": ["ondrik", LOST],
        "port": ["vhf"],
        "alert_id": [f"gateway_lost.{LOST}"],
        "call": [MADE_UP],
        "duty_id": [client.act("POST", "/api/v1/duties", exercise)["id"]],
        "maintenance_id": [client.act("POST", "/api/v1/maintenance", work)["id"]],
    }
    config = session_of(client) + half_of(there) + ROSTER_FAULTS
    run(tmp_path, closed, document_of(client), config,
        "--max-examples", str(MOST_EXAMPLES), "--exclude-name", NO_END,
        "--phases", "examples,coverage,fuzzing")  # fmt: skip
    assert client.session().json()["name"] == "chief", "it was signed in all the while"


def test_who_is_not_signed_in_gets_401(tmp_path: Path, rig: Rig, closed: BoardProcess) -> None:
    """And nothing else: here only that counts as the right answer to a right request."""
    config = '[checks.positive_data_acceptance]\nexpected-statuses = ["401"]\n'
    run(tmp_path, closed, document_of(rig.client(closed, "chief")), config,
        "--max-examples", "3", "--mode", "positive",
        "--exclude-path", "/api/v1/session", "--phases", "examples,fuzzing")  # fmt: skip
