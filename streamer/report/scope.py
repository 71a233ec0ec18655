"""What a report of a duty is about: its time, groups and people, and what of it is recorded."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from streamer.clock import from_ms, to_ms
from streamer.domain.membership import CLOSED
from streamer.lab.day import CarriedSpan, RecordedOver
from streamer.lab.load_air import gateway_of, reported
from streamer.lab.spans import pairs_of, union_from, without
from streamer.report.facts import DutyFacts, RosterRow, Span
from streamer.report.record import Record

Pairs = Sequence[tuple[int, int]]
"""From and until in ms, in order, none touching."""


@dataclass(frozen=True, slots=True)
class Scope:
    """`from_ms` to `until_ms`: the time of the report; both belong to it. `unknown` are the times
    of it that nobody recorded. `roster` by call sign. `overs` are all that began in the time,
    whoever sent them, in order. `people`: who keyed to a group of the duty, who was a member of one
    at any time of it, and who is on the roster. `carried`: what repeaters said that they carry of
    the duty's groups, while they reported."""

    record: Record
    duty: DutyFacts
    from_ms: int
    until_ms: int
    unknown: Pairs
    roster: dict[str, RosterRow]
    overs: Sequence[RecordedOver]
    people: frozenset[str]
    carried: Sequence[CarriedSpan]

    @property
    def length_ms(self) -> int:
        return self.until_ms - self.from_ms

    @property
    def concerned(self) -> frozenset[str]:
        """Names that the duty is about: its groups and people, the repeaters that heard its groups
        or were wanted for them, and their gateways."""
        published = self.record.published
        repeaters = {h.repeater for o in self.overs if self.of_duty(o) for h in o.heard}
        for group in self.duty.groups:
            repeaters |= published.wanted_at(group, self.from_ms) or frozenset()
            for at_ms, wanted in published.fanouts.get(group, ()):
                repeaters |= wanted if self.holds(at_ms) else frozenset()
        repeaters |= {
            span.repeater
            for span in self.carried
            if span.from_ms <= self.until_ms and span.until_ms >= self.from_ms
        }
        gateways = map(gateway_of, repeaters)
        return frozenset({*self.duty.groups, *self.people, *repeaters, *gateways})

    def clipped(self, spans: Iterable[tuple[int, int]]) -> Pairs:
        """What of some spans lies in the time of the report, made one where they overlap."""
        inside = ((max(a, self.from_ms), min(b, self.until_ms)) for a, b in spans)
        return pairs_of(union_from((a, b) for a, b in inside if a < b))

    def known(self, spans: Iterable[tuple[int, int]]) -> Pairs:
        """The same, without what nobody recorded."""
        return minus(self.clipped(spans), self.unknown)

    def of_duty(self, over: RecordedOver) -> bool:
        """Whether an over was to a group of the duty."""
        return over.group in self.duty.groups

    def holds(self, ms: int) -> bool:
        """Whether a moment is in the time of the report."""
        return self.from_ms <= ms <= self.until_ms


def minus(spans: Iterable[tuple[int, int]], cut: Pairs) -> Pairs:
    """What is left of spans outside of others, which are in order and do not overlap."""
    return pairs_of(without(union_from(spans), cut))


def total_s(spans: Iterable[tuple[int, int]]) -> float:
    """Of spans that do not overlap."""
    return sum(b - a for a, b in spans) / 1000


def span_of(begin_ms: int, until_ms: int) -> Span:
    """For a report."""
    length_s = (until_ms - begin_ms) / 1000
    return Span(from_at=from_ms(begin_ms), until_at=from_ms(until_ms), length_s=length_s)


def scope_of(record: Record, duty: DutyFacts) -> Scope:
    """The time of the report of a duty: up to its end or, if it still ran, up to the record's."""
    begin_ms = to_ms(duty.started_at)
    until_ms = record.day.end_ms if duty.ended_at is None else to_ms(duty.ended_at)
    until_ms = max(until_ms, begin_ms)
    first_ms, last_ms = record.noted
    not_recorded = [(begin_ms, first_ms), *record.gaps, (last_ms, until_ms)]
    inside = ((max(a, begin_ms), min(b, until_ms)) for a, b in not_recorded)
    unknown = pairs_of(union_from((a, b) for a, b in inside if a < b))
    overs = [over for over in record.day.overs if begin_ms <= over.began_ms <= until_ms]
    roster = {row.call: row for row in duty.roster}
    people = {*roster, *(over.station for over in overs if over.group in duty.groups)}
    people |= _members(record, duty, begin_ms, until_ms)
    told = [span for span in record.day.carried if span.group in duty.groups]
    return Scope(
        record, duty, begin_ms, until_ms, unknown, roster, overs, frozenset(people),
        reported(record.day, told),
    )  # fmt: skip


def _members(record: Record, duty: DutyFacts, begin_ms: int, until_ms: int) -> set[str]:
    """Who a roster of the duty's groups showed as a member in that time."""
    found = set()
    for (group, station), stood in record.published.standings.items():
        if group not in duty.groups:
            continue
        at_begin = record.published.standing_at(group, station, begin_ms)
        shown = [s for s in stood if begin_ms < s.at_ms <= until_ms]
        for one in [*([at_begin] if at_begin else []), *shown]:
            if one.standing is not None and one.standing not in CLOSED:
                found.add(station)
    return found
