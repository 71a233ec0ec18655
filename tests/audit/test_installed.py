"""What pyproject.toml asks for and what .ci/constraints.txt pins go together.

Outside judge: the library packaging (PEP 440, PEP 508).
"""

import tomllib
from collections import Counter
from itertools import chain
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.audit.installed import AGENT, installed

TOP = Path(__file__).parents[2]


def pins() -> list[tuple[str, str]]:
    lines = (TOP / ".ci" / "constraints.txt").read_text().splitlines()
    found = [Requirement(line) for line in lines if line and not line.startswith("#")]
    for requirement in found:
        (only,) = requirement.specifier
        assert only.operator == "==", requirement
    return [(canonicalize_name(one.name), str(one.specifier)[2:]) for one in found]


def test_no_package_is_pinned_twice() -> None:
    assert {name: n for name, n in Counter(name for name, _ in pins()).items() if n > 1} == {}


def test_every_pin_is_of_something_asked_for_and_within_its_range() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    listed = [*project["dependencies"], *chain(*project["optional-dependencies"].values())]
    asked = [r for r in map(Requirement, listed) if canonicalize_name(r.name) != project["name"]]
    pinned = dict(pins())
    wrong = [
        f"{requirement}: pinned to {pinned.get(canonicalize_name(requirement.name))}"
        for requirement in asked
        if not requirement.specifier.contains(
            pinned.get(canonicalize_name(requirement.name), "0"), prereleases=True
        )
    ]
    assert wrong == []


def test_the_base_install_is_small() -> None:
    """By hand, from the two packages' own metadata: paho-mqtt needs nothing; pydantic needs
    annotated-types, pydantic-core, typing-extensions, typing-inspection."""
    here = installed(TOP / "pyproject.toml")
    brought = ["annotated-types", "pydantic-core", "typing-extensions", "typing-inspection"]
    assert here.of(AGENT) == sorted(["paho-mqtt", "pydantic", *brought])
