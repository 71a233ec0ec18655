"""Who was out of reach during a duty, for how long, and whether anybody took it in hand."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

from streamer.alerts.causes import MEMBERS
from streamer.clock import from_ms
from streamer.contract.published import AlertKind, AlertState, Standing
from streamer.lab.spans import pairs_of, union_from
from streamer.report.facts import CheckInRow
from streamer.report.facts_alerts import AlertRow
from streamer.report.facts_reach import OutOfReachRow
from streamer.report.members import runs
from streamer.report.scope import Scope, minus, total_s

_Runs = Mapping[str, Sequence[tuple[int, int]]]
"""By group: from and until in ms, within the time of the report, also of no length."""


def out_of_reach_rows(
    scope: Scope, check_ins: Sequence[CheckInRow], alerts: Sequence[AlertRow]
) -> tuple[OutOfReachRow, ...]:
    """Longest silence first; of whom the begin of it is not known before all others."""
    heard: dict[str, list[int]] = defaultdict(list)
    for over in scope.record.day.overs:
        if over.began_ms <= scope.until_ms:
            heard[over.station].append(over.began_ms)
    told = _alerted(scope)
    found = []
    for row in check_ins:
        by_roster = _by_roster(scope, row.station)
        if by_roster or row.station in told:
            own = [a for a in alerts if a.subject == row.station and a.kind in MEMBERS]
            times_ms = sorted(heard[row.station])
            found.append(_row(scope, row, by_roster, told.get(row.station, {}), times_ms, own))
    return tuple(sorted(found, key=_longest_first))


def _longest_first(row: OutOfReachRow) -> tuple[bool, float, str]:
    return row.silence_s is not None, -(row.silence_s or row.out_s), row.station


def _by_roster(scope: Scope, station: str) -> _Runs:
    """When each group's roster showed it out of reach."""
    found: dict[str, list[tuple[int, int]]] = {}
    for group in scope.duty.groups:
        stood = scope.record.published.standings.get((group, station), ())
        for one, until_ms in runs([s for s in stood if s.at_ms <= scope.until_ms], scope):
            if one.standing is Standing.OUT_OF_REACH and until_ms >= scope.from_ms:
                span = max(one.at_ms, scope.from_ms), until_ms
                found.setdefault(group, []).append(span)
    return found


def _alerted(scope: Scope) -> Mapping[str, _Runs]:
    """By station: when an alert that stood said that it was out of reach of a group of the duty.
    Who expires while its repeater is dark was never so by a roster, and is missed all the same."""
    found: dict[str, dict[str, list[tuple[int, int]]]] = defaultdict(lambda: defaultdict(list))
    for _, said in sorted(scope.record.published.alerts.items()):
        alert = said.alert
        if alert.kind is not AlertKind.MEMBER_OUT_OF_REACH or alert.group not in scope.duty.groups:
            continue
        if scope.holds(said.noted_ms) and alert.state is not AlertState.CLEARED:
            found[alert.subject][alert.group].append((said.noted_ms, said.noted_ms))
    return found


def _row(
    scope: Scope,
    person: CheckInRow,
    by_roster: _Runs,
    by_alert: _Runs,
    heard_ms: Sequence[int],
    alerts: Sequence[AlertRow],
) -> OutOfReachRow:
    shown = [span for spans in by_roster.values() for span in spans]
    all_spans = [*shown, *(span for spans in by_alert.values() for span in spans)]
    silences = list(_silences(scope, all_spans, heard_ms))
    last_ms, again_ms = max(silences, key=lambda one: _length_ms(scope, *one))
    taken = [a for a in alerts if a.acknowledged_at and not a.acknowledged_beforehand]
    first = min(taken, key=lambda a: a.acknowledged_at or a.opened_at, default=None)
    return OutOfReachRow(
        station=person.station,
        on_roster=person.on_roster,
        name=person.name,
        assignment=person.assignment,
        groups=tuple(g for g in scope.duty.groups if g in by_roster or g in by_alert),
        times=len(pairs_of(union_from(shown))),
        first_at=from_ms(min(begin_ms for begin_ms, _ in all_spans)),
        out_s=total_s(minus(scope.clipped(shown), scope.unknown)),
        last_heard_at=None if last_ms is None else from_ms(last_ms),
        heard_again_at=None if again_ms is None else from_ms(again_ms),
        silence_s=None if last_ms is None else _length_ms(scope, last_ms, again_ms) / 1000,
        standing=person.standing,
        alerts=len(alerts),
        taken_at=None if first is None else first.acknowledged_at,
        taken_by=None if first is None else first.acknowledged_by,
    )


def _silences(
    scope: Scope, spans: Iterable[tuple[int, int]], heard_ms: Sequence[int]
) -> Iterator[tuple[int | None, int | None]]:
    """Last heard before each time out of reach, and first heard after it had begun."""
    for begin_ms, _ in spans:
        n = bisect_right(heard_ms, begin_ms)
        yield heard_ms[n - 1] if n else None, heard_ms[n] if n < len(heard_ms) else None


def _length_ms(scope: Scope, last_ms: int | None, again_ms: int | None) -> int:
    """A silence whose begin is not known is longer than any."""
    until_ms = scope.until_ms if again_ms is None else again_ms
    return until_ms - (0 if last_ms is None else last_ms)
