"""A group at one moment: everything that follows from its record, worked out in one place. Pure."""

from dataclasses import dataclass
from typing import Final

from streamer.config import RegionView
from streamer.contract.published import Carriage, Standing
from streamer.domain.fanout import FanOutResult, work_out
from streamer.domain.liveness import Sights
from streamer.domain.loops import Loop, find_loops
from streamer.domain.membership import Judgement
from streamer.domain.memory import Memory
from streamer.domain.model import GroupSnapshot, Summary

CLOSED_SHOWN_MS: Final = 3_600_000
"""How long a roster still shows those who checked out or expired."""


@dataclass(frozen=True, slots=True)
class GroupNow:
    """`judged` are all stations that the record holds, also those that have long gone."""

    snapshot: GroupSnapshot
    judged: tuple[tuple[Summary, Judgement], ...]
    fanout: FanOutResult
    loops: tuple[Loop, ...]


def look_at_group(
    view: RegionView,
    snapshot: GroupSnapshot,
    sights: Sights,
    now_ms: int,
    memory: Memory | None = None,
) -> GroupNow:
    """Judge the members, work out the fan-out, find the loops. `memory` spares work where the same
    group is looked at again.

    Raises KeyError for a group that the region file does not have.
    """
    policy, group = view.policies[snapshot.group], view.groups[snapshot.group]
    known, name = memory or Memory(), snapshot.group
    judged = tuple(
        (s, known.look(name, s, policy, sights.repeater(s.place.repeater), now_ms))
        for s in snapshot.members
    )
    fanout = work_out(
        snapshot, judged, policy,
        pins=group.pins, bars=group.bars, sights=sights, now_ms=now_ms, memory=known,
    )  # fmt: skip
    return GroupNow(snapshot, judged, fanout, tuple(find_loops(snapshot.forwardings)))


def is_shown(judgement: Judgement, now_ms: int) -> bool:
    """Whether a roster shows it: members, and those who left within the last hour."""
    return judgement.is_member or judgement.since_ms + CLOSED_SHOWN_MS > now_ms


def carriage_at(repeater: str, fanout: FanOutResult) -> Carriage:
    """Whether the group goes out where a member is. Where it is not wanted (a bar holds it off)
    it does not, unless the repeater says that it carries it all the same."""
    for wanted in fanout.wanted:
        if wanted.repeater == repeater:
            return wanted.carriage
    carried = any(repeater == idle for idle, _ in fanout.idle)
    return Carriage.CARRIED if carried else Carriage.NOT_CARRIED


def hears(judgement: Judgement, carriage: Carriage) -> bool | None:
    """Whether a member would hear an over to its group now; None if that cannot be said.

    Where its repeater does not carry the group it hears nothing, wherever in the range it may be;
    where it does, only a member in reach can be said to hear.
    """
    if not judgement.is_member or carriage is Carriage.NOT_CARRIED:
        return False
    if carriage is Carriage.CARRIED and judgement.standing is Standing.IN_REACH:
        return True
    return None


def carriage_reason(repeater: str, carriage: Carriage, sights: Sights) -> str:
    """Why the carriage is what it is, in words."""
    if carriage is Carriage.CARRIED:
        return "says it carries the group"
    if carriage is Carriage.NOT_CARRIED:
        return "does not say that it carries the group"
    sight, gateway = sights.repeater(repeater), repeater.split("/", 1)[0]
    if not sight.reporting:
        return f"{sight.reason}: nothing can be said"
    return f"gateway {gateway} never said what it carries"
