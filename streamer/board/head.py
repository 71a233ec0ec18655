"""The row that says how the board itself and the region are, and what may be doubted. Pure."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

from streamer.board.making import alert_counts, gateway_counts, moment_of, repeater_counts
from streamer.board.rows import AirSaved, GatewayRow, HeadRow, PublicRegion, RunningDuty, WorkerLife
from streamer.clock import from_ms
from streamer.config import RegionView
from streamer.contract.duty import DutyKind
from streamer.contract.published import Alert, Duty, Severity
from streamer.domain.beats import Beats
from streamer.domain.workers import Workers


@dataclass(slots=True)
class Doubts:
    """Since when what is shown may be outdated, and why. Times in ms; None: no doubt."""

    broker_away_ms: int | None
    redis_away_ms: int | None
    looked_ms: int | None = None
    """When Redis last answered."""
    unreadable: int = 0
    """Published messages that could not be read."""
    beats: Beats = field(default_factory=Beats)

    def alerts_silent_ms(self, now_ms: int) -> int | None:
        """Since when no sign has come that alerts get through. Without a broker none can come: then
        nothing is known of it."""
        return self.beats.silent_since_ms(now_ms) if self.broker_away_ms is None else None

    def since_ms(self, workers: Workers, now_ms: int) -> int | None:
        """The time up to which everything shown is known to hold."""
        times = [self.broker_away_ms, self.redis_away_ms]
        if not workers.any_speaks(now_ms):
            times.append(workers.alive_ms)
        return min((ms for ms in times if ms is not None), default=None)

    def notes(self, workers: Workers, now_ms: int) -> list[str]:
        """The same in words."""
        notes = []
        if self.broker_away_ms is not None:
            notes.append("no connection to the broker: nothing new arrives here")
        if self.redis_away_ms is not None:
            at = from_ms(self.redis_away_ms)
            notes.append(f"Redis does not answer: gateways are shown as of {at:%H:%M:%S}Z")
        notes += workers.troubles(now_ms).values()
        if self.unreadable:
            notes.append(f"{self.unreadable} published messages could not be read")
        return notes


def head_row(
    view: RegionView,
    doubts: Doubts,
    workers: Workers,
    gateways: Collection[GatewayRow],
    alerts: Collection[Alert],
    running: Sequence[Duty],
    air: AirSaved | None,
    now_ms: int,
) -> HeadRow:
    """`running` are the duties that run, the oldest first."""
    return HeadRow(
        region=view.name,
        title=view.region.title,
        broker="connected" if doubts.broker_away_ms is None else "away",
        redis="answers" if doubts.redis_away_ms is None else "away",
        worker=_life(workers, now_ms),
        stale_since=moment_of(doubts.since_ms(workers, now_ms)),
        notes=tuple(doubts.notes(workers, now_ms)),
        alerts_silent_since=moment_of(doubts.alerts_silent_ms(now_ms)),
        events_per_s=workers.events_per_s(now_ms),
        waiting=workers.waiting,
        gateways=gateway_counts(gateways),
        repeaters=repeater_counts(gateways),
        alerts=alert_counts(alerts),
        duties=tuple(
            RunningDuty(
                id=d.id, title=d.title, kind=d.kind, groups=d.groups, started_at=d.started_at
            )
            for d in running
        ),
        air=air,
    )


def _life(workers: Workers, now_ms: int) -> WorkerLife:
    if workers.any_speaks(now_ms):
        return WorkerLife.LIVE
    return WorkerLife.NEVER if workers.alive_ms is None else WorkerLife.SILENT


def public_region(head: HeadRow, alerts: Collection[Alert]) -> PublicRegion:
    """What of it everybody may know."""
    worrying = any(alert.severity is not Severity.NOTICE for alert in alerts)
    exercises = sum(duty.kind is DutyKind.EXERCISE for duty in head.duties)
    return PublicRegion(
        title=head.title,
        state="stale" if head.stale_since else "trouble" if worrying else "well",
        stale_since=head.stale_since,
        gateways=head.gateways,
        repeaters=head.repeaters,
        alerts=head.alerts,
        exercises=exercises,
        actual_duties=len(head.duties) - exercises,
    )
