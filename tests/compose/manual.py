"""The commands of the operators' manual, run as they stand there."""

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

HERE = Path(__file__).parents[2]
MANUAL = HERE / "configs" / "README.md"
NOT_HERE = ("docker compose",)
"""What needs Docker; of these commands only those are run that do without its engine."""


def blocks(section: str) -> list[str]:
    """The shell blocks below a heading, up to the next of its rank."""
    text = MANUAL.read_text()
    found = re.search(rf"^## {re.escape(section)}$(.*?)(?=^## |\Z)", text, re.M | re.S)
    assert found is not None, f"configs/README.md has no section {section!r}"
    return re.findall(r"^```sh\n(.*?)^```$", found[1], re.M | re.S)


def without_docker(script: str) -> str:
    """The script without the lines that need Docker's engine."""
    lines = script.splitlines(keepends=True)
    return "".join(line for line in lines if not line.startswith(NOT_HERE))


def run_blocks(
    texts: list[str], changes: Mapping[str, str], environment: Mapping[str, str]
) -> subprocess.CompletedProcess[str]:
    """Runs them one after the other in one shell that stops at the first fault.

    `changes` are replacements of texts, each of which the manual must have: names of folders, and
    what is typed at a prompt. Lines that need Docker are left out.
    """
    script = "\n".join(texts)
    for old, new in changes.items():
        assert old in MANUAL.read_text(), f"the manual no longer says {old!r}"
        script = script.replace(old, new)
    place = f"{Path(sys.prefix) / 'bin'}:/usr/sbin:/usr/bin:/bin"
    return subprocess.run(
        ["bash", "-euo", "pipefail", "-c", without_docker(script)],
        cwd=HERE, capture_output=True, text=True, check=False,
        env={**os.environ, "PATH": place, **environment},
    )  # fmt: skip
