"""A group at one moment: everything that follows from its record, worked out in one place. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from streamer.config import RegionView
from streamer.contract.published import Carriage, Standing
from streamer.domain.fanout import FanOutResult, holds_of, work_out
from streamer.domain.liveness import Sights
from streamer.domain.loops import Loop, find_loops
from streamer.domain.membership import CLOSED, AskSilences, Judgement
from streamer.domain.memory import Memory
from streamer.domain.model import GroupSnapshot, Summary

CLOSED_SHOWN_MS: Final = 3_600_000
"""How long a roster still shows those who checked out or expired."""


class Hears(StrEnum):
    """Whether an over to the group would be heard now; `unknown` where nothing can be said."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


_OF_CARRIAGE: Final = {
    Carriage.CARRIED: Hears.YES,
    Carriage.NOT_CARRIED: Hears.NO,
    Carriage.UNKNOWN: Hears.UNKNOWN,
}


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
    silences: AskSilences | None = None,
) -> GroupNow:
    """Judge the members, work out the fan-out, find the loops. `memory` spares work where the same
    group is looked at again; `silences` are asked where somebody has been silent for long.

    Raises KeyError for a group that the region file does not have.
    """
    policy, group = view.policies[snapshot.group], view.groups[snapshot.group]
    known, name = memory or Memory(), snapshot.group
    judged = tuple(
        (s, known.look(name, s, policy, sights.repeater(s.place.repeater), now_ms, silences))
        for s in snapshot.members
    )
    born_ms = snapshot.born_ms or now_ms
    holds = holds_of(group, snapshot.orders, born_ms, now_ms)
    fanout = work_out(
        snapshot, judged, policy, holds=holds, sights=sights, now_ms=now_ms, memory=known,
    )  # fmt: skip
    return GroupNow(snapshot, judged, fanout, tuple(find_loops(snapshot.forwardings)))


def is_shown(judgement: Judgement, now_ms: int) -> bool:
    """Whether a roster shows it: members, and those who left within the last hour."""
    return judgement.is_member or judgement.since_ms + CLOSED_SHOWN_MS > now_ms


def carriage_at(repeater: str, fanout: FanOutResult) -> Carriage:
    """Whether the group goes out where a member is."""
    wanted = ((w.repeater, w.carriage) for w in fanout.wanted)
    return carriage_among(repeater, wanted, (name for name, _ in fanout.idle))


def carriage_among(
    repeater: str, wanted: Iterable[tuple[str, Carriage]], idle: Iterable[str]
) -> Carriage:
    """The same by the parts of a fan-out. Where the group is not wanted (a bar holds it off) it
    does not go out, unless the repeater says that it carries it all the same."""
    for name, carriage in wanted:
        if name == repeater:
            return carriage
    return Carriage.CARRIED if repeater in idle else Carriage.NOT_CARRIED


def goes_out(carriage: Carriage) -> Hears:
    """Whether an over to the group would go out at a repeater."""
    return _OF_CARRIAGE[carriage]


def hears(standing: Standing, carriage: Carriage) -> Hears:
    """Whether a member would hear an over to its group now.

    Where its repeater does not carry the group it hears nothing, wherever in the range it may be;
    where it does, only a member in reach can be said to hear.
    """
    if standing in CLOSED or carriage is Carriage.NOT_CARRIED:
        return Hears.NO
    if carriage is Carriage.CARRIED and standing is Standing.IN_REACH:
        return Hears.YES
    return Hears.UNKNOWN


def hears_reason(standing: Standing, repeater: str, carriage: Carriage, why: str) -> str:
    """Why a member hears or does not, in words; `why` is the `carriage_reason` of its repeater."""
    if standing in CLOSED:
        return "no longer a member"
    if carriage is not Carriage.CARRIED:
        return f"{repeater}: {why}"
    if standing is Standing.IN_REACH:
        return f"in reach of {repeater}, which says that it carries the group"
    return f"{repeater} carries the group, but the member is {standing.replace('_', ' ')}"


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
