"""Which gateways and repeaters report, and so which members can be judged at all. Pure."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise

from streamer.config import RegionView
from streamer.contract.events import State
from streamer.domain.model import FloodSpan, LiveState


class GatewayStanding(StrEnum):
    """What is known of a gateway itself."""

    NEVER = "never"
    """No state was ever received."""
    UP = "up"
    DOWN = "down"
    """Its own word or its will says so."""
    SILENT = "silent"
    """Its heartbeat is overdue."""
    FLOODING = "flooding"
    """Its heartbeat comes, but much of the rest is refused."""


@dataclass(frozen=True, slots=True)
class RepeaterSight:
    """Whether a repeater can hear for us; `since_ms` is when that began, if it is known."""

    repeater: str
    reporting: bool
    since_ms: int | None
    reason: str
    cause: str | None = None
    """The gateway or repeater at fault."""
    dark: tuple[tuple[int, int], ...] = ()
    """Earlier times, from and to in ms, in which it could not hear; none overlap, oldest first."""


@dataclass(frozen=True, slots=True)
class GatewaySight:
    gateway: str
    standing: GatewayStanding
    since_ms: int | None
    next_ms: int | None
    state: State | None
    down_repeaters: dict[str, int]
    """Repeaters that the gateway itself calls down, with the time in ms."""
    dark: tuple[tuple[int, int], ...] = ()
    """Earlier times, from and to in ms, in which the gateway was not there or flooded."""
    flips: Mapping[str, tuple[tuple[int, bool], ...]] = field(default_factory=dict)
    floods_since_ms: int | None = None
    """Since when it floods; also of one that is lost or was never heard of."""
    flood: FloodSpan | None = None
    """The newest flood, over or not."""


Spans = tuple[tuple[int, int], ...]


def dark_spans(live: LiveState, lost_after_ms: int) -> Spans:
    """When the gateway was not there between its connections.

    A connection that is followed by another without a goodbye, and soon, was only renewed: nothing
    went unheard.
    """
    return tuple(
        (earlier.last_ms, later.began_ms)
        for earlier, later in pairwise(live.sessions)
        if (earlier.ended or later.began_ms - earlier.last_ms > lost_after_ms)
        and later.began_ms > earlier.last_ms
    )


def down_spans(flips: Sequence[tuple[int, bool]]) -> Spans:
    """When a repeater was down, by the times at which it went up (True) or down, oldest first; not
    the time that still lasts."""
    return tuple((a, b) for (a, up), (b, then) in pairwise(flips) if not up and then)


def _down_since_ms(live: LiveState, repeater: str) -> int:
    """By the kept flips, whose times are corrected; else when the gateway last spoke."""
    downs = [ms for ms, up in live.flips.get(repeater, ()) if not up]
    return downs[-1] if downs else live.ms


def gateway_sight(live: LiveState, lost_after_ms: int, now_ms: int) -> GatewaySight:
    """Judge a gateway by its newest state."""
    state = State.model_validate(live.state, strict=False)
    silent_ms = live.ms + lost_after_ms
    down = {r.id: _down_since_ms(live, r.id) for r in state.repeaters if not r.up}
    dark = dark_spans(live, lost_after_ms)
    if not state.up:
        # A will carries the time of its connection: when it came is the better word.
        since_ms = live.ms if live.state.get("seq") is not None else live.taken_ms
        standing, next_ms = GatewayStanding.DOWN, None
    elif now_ms >= silent_ms:
        standing, since_ms, next_ms = GatewayStanding.SILENT, live.ms, None
    else:
        since_ms = dark[-1][1] if dark else live.sessions[0].began_ms
        standing, next_ms = GatewayStanding.UP, silent_ms
    return GatewaySight(live.gateway, standing, since_ms, next_ms, state, down, dark, live.flips)


def merged(spans: Iterable[tuple[int, int]]) -> Spans:
    """Spans put in order, those that overlap made one."""
    result: list[tuple[int, int]] = []
    for begin_ms, end_ms in sorted(spans):
        if result and begin_ms <= result[-1][1]:
            result[-1] = result[-1][0], max(result[-1][1], end_ms)
        else:
            result.append((begin_ms, end_ms))
    return tuple(result)


def with_floods(
    sight: GatewaySight, floods: Sequence[FloodSpan], hold_ms: int, now_ms: int
) -> GatewaySight:
    """The same, with what is known of a gateway's floods, oldest first.

    What was refused unread may have been anybody's over, so while it floods nothing can be said of
    who is behind it. A flood counts from the first refusal until nothing was refused for `hold_ms`.
    """
    if not floods:
        return sight
    spans = merged((f.since_ms, f.last_ms + hold_ms) for f in floods)
    *_, (since_ms, ends_ms) = spans
    if ends_ms <= now_ms:
        up = sight.standing is GatewayStanding.UP
        begun_ms = max(sight.since_ms or 0, ends_ms) if up else sight.since_ms
        dark = merged([*sight.dark, *spans])
        return replace(sight, since_ms=begun_ms, dark=dark, flood=floods[-1])
    next_ms = ends_ms if sight.next_ms is None else min(ends_ms, sight.next_ms)
    found = replace(
        sight, next_ms=next_ms, dark=merged([*sight.dark, *spans[:-1]]),
        floods_since_ms=since_ms, flood=floods[-1],
    )  # fmt: skip
    if sight.standing is not GatewayStanding.UP:
        return found
    return replace(found, standing=GatewayStanding.FLOODING, since_ms=since_ms)


def repeaters_of(view: RegionView, sight: GatewaySight) -> list[str]:
    """A gateway's repeaters: those of the region file, then others that it speaks of."""
    known = view.gateways.get(sight.gateway)
    listed = [f"{sight.gateway}/{port.id}" for port in known.repeater] if known else []
    told = [r.id for r in sight.state.repeaters] if sight.state else []
    return list(dict.fromkeys([*listed, *told]))


