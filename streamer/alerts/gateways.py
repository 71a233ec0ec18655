"""What is wrong with a gateway just now: lost, its repeaters lost, its clock, its numbers, a flood.
Pure."""

from collections.abc import Sequence

from streamer.alerts.case import Report
from streamer.alerts.conditions import Condition, Found, alert_id, counted, earliest
from streamer.clock import to_ms
from streamer.contract.published import AlertKind, Severity
from streamer.domain.liveness import GatewaySight, GatewayStanding
from streamer.domain.membership import clock_text
from streamer.domain.model import GatewaySnapshot
from streamer.limits_settings import Limits


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
    endings = {}
    if sight.floods_since_ms is not None:
        found.append(_flooding(sight, sight.floods_since_ms, behind, limits))
    elif sight.flood is not None:
        endings[alert_id(AlertKind.GATEWAY_FLOODING, sight.gateway)] = (
            f"nothing more was refused since {clock_text(sight.flood.last_ms)}"
        )
    return Found(tuple(found), earliest(times), endings)


def of_dropped(known: Report) -> Found:
    """What to say of a gateway that the region file has dropped, by what was last said of it."""
    because = (
        "taken out of the region file; who was last heard behind it is judged by silence alone"
    )
    return Found((), None, {c.id: because for c in known.conditions})


_REACH_THEM = " Until it is back, reach the members last heard there by another way."


def _last_heard(members: Sequence[str]) -> str:
    """Not "cannot be judged": some may have been out of reach before it was lost."""
    return f"{counted(len(members), 'member was', 'members were')} last heard"


def _gateway_lost(
    sight: GatewaySight,
    born_ms: int,
    behind: Sequence[tuple[str, str]],
    limits: Limits,
    now_ms: int,
) -> Condition | int | None:
    name, lost_after_ms = sight.gateway, round(limits.gateway_lost_after_s * 1000)
    if sight.standing in (GatewayStanding.UP, GatewayStanding.FLOODING):
        return None
    since_ms = sight.since_ms
    if sight.standing is GatewayStanding.NEVER:
        since_ms = born_ms
        if born_ms + lost_after_ms > now_ms:
            return born_ms + lost_after_ms
        reason = "has never sent a heartbeat"
    elif sight.standing is GatewayStanding.DOWN:
        reason = "it signed off, or its connection broke"
    else:
        reason = f"no heartbeat for more than {limits.gateway_lost_after_s:g} s"
    if since_ms is not None and sight.standing is GatewayStanding.SILENT:
        reason += f", the last at {clock_text(since_ms)}"
    blind = tuple(sorted({station for station, _ in behind}))
    reasons = (
        (reason, f"{_last_heard(blind)} behind it: silence there says nothing now")
        if blind
        else (reason,)
    )
    return Condition(
        alert_id(AlertKind.GATEWAY_LOST, name),
        AlertKind.GATEWAY_LOST,
        Severity.CRITICAL if blind else Severity.WARNING,
        name,
        f"Gateway {name} is lost",
        reasons,
        f"Call the keeper of {name}: power, network, agent, in this order."
        + (_REACH_THEM if blind else ""),
        since_ms if since_ms is not None else now_ms,
        blind,
        apart=sight.standing is GatewayStanding.NEVER,
    )


def _repeater_lost(repeater: str, since_ms: int, behind: Sequence[str]) -> Condition:
    blind = tuple(sorted(set(behind)))
    more = (f"{_last_heard(blind)} on it: silence there says nothing now",) if blind else ()
    return Condition(
        alert_id(AlertKind.REPEATER_LOST, repeater),
        AlertKind.REPEATER_LOST,
        Severity.CRITICAL if blind else Severity.WARNING,
        repeater,
        f"Repeater {repeater} is lost",
        (f"its gateway reports it down since {clock_text(since_ms)}", *more),
        f"Ask the keeper of {repeater} to look at the radio." + (_REACH_THEM if blind else ""),
        since_ms,
        blind,
        repeater=repeater,
    )


def _clock_skew(
    snapshot: GatewaySnapshot, sight: GatewaySight, limits: Limits, now_ms: int
) -> Condition | int | None:
    state, reasons, since_ms = sight.state, [], snapshot.future_ms
    offset_s = state.clock_offset_s if state else None
    # Known to half the round trip (RFC 5905, the error of the four-timestamp formula): what waits
    # in a full queue makes no clock wrong.
    doubt_s = (state.round_trip_s or 0.0) / 2 if state else 0.0
    if state is not None and offset_s is not None and abs(offset_s) - doubt_s > limits.clock_skew_s:
        since_ms = snapshot.skew_ms or min(now_ms, to_ms(state.sent_at) + round(offset_s * 1000))
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
        alert_id(AlertKind.CLOCK_SKEW, snapshot.gateway),
        AlertKind.CLOCK_SKEW,
        Severity.WARNING,
        snapshot.gateway,
        f"The clock of gateway {snapshot.gateway} is wrong",
        tuple(reasons),
        f"Ask the keeper of {snapshot.gateway} to have it set its clock by the network (NTP).",
        since_ms,
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
        alert_id(AlertKind.EVENTS_LOST, snapshot.gateway),
        AlertKind.EVENTS_LOST,
        Severity.NOTICE,
        snapshot.gateway,
        f"{counted(count, 'event', 'events')} of gateway {snapshot.gateway} did not arrive",
        (
            f"{counted(count, 'number is', 'numbers are')} missing in its sequence",
            "overs may be among them: until they arrive a silence may be judged wrongly",
        ),
        f"Look at the spool and the disk limit of the agent on {snapshot.gateway}.",
        snapshot.hole_ms,
    )


def _flooding(
    sight: GatewaySight, since_ms: int, behind: Sequence[tuple[str, str]], limits: Limits
) -> Condition:
    """What workers refuse. No numbers that rise: each would be another message about the
    same trouble."""
    name, blind = sight.gateway, tuple(sorted({station for station, _ in behind}))
    reasons = [
        f"beyond {limits.flood_messages_per_s:g} messages or {limits.flood_mb_per_s:g} MB a "
        f"second, or {limits.stations_per_h} stations an hour, at one worker what it says is "
        "refused; it does not come again",
        "overs, check-ins and check-outs may be among them: until it ends, and until what is "
        "missing was said anew, silence there says nothing",
    ]
    if blind:
        reasons.insert(0, f"{_last_heard(blind)} behind it")
    step = f"Ask the keeper of {name} what it sends."
    if blind:
        step += " Until it ends, call the members last heard there by another way."
    step += (
        " If nobody knows, the region's administrator can revoke its account: then nothing is "
        f"heard from {name} at all."
    )
    return Condition(
        alert_id(AlertKind.GATEWAY_FLOODING, name),
        AlertKind.GATEWAY_FLOODING,
        Severity.CRITICAL if blind else Severity.WARNING,
        name,
        f"Gateway {name} floods: much of what it says is refused",
        tuple(reasons),
        step,
        since_ms,
        blind,
    )
