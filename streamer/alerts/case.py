"""What is remembered of one trouble between two looks: a case. Its JSON is what Redis keeps."""

from collections.abc import Mapping
from enum import StrEnum
from typing import Final

from pydantic import BaseModel, ConfigDict, TypeAdapter

from streamer.alerts.conditions import Condition
from streamer.alerts.notice import Earlier
from streamer.contract.duty import DutyMark
from streamer.contract.published import Alert

EARLIER_KEPT: Final = 20
"""Newest notices remembered of an episode for each channel."""


class Phase(StrEnum):
    """Where a case stands."""

    PENDING = "pending"
    """Wrong, but not for long enough to tell."""
    HELD = "held"
    """Wrong, and explained by another."""
    STANDING = "standing"
    """An alert, open or in somebody's hands."""
    RESTING = "resting"
    """Cleared; what comes back now is the same episode."""


class Case(BaseModel):
    """`due_ms`: when a pending one opens, a resting one is forgotten. `gone_ms`: since when the
    condition is gone, of one that stands; `ending`: why, as its owner said. `same_ms`: since when
    it has been there, or gone, without a change. `alert`: as last published; `turned_ms`: when it
    last turned, `missed`: the condition's as of then. `told`: by channel, what it was told of this
    episode."""

    model_config = ConfigDict(frozen=True)

    phase: Phase
    condition: Condition
    duties: tuple[DutyMark, ...] = ()
    due_ms: int = 0
    gone_ms: int | None = None
    ending: str = ""
    same_ms: int = 0
    opened_ms: tuple[int, ...] = ()
    cause: str | None = None
    alert: Alert | None = None
    published_ms: int = 0
    turned_ms: int = 0
    missed: tuple[str, ...] = ()
    told: dict[str, tuple[Earlier, ...]] = {}

    @property
    def id(self) -> str:
        return self.condition.id

    def but(self, **changes: object) -> "Case":
        """The same with some fields changed."""
        return self.model_copy(update=changes)


class Report(BaseModel):
    """What an owner (a group, a gateway, a station) has to say: what is wrong with it, and why what
    was wrong is so no more, by alert id."""

    model_config = ConfigDict(frozen=True)

    conditions: tuple[Condition, ...] = ()
    endings: dict[str, str] = {}
    duties: tuple[DutyMark, ...] = ()


_CONDITIONS: Final = TypeAdapter(tuple[Condition, ...])


def conditions_json(conditions: tuple[Condition, ...]) -> bytes:
    """For a digest of them."""
    return _CONDITIONS.dump_json(conditions)


def root_of(case: Case, after: Mapping[str, Case]) -> str | None:
    """The cause that stands for itself, behind what explains a case."""
    seen = {case.id}
    cause = case.cause if case.phase is Phase.HELD else None
    while cause is not None and cause not in seen:
        seen.add(cause)
        behind = after.get(cause)
        if behind is None or behind.phase is not Phase.HELD or behind.cause is None:
            return cause
        cause = behind.cause
    return cause
