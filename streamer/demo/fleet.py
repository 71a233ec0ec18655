"""The gateways' agents: the real ones, a dozen of them in this process, each with its own spool."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from streamer.agent.agent import Agent
from streamer.agent.config import AgentSettings, RepeaterSettings, SpoolSettings
from streamer.clock import Clock, ShiftedClock, from_ms
from streamer.config import Gateway, RegionView
from streamer.contract.events import Phase
from streamer.demo import story
from streamer.demo.network import RouteReport
from streamer.demo.world import Hearing, Over
from streamer.mqtt.settings import BrokerSettings

_HEARTBEAT_S = 3.0


def heard_event(over: Over, hearing: Hearing, phase: Phase, started_at: str) -> dict[str, Any]:
    """What a repeater's radio tells its agent; what is only known at key up comes with the end."""
    event: dict[str, Any] = {
        "event": "heard",
        "repeater": hearing.repeater,
        "station": over.station,
        "to": over.to,
        "over": over.over,
        "phase": phase.value,
        "started_at": started_at,
    }
    if phase is Phase.END:
        event["ber_pct"] = hearing.ber_pct
        event["rssi_dbm"] = hearing.rssi_dbm
        event["text"] = over.text
        if over.fix is not None:
            event["position"] = {
                "lat": over.fix.lat,
                "lon": over.fix.lon,
                "speed_mps": over.fix.speed_mps,
                "course_deg": over.fix.course_deg,
            }
    return event


def route_event(report: RouteReport, at: str, speed: float) -> dict[str, Any]:
    """What the network's node beside the repeater tells the agent."""
    latency_s = None if report.latency_s is None else round(report.latency_s / speed, 4)
    return {
        "event": "route",
        "repeater": report.repeater,
        "group": report.group,
        "action": report.action.value,
        "over": report.over,
        "from_gateway": report.from_gateway,
        "latency_s": latency_s,
        "at": at,
    }


class Fleet:
    """Use from one thread: `start`, `submit`, `kill`, `revive`, `close`."""

    def __init__(
        self, view: RegionView, broker: BrokerSettings, folder: Path, clock: Clock
    ) -> None:
        self._view = view
        self._broker = broker
        self._folder = folder
        self._clocks: dict[str, Clock] = dict.fromkeys(view.gateways, clock)
        self._shift_ms = dict.fromkeys(view.gateways, 0)
        if story.WRONG_CLOCK in self._clocks:
            self._clocks[story.WRONG_CLOCK] = ShiftedClock(clock, story.WRONG_CLOCK_S)
            self._shift_ms[story.WRONG_CLOCK] = round(story.WRONG_CLOCK_S * 1000)
        self._agents: dict[str, Agent] = {}
        self._recorded_before = 0
        self.killed = 0
        self._failures: list[str] = []

    def start(self) -> None:
        for name in self._view.gateways:
            self.revive(name)

    def _settings(self, gateway: Gateway) -> AgentSettings:
        ports = [
            RepeaterSettings(**port.model_dump(include=set(RepeaterSettings.model_fields)))
            for port in gateway.repeater
        ]
        return AgentSettings(
            region=self._view.name,
            gateway=gateway.id,
            heartbeat_s=_HEARTBEAT_S,
            broker=self._broker,
            # The spool lies in the demo's own folder, which no power cut outlives.
            spool=SpoolSettings(path=self._folder / f"{gateway.id}.db", sync="normal"),
            repeater=tuple(ports),
        )

    def revive(self, gateway: str) -> None:
        """Start a gateway's agent; a spool left by a killed one is taken up."""
        if gateway not in self._agents:
            settings = self._settings(self._view.gateways[gateway])
            self._agents[gateway] = agent = Agent(settings, self._clocks[gateway])
            agent.start()

    def kill(self, gateway: str) -> None:
        """End it without goodbye: the broker will send its will."""
        self.killed += 1
        self._end(gateway, abrupt=True)

    def _end(self, gateway: str, *, abrupt: bool) -> None:
        agent = self._agents.pop(gateway, None)
        if agent is not None:
            self._recorded_before += agent.status().last_seq
            agent.stop(abrupt=abrupt)
            if agent.failure:
                self._failures.append(f"agent {gateway}: {agent.failure}")

    def own_time(self, gateway: str, wall_ms: int) -> str:
        """A moment as the gateway's clock shows it, RFC 3339."""
        moment = from_ms(wall_ms + self._shift_ms[gateway])
        return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def submit(self, gateway: str, event: Mapping[str, Any]) -> None:
        """Hand an event to a gateway's agent; a dead gateway takes none."""
        agent = self._agents.get(gateway)
        if agent is not None:
            agent.submit(event)

    def set_repeater(self, repeater: str, *, up: bool) -> None:
        gateway, _, port = repeater.partition("/")
        agent = self._agents.get(gateway)
        if agent is not None:
            agent.set_repeater(port, up=up)

    @property
    def recorded(self) -> int:
        """Heard and route events that the agents have put on disk since the start."""
        return self._recorded_before + sum(a.status().last_seq for a in self._agents.values())

    @property
    def waiting(self) -> int:
        """Events in spools that the broker has not taken yet."""
        return sum(agent.status().waiting for agent in self._agents.values())

    @property
    def connected(self) -> int:
        return sum(agent.connected for agent in self._agents.values())

    @property
    def failures(self) -> list[str]:
        running = [f"agent {n}: {a.failure}" for n, a in self._agents.items() if a.failure]
        return [*self._failures, *running]

    def __len__(self) -> int:
        return len(self._agents)

    def close(self) -> None:
        for name in list(self._agents):
            self._end(name, abrupt=False)
