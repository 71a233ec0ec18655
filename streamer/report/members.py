"""Where each member was heard, and how it stood, over the time of a report."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

from streamer.clock import from_ms
from streamer.lab.day import RecordedOver
from streamer.report.facts import MemberFacts, StandingRow, VisitRow
from streamer.report.published import Stood
from streamer.report.scope import Scope, minus


def members_of(scope: Scope) -> tuple[MemberFacts, ...]:
    """Everybody of the duty, by call sign."""
    own: dict[str, list[RecordedOver]] = defaultdict(list)
    for over in scope.overs:
        own[over.station].append(over)
    return tuple(
        MemberFacts(
            station=station,
            on_roster=station in scope.roster,
            name=scope.roster[station].name if station in scope.roster else "",
            path=tuple(_path(own.get(station, ()))),
            standings=tuple(_standings(scope, station)),
        )
        for station in sorted(scope.people)
    )


def _path(overs: Sequence[RecordedOver]) -> Iterator[VisitRow]:
    """Overs in order, those one after the other on one repeater made one."""
    begun = 0
    for n, over in enumerate(overs):
        if n + 1 < len(overs) and overs[n + 1].repeater == over.repeater:
            continue
        yield VisitRow(
            repeater=over.repeater,
            from_at=from_ms(overs[begun].began_ms),
            until_at=from_ms(over.began_ms),
            overs=n + 1 - begun,
        )
        begun = n + 1


def _standings(scope: Scope, station: str) -> Iterator[StandingRow]:
    """As published; what nobody recorded is left out, and what was so before is so after it."""
    for group in scope.duty.groups:
        stood = scope.record.published.standings.get((group, station), [])
        for one, until_ms in runs([s for s in stood if s.at_ms <= scope.until_ms], scope):
            if one.standing is None:
                continue
            inside = scope.clipped([(one.at_ms, until_ms)])
            for from_ms_, to_ms_ in minus(inside, scope.unknown):
                yield StandingRow(
                    group=group,
                    standing=one.standing,
                    from_at=from_ms(from_ms_),
                    until_at=from_ms(to_ms_),
                    since_at=None if one.since_ms is None else from_ms(one.since_ms),
                )


def runs(stood: Sequence[Stood], scope: Scope) -> Iterator[tuple[Stood, int]]:
    """The first of those alike, and until when (ms) they were so."""
    changes = [
        later
        for before, later in pairwise([None, *stood])
        if later is not None and (before is None or before.standing is not later.standing)
    ]
    ends_ms = [one.at_ms for one in changes[1:]]
    yield from zip(changes, [*ends_ms, scope.until_ms], strict=False)
