"""On which repeaters a group should be carried, and whether it is. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from streamer.config import Group, Policy
from streamer.contract.published import Carriage, Why
from streamer.domain.liveness import Sights
from streamer.domain.membership import Judgement
from streamer.domain.memory import Memory
from streamer.domain.model import Carrying, GroupSnapshot, Ordered, Summary


@dataclass(frozen=True, slots=True)
class Wanted:
    """A repeater of the fan-out. `until_ms` is given where a linger alone holds it."""

    repeater: str
    why: tuple[Why, ...]
    members: tuple[str, ...]
    since_ms: int
    until_ms: int | None
    carriage: Carriage

    @property
    def starved(self) -> bool:
        """Somebody should hear the group here and does not. A linger alone starves nobody."""
        return self.carriage is Carriage.NOT_CARRIED and self.why != (Why.LINGER,)


@dataclass(frozen=True, slots=True)
class Holds:
    """Which repeaters always carry a group, with since when, and which never do, just now."""

    pins: Mapping[str, int]
    bars: frozenset[str]
    orders: tuple[Ordered, ...] = ()
    """Those in force."""
    next_ms: int | None = None
    """When the first of them ends."""


def holds_of(group: Group, orders: Iterable[Ordered], born_ms: int, now_ms: int) -> Holds:
    """The region file's pins and bars, where nobody has ordered otherwise for a time."""
    in_force = tuple(o for o in orders if o.until_ms > now_ms)
    ordered = {o.repeater for o in in_force}
    pins = {repeater: born_ms for repeater in group.pins if repeater not in ordered}
    pins |= {o.repeater: o.at_ms for o in in_force if o.pin}
    bars = {repeater for repeater in group.bars if repeater not in ordered}
    bars |= {o.repeater for o in in_force if not o.pin}
    next_ms = min((o.until_ms for o in in_force), default=None)
    return Holds(pins, frozenset(bars), in_force, next_ms)


@dataclass(frozen=True, slots=True)
class FanOutResult:
    wanted: tuple[Wanted, ...]
    idle: tuple[tuple[str, int], ...]
    """Repeaters that carry the group for nobody, and since when in ms."""
    barred: tuple[str, ...]
    """Repeaters with a member on them, held off by a bar."""
    next_ms: int | None
    orders: tuple[Ordered, ...] = ()
    """Pins and bars that somebody ordered, in force."""


def work_out(
    snapshot: GroupSnapshot,
    judged: Sequence[tuple[Summary, Judgement]],
    policy: Policy,
    *,
    holds: Holds,
    sights: Sights,
    now_ms: int,
    memory: Memory | None = None,
) -> FanOutResult:
    """Places of members, and lingering repeaters, and pins, without the bars."""
    known = memory or Memory()
    members: dict[str, list[str]] = defaultdict(list)
    spans: dict[str, list[tuple[int, int]]] = defaultdict(list)
    linger_ms = round(policy.linger_s * 1000)
    until: dict[str, int] = {}
    for summary, judgement in judged:
        departed, since_ms = known.left(snapshot.group, summary, policy, judgement)
        if judgement.is_member:
            repeater = summary.place.repeater
            members[repeater].append(summary.station)
            spans[repeater].append((since_ms, now_ms))
        for left in departed:
            ends_ms = left.held_until_ms(linger_ms)
            spans[left.repeater].append((left.came_ms, ends_ms))
            if ends_ms > now_ms:
                until[left.repeater] = max(until.get(left.repeater, 0), ends_ms)
    pins, bars = holds.pins, holds.bars
    for repeater, since_ms in pins.items():
        spans[repeater].append((since_ms, now_ms))
    wanted = []
    for repeater in sorted({*members, *until, *pins} - bars):
        why = [
            *([Why.MEMBER] if repeater in members else []),
            *([Why.LINGER] if repeater in until else []),
            *([Why.PIN] if repeater in pins else []),
        ]
        wanted.append(
            Wanted(
                repeater,
                tuple(why),
                tuple(sorted(members.get(repeater, ()))),
                unbroken_since_ms(spans[repeater], now_ms),
                until[repeater] if why == [Why.LINGER] else None,
                carriage_of(repeater, snapshot.carrying.get(repeater), sights),
            )
        )
    idle = _idle(snapshot, {w.repeater for w in wanted}, sights)
    barred = tuple(sorted(set(members) & bars))
    times = [*until.values(), *([holds.next_ms] if holds.next_ms is not None else [])]
    next_ms = min(times, default=None)
    return FanOutResult(tuple(wanted), idle, barred, next_ms, holds.orders)


def unbroken_since_ms(spans: Sequence[tuple[int, int]], now_ms: int) -> int:
    """The begin of the unbroken stretch of time, made of `spans`, that lasts until now."""
    begin_ms = now_ms
    for came_ms, ends_ms in sorted(spans, key=lambda span: span[1], reverse=True):
        if ends_ms >= begin_ms:
            begin_ms = min(begin_ms, came_ms)
    return begin_ms


def carriage_of(repeater: str, said: Carrying | None, sights: Sights) -> Carriage:
    """Whether a repeater carries the group, by its own word."""
    gateway = repeater.split("/", 1)[0]
    if not sights.repeater(repeater).reporting or not sights.speaks_of_routes(gateway):
        return Carriage.UNKNOWN
    return Carriage.CARRIED if said is not None and said.carries else Carriage.NOT_CARRIED


def _idle(snapshot: GroupSnapshot, wanted: set[str], sights: Sights) -> tuple[tuple[str, int], ...]:
    return tuple(
        (repeater, said.since_ms or said.ms)
        for repeater, said in sorted(snapshot.carrying.items())
        if repeater not in wanted and carriage_of(repeater, said, sights) is Carriage.CARRIED
    )


def not_carried_since_ms(wanted: Wanted, said: Carrying | None, sights: Sights) -> int:
    """Since when a starved repeater is wanted, not carried, and able to carry."""
    able_ms = sights.repeater(wanted.repeater).since_ms or 0
    return max(wanted.since_ms, (said.since_ms or said.ms) if said is not None else 0, able_ms)
