"""Which gateways and repeaters report, and so which members can be judged at all. Pure."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

from streamer.config import RegionView
from streamer.contract.events import State
from streamer.domain.model import LiveState


class GatewayStanding(StrEnum):
    """What is known of a gateway itself."""

    NEVER = "never"
    """No state was ever received."""
    UP = "up"
    DOWN = "down"
    """Its own word or its will says so."""
    SILENT = "silent"
    """Its heartbeat is overdue."""


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
    """Earlier times, from and to in ms, in which the gateway was not there."""
    flips: Mapping[str, tuple[tuple[int, bool], ...]] = field(default_factory=dict)


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
    ) -> None:
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

    def gateway(self, gateway: str) -> GatewaySight:
        """Judge a gateway; one that never sent a state is `never`."""
        found = self._judged.get(gateway)
        if found is None:
            live = self._states.get(gateway)
            if live is None:
                found = GatewaySight(gateway, GatewayStanding.NEVER, None, None, None, {})
            else:
                found = gateway_sight(live, self._lost_after_ms, self._now_ms)
            self._judged[gateway] = found
        return found

    def speaks_of_routes(self, gateway: str) -> bool:
        """Whether the gateway ever said what it carries; if not, that is unknown."""
        return gateway in self._routers

    def repeater(self, repeater: str) -> RepeaterSight:
        """Judge a repeater. One of a gateway that never sent a state counts as reporting: what
        it hears is all that is known of it."""
        found = self._repeaters.get(repeater)
        if found is None:
            found = self._repeaters[repeater] = self._judge(repeater)
        return found

    def _judge(self, repeater: str) -> RepeaterSight:
        gateway = repeater.split("/", 1)[0]
        sight = self.gateway(gateway)
        flips = sight.flips.get(repeater, ())
        dark = merged([*sight.dark, *down_spans(flips)])
        if sight.standing in (GatewayStanding.DOWN, GatewayStanding.SILENT):
            what = "is down" if sight.standing is GatewayStanding.DOWN else "is not reporting"
            reason = f"gateway {gateway} {what}"
            return RepeaterSight(repeater, False, sight.since_ms, reason, gateway, dark)
        if repeater in sight.down_repeaters:
            since_ms = sight.down_repeaters[repeater]
            reason = f"repeater {repeater} is down"
            return RepeaterSight(repeater, False, since_ms, reason, repeater, dark)
        ups = [ms for ms, up in flips if up]
        since = [ms for ms in (sight.since_ms, ups[-1] if ups else None) if ms is not None]
        return RepeaterSight(repeater, True, max(since, default=None), "reporting", dark=dark)
