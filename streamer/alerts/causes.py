"""Cause before symptom: what explains what, and causes that only many symptoms together show. Pure.

A gateway explains its repeaters and what is wanted there; a repeater that hears nothing explains
who falls silent on it; many gateways at once have one cause between us and them; without a broker
nothing can be said of any.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import ceil
from typing import Final

from streamer.alert_settings import AlertSettings
from streamer.alerts.case import Case, Phase
from streamer.alerts.conditions import Condition, alert_id
from streamer.contract.published import AlertKind, Severity
from streamer.domain.membership import clock_text

MEMBERS: Final = frozenset({AlertKind.MEMBER_OVERDUE, AlertKind.MEMBER_OUT_OF_REACH})
REWORDED_MS: Final = 5000
"""An alert of which only the words have changed is published so often at most."""
_NAMED: Final = 12
"""Gateways or members named in a sentence; the gateways all stand in the list of what is held."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What a round judges by. `gateways`: how many ever reported. `listening_ms`: since when there
    has been a worker without a break that could hear them; None: nobody can."""

    region: str
    gateways: int
    listening_ms: int | None
    lost_after_ms: int
    settings: AlertSettings
    own: tuple[Condition, ...] = field(default=())
    """What is wrong with our own ears."""
    reworded_ms: int = REWORDED_MS


def made_conditions(
    said: Mapping[str, Condition], known: Mapping[str, Case], ground: Ground
) -> list[Condition]:
    """Causes that no owner sees by itself."""
    return [*ground.own, *_network(said, known, ground), *_starved(said.values())]


def network_id(region: str) -> str:
    return alert_id(AlertKind.NETWORK_LOST, region)


def broker_id(region: str) -> str:
    return alert_id(AlertKind.BROKER_LOST, region)


# -- many gateways at once -----------------------------------------------------------------------


def _network(
    said: Mapping[str, Condition], known: Mapping[str, Case], ground: Ground
) -> list[Condition]:
    """Half of the gateways fell silent within the time in which one is noticed: they have not all
    failed by themselves. It ends only when few are left, so that it does not come and go."""
    lost = [c for c in said.values() if c.kind is AlertKind.GATEWAY_LOST and not c.apart]
    settings, own_id = ground.settings, network_id(ground.region)
    many = max(settings.many_gateways, ceil(settings.many_gateways_pct / 100 * ground.gateways))
    case = known.get(own_id)
    if case is not None and case.phase is not Phase.RESTING:
        ours = [c for c in lost if _is_of(known.get(c.id), own_id)]
        enough = len(ours) >= max(2, ceil(many / 2))
    else:
        ours = _together(lost, ground.lost_after_ms)
        enough = len(ours) >= many
    floods = sorted(c.subject for c in said.values() if c.kind is AlertKind.GATEWAY_FLOODING)
    return [_network_condition(own_id, ours, floods, ground)] if enough else []


def _is_of(case: Case | None, own_id: str) -> bool:
    """Already explained by it, or only just lost."""
    return case is None or case.cause == own_id or case.phase is Phase.PENDING


def _together(lost: Sequence[Condition], within_ms: int) -> list[Condition]:
    """The most that fell silent within one such time."""
    by_time = sorted(lost, key=lambda c: (c.since_ms, c.id))
    best: list[Condition] = []
    first = 0
    for last, condition in enumerate(by_time):
        while condition.since_ms - by_time[first].since_ms > within_ms:
            first += 1
        if last - first + 1 > len(best):
            best = by_time[first : last + 1]
    return best


def _network_condition(
    own_id: str, lost: Sequence[Condition], floods: Sequence[str], ground: Ground
) -> Condition:
    """Not held back by a flood that may be its cause: it names more people than that does."""
    names = sorted(c.subject for c in lost)
    times = [c.since_ms for c in lost]
    members = sorted({station for c in lost for station in c.affects})
    missed = sorted({station for c in lost for station in c.missed})
    reasons = [
        f"they fell silent between {clock_text(min(times))} and {clock_text(max(times))}",
        "so many at once hardly failed by themselves: the network between them and the broker, "
        "the broker itself, or power over a wide area",
    ]
    if members:
        were = "1 member was" if len(members) == 1 else f"{len(members)} members were"
        reasons.append(f"{were} last heard behind them: silence there says nothing now")
        reasons.append(f"those are {_listed(members)}")
    known = max(ground.gateways, len(lost))
    worst = sorted(lost, key=lambda c: (-len(c.affects), c.subject))
    first = _listed([c.subject for c in worst])
    step = f"Look at the broker and its network first; then call the keepers: {first}."
    if floods:
        flooding = ", ".join(floods[:_NAMED])
        reasons.insert(1, f"it may be a flood that keeps the broker busy: of {flooding}")
        step = f"Have the flood of {flooding} ended. " + step
    if members:
        step += " Until they are back, reach the members last heard there by another way."
    condition = Condition(
        own_id,
        AlertKind.NETWORK_LOST,
        Severity.CRITICAL,
        ground.region,
        f"{len(lost)} of {known} gateways of {ground.region} are lost at once",
        tuple(reasons),
        step,
        min(times),
        tuple(names),
    )
    return _missing(condition, missed) if missed else condition


def _listed(names: Sequence[str]) -> str:
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")


# -- a repeater on which several groups are wanted -----------------------------------------------


def _starved(conditions: Iterable[Condition]) -> list[Condition]:
    by_repeater: dict[str, list[Condition]] = {}
    for condition in conditions:
        if condition.kind is AlertKind.REPEATER_STARVED and condition.group:
            by_repeater.setdefault(condition.repeater, []).append(condition)
    return [
        _starved_condition(repeater, sorted(found, key=lambda c: c.group))
        for repeater, found in sorted(by_repeater.items())
        if len(found) > 1
    ]


def _starved_condition(repeater: str, found: Sequence[Condition]) -> Condition:
    members = sorted({station for c in found for station in c.affects})
    holders = ", ".join(members) or "pins"
    critical = any(c.severity is Severity.CRITICAL for c in found)
    return Condition(
        alert_id(AlertKind.REPEATER_STARVED, repeater),
        AlertKind.REPEATER_STARVED,
        Severity.CRITICAL if critical else Severity.WARNING,
        repeater,
        f"{len(found)} groups are wanted on {repeater} but not carried there",
        (
            *(f"{c.group} is not carried since {clock_text(c.since_ms)}" for c in found),
            f"wanted for {holders}",
        ),
        f"Ask the keeper of {repeater} why it carries none of them.",
        min(c.since_ms for c in found),
        tuple(members),
        repeater=repeater,
    )


# -- members of whom only their cause tells ------------------------------------------------------


def with_held_members(
    said: Mapping[str, Condition], known: Mapping[str, Case], ground: Ground
) -> dict[str, Condition]:
    """What is said, with the members in it that a machine's alert holds back: for as long as it
    does it is critical and names them, also those who have expired meanwhile. Its owner does not
    count these any more, and they have no alert of their own."""
    behind: dict[str, list[Condition]] = {}
    for condition in said.values():
        if condition.kind in MEMBERS and _may_be_held(condition, known.get(condition.id)):
            cause = cause_of(condition, said, known, ground)
            if cause is not None:
                behind.setdefault(cause, []).append(condition)
    return {**said, **{cause: _naming(said[cause], found) for cause, found in behind.items()}}


def _may_be_held(condition: Condition, case: Case | None) -> bool:
    if case is None or case.phase is Phase.RESTING:
        return condition.opens
    return case.phase is not Phase.STANDING


def _naming(cause: Condition, members: Sequence[Condition]) -> Condition:
    affects = {*cause.affects, *(c.subject for c in members)}
    named = replace(cause, severity=Severity.CRITICAL, affects=tuple(sorted(affects)))
    missed = sorted({c.subject for c in members if c.expired})
    return _missing(named, missed) if missed else named


def still_missed(cause: Condition, said: Mapping[str, Condition]) -> str:
    """To be added to why a cause is over: whom it named and who was not heard after it either."""
    left = sorted({c.subject for c in said.values() if c.expired and c.subject in cause.missed})
    return f"; not heard again yet: {_listed(left)}" if left else ""


def _missing(cause: Condition, missed: Sequence[str]) -> Condition:
    reason = f"never heard again, and no longer counted as members: {_listed(missed)}"
    step = "Find out by another way whether those no longer counted went home."
    return replace(
        cause, reasons=(*cause.reasons, reason), next_step=f"{cause.next_step} {step}",
        missed=tuple(missed),
    )  # fmt: skip


# -- what explains what --------------------------------------------------------------------------


def cause_of(
    condition: Condition, said: Mapping[str, Condition], known: Mapping[str, Case], ground: Ground
) -> str | None:
    """The id of what explains a condition now, or None. A cause may itself be explained."""
    if condition.apart:
        return None
    for cause in _CAUSES.get(condition.kind, _of_a_machine)(condition, ground):
        if cause != condition.id and cause in said and _explains(said[cause], condition, known):
            return cause
    return None


def _explains(cause: Condition, condition: Condition, known: Mapping[str, Case]) -> bool:
    """A gateway that was lost long before is not explained by what has befallen others since."""
    if cause.kind is AlertKind.NETWORK_LOST:
        return condition.subject in cause.affects
    if cause.kind is AlertKind.BROKER_LOST:
        case = known.get(condition.id)
        return case is None or case.phase is not Phase.STANDING
    return True


def _of_a_gateway(condition: Condition, ground: Ground) -> Sequence[str]:
    flooding = alert_id(AlertKind.GATEWAY_FLOODING, condition.subject)
    return broker_id(ground.region), network_id(ground.region), flooding


def _of_the_network(condition: Condition, ground: Ground) -> Sequence[str]:
    return (broker_id(ground.region),)


def _of_a_member(condition: Condition, _: Ground) -> Sequence[str]:
    where = condition.repeater
    return (
        alert_id(AlertKind.GATEWAY_LOST, where.split("/")[0]),
        alert_id(AlertKind.REPEATER_LOST, where),
        alert_id(AlertKind.REPEATER_DEAF, where),
    )


def _of_a_machine(condition: Condition, _: Ground) -> Sequence[str]:
    """Of what is said of a repeater, or of a gateway's clock and events."""
    where = condition.repeater or condition.subject
    causes = [alert_id(AlertKind.GATEWAY_LOST, where.split("/")[0])]
    if "/" in where:
        causes.append(alert_id(AlertKind.REPEATER_LOST, where))
    # What is refused unread is missing, and what waits in a full queue seems to be late.
    if condition.kind in (AlertKind.EVENTS_LOST, AlertKind.CLOCK_SKEW):
        causes.append(alert_id(AlertKind.GATEWAY_FLOODING, where))
    if condition.kind is AlertKind.REPEATER_STARVED:
        causes.append(alert_id(AlertKind.REPEATER_STARVED, where))
    return causes


def _of_nothing(_: Condition, __: Ground) -> Sequence[str]:
    return ()


_CAUSES: Final[Mapping[AlertKind, Callable[[Condition, Ground], Sequence[str]]]] = {
    AlertKind.GATEWAY_LOST: _of_a_gateway,
    AlertKind.NETWORK_LOST: _of_the_network,
    AlertKind.MEMBER_OVERDUE: _of_a_member,
    AlertKind.MEMBER_OUT_OF_REACH: _of_a_member,
    AlertKind.LOOP: _of_nothing,
    AlertKind.TWO_PLACES: _of_nothing,
    AlertKind.GATEWAY_FLOODING: _of_nothing,
    AlertKind.BROKER_LOST: _of_nothing,
    AlertKind.WORKER_LOST: _of_nothing,
    AlertKind.CHANNEL_LOST: _of_nothing,
}
