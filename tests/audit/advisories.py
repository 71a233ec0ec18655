"""Asks a service of advisories about packages, by pip-audit, and trusts no answer blindly.

Where the service does not know a package, pip-audit says "No known vulnerabilities found" and
exits 0 (seen with 2.10.1): behind a mirror that answers 404 to everything that is a clean bill for
nothing. So it is first asked about a version whose faults are published (`CANARY`); a service that
finds nothing wrong with that one has audited nothing.
"""

import json
import subprocess
import sys
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from textwrap import shorten
from typing import Any

CANARY = ("jinja2", "2.4.1")
"""The example of OSV's own guide ("Return all vulnerabilities for a given package"); among its
faults is CVE-2020-28493, mended in 2.11.3."""
_LONGEST_S = 300


@dataclass(frozen=True)
class Finding:
    """An advisory about a package that is installed. `ids` has its aliases too."""

    package: str
    version: str
    ids: tuple[str, ...]
    mended_in: tuple[str, ...]


@dataclass(frozen=True)
class Answer:
    """What one service said; with a `fault` it said nothing about any package."""

    service: str
    fault: str = ""
    findings: tuple[Finding, ...] = ()
    not_audited: tuple[str, ...] = ()


class _NoAnswer(Exception):
    """pip-audit did not get to an answer; the text says why."""


def ask(service: str, versions: Mapping[str, str], folder: Path, osv_url: str | None) -> Answer:
    """About all packages; `folder` is for pip-audit's files and may be thrown away."""
    try:
        if not _faults(service, dict([CANARY]), folder, osv_url).get(CANARY[0]):
            return Answer(service, f"it finds nothing wrong with {CANARY[0]} {CANARY[1]}")
        told = _faults(service, versions, folder, osv_url)
    except _NoAnswer as error:
        return Answer(service, str(error))
    findings = [
        Finding(
            package,
            versions[package],
            (fault["id"], *fault.get("aliases", ())),
            tuple(fault["fix_versions"]),
        )
        for package, faults in told.items()
        for fault in faults
    ]
    return Answer(service, "", tuple(findings), tuple(sorted(versions.keys() - told.keys())))


def _faults(
    service: str, versions: Mapping[str, str], folder: Path, osv_url: str | None
) -> dict[str, list[dict[str, Any]]]:
    """The advisories of each package that the service knows, by pip-audit's JSON. Raises
    _NoAnswer."""
    pins = folder / "pins.txt"
    pins.write_text("".join(f"{name}=={version}\n" for name, version in versions.items()))
    command = [sys.executable, "-m", "pip_audit", "--no-deps", "--disable-pip", "--desc", "off"]
    command += ["-r", str(pins), "-s", service, "-f", "json", "--progress-spinner", "off"]
    command += ["--timeout", "10"]
    if osv_url is not None:
        command += ["--osv-url", osv_url, "--cache-dir", str(folder / "cache")]
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=_LONGEST_S, check=False
        )
        told = json.loads(done.stdout)["dependencies"]
    except subprocess.TimeoutExpired as error:
        raise _NoAnswer(f"no answer within {_LONGEST_S} s") from error
    except (ValueError, KeyError, TypeError) as error:
        last = done.stderr.strip().splitlines() or [f"pip-audit ended with {done.returncode}"]
        raise _NoAnswer(shorten(last[-1], 160, placeholder="...")) from error
    return {one["name"]: one["vulns"] for one in told if "skip_reason" not in one}


def first_answer(
    versions: Mapping[str, str], folder: Path, osv_url: str | None = None
) -> tuple[Answer | None, Collection[Answer]]:
    """The answer of the first service that knows what it is asked, and those that failed before
    it. With an address, that of OSV's interface alone is asked."""
    failed: list[Answer] = []
    for service in ("pypi", "osv") if osv_url is None else ("osv",):
        answer = ask(service, versions, folder, osv_url)
        if not answer.fault:
            return answer, failed
        failed.append(answer)
    return None, failed
