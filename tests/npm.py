"""Packages of npm, installed by name into a temporary folder: nothing of them is kept."""

import os
import subprocess
from pathlib import Path

import pytest

from tests.servers import REQUIRED, program


def install(folder: Path, *packages: str) -> Path:
    """The folder with its node_modules; skips the test, or fails it in CI, without a registry."""
    npm = program("npm")
    words = ["install", "--no-save", "--no-package-lock", "--ignore-scripts", "--no-audit"]
    (folder / "package.json").write_text('{"private": true}')
    done = subprocess.run(
        [npm, *words, "--no-fund", "--loglevel=error", *packages],
        cwd=folder, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    if done.returncode:
        reason = f"npm could not install {' '.join(packages)}: {done.stderr[-500:]}"
        if os.environ.get(REQUIRED):
            pytest.fail(reason)
        pytest.skip(reason)
    return folder
