"""The communications log: overs of a duty's groups, and what its people said to anybody else."""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from streamer.clock import from_ms
from streamer.domain.check_out_words import CheckOutWords
from streamer.domain.membership import CLOSED, expiry_ms, is_checked_in
from streamer.lab.columns import check_outs_ms
from streamer.lab.day import RecordedOver
from streamer.report.facts import OverRow
from streamer.report.scope import Scope

Key = tuple[str, str, int]
"""Station, over and its begin: what tells an over from all others of a day."""


@dataclass(frozen=True, slots=True)
class Marks:
    """Groups of the duty that an over made its sender join, and leave."""

    joined: tuple[str, ...]
    left: tuple[str, ...]


NO_MARKS = Marks((), ())


def key_of(over: RecordedOver) -> Key:
    return over.station, over.over, over.began_ms


def over_rows(scope: Scope, marks: Mapping[Key, Marks]) -> tuple[OverRow, ...]:
    """In order of time."""
    shown = [o for o in scope.overs if scope.of_duty(o) or o.station in scope.people]
    return tuple(
        OverRow(
            number=number,
            at=from_ms(over.began_ms),
            station=over.station,
            to=over.to,
            of_duty=scope.of_duty(over),
            repeater=over.repeater,
            also_heard_by=tuple(h.repeater for h in over.heard if h.repeater != over.repeater),
            length_s=(over.ended_ms - over.began_ms) / 1000,
            text=" / ".join(over.texts),
            checks_in=marks.get(key_of(over), NO_MARKS).joined,
            checks_out=marks.get(key_of(over), NO_MARKS).left,
            rssi_dbm=over.heard[0].rssi_dbm,
            ber_pct=over.heard[0].ber_pct,
            told_after_s=max(0, over.noted_ms - over.ended_ms) / 1000,
        )
        for number, over in enumerate(shown, 1)
    )


def marks_of(scope: Scope) -> dict[Key, Marks]:
    """Of each over of the duty's people that made somebody join or leave one of its groups."""
    day = scope.record.day
    own: dict[str, list[RecordedOver]] = defaultdict(list)
    for over in day.overs:
        if over.station in scope.people:
            own[over.station].append(over)
    outs_ms = check_outs_ms(day.overs, day.acts, day.view)
    words = CheckOutWords(day.view)
    joined: dict[Key, list[str]] = defaultdict(list)
    left: dict[Key, list[str]] = defaultdict(list)
    for group in scope.duty.groups:
        if group not in day.view.groups:
            continue
        for station, overs in own.items():
            outs = outs_ms.get((group, station), ())
            _Walk(scope, group, words).through(station, overs, outs, joined, left)
    return {
        key: Marks(tuple(joined.get(key, ())), tuple(left.get(key, ())))
        for key in {*joined, *left}
    }  # fmt: skip


class _Walk:
    """Through all overs of one station, told apart by whether it was a member of one group."""

    def __init__(self, scope: Scope, group: str, words: CheckOutWords) -> None:
        self._published = scope.record.published
        self._policy = scope.record.day.view.policies[group]
        self._group = group
        self._words = words

    def through(
        self,
        station: str,
        overs: Sequence[RecordedOver],
        outs_ms: Sequence[int],
        joined: dict[Key, list[str]],
        left: dict[Key, list[str]],
    ) -> None:
        in_ms: int | None = None
        heard_ms: int | None = None
        for over in overs:
            before = bisect_left(outs_ms, over.began_ms)
            out_ms = outs_ms[before - 1] if before else None
            if in_ms is None:
                member = self._was_shown(station, over.began_ms, out_ms)
            else:
                member = (
                    is_checked_in(in_ms, out_ms)
                    and heard_ms is not None
                    and over.began_ms < expiry_ms(heard_ms, self._policy)
                )
            to_group = over.group == self._group
            leaves = over.out_group == self._group or (
                member and self._words.said(over.out_word, self._group)[0] == self._group
                and not over.group
            )  # fmt: skip
            if to_group and not member and not leaves:
                joined[key_of(over)].append(self._group)
            if leaves:
                left[key_of(over)].append(self._group)
            if to_group:
                in_ms = over.began_ms
            heard_ms = over.began_ms

    def _was_shown(self, station: str, ms: int, out_ms: int | None) -> bool:
        """Before its first over to the group that the record has, the roster as published tells."""
        stood = self._published.standing_at(self._group, station, ms - 1)
        if stood is None or stood.standing in CLOSED:
            return False
        return out_ms is None or out_ms < stood.at_ms
