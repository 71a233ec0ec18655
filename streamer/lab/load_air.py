"""What was on the air of each repeater on a recorded day, and what it ran into.

A *source* is whoever never sends twice at once: a group, whose members hear each other and take
turns, or a station whose overs were to no group. An over is on the air where it was heard, and on
every other repeater that carried its group when it began and was not dark: to one that does not
report nothing counts as sent on, whatever it said before or the rules say.
"""

from array import array
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, MutableSequence, Sequence
from dataclasses import dataclass, field
from typing import Final

from streamer.lab.day import CarriedSpan, Day, RecordedOver
from streamer.lab.spans import pairs_of, union_from, without
from streamer.state.keys import HOUR_MS

Source = tuple[str, str]
"""(group, '') or ('', station)."""

Aired = MutableSequence[int]
"""The overs on the air of one repeater, in the order of their begin: the number of each in
`Day.overs`, times two, and one more where it was heard there (else it was sent on from another).
An array, as a week has millions of them."""

HEARD: Final = 1


@dataclass(slots=True)
class Tally:
    """Of one source on one repeater in one hour: overs that began, and time on the air in ms, of
    those heard there and of those sent on from elsewhere."""

    heard: int = 0
    sent_on: int = 0
    heard_ms: int = 0
    sent_on_ms: int = 0

    @property
    def overs(self) -> int:
        return self.heard + self.sent_on

    @property
    def air_ms(self) -> int:
        return self.heard_ms + self.sent_on_ms


Hours = dict[int, dict[Source, Tally]]
"""By the hour, counted since 1970."""


@dataclass(slots=True)
class Collisions:
    """Overs that began while another source was on the air of the same repeater: by group, of those
    heard there and those sent on; by pair of groups (in order) how many, and for how many ms both
    were on the air."""

    heard: Counter[str] = field(default_factory=Counter)
    sent_on: Counter[str] = field(default_factory=Counter)
    pairs: Counter[tuple[str, str]] = field(default_factory=Counter)
    both_ms: Counter[tuple[str, str]] = field(default_factory=Counter)


def source_of(over: RecordedOver) -> Source:
    return (over.group, "") if over.group else ("", over.station)


def gateway_of(repeater: str) -> str:
    return repeater.split("/", 1)[0]


def speaking(day: Day) -> frozenset[str]:
    """Gateways that said of some repeater that it carries a group."""
    return frozenset(gateway_of(span.repeater) for span in day.carried)


def spans_of(day: Day, ruled: Iterable[CarriedSpan] = ()) -> list[CarriedSpan]:
    """What repeaters said that they carry, and of gateways that never say so the fan-out by the
    rules, `ruled`, where it is given."""
    said = speaking(day)
    return [*day.carried, *(s for s in ruled if gateway_of(s.repeater) not in said)]


def reported(day: Day, spans: Iterable[CarriedSpan]) -> list[CarriedSpan]:
    """What is left of spans outside of the times in which the repeater was dark."""
    found = []
    for span in spans:
        dark = day.dark.get(span.repeater, ())
        left = without(union_from([(span.from_ms, span.until_ms)]), dark)
        found += [CarriedSpan(span.group, span.repeater, a, b) for a, b in pairs_of(left)]
    return found


class Carriers:
    """The repeaters that carry a group, asked for times that never go back."""

    def __init__(self, spans: Sequence[CarriedSpan]) -> None:
        edges = [(s.from_ms, 1, s.repeater) for s in spans]
        edges += [(s.until_ms, -1, s.repeater) for s in spans]
        self._edges = sorted(edges, reverse=True)
        self._depth: Counter[str] = Counter()
        self._now: frozenset[str] = frozenset()

    def at(self, ms: int) -> frozenset[str]:
        edges, passed = self._edges, False
        while edges and edges[-1][0] <= ms:
            _, step, repeater = edges.pop()
            self._depth[repeater] += step
            passed = True
        if passed:
            self._now = frozenset(r for r, depth in self._depth.items() if depth > 0)
        return self._now


