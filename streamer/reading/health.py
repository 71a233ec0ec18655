"""How well a repeater was when a worker last judged it: as a document, and in words."""

from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.domain.liveness import Sights
from streamer.domain.repeater_health import Trouble
from streamer.reading.common import Document
from streamer.reading.text import ago, moment, plural
from streamer.state.checkup import Checkup

_SAID = {
    Trouble.DEAF: "seems to hear nothing",
    Trouble.DEGRADED: "hears its stations worse than usual",
    Trouble.STUCK: "an over lasts far too long",
    Trouble.BUSY: "on the air most of the time",
}


class TroubleFound(Document):
    """What is wrong, since when, and why in words; `evidence` are the numbers behind them."""

    trouble: Trouble
    since: Moment
    reasons: tuple[str, ...]
    evidence: dict[str, float]


class HealthSeen(Document):
    """What was found when the repeater was last judged, from its newest overs of seven days as
    far as they are kept. Without findings: nothing wrong was found."""

    judged_at: Moment
    overs: int
    stations: int
    findings: tuple[TroubleFound, ...]


def health_seen(checkup: Checkup | None, sights: Sights, repeater: str) -> HealthSeen | None:
    """None if it was not judged: it does not report, no worker has come to it yet, or the region
    file has nothing learned."""
    checked = checkup.repeaters.get(repeater) if checkup else None
    if checkup is None or checked is None or not sights.repeater(repeater).reporting:
        return None
    return HealthSeen(
        judged_at=from_ms(checkup.ms),
        overs=checked.overs,
        stations=checked.stations,
        findings=tuple(
            TroubleFound(
                trouble=told.finding.trouble,
                since=from_ms(told.finding.since_ms),
                reasons=told.finding.reasons,
                evidence=dict(told.finding.evidence),
            )
            for told in checked.told
        ),
    )


def health_text(health: HealthSeen | None, now_ms: int) -> str:
    """In one line: what is wrong or that nothing is, and what that is judged from."""
    if health is None:
        return "not judged whether it hears well"
    judged_ms = round(health.judged_at.timestamp() * 1000)
    origin = f"{plural(health.overs, 'over')} of {plural(health.stations, 'station')}"
    basis = f"judged from {origin}, {ago(judged_ms, now_ms)}"
    if not health.findings:
        return f"nothing wrong found, {basis}" if health.overs else f"heard too little, {basis}"
    found = "; ".join(
        f"{_SAID[f.trouble]} since {moment(round(f.since.timestamp() * 1000), now_ms)}: "
        + ", ".join(f.reasons)
        for f in health.findings
    )
    return f"{found} ({basis})"
