"""Where each group of a duty was carried, and the air-time that took."""

from collections.abc import Iterable, Iterator

from streamer.clock import from_ms
from streamer.lab.load_air import Carriers
from streamer.report.facts import FanOutRow, FanOutSum, GroupFacts
from streamer.report.scope import Pairs, Scope, minus, total_s
from streamer.state.air import AirSums
from streamer.worker.air import air_time_of


def group_facts(scope: Scope, group: str) -> GroupFacts:
    """Of one group of the duty."""
    wanted, carried = _wanted(scope, group), _carried(scope, group)
    overs = [over for over in scope.overs if over.group == group]
    by_fan_out, by_word = air_sums(scope, group)
    return GroupFacts(
        group=group,
        overs=len(overs),
        stations=len({over.station for over in overs}),
        spoken_s=sum(over.ended_ms - over.began_ms for over in overs) / 1000,
        overs_with_fan_out=by_fan_out.overs,
        wanted_air_s=by_fan_out.carried_ms / 1000,
        carried_air_s=by_word.carried_ms / 1000,
        everywhere_air_s=by_fan_out.flooded_ms / 1000,
        saved_pct=_rounded(by_fan_out.saved_pct),
        fan_out=tuple(_rows(wanted, carried)),
        sums=tuple(
            FanOutSum(
                repeater=repeater,
                wanted_s=total_s(wanted.get(repeater, ())),
                carried_s=total_s(carried.get(repeater, ())),
                both_s=_both_s(wanted.get(repeater, ()), carried.get(repeater, ())),
            )
            for repeater in sorted({*wanted, *carried})
        ),
    )


def air_sums(scope: Scope, group: str) -> tuple[AirSums, AirSums]:
    """The air-time of a group's overs: by the fan-out as published when each began, and by what
    repeaters themselves said that they carried. Each over as the workers count it
    (`streamer.worker.air`), but by the fan-out at its begin, not at its end."""
    day, published = scope.record.day, scope.record.published
    carriers = Carriers([span for span in scope.carried if span.group == group])
    by_fan_out, by_word = AirSums(), AirSums()
    for over in scope.overs:
        if over.group != group:
            continue
        lasted_ms = [over.ended_ms - over.began_ms]
        says = carriers.at(over.began_ms)
        by_word += air_time_of(lasted_ms, over.repeater, says, day.view.sites)
        wants = published.wanted_at(group, over.began_ms)
        if wants is not None:
            by_fan_out += air_time_of(lasted_ms, over.repeater, wants, day.view.sites)
    return by_fan_out, by_word


def _wanted(scope: Scope, group: str) -> dict[str, Pairs]:
    """By repeater, when the published fan-out had it; not where nobody recorded."""
    told = scope.record.published.fanouts.get(group, [])
    ends_ms = [at_ms for at_ms, _ in told[1:]]
    spans: dict[str, list[tuple[int, int]]] = {}
    for (at_ms, repeaters), until_ms in zip(told, [*ends_ms, scope.until_ms], strict=False):
        for repeater in repeaters:
            spans.setdefault(repeater, []).append((at_ms, until_ms))
    return _known(scope, spans.items())


def _carried(scope: Scope, group: str) -> dict[str, Pairs]:
    spans: dict[str, list[tuple[int, int]]] = {}
    for span in scope.carried:
        if span.group == group:
            spans.setdefault(span.repeater, []).append((span.from_ms, span.until_ms))
    return _known(scope, spans.items())


def _known(scope: Scope, spans: Iterable[tuple[str, list[tuple[int, int]]]]) -> dict[str, Pairs]:
    found = {repeater: scope.known(times) for repeater, times in spans}
    return {repeater: times for repeater, times in sorted(found.items()) if times}


def _rows(wanted: dict[str, Pairs], carried: dict[str, Pairs]) -> Iterator[FanOutRow]:
    for repeater in sorted({*wanted, *carried}):
        for a, b in wanted.get(repeater, ()):
            yield FanOutRow(
                repeater=repeater, kind="wanted", from_at=from_ms(a), until_at=from_ms(b)
            )
        for a, b in carried.get(repeater, ()):
            yield FanOutRow(
                repeater=repeater, kind="carried", from_at=from_ms(a), until_at=from_ms(b)
            )


def _both_s(one: Pairs, other: Pairs) -> float:
    return (round(total_s(one) * 1000) - round(total_s(minus(one, other)) * 1000)) / 1000


def _rounded(pct: float | None) -> float | None:
    return None if pct is None else round(pct, 4)
