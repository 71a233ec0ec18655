"""What was worked out of members before, for as long as it still holds. Pure but for its memory.

Of a group's members few have spoken since it was last looked at; working all of them out anew
would make large groups dear.
"""

from dataclasses import dataclass

from streamer.config import Policy
from streamer.domain.liveness import RepeaterSight
from streamer.domain.membership import (
    AskSilences,
    Departure,
    Judgement,
    departures,
    judge,
    member_since_ms,
)
from streamer.domain.model import Summary
from streamer.domain.verdict import ANEW_MS, Verdict

MOST_KEPT = 100_000


@dataclass(slots=True)
class _Kept:
    summary: Summary
    policy: Policy
    sight: RepeaterSight
    made_ms: int
    judgement: Judgement
    left: tuple[Departure, ...]
    since_ms: int
    anew_ms: int
    """When its silence was last worked out from its begin."""

    def holds(self, summary: Summary, policy: Policy, sight: RepeaterSight, now_ms: int) -> bool:
        until_ms = self.judgement.next_ms
        return (
            self.summary is summary
            and self.policy is policy
            and self.made_ms <= now_ms
            and (until_ms is None or now_ms < until_ms)
            and self.sight == sight
            and (self.judgement.phi is None or now_ms < self.anew_ms + ANEW_MS)
        )

    def verdict(
        self, summary: Summary, policy: Policy, sight: RepeaterSight, now_ms: int
    ) -> Verdict | None:
        """What was found of the silence, if it is the same and nothing more is known of it."""
        same = self.summary is summary and self.made_ms <= now_ms < self.anew_ms + ANEW_MS
        if same and self.policy is policy and self.sight.dark == sight.dark:
            return self.judgement.verdict
        return None


class Memory:
    """Bounded; forgets all when it is full."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._kept: dict[tuple[str, str], _Kept] = {}

    def look(
        self,
        group: str,
        summary: Summary,
        policy: Policy,
        sight: RepeaterSight,
        now_ms: int,
        silences: AskSilences | None = None,
    ) -> Judgement:
        """As `judge`."""
        key = group, summary.station
        kept = self._kept.get(key)
        if kept is not None and kept.holds(summary, policy, sight, now_ms):
            return kept.judgement
        if len(self._kept) >= self._most:
            self._kept.clear()
        known = kept.verdict(summary, policy, sight, now_ms) if kept is not None else None
        anew_ms = kept.anew_ms if kept is not None and known is not None else now_ms
        judgement = judge(summary, policy, sight, now_ms, silences, known)
        self._kept[key] = _Kept(
            summary, policy, sight, now_ms, judgement,
            tuple(departures(summary, policy, judgement)), member_since_ms(summary, policy),
            anew_ms,
        )  # fmt: skip
        return judgement

    def left(
        self, group: str, summary: Summary, policy: Policy, judgement: Judgement
    ) -> tuple[tuple[Departure, ...], int]:
        """As `departures` and `member_since_ms`."""
        kept = self._kept.get((group, summary.station))
        if kept is not None and kept.judgement is judgement and kept.summary is summary:
            return kept.left, kept.since_ms
        return tuple(departures(summary, policy, judgement)), member_since_ms(summary, policy)
