"""What was not accepted in the time of a report, and what never came."""

from collections import defaultdict
from itertools import pairwise

from streamer.clock import from_ms
from streamer.report.facts import LostRow, QuarantinedRow, RefusedRow
from streamer.report.record import Numbers, Quarantined, Refused
from streamer.report.scope import Scope


def refused_rows(scope: Scope) -> tuple[RefusedRow, ...]:
    """By reason and gateway, the most first."""
    found: dict[tuple[str, str], list[Refused]] = defaultdict(list)
    for one in scope.record.refused:
        if scope.holds(one.noted_ms):
            found[one.reason, one.gateway].append(one)
    rows = [
        RefusedRow(reason=reason, gateway=gateway, count=len(told), example=told[-1].detail)
        for (reason, gateway), told in found.items()
    ]
    return tuple(sorted(rows, key=lambda row: (-row.count, row.reason, row.gateway)))


def quarantined_rows(scope: Scope) -> tuple[QuarantinedRow, ...]:
    """By identity and reason, the most first. Starts and ends of overs count apart, as told."""
    found: dict[tuple[str, str], list[Quarantined]] = defaultdict(list)
    for one in scope.record.quarantined:
        if scope.holds(one.began_ms):
            found[one.call, one.reason].append(one)
    rows = [
        QuarantinedRow(
            call=call,
            reason=reason,
            count=len(told),
            first_at=from_ms(min(one.began_ms for one in told)),
            last_at=from_ms(max(one.began_ms for one in told)),
            gateways=tuple(sorted({one.gateway for one in told})),
        )
        for (call, reason), told in found.items()
    ]
    return tuple(sorted(rows, key=lambda row: (-row.count, row.call, row.reason)))


def lost_rows(scope: Scope) -> tuple[LostRow, ...]:
    """By gateway: numbers missing in its sequence between two that the record has, where some of
    the time between those was in the time of the report. What is missing before the first or after
    the last cannot be known."""
    lost: dict[str, int] = defaultdict(int)
    for (gateway, _), numbers in scope.record.numbers.items():
        lost[gateway] += _lost(numbers, scope)
    return tuple(LostRow(gateway=name, lost=count) for name, count in sorted(lost.items()) if count)


def _lost(numbers: Numbers, scope: Scope) -> int:
    told = sorted(zip(numbers.seqs, numbers.noted_ms, strict=True))
    return sum(
        after - before - 1
        for (before, from_ms_), (after, to_ms_) in pairwise(told)
        if after - before > 1
        and min(from_ms_, to_ms_) <= scope.until_ms
        and max(from_ms_, to_ms_) >= scope.from_ms
    )
