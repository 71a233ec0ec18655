"""The systemd units: what systemd itself says of them, and what must agree with the other files."""

import re
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.compose.boxes import HERE
from tests.compose.conftest import config_of
from tests.servers import program

UNITS = HERE / "configs" / "systemd"
WORKER, BOARD = UNITS / "streamer-worker@.service", UNITS / "streamer-board.service"
BACKUP = UNITS / "redis-backup.service"
MOST_EXPOSED = 20
"""Tenths of the score of `systemd-analyze security`, 0 to 100, where an own unit has 96. 20 is what
these reach (12 to 16) with something to spare: a number chosen here, no standard."""


def settings(unit: Path, key: str) -> list[str]:
    return re.findall(rf"^{key}=(.*)$", unit.read_text(), re.M)


def analyze(*words: str, cwd: Path) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [program("systemd-analyze"), *words], cwd=cwd, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("unit", [WORKER, BOARD], ids=lambda unit: unit.name)
def test_systemd_finds_nothing_wrong(tmp_path: Path, unit: Path) -> None:
    # The program is not in its place here; all else is as it stands.
    text = unit.read_text().replace("/opt/streamer/bin/streamer", "/bin/true")
    file = tmp_path / unit.name.replace("@", "@01")
    file.write_text(text)
    done = analyze("verify", f"./{file.name}", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    file.write_text(text.replace("Restart=", "Rstart="))
    assert "Rstart" in analyze("verify", f"./{file.name}", cwd=tmp_path).stderr, "and it can tell"


@pytest.mark.parametrize("unit", [WORKER, BOARD, BACKUP], ids=lambda unit: unit.name)
def test_little_is_exposed(unit: Path) -> None:
    words = ["security", "--offline=true", "--no-pager", f"--threshold={MOST_EXPOSED}"]
    done = analyze(*words, f"./{unit.name}", cwd=UNITS)
    assert done.returncode == 0, done.stdout[-200:]


def test_systemd_finds_nothing_wrong_in_the_backup(tmp_path: Path) -> None:
    for name in ("redis-backup.service", "redis-backup.timer"):
        (tmp_path / name).write_text((UNITS / name).read_text())
    done = analyze("verify", "./redis-backup.timer", "./redis-backup.service", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")


def test_units_and_containers_hold_the_same_secrets(tmp_path: Path) -> None:
    """And those are what the region file names, without a folder."""
    services: dict[str, Any] = config_of(tmp_path)["services"]
    for unit, service in ((WORKER, "worker-1"), (BOARD, "board")):
        held = {text.split(":")[0] for text in settings(unit, "LoadCredential")}
        secrets = {Path(s.get("target") or s["source"]).name for s in services[service]["secrets"]}
        assert held == secrets
        assert settings(unit, "WorkingDirectory") == ["-%d"]  # the folder of the credentials
        assert services[service]["working_dir"] == "/run/secrets"
    region = tomllib.loads((HERE / "configs/compose/region.toml").read_text())
    named = {*region["broker"]["tls"].values(), region["broker"]["share_file"],
             region["redis_password_file"]}  # fmt: skip
    assert named == {text.split(":")[0] for text in settings(WORKER, "LoadCredential")}


def test_a_worker_has_the_same_time_to_end_in_both(tmp_path: Path) -> None:
    services = config_of(tmp_path)["services"]
    assert settings(WORKER, "TimeoutStopSec") == ["30"]
    assert services["worker-1"]["stop_grace_period"] == "30s"
