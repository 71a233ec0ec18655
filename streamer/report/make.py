"""From a record and a duty in it to the whole report."""

from collections.abc import Sequence

from streamer import __version__
from streamer.clock import from_ms
from streamer.contract.published import CAUTION
from streamer.report.activity import activity_rows
from streamer.report.alerts import alert_rows, alert_sums
from streamer.report.availability import availability_rows
from streamer.report.check_ins import accountability_of, check_in_rows, people_of
from streamer.report.coverage import coverage_of
from streamer.report.duties import roll_calls_of
from streamer.report.facts import DutyFacts, DutyReport, RecordFacts
from streamer.report.groups import group_facts
from streamer.report.limits import limits_of
from streamer.report.members import members_of
from streamer.report.out_of_reach import out_of_reach_rows
from streamer.report.overs import marks_of, over_rows
from streamer.report.record import Record
from streamer.report.refusals import lost_rows, quarantined_rows, refused_rows
from streamer.report.scope import Scope, scope_of, span_of, total_s


def report_of(
    record: Record,
    duty: DutyFacts,
    *,
    files: Sequence[str] = (),
    troubles: Sequence[str] = (),
    coarse_km: float | None = None,
    positions: bool = True,
) -> DutyReport:
    """The report of one duty of a record. `files`: names of the journal's files; `troubles`: what
    of them could not be read, in words. `coarse_km` as `Record.coarsened`; not `positions`: they
    are left out. Raises ValueError for a `coarse_km` that cannot be."""
    if not positions:
        record = record.without_positions()
    elif coarse_km is not None:
        record = record.coarsened(coarse_km)
    scope = scope_of(record, duty)
    facts = _record_facts(scope, files, coarse_km, positions)
    people, marks = people_of(scope), marks_of(scope)
    alerts, availability, lost = alert_rows(scope), availability_rows(scope), lost_rows(scope)
    check_ins = check_in_rows(scope, people, marks)
    unreached = out_of_reach_rows(scope, check_ins, alerts)
    return DutyReport(
        software=__version__,
        duty=duty,
        record=facts,
        accountability=accountability_of(people, len(unreached)),
        overs=over_rows(scope, marks),
        check_ins=check_ins,
        out_of_reach=unreached,
        activity=activity_rows(scope, alerts, availability, facts.gaps),
        roll_calls=roll_calls_of(
            record.day.acts, duty.groups, (scope.from_ms, scope.until_ms), scope.overs,
            record.published,
        ),
        alerts=alerts,
        alert_sums=alert_sums(alerts),
        availability=availability,
        members=members_of(scope),
        groups=tuple(group_facts(scope, group) for group in duty.groups),
        coverage=coverage_of(scope),
        refused=refused_rows(scope),
        quarantined=quarantined_rows(scope),
        events_lost=lost,
        limits=limits_of(scope, facts, lost, troubles),
        caution=CAUTION,
    )  # fmt: skip


def _record_facts(
    scope: Scope, files: Sequence[str], coarse_km: float | None, positions: bool
) -> RecordFacts:
    unknown_s = total_s(scope.unknown)
    return RecordFacts(
        region=scope.record.day.view.name,
        from_at=from_ms(scope.record.noted[0]),
        until_at=from_ms(scope.record.noted[1]),
        time=span_of(scope.from_ms, scope.until_ms),
        known_s=scope.length_ms / 1000 - unknown_s,
        unknown_s=unknown_s,
        gaps=tuple(span_of(a, b) for a, b in scope.unknown),
        files=tuple(files),
        coarse_km=coarse_km if positions else None,
        positions_left_out=not positions,
    )
