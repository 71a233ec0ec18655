"""The region of the operators' manual, made by its own commands, and the file as Compose reads
it."""

import json
import os
import pwd
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.compose.boxes import HERE, need_root
from tests.compose.manual import blocks, run_blocks
from tests.servers import program

BOARD_NAME = "board.example"
USER, PASSWORD = "ann", "seven lamps on the ridge"
ACCOUNT = pwd.getpwnam("nobody")
"""Stands for the account `streamer`, which the manual makes."""


def compose(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Docker Compose itself; what is asked of it here needs no engine."""
    place = os.environ.get("PATH", "")
    os.environ["PATH"] = f"{Path(sys.prefix) / 'bin'}{os.pathsep}{place}"
    try:
        found = program("docker-compose")
    finally:
        os.environ["PATH"] = place
    return subprocess.run(
        [found, *words], cwd=HERE, capture_output=True, text=True, check=False,
        env={"PATH": place, "HOME": "/nonexistent", **environment},
    )  # fmt: skip


def config_of(files: Path) -> dict[str, Any]:
    """The file with an operator's variables, as Compose understands it."""
    done = compose(
        "config", "--format", "json",
        STREAMER_FILES=str(files), STREAMER_BOARD_NAME=BOARD_NAME,
        STREAMER_USER=f"{ACCOUNT.pw_uid}:{ACCOUNT.pw_gid}",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "warning" not in done.stderr, done.stderr
    # Compose writes it so that it can be read by Compose again.
    found: dict[str, Any] = json.loads(done.stdout.replace("$$", "$"))
    return found


def typed(place: Path) -> tuple[dict[str, str], dict[str, str]]:
    """What a test types otherwise than the manual, and the variables that the manual has set: all
    lies below `place`, another account stands for `streamer`, and nobody is there to be asked."""
    files, accounts = place / "streamer", place / "accounts"
    changes = {
        "useradd --system --home-dir /srv/streamer --shell /usr/sbin/nologin streamer": "",
        "/srv/streamer": str(files),
        "/root/accounts": str(accounts),
        "/web/users.toml": f"/web/users.toml --password-stdin <<<'{PASSWORD}'",
        "chown -R streamer:": f"chown -R {ACCOUNT.pw_uid}:{ACCOUNT.pw_gid}",
        "id -u streamer": "id -u nobody",
        "id -g streamer": "id -g nobody",
    }
    region = files / "region" / "region.toml"
    variables = {"STREAMER_FILES": files, "STREAMER_ACCOUNTS": accounts, "STREAMER_REGION": region}
    return changes, {name: str(path) for name, path in variables.items()}


@pytest.fixture(scope="package")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that the manual's commands make, with `accounts` beside it."""
    need_root()
    place = tmp_path_factory.mktemp("manual")
    done = run_blocks(blocks("With containers"), *typed(place))
    assert done.returncode == 0, (done.stdout, done.stderr)
    return place


@pytest.fixture(scope="package")
def config(made: Path) -> dict[str, Any]:
    return config_of(made / "streamer")
