"""Groups and members judged as the workers judge them, by the same evidence."""

from collections.abc import Sequence
from dataclasses import replace

from streamer.contract.published import Duty
from streamer.domain.group_now import GroupNow, look_at_group
from streamer.domain.liveness import Sights
from streamer.domain.membership import AskSilences, Judgement, judge
from streamer.domain.model import Summary
from streamer.domain.verdict import Silences
from streamer.reading.common import Desk
from streamer.state import lookups


def groups_now(desk: Desk, names: Sequence[str], sights: Sights) -> list[GroupNow]:
    """Groups of the region file, worked out from their records as of now."""
    duties = lookups.duties_from(desk.store.duties())
    return [
        look_at_group(
            desk.view, snapshot, sights, desk.now_ms,
            silences=desk.evidence.silences(snapshot, duties, desk.now_ms),
        )
        for snapshot in desk.store.groups(names)
    ]  # fmt: skip


def judge_member(
    desk: Desk, group: str, summary: Summary, sights: Sights, duties: Sequence[Duty]
) -> Judgement:
    """One station in one group. The group's record is read only if the silence has to be judged."""
    sight = sights.repeater(summary.place.repeater)
    silences = _silences_of(desk, group, summary, duties) if desk.view.learning.enabled else None
    return judge(summary, desk.view.policies[group], sight, desk.now_ms, silences)


def _silences_of(desk: Desk, group: str, summary: Summary, duties: Sequence[Duty]) -> AskSilences:
    def ask() -> Silences:
        (snapshot,) = desk.store.groups([group])
        # The record may have been read a moment later than the summary that is judged.
        others = tuple(s for s in snapshot.members if s.station != summary.station)
        same = replace(snapshot, members=(*others, summary))
        silences = desk.evidence.silences(same, duties, desk.now_ms)
        assert silences is not None, "learning is enabled"
        return silences()

    return ask
