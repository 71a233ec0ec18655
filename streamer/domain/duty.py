"""Which duties run, and for whom. Pure."""

from collections.abc import Iterable

from streamer.contract.duty import DutyKind, DutyMark
from streamer.contract.published import Duty


def running(duties: Iterable[Duty]) -> tuple[Duty, ...]:
    """Those that have not ended, the oldest first."""
    found = [duty for duty in duties if duty.ended_at is None]
    return tuple(sorted(found, key=lambda duty: (duty.started_at, duty.id)))


def marks_of(duties: Iterable[Duty], group: str | None = None) -> tuple[DutyMark, ...]:
    """The marks of the duties that run for a group or, without one, anywhere in the region."""
    return tuple(duty.mark for duty in running(duties) if group is None or group in duty.groups)


def began_s(duties: Iterable[Duty], group: str) -> float | None:
    """When the newest of the duties began that run for a group, in seconds since 1970."""
    begun = [d.started_at.timestamp() for d in running(duties) if group in d.groups]
    return max(begun, default=None)


def duty_text(marks: Iterable[DutyMark]) -> str:
    """What to put before a message while duties run: `EXERCISE: winter search`; '' if none does."""
    words = {DutyKind.EXERCISE: "EXERCISE", DutyKind.ACTUAL: "ACTUAL DUTY"}
    return "; ".join(f"{words[mark.kind]}: {mark.title}" for mark in marks)
