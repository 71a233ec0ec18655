"""What is wrong with a group, a gateway or a station just now. Pure.

A condition is worked out anew from the state each time; what it means to people (opened,
acknowledged, cleared) is the business of `streamer.alerts.lifecycle`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field

from streamer.config import Limits, Policy
from streamer.contract.published import AlertKind, Carriage, Severity, Standing
from streamer.domain.fanout import FanOutResult, not_carried_since_ms
from streamer.domain.group_now import GroupNow, carriage_at
from streamer.domain.liveness import GatewaySight, GatewayStanding, Sights
from streamer.domain.membership import Judgement, clock_text
from streamer.domain.model import GatewaySnapshot, Summary
from streamer.domain.places import TwoPlaces


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that is wrong; the same trouble of the same subject always has the same id."""

    id: str
    kind: AlertKind
    severity: Severity
    subject: str
    title: str
    reasons: tuple[str, ...]
    next_step: str
    since_ms: int
    affects: tuple[str, ...] = ()
    opens: bool = True
    """False: it keeps an alert that is there, but is no reason to open one."""

    def as_fields(self) -> dict[str, object]:
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Found:
    """Conditions, and when time alone may bring or end one."""

    conditions: tuple[Condition, ...]
    next_ms: int | None
    endings: Mapping[str, str] = field(default_factory=dict)
    """Alert id -> why it can be no more, where more than the usual word can be said."""


def _id(kind: str, *subject: str) -> str:
    return ".".join([kind, *subject]).replace("/", ".")


def _earliest(times: Sequence[int | None]) -> int | None:
    return min((t for t in times if t is not None), default=None)


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def of_group(now: GroupNow, sights: Sights, policy: Policy, limits: Limits, now_ms: int) -> Found:
    """Members overdue or out of reach, starved repeaters, loops.

    A blind member is no condition of its own: the gateway's or repeater's alert names it.
    """
    snapshot, group = now.snapshot, now.snapshot.group
    found: list[Condition] = []
    endings: dict[str, str] = {}
    for summary, judgement in now.judged if policy.member_alerts else ():
        condition = _member(group, summary, judgement, now.fanout)
        if condition is not None:
            found.append(condition)
        else:
            endings[_id("member", group, summary.station)] = judgement.reasons[0]
    times: list[int | None] = []
    grace_ms = round(policy.starved_after_s * 1000)
    for wanted in now.fanout.wanted:
        if not wanted.starved:
            continue
        said = snapshot.carrying.get(wanted.repeater)
        since_ms = not_carried_since_ms(wanted, said, sights)
        if since_ms + grace_ms > now_ms:
            times.append(since_ms + grace_ms)
            continue
        holders = ", ".join(wanted.members) or "a pin"
        found.append(
            Condition(
                _id(AlertKind.REPEATER_STARVED, group, wanted.repeater),
                AlertKind.REPEATER_STARVED,
                Severity.CRITICAL if wanted.members else Severity.WARNING,
                wanted.repeater,
                f"{group} is wanted on {wanted.repeater} but not carried there",
                (f"wanted for {holders}", f"not carried since {clock_text(since_ms)}"),
                f"Ask the keeper of {wanted.repeater} why {group} is not carried.",
                since_ms,
                wanted.members,
            )
        )
    hold_ms = round(limits.loop_hold_s * 1000)
    fresh = [loop for loop in now.loops if loop.ms + hold_ms > now_ms]
    if fresh:
        newest = fresh[-1]
        times.append(newest.ms + hold_ms)
        found.append(
            Condition(
                _id(AlertKind.LOOP, group),
                AlertKind.LOOP,
                Severity.CRITICAL,
                group,
                f"An over of {group} went in a loop",
                (newest.reason, _when_of(len(fresh), newest.ms)),
                _loop_step(group, newest.through),
                fresh[0].ms,
                newest.through,
            )
        )
    return Found(tuple(found), _earliest(times))


def _when_of(loops: int, newest_ms: int) -> str:
    if loops == 1:
        return f"at {clock_text(newest_ms)}"
    return f"the newest of {loops} such overs, at {clock_text(newest_ms)}"


