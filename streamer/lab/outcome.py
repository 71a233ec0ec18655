"""What one setting would have done to one group on a recorded day.

In words for people:
- an over to a group is *carried* on every repeater of the group's fan-out at the moment it began,
  other than those that heard it; its length counts as air-time on each of them;
- air-time is *wasted* on a repeater within whose reach no member of the group was, other than the
  one who spoke; where the region file as it is, or an order, pinned the repeater, that air-time is
  *on pins* instead: a pin may be for somebody who only listens, whom no recording shows;
- an over is *missed* by a member that was there, checked in by the record (it keyed to the group
  and has not checked out since), on a repeater that neither heard the over nor carried it. An over
  that three members missed counts three times. Why it was missed: see `Cause`;
- a *move* is a member heard on another repeater than before, while the setting held it for a
  member; a *change* is a repeater taken up into the fan-out or dropped from it.

Every over is taken to be known at the moment it began, a check-out when its over ended: what the
network and its gateways took to tell of it is not in here. Where people were is assumed or known,
see `streamer.lab.hindsight`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from streamer.lab.columns import Columns
from streamer.lab.holding import Rules, Walk
from streamer.lab.listeners import Listeners
from streamer.lab.ordered import OrderSpan
from streamer.lab.spans import Span, Union, places_of, union_of, without

LINGERED_MS: Final = 3_600_000
"""A repeater that was dropped from the fan-out no longer ago than this could have lingered on."""


class Cause(StrEnum):
    """Why a member that was there missed an over; the first that holds."""

    BARRED = "barred"
    """But for a bar the repeater would have carried it."""
    EXPIRED = "expired too soon"
    """The member was last heard there, but its silence had outlasted the expiry."""
    LINGER = "lingered too short"
    """It was last heard elsewhere; the repeater was in the fan-out within the last hour."""
    LATE = "moved, not yet heard there"
    """It was last heard elsewhere: the fan-out could not know."""


CAUSES: Final = tuple(Cause)


@dataclass(slots=True)
class GroupOutcome:
    """Of one group; `carried_ms`, `wasted_ms`, `on_pins_ms` by number of repeater, `missed` as
    `CAUSES`."""

    overs: int
    carried_ms: list[int]
    wasted_ms: list[int]
    on_pins_ms: list[int]
    missed: list[int]
    moves: int
    changes: int


@dataclass(frozen=True, slots=True)
class FanOut:
    """Of one repeater: when a group was carried on it, and when it would have been without bars."""

    carried: Union
    held: Union


def outcome_of(
    columns: Columns,
    group: int,
    rules: Rules,
    orders: Sequence[OrderSpan],
    listeners: Listeners,
    own_orders: Sequence[OrderSpan] = (),
) -> GroupOutcome:
    """Of the group with that number, under one setting; `orders` from begin to end of the day,
    `own_orders` those that held with the region file as it is."""
    spans, moves = held_of(columns, group, rules)
    overs = columns.overs[group]
    outcome = GroupOutcome(len(overs.ms), [], [], [], [0] * len(CAUSES), moves, 0)
    pinned, own_pinned = pins_of(columns, orders), pins_of(columns, own_orders)
    for repeater, fan_out in enumerate(fan_outs(columns, spans, orders)):
        heard = overs.heard[:, repeater]
        carries = fan_out.carried.holds(overs.ms)
        placed, elsewhere = listeners.placed[:, repeater], listeners.elsewhere[:, repeater]
        sent = carries & ~heard
        alone = sent & (placed == 0) & (elsewhere == 0)
        outcome.carried_ms.append(int(overs.duration_ms[sent].sum()))
        # A pin that only the setting would add is no wish of anybody's yet: it costs.
        on_pin = alone & pinned[repeater].holds(overs.ms) & own_pinned[repeater].holds(overs.ms)
        outcome.wasted_ms.append(int(overs.duration_ms[alone & ~on_pin].sum()))
        outcome.on_pins_ms.append(int(overs.duration_ms[on_pin].sum()))
        outcome.changes += _changes(fan_out.carried, columns)
        lost = ~carries & ~heard
        if lost.any():
            barred = lost & fan_out.held.holds(overs.ms)
            lately = overs.ms - fan_out.carried.ended_before(overs.ms) <= LINGERED_MS
            open_to = lost & ~barred
            for n, number in enumerate((
                placed[barred].sum(dtype=int) + elsewhere[barred].sum(dtype=int),
                placed[open_to].sum(dtype=int),
                elsewhere[open_to & lately].sum(dtype=int),
                elsewhere[open_to & ~lately].sum(dtype=int),
            )):  # fmt: skip
                outcome.missed[n] += int(number)
    return outcome


def _changes(carried: Union, columns: Columns) -> int:
    """What holds from the first moment on has not been taken up, what holds at the end has not
    been dropped."""
    taken_up = np.count_nonzero(carried.begins > columns.begin_ms)
    return int(taken_up + np.count_nonzero(carried.ends < columns.horizon_ms))


def held_of(columns: Columns, group: int, rules: Rules) -> tuple[list[Span], int]:
    """What all who ever keyed to the group with that number made it hold, pins and bars left out,
    and how often they moved."""
    walk = Walk(rules, columns.repeaters, columns.horizon_ms)
    keyings = columns.keyings
    spans: list[Span] = []
    moves = 0
    for station in np.unique(columns.overs[group].station).tolist():
        own = keyings.of(station)
        walked = walk.of(
            keyings.ms[own].tolist(), keyings.repeater[own].tolist(),
            (keyings.group[own] == group).tolist(), columns.outs_ms.get((group, station), ()),
        )  # fmt: skip
        spans += walked.held
        moves += walked.moves
    return spans, moves


def _pinned(columns: Columns, orders: Sequence[OrderSpan]) -> list[Span]:
    numbers = {name: n for n, name in enumerate(columns.repeaters)}
    return [(numbers[r], s.from_ms, s.until_ms) for s in orders for r in s.pins]


def pins_of(columns: Columns, orders: Sequence[OrderSpan]) -> list[Union]:
    """By number of repeater, when it was pinned."""
    return [
        union_of(*times) for times in places_of(_pinned(columns, orders), len(columns.repeaters))
    ]


def fan_outs(columns: Columns, held: Sequence[Span], orders: Sequence[OrderSpan]) -> list[FanOut]:
    """By number of repeater: what members hold, and pins, without the bars."""
    by_repeater = places_of([*held, *_pinned(columns, orders)], len(columns.repeaters))
    found = []
    for name, (begins, ends) in zip(columns.repeaters, by_repeater, strict=True):
        union = union_of(begins, ends)
        bars = ((s.from_ms, s.until_ms) for s in orders if name in s.bars)
        found.append(FanOut(without(union, bars), union))
    return found