def air_of(day: Day, spans: Sequence[CarriedSpan]) -> dict[str, Aired]:
    """What was on the air of each repeater of the region file, or that heard something."""
    by_group: dict[str, list[CarriedSpan]] = defaultdict(list)
    for span in spans:
        by_group[span.group].append(span)
    carriers = {group: Carriers(listed) for group, listed in by_group.items()}
    found: dict[str, Aired] = {repeater: array("Q") for repeater in sorted(day.view.sites)}
    for number, over in enumerate(day.overs):
        heard = {over.repeater, *(h.repeater for h in over.heard)}
        for repeater in heard:
            found.setdefault(repeater, array("Q")).append(2 * number + HEARD)
        if over.group in carriers:
            for repeater in carriers[over.group].at(over.began_ms) - heard:
                found.setdefault(repeater, array("Q")).append(2 * number)
    return found


def _each(day: Day, aired: Aired) -> Iterator[tuple[RecordedOver, bool]]:
    for code in aired:
        yield day.overs[code >> 1], bool(code & HEARD)


def by_hour(day: Day, aired: Aired) -> Hours:
    """The tallies of one repeater. An over counts in the hour in which it began; its air-time in
    the hours in which it was."""
    hours: Hours = {}
    for over, heard in _each(day, aired):
        source, begin_ms = source_of(over), over.began_ms
        hour = begin_ms // HOUR_MS
        tally = hours.setdefault(hour, {}).setdefault(source, Tally())
        if heard:
            tally.heard += 1
        else:
            tally.sent_on += 1
        while True:
            inside_ms = min(over.ended_ms, (hour + 1) * HOUR_MS) - begin_ms
            if heard:
                tally.heard_ms += inside_ms
            else:
                tally.sent_on_ms += inside_ms
            begin_ms += inside_ms
            if begin_ms >= over.ended_ms:
                break
            hour += 1
            tally = hours.setdefault(hour, {}).setdefault(source, Tally())
    return hours


def on_air(day: Day, aired: Aired) -> tuple[tuple[int, int], ...]:
    """The times, in ms and in order, in which one over or more was on the air of one repeater."""
    spans = [(over.began_ms, over.ended_ms) for over, _ in _each(day, aired)]
    return tuple(pairs_of(union_from([span for span in spans if span[0] < span[1]])))


def unseen(
    dark: Iterable[tuple[int, int]], air: Sequence[tuple[int, int]]
) -> tuple[tuple[int, int], ...]:
    """Of dark times those that do not count as recorded: what follows the last over on the air in
    each. What a gateway hears while it is cut off comes as a late backlog, and shows that it was
    hearing until then; of the rest nothing is known. `air` as by `on_air`."""
    begins = [a for a, _ in air]
    found = []
    for begin_ms, until_ms in dark:
        before = bisect_left(begins, until_ms)
        heard_until_ms = air[before - 1][1] if before else begin_ms
        if heard_until_ms < until_ms:
            found.append((max(begin_ms, heard_until_ms), until_ms))
    return tuple(found)


def collisions(day: Day, aired: Aired) -> Collisions:
    """What ran into each other on one repeater. Two that begin in the same ms both found it free,
    but are on the air together."""
    found = Collisions()
    running: list[tuple[int, int, Source]] = []
    for over, heard in _each(day, aired):
        begin_ms, end_ms, source = over.began_ms, over.ended_ms, source_of(over)
        running = [one for one in running if one[1] > begin_ms]
        others = [one for one in running if one[2] != source]
        met = {one[2][0] for one in others if one[0] < begin_ms}
        if over.group and met:
            (found.heard if heard else found.sent_on)[over.group] += 1
        for name in met:
            if over.group and name:
                found.pairs[_pair(over.group, name)] += 1
        for _, other_end_ms, (name, _) in others:
            if over.group and name:
                both_ms = min(end_ms, other_end_ms) - begin_ms
                found.both_ms[_pair(over.group, name)] += both_ms
        running.append((begin_ms, end_ms, source))
    return found


def _pair(one: str, other: str) -> tuple[str, str]:
    return (one, other) if one < other else (other, one)