def _loop_step(group: str, through: Sequence[str]) -> str:
    """What to do about a loop: by two ways to one repeater, or round a ring of gateways."""
    first, *ways = through
    if "/" in first:
        return f"Let only one of {', '.join(ways)} send {group} to {first}."
    return f"Let one of {', '.join(through)} cease to pass {group} on: that breaks the ring."


def _member(
    group: str, summary: Summary, judgement: Judgement, fanout: FanOutResult
) -> Condition | None:
    """One alert for a member, whatever becomes of it: overdue, then out of reach, and it does not
    end because the membership expires. It ends when the station is heard or checks out."""
    station, where = summary.station, summary.place.repeater
    kind, severity = AlertKind.MEMBER_OUT_OF_REACH, Severity.CRITICAL
    if judgement.standing is Standing.OVERDUE:
        kind, severity = AlertKind.MEMBER_OVERDUE, Severity.WARNING
        title = f"{station} of {group} is overdue"
        heard_there = carriage_at(where, fanout) is not Carriage.NOT_CARRIED
        way = f"on {group}" if heard_there else f"by another way: {where} does not carry {group}"
        step = f"Call {station} {way}; it was last heard on {where}."
    elif judgement.standing is Standing.OUT_OF_REACH:
        title = f"{station} of {group} is out of reach"
        step = f"Try {station} by another way; ask members near {where} if they hear it."
    elif judgement.standing is Standing.EXPIRED:
        severity = Severity.WARNING
        title = f"{station} was never heard again and is no longer counted in {group}"
        step = f"Find out whether {station} went home; it did not check out."
    else:
        return None
    return Condition(
        _id("member", group, station), kind, severity, station, title,
        judgement.reasons, step, judgement.since_ms,
        # Who is learnt of only when the membership has long expired is no news to anybody.
        opens=judgement.standing is not Standing.EXPIRED,
    )  # fmt: skip


def of_gateway(
    snapshot: GatewaySnapshot,
    sight: GatewaySight,
    born_ms: int,
    behind: Sequence[tuple[str, str]],
    limits: Limits,
    now_ms: int,
) -> Found:
    """A lost gateway or, if it reports, its lost repeaters; its clock; events lost on the way.

    `behind` are (station, repeater) of the members whose place is behind this gateway.
    """
    found: list[Condition] = []
    times: list[int | None] = [sight.next_ms]
    lost = _gateway_lost(sight, born_ms, behind, limits, now_ms)
    if isinstance(lost, Condition):
        found.append(lost)
    else:
        times.append(lost)
        found += [
            _repeater_lost(r, ms, [s for s, where in behind if where == r])
            for r, ms in sorted(sight.down_repeaters.items())
        ]
    for maker in (_clock_skew, _events_lost):
        made = maker(snapshot, sight, limits, now_ms)
        if isinstance(made, Condition):
            found.append(made)
        elif made is not None:
            times.append(made)
    if any(c.kind is AlertKind.CLOCK_SKEW for c in found):
        times.append(now_ms + 60_000)
    return Found(tuple(found), _earliest(times))


_REACH_THEM = " Until it is back, reach the members last heard there by another way."


def _last_heard(members: Sequence[str]) -> str:
    """Not "cannot be judged": some may have been out of reach before it was lost."""
    return f"{_counted(len(members), 'member was', 'members were')} last heard"


def _gateway_lost(
    sight: GatewaySight,
    born_ms: int,
    behind: Sequence[tuple[str, str]],
    limits: Limits,
    now_ms: int,
) -> Condition | int | None:
    name, lost_after_ms = sight.gateway, round(limits.gateway_lost_after_s * 1000)
    if sight.standing is GatewayStanding.UP:
        return None
    since_ms = sight.since_ms
    if sight.standing is GatewayStanding.NEVER:
        since_ms = born_ms
        if born_ms + lost_after_ms > now_ms:
            return born_ms + lost_after_ms
        reason = "has never sent a heartbeat"
    elif sight.standing is GatewayStanding.DOWN:
        reason = "said, or its broker said for it, that it is down"
    else:
        reason = f"no heartbeat for more than {limits.gateway_lost_after_s:g} s"
    blind = tuple(sorted({station for station, _ in behind}))
    reasons = (
        (reason, f"{_last_heard(blind)} behind it: silence there says nothing now")
        if blind
        else (reason,)
    )
    return Condition(
        _id(AlertKind.GATEWAY_LOST, name),
        AlertKind.GATEWAY_LOST,
        Severity.CRITICAL if blind else Severity.WARNING,
        name,
        f"Gateway {name} is lost",
        reasons,
        f"Call the keeper of {name}: power, network, agent, in this order."
        + (_REACH_THEM if blind else ""),
        since_ms if since_ms is not None else now_ms,
        blind,
    )


