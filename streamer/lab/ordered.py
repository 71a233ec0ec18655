"""Which repeaters always or never carried a group, as the region file said and people ordered."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from streamer.clock import to_ms
from streamer.config import Group
from streamer.domain.fanout import holds_of
from streamer.domain.model import Ordered
from streamer.state.entries import Act, Entry


@dataclass(frozen=True, slots=True)
class OrderSpan:
    """From one time to another, in ms, these repeaters were pinned, and these barred."""

    from_ms: int
    until_ms: int
    pins: frozenset[str]
    bars: frozenset[str]


def order_spans(
    group: Group, acts: Iterable[Entry], begin_ms: int, end_ms: int
) -> tuple[OrderSpan, ...]:
    """Of one group, in order, from `begin_ms` to `end_ms` without a gap. What was ordered before
    the recording began is not known and does not count."""
    said = _said(group.name, acts)
    times = {begin_ms, end_ms}
    for at_ms, _, order in said:
        times |= {at_ms} if order is None else {at_ms, order.until_ms}
    marks = sorted(ms for ms in times if begin_ms <= ms <= end_ms)
    found = []
    for from_ms, until_ms in pairwise(marks):
        holds = holds_of(group, _in_force(said, from_ms), begin_ms, from_ms)
        found.append(OrderSpan(from_ms, until_ms, frozenset(holds.pins), holds.bars))
    return tuple(found)


_Said = tuple[int, str, Ordered | None]
"""When, of which repeater, what: None if it was lifted."""


def _said(group: str, acts: Iterable[Entry]) -> Sequence[_Said]:
    found: list[_Said] = []
    for entry in acts:
        name, _, repeater = entry.subject.partition(" ")
        if name != group or entry.act not in (Act.PIN, Act.BAR, Act.LIFT):
            continue
        at_ms = to_ms(entry.at)
        order = None
        if entry.act is not Act.LIFT:
            until_ms = to_ms(datetime.fromisoformat(entry.details["until"]))
            pin = entry.act is Act.PIN
            order = Ordered(repeater, pin, until_ms, at_ms, entry.by, entry.note)
        found.append((at_ms, repeater, order))
    return sorted(found, key=lambda said: said[0])


def _in_force(said: Sequence[_Said], at_ms: int) -> list[Ordered]:
    """The newest word on each repeater by then; `holds_of` drops those that have run out."""
    newest: dict[str, Ordered | None] = defaultdict(lambda: None)
    for ms, repeater, order in said:
        if ms <= at_ms:
            newest[repeater] = order
    return [order for order in newest.values() if order is not None]
