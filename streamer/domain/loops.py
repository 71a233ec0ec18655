"""Overs that go round in circles or arrive twice. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from streamer.domain.model import Forwarding


@dataclass(frozen=True, slots=True)
class Loop:
    """`through` are the repeater and the gateways that brought it, or the gateways of the cycle."""

    over: str
    ms: int
    through: tuple[str, ...]
    reason: str


def find_loops(forwardings: Iterable[Forwarding]) -> list[Loop]:
    """The loops among forwardings, one at most for each over, oldest first.

    Two paths: an over was sent at one repeater by way of two gateways. Cycle: following who
    handed the over on leads back to where one began.
    """
    by_over: dict[str, list[Forwarding]] = defaultdict(list)
    for forwarding in forwardings:
        by_over[forwarding.over].append(forwarding)
    found = [loop for over in by_over.values() if (loop := _two_paths(over) or _cycle(over))]
    return sorted(found, key=lambda loop: (loop.ms, loop.over))


def _two_paths(over: Sequence[Forwarding]) -> Loop | None:
    sources: dict[str, set[str]] = defaultdict(set)
    for forwarding in over:
        if forwarding.from_gateway:
            sources[forwarding.repeater].add(forwarding.from_gateway)
    doubled = sorted(r for r, gateways in sources.items() if len(gateways) > 1)
    if not doubled:
        return None
    repeater, ways = doubled[0], sorted(sources[doubled[0]])
    text = f"one over was sent at {repeater} by way of {' and of '.join(ways)}"
    return Loop(over[0].over, max(f.ms for f in over), (repeater, *ways), text)


def _cycle(over: Sequence[Forwarding]) -> Loop | None:
    graph: dict[str, set[str]] = defaultdict(set)
    for forwarding in over:
        gateway = forwarding.repeater.split("/", 1)[0]
        if forwarding.from_gateway and forwarding.from_gateway != gateway:
            graph[gateway].add(forwarding.from_gateway)
    # Sorted, so that the same forwardings always name the same cycle.
    ordered = {gateway: sorted(graph[gateway]) for gateway in sorted(graph)}
    try:
        TopologicalSorter(ordered).prepare()
    except CycleError as error:
        # The library lists who must come before whom: from giver to taker, first = last.
        ring = list(error.args[1])[:-1]
        first = ring.index(min(ring))
        ring = [*ring[first:], *ring[:first]]
        text = f"one over went round {' > '.join([*ring, ring[0]])}"
        return Loop(over[0].over, max(f.ms for f in over), tuple(ring), text)
    return None
