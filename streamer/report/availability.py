"""How much of the time gateways and repeaters reported, as far as the record tells."""

from collections.abc import Iterator, Mapping
from typing import Literal

from streamer.domain.liveness import Spans
from streamer.lab.load_air import gateway_of
from streamer.report.facts import AvailabilityRow
from streamer.report.scope import Scope, minus, span_of, total_s


def availability_rows(scope: Scope) -> tuple[AvailabilityRow, ...]:
    """Each gateway of the region file, followed by its repeaters; then those it does not name.

    They were dark by the rule that the workers judge by (`streamer.domain.liveness`). A repeater
    whose gateway has not said anything yet is not known to be dark: nothing is known of it.
    """
    day, reports = scope.record.day, scope.record.reports
    dark_gateways = reports.dark_gateways(day.view, day.end_ms)
    first_ms = reports.first_ms()
    return tuple(
        _row(scope, kind, name, _dark(name, dark_gateways, day.dark), first_ms.get(gateway))
        for kind, name, gateway in _names(scope, dark_gateways)
    )


def _names(
    scope: Scope, dark_gateways: Mapping[str, Spans]
) -> Iterator[tuple[Literal["gateway", "repeater"], str, str]]:
    day = scope.record.day
    heard = {h.repeater for over in scope.overs for h in over.heard}
    repeaters = sorted({*day.view.sites, *heard})
    listed = [*day.view.gateways]
    more = {*dark_gateways, *map(gateway_of, repeaters)} - {*listed}
    for gateway in [*listed, *sorted(more)]:
        yield "gateway", gateway, gateway
        for repeater in repeaters:
            if gateway_of(repeater) == gateway:
                yield "repeater", repeater, gateway


def _dark(name: str, gateways: Mapping[str, Spans], repeaters: Mapping[str, Spans]) -> Spans:
    return (repeaters if "/" in name else gateways).get(name, ())


def _row(
    scope: Scope,
    kind: Literal["gateway", "repeater"],
    name: str,
    dark: Spans,
    first_ms: int | None,
) -> AvailabilityRow:
    spoken_ms = scope.until_ms if first_ms is None else min(first_ms, scope.until_ms)
    unknown = scope.clipped([*scope.unknown, (scope.from_ms, spoken_ms)])
    known = minus([(scope.from_ms, scope.until_ms)], unknown)
    # One outage counts once though nothing was recorded in the middle of it.
    parts = [minus([span], unknown) for span in scope.clipped(dark)]
    outages = [part for part in parts if part]
    known_s, out_s = total_s(known), sum(total_s(part) for part in outages)
    return AvailabilityRow(
        kind=kind,
        name=name,
        known_s=known_s,
        reporting_s=round(known_s - out_s, 3),
        not_reporting_s=out_s,
        unknown_s=total_s(unknown),
        reporting_pct=round(100 * (known_s - out_s) / known_s, 6) if known_s else None,
        outages=len(outages),
        longest_outage_s=max((total_s(part) for part in outages), default=0.0),
        ended_out=bool(outages) and outages[-1][-1][1] == scope.until_ms,
        never_reported=first_ms is None,
        not_reporting=tuple(span_of(a, b) for part in outages for a, b in part),
        unknown=tuple(span_of(a, b) for a, b in unknown),
    )