def _repeater_lost(repeater: str, since_ms: int, behind: Sequence[str]) -> Condition:
    blind = tuple(sorted(set(behind)))
    more = (f"{_last_heard(blind)} on it: silence there says nothing now",) if blind else ()
    return Condition(
        _id(AlertKind.REPEATER_LOST, repeater),
        AlertKind.REPEATER_LOST,
        Severity.CRITICAL if blind else Severity.WARNING,
        repeater,
        f"Repeater {repeater} is lost",
        (f"its gateway reports it down since {clock_text(since_ms)}", *more),
        f"Ask the keeper of {repeater} to look at the radio." + (_REACH_THEM if blind else ""),
        since_ms,
        blind,
    )


def _clock_skew(
    snapshot: GatewaySnapshot, sight: GatewaySight, limits: Limits, now_ms: int
) -> Condition | int | None:
    offset_s = sight.state.clock_offset_s if sight.state else None
    reasons = []
    if offset_s is not None and abs(offset_s) > limits.clock_skew_s:
        side = "behind" if offset_s > 0 else "ahead"
        reasons.append(f"its clock is about {abs(offset_s):.0f} s {side}; times are corrected")
    hold_ms = round(limits.loop_hold_s * 1000)
    if snapshot.future_ms and snapshot.future_ms + hold_ms > now_ms:
        reasons.append(
            f"events from the future were refused, the last at {clock_text(snapshot.future_ms)}"
        )
    if not reasons:
        return None
    return Condition(
        _id(AlertKind.CLOCK_SKEW, snapshot.gateway),
        AlertKind.CLOCK_SKEW,
        Severity.WARNING,
        snapshot.gateway,
        f"The clock of gateway {snapshot.gateway} is wrong",
        tuple(reasons),
        f"Have {snapshot.gateway} set its clock by the network (NTP).",
        snapshot.future_ms or sight.since_ms or 0,
    )


def _events_lost(
    snapshot: GatewaySnapshot, _sight: GatewaySight, limits: Limits, now_ms: int
) -> Condition | int | None:
    given_up = snapshot.counts.get("given_up", 0)
    missing = snapshot.missing
    if not missing or snapshot.hole_ms is None:
        return None
    due_ms = snapshot.hole_ms + round(limits.events_lost_after_s * 1000)
    if due_ms > now_ms:
        return due_ms
    count = missing + given_up
    return Condition(
        _id(AlertKind.EVENTS_LOST, snapshot.gateway),
        AlertKind.EVENTS_LOST,
        Severity.NOTICE,
        snapshot.gateway,
        f"{_counted(count, 'event', 'events')} of gateway {snapshot.gateway} did not arrive",
        (f"{_counted(count, 'number is', 'numbers are')} missing in its sequence",),
        f"Look at the spool and the disk limit of the agent on {snapshot.gateway}.",
        snapshot.hole_ms,
    )


def of_station(station: str, evidence: TwoPlaces | None, limits: Limits, now_ms: int) -> Found:
    """One call sign in two places, for a time after the newest evidence."""
    if evidence is None:
        return Found((), None)
    ends_ms = evidence.ms + round(limits.two_places_hold_s * 1000)
    if ends_ms <= now_ms:
        return Found((), None)
    condition = Condition(
        _id(AlertKind.TWO_PLACES, station),
        AlertKind.TWO_PLACES,
        Severity.WARNING,
        station,
        f"{station} was heard in two places",
        (evidence.reason,),
        f"Ask {station} on the air where it is; somebody else may be using its call sign.",
        evidence.ms,
        evidence.repeaters,
    )
    return Found((condition,), ends_ms)
