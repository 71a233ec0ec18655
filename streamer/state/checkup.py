"""How well the repeaters of a gateway were when they were last judged, as its record keeps it.

It is a judgement of its time and not of the events alone: so it stands in the record, where the
next worker that judges finds it, and whoever shows it shows the same as the alerts.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pydantic import TypeAdapter, ValidationError

from streamer.domain.repeater_health import Finding, Trouble


@dataclass(frozen=True, slots=True)
class Told:
    """A finding as it was put into words at `worded_ms`."""

    finding: Finding
    worded_ms: int


@dataclass(frozen=True, slots=True)
class Checked:
    """One repeater: judged from so many `overs` of so many `stations`, last heard something then
    (None: not known)."""

    told: tuple[Told, ...]
    heard_ms: int | None
    overs: int
    stations: int

    @property
    def held(self) -> dict[Trouble, int]:
        """The troubles that stand, and since when."""
        return {told.finding.trouble: told.finding.since_ms for told in self.told}


@dataclass(frozen=True, slots=True)
class Checkup:
    """The repeaters of a gateway by name as judged at `ms`, and when they are to be judged next."""

    ms: int
    next_ms: int
    repeaters: Mapping[str, Checked]


_CHECKUP: Final = TypeAdapter(Checkup)


def checkup_text(checkup: Checkup) -> str:
    return _CHECKUP.dump_json(checkup).decode()


def checkup_from(text: str) -> Checkup | None:
    """None if there is none, or none that can be read (a newer program's): then it is judged
    anew."""
    try:
        return _CHECKUP.validate_json(text) if text else None
    except ValidationError:
        return None
