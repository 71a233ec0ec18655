"""Judges how well repeaters are: now and then, and on from the last judgement, whoever made it.

What a lasting finding is said to be stays in the same words for a while: its alert would be told
again with every minute that it lasts.
"""

from typing import Final
from zlib import crc32

from streamer.domain.liveness import GatewaySight, GatewayStanding, Sights, repeaters_of
from streamer.domain.model import GatewaySnapshot
from streamer.domain.repeater_health import Finding, Health, judge
from streamer.state.checkup import Checked, Checkup, Told, checkup_from
from streamer.state.hearing import Hearings
from streamer.state.store import Store

EVERY_MS: Final = 60_000
SOONEST_MS: Final = 10_000
"""Where a finding is due by the clock, such as of a carrier."""
REWORDED_MS: Final = 600_000


class Checkups:
    """For one worker. Raises StoreUnavailable when Redis does not answer."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._hearings = Hearings(store)

    def look(
        self, snapshot: GatewaySnapshot, sight: GatewaySight, sights: Sights, now_ms: int
    ) -> Checkup | None:
        """The last judgement, or a new one (its `ms` is now) if that is due; None where nothing is
        judged: the gateway does not report, or nothing is learned."""
        view = self._store.view
        if sight.standing is not GatewayStanding.UP or not view.learning.enabled:
            return None
        last = checkup_from(snapshot.checkup)
        if last is not None and last.ms <= now_ms < last.next_ms:
            return last
        before = last.repeaters if last is not None else {}
        checked: dict[str, Checked] = {}
        times = [_next_turn_ms(sight.gateway, now_ms)]
        for repeater in repeaters_of(view, sight):
            known = before.get(repeater, Checked((), None, 0, 0))
            checked[repeater], next_ms = self._check(repeater, known, sights, now_ms)
            times += [] if next_ms is None else [next_ms]
        return Checkup(now_ms, max(now_ms + SOONEST_MS, min(times)), checked)

    def _check(
        self, repeater: str, known: Checked, sights: Sights, now_ms: int
    ) -> tuple[Checked, int | None]:
        if not sights.repeater(repeater).reporting:
            return Checked((), known.heard_ms, 0, 0), None
        gathered = self._hearings.of(repeater, sights, known.heard_ms, now_ms)
        hearing = gathered.hearing
        learning = self._store.view.learning
        health = judge(hearing, gathered.share, learning, now_ms, known.held)
        told = _told(health, known, now_ms)
        overs = len(hearing.recent)
        return Checked(told, hearing.last_heard_ms, overs, gathered.stations), health.next_ms


def _next_turn_ms(gateway: str, now_ms: int) -> int:
    """Each gateway has its own moment of the minute: all at once would keep everything else
    waiting."""
    phase_ms = crc32(gateway.encode()) % EVERY_MS
    return now_ms + EVERY_MS - (now_ms - phase_ms) % EVERY_MS


def _told(health: Health, known: Checked, now_ms: int) -> tuple[Told, ...]:
    stood = {told.finding.trouble: told for told in known.told}

    def words(finding: Finding) -> Told:
        earlier = stood.get(finding.trouble)
        if (
            earlier is None
            or earlier.finding.since_ms != finding.since_ms
            or now_ms - earlier.worded_ms >= REWORDED_MS
        ):
            return Told(finding, now_ms)
        return earlier

    return tuple(map(words, health.findings))
