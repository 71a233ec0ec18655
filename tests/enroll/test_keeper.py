"""What a keeper does with the folder, step by step, and what the administrator is told of it."""

import argparse
import re
import stat
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from streamer.agent import command as agent_command
from tests.enroll.rig import TOP, Accounts


def run_agent(*words: str | Path) -> int:
    parser = argparse.ArgumentParser()
    agent_command.add_arguments(parser)
    return agent_command.main(parser.parse_args([str(word) for word in words]))


def test_the_line_that_a_keeper_is_to_try_is_taken_as_it_is(
    accounts: Accounts, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """In the agent's file and in READ-ME-FIRST, with a port and a group of the region."""
    accounts.enrol("ridge")
    place = accounts.place("ridge")
    for name in ("agent.toml", "READ-ME-FIRST.txt"):
        found = re.search(r"\{.*\}", (place / name).read_text())
        assert found is not None
        line = tmp_path / "line"
        line.write_text(found[0])
        capsys.readouterr()
        assert run_agent(place / "agent.toml", "--try", line) == 0
        said = capsys.readouterr().out
        assert '"repeater": "ridge/uhf", "station": "QA1ABC", "to": "SEARCH"' in said
        assert "(" not in said  # and nothing to remark
    assert "The ports are: uhf." in (place / "agent.toml").read_text()


@pytest.mark.parametrize("way", ["certificate", "password"])
def test_the_agents_check_is_well_with_the_folder_as_it_comes_and_with_no_file_less(
    accounts: Accounts, capsys: pytest.CaptureFixture[str], way: str
) -> None:
    accounts.enrol("ridge", "--days", "90", *(["--password"] if way == "password" else []))
    place = accounts.place("ridge")
    file = place / "agent.toml"
    assert run_agent(file, "--check") == 0
    said = capsys.readouterr().out
    until = datetime.now(UTC) + timedelta(days=90)
    assert (f"certificate until {until:%Y-%m-%d}" in said) is (way == "certificate")
    assert f"start it in {place}" in said
    secret = ["password"] if way == "password" else ["cert.pem", "cert.key"]
    for name in ("ca.pem", *secret):
        (place / name).rename(place / "away")
        assert run_agent(file, "--check") == 1
        told = capsys.readouterr()
        assert f"{name}' cannot be read: No such file" in told.err
        assert "well" not in told.out
        (place / "away").rename(place / name)
    assert run_agent(file, "--check") == 0


def test_revoked_folders_lie_aside_and_a_new_account_keeps_what_was_filled_in(
    accounts: Accounts, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts.enrol("ridge", "lake")
    accounts.enrol("w1", "w2", "--role", "worker")
    with (accounts.place("ridge") / "agent.toml").open("a") as file:
        file.write("# ours\n")
    capsys.readouterr()
    accounts.enrol("--revoke", "ridge", "w2")
    said = capsys.readouterr().out
    assert "Drain w2 first, before the broker has the new files" in said
    assert "Drain ridge" not in said
    revoked = accounts.folder / "revoked"
    assert {p.name for p in revoked.iterdir()} == {"ridge", "w2"}
    assert {p.name for p in (accounts.folder / "worker").iterdir()} == {"w1"}  # as `worker/*` is
    assert stat.S_IMODE(revoked.stat().st_mode) == 0o700
    assert accounts.run("--rotate", "w3") == 1
    assert "no such account; allowed: lake, w1\n" in capsys.readouterr().err
    accounts.enrol("ridge")
    assert (accounts.place("ridge") / "agent.toml").read_text().endswith("# ours\n")
    assert {p.name for p in revoked.iterdir()} == {"w2"}
    accounts.enrol("w4", "--role", "worker")
    said = capsys.readouterr().out
    assert "worker/w4: to be copied to where its program runs, by a way" in said
    assert "gateway/ridge: to be copied to its keeper, by a way" in said


def test_help_needs_no_package_and_all_else_says_which() -> None:
    """As in a fresh environment: the package is not to be found."""
    hidden = "import sys; sys.modules['cryptography'] = None; from streamer.cli import main; "
    for words, code, said in (
        (["enroll", "--help"], 0, "--rotate"),
        (["enroll", "--list"], 2, "install it with: pip install '.[enroll]'"),
    ):
        done = subprocess.run(
            [sys.executable, "-c", f"{hidden}sys.exit(main({words!r}))"],
            capture_output=True, text=True, check=False, cwd=TOP,
        )  # fmt: skip
        assert done.returncode == code
        assert said in done.stdout + done.stderr
        assert "Traceback" not in done.stderr
