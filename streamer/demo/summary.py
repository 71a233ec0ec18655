"""What a run of the demo came to."""

from dataclasses import asdict, dataclass, field
from typing import Any

from streamer.domain.plain_words import plural


@dataclass(frozen=True, slots=True)
class GroupSummary:
    """The fan-out at the end; `carried` are those of `fanout` that say they carry the group."""

    version: int
    fanout: list[str]
    carried: list[str]
    standings: dict[str, int]


@dataclass
class Summary:
    """Counts of one run. `events` were recorded by the agents, `counted` stand in the state.

    `lost` are recorded but neither counted nor waiting in a spool; a `waiting` event is safe on
    an agent's disk. `killed` counts gateways that the show ended. `errors` is empty when all went
    well.
    """

    seconds: float = 0.0
    show_seconds: float = 0.0
    seed: int = 0
    services: dict[str, str] = field(default_factory=dict)
    events: int = 0
    counted: int | None = None
    duplicates: int | None = None
    tallies: dict[str, int] = field(default_factory=dict)
    lost: int | None = None
    waiting: int = 0
    refused: int = 0
    replies: int = 0
    stations: int = 0
    killed: int = 0
    groups: dict[str, GroupSummary] = field(default_factory=dict)
    alerts: dict[str, int] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)

    def as_text(self) -> str:
        """A few lines for people."""
        lost = "not known" if self.lost is None else str(self.lost)
        alerts = ", ".join(f"{count} {kind}" for kind, count in sorted(self.alerts.items()))
        lines = [
            f"{self.events} events in {self.seconds:.0f} s, {self.stations} stations; lost: {lost}",
            f"alerts opened: {alerts.replace('_', ' ') or 'none'}",
            *(
                f"{name}: carried at {len(g.carried)} of {plural(len(g.fanout), 'repeater')}"
                for name, g in sorted(self.groups.items())
            ),
            *self._late(),
            *(f"error: {error}" for error in self.errors),
        ]
        return "\n".join(lines)

    def _late(self) -> list[str]:
        """Of gateways that were told as lost while they ran."""
        late = self.alerts.get("gateway_lost", 0) - self.killed
        if late <= 0:
            return []
        return [
            f"{late} of the alerts gateway lost are of gateways that ran and whose heartbeats came "
            "late: this machine is too busy for the demo"
        ]
