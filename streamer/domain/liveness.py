"""Which gateways and repeaters report, and so which members can be judged at all. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from streamer.clock import to_ms
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


@dataclass(frozen=True, slots=True)
class GatewaySight:
    gateway: str
    standing: GatewayStanding
    since_ms: int | None
    next_ms: int | None
    state: State | None
    down_repeaters: dict[str, int]
    """Repeaters that the gateway itself calls down, with the time in ms."""


def gateway_sight(live: LiveState, lost_after_ms: int, now_ms: int) -> GatewaySight:
    """Judge a gateway by its newest state."""
    state = State.model_validate(live.state, strict=False)
    silent_ms = live.ms + lost_after_ms
    down = {
        r.id: to_ms(r.changed_at) if r.changed_at else live.ms for r in state.repeaters if not r.up
    }
    if not state.up:
        # A will carries the time of its connection: when it came is the better word.
        since_ms = live.ms if live.state.get("seq") is not None else live.taken_ms
        return GatewaySight(live.gateway, GatewayStanding.DOWN, since_ms, None, state, down)
    if now_ms >= silent_ms:
        return GatewaySight(live.gateway, GatewayStanding.SILENT, live.ms, None, state, down)
    return GatewaySight(live.gateway, GatewayStanding.UP, live.began_ms, silent_ms, state, down)


class Sights:
    """All gateways at one moment."""

    def __init__(
        self,
        states: Mapping[str, LiveState],
        routers: frozenset[str],
        lost_after_ms: int,
        now_ms: int,
    ) -> None:
        self._routers = routers
        self._gateways = {
            name: gateway_sight(live, lost_after_ms, now_ms) for name, live in states.items()
        }

    def gateway(self, gateway: str) -> GatewaySight:
        found = self._gateways.get(gateway)
        return found or GatewaySight(gateway, GatewayStanding.NEVER, None, None, None, {})

    def speaks_of_routes(self, gateway: str) -> bool:
        """Whether the gateway ever said what it carries; if not, that is unknown."""
        return gateway in self._routers

    def repeater(self, repeater: str) -> RepeaterSight:
        """Judge a repeater. One of a gateway that never sent a state counts as reporting: what
        it hears is all that is known of it."""
        gateway = repeater.split("/", 1)[0]
        sight = self.gateway(gateway)
        if sight.standing is GatewayStanding.DOWN:
            return RepeaterSight(
                repeater, False, sight.since_ms, f"gateway {gateway} is down", gateway
            )
        if sight.standing is GatewayStanding.SILENT:
            return RepeaterSight(
                repeater, False, sight.since_ms, f"gateway {gateway} is not reporting", gateway
            )
        if repeater in sight.down_repeaters:
            since_ms = sight.down_repeaters[repeater]
            return RepeaterSight(
                repeater, False, since_ms, f"repeater {repeater} is down", repeater
            )
        return RepeaterSight(repeater, True, self._up_since_ms(sight, repeater), "reporting")

    @staticmethod
    def _up_since_ms(sight: GatewaySight, repeater: str) -> int | None:
        if sight.state is None:
            return None
        changes = [
            to_ms(r.changed_at) for r in sight.state.repeaters if r.id == repeater and r.changed_at
        ]
        return max([sight.since_ms or 0, *changes])
