"""What each part of the project brings along, by the packages that are installed here."""

import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

AGENT = "agent"
"""The base install, which is all that a gateway gets."""
TOOLS = "installing"
"""What installs and builds the rest; nobody requires it by name."""


@dataclass
class Installed:
    """Packages by name, with the version and the parts that need them; and what is not there."""

    versions: dict[str, str] = field(default_factory=dict)
    parts: dict[str, set[str]] = field(default_factory=dict)
    missing: set[str] = field(default_factory=set)

    def of(self, part: str) -> list[str]:
        return sorted(name for name, parts in self.parts.items() if part in parts)


def installed(pyproject: Path) -> Installed:
    """Everything that the base install and each extra lead to, on this Python and machine."""
    project = tomllib.loads(pyproject.read_text("utf-8"))["project"]
    own = canonicalize_name(project["name"])
    extras: dict[str, list[str]] = project.get("optional-dependencies", {})
    found = Installed()
    for part in (AGENT, TOOLS, *extras):
        wanted = [*project["dependencies"], *extras.get(part, [])]
        if part == TOOLS:
            wanted = ["pip", "setuptools"]
        for name, version in _closure(_ours_unfolded(wanted, own, extras)):
            if version is not None:
                found.versions[name] = version
                found.parts.setdefault(name, set()).add(part)
            elif part != TOOLS:
                found.missing.add(name)
    return found


def _ours_unfolded(
    wanted: Iterable[str], own: str, extras: dict[str, list[str]]
) -> Iterator[Requirement]:
    """`streamer[board]` in an extra stands for what that extra lists."""
    for text in wanted:
        requirement = Requirement(text)
        if canonicalize_name(requirement.name) != own:
            yield requirement
            continue
        for extra in requirement.extras:
            yield from _ours_unfolded(extras[extra], own, extras)


def _closure(wanted: Iterable[Requirement]) -> Iterator[tuple[str, str | None]]:
    """Each package that these lead to, once, with its version; None for one that is not there."""
    told: set[str] = set()
    looked: set[tuple[str, str]] = set()
    waiting = [(requirement, "") for requirement in wanted]
    while waiting:
        requirement, extra = waiting.pop()
        if requirement.marker and not requirement.marker.evaluate({"extra": extra}):
            continue
        name = canonicalize_name(requirement.name)
        there = _distribution(name)
        if name not in told:
            told.add(name)
            yield name, there.version if there else None
        for wanted_extra in ("", *requirement.extras):
            if there and (name, wanted_extra) not in looked:
                looked.add((name, wanted_extra))
                waiting += [(Requirement(text), wanted_extra) for text in there.requires or ()]


def _distribution(name: str) -> Distribution | None:
    try:
        return distribution(name)
    except PackageNotFoundError:
        return None