class Sights:
    """All gateways at one moment, each judged when it is asked for."""

    def __init__(
        self,
        states: Mapping[str, LiveState],
        routers: frozenset[str],
        lost_after_ms: int,
        now_ms: int,
        floods: Mapping[str, Sequence[FloodSpan]] | None = None,
        flood_hold_ms: int = 0,
    ) -> None:
        self._floods = floods or {}
        self._flood_hold_ms = flood_hold_ms
        self._states = states
        self._routers = routers
        self._lost_after_ms = lost_after_ms
        self._now_ms = now_ms
        self._judged: dict[str, GatewaySight] = {}
        self._repeaters: dict[str, RepeaterSight] = {}

    @property
    def known(self) -> Collection[str]:
        """Gateways that ever sent a state."""
        return self._states.keys()

    def state(self, gateway: str) -> LiveState | None:
        """Its newest state as kept; None if it never sent one."""
        return self._states.get(gateway)

    def gateway(self, gateway: str) -> GatewaySight:
        """Judge a gateway; one that never sent a state is `never`."""
        found = self._judged.get(gateway)
        if found is None:
            live = self._states.get(gateway)
            if live is None:
                found = GatewaySight(gateway, GatewayStanding.NEVER, None, None, None, {})
            else:
                found = gateway_sight(live, self._lost_after_ms, self._now_ms)
            floods = self._floods.get(gateway, ())
            found = with_floods(found, floods, self._flood_hold_ms, self._now_ms)
            self._judged[gateway] = found
        return found

    def speaks_of_routes(self, gateway: str) -> bool:
        """Whether the gateway ever said what it carries; if not, that is unknown."""
        return gateway in self._routers

    def repeater(self, repeater: str) -> RepeaterSight:
        """Judge a repeater. One of a gateway that never sent a state counts as reporting: what
        it hears is all that is known of it. One of a gateway that floods does not report."""
        found = self._repeaters.get(repeater)
        if found is None:
            found = self._repeaters[repeater] = self._judge(repeater)
        return found

    def _judge(self, repeater: str) -> RepeaterSight:
        gateway = repeater.split("/", 1)[0]
        sight = self.gateway(gateway)
        flips = sight.flips.get(repeater, ())
        dark = merged([*sight.dark, *down_spans(flips)])
        faults = list(_faults(sight, repeater))
        if faults:
            # The first is at fault; from the earliest on nothing can be said.
            _, reason, cause = faults[0]
            since_ms = min((ms for ms, _, _ in faults if ms is not None), default=None)
            return RepeaterSight(repeater, False, since_ms, reason, cause, dark)
        ups = [ms for ms, up in flips if up]
        since = [ms for ms in (sight.since_ms, ups[-1] if ups else None) if ms is not None]
        return RepeaterSight(repeater, True, max(since, default=None), "reporting", dark=dark)


def _faults(sight: GatewaySight, repeater: str) -> Iterator[tuple[int | None, str, str]]:
    """Why a repeater does not report: since when in ms, in words, and who is at fault."""
    gateway = sight.gateway
    if sight.standing in (GatewayStanding.DOWN, GatewayStanding.SILENT):
        what = "is down" if sight.standing is GatewayStanding.DOWN else "is not reporting"
        yield sight.since_ms, f"gateway {gateway} {what}", gateway
    elif repeater in sight.down_repeaters:
        yield sight.down_repeaters[repeater], f"repeater {repeater} is down", repeater
    if sight.floods_since_ms is not None:
        reason = f"gateway {gateway} floods, much of what it says is refused"
        yield sight.floods_since_ms, reason, gateway
