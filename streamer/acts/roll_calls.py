"""Roll calls: who answers, on the air or at the desk, of one group or of all groups of a duty."""

from collections.abc import Collection
from typing import Any

from streamer.acts.base import NotThere, Refused
from streamer.acts.duties import Duties
from streamer.clock import from_ms
from streamer.contract.published import RollCall
from streamer.domain.accountability import is_asked
from streamer.domain.membership import judge_closed
from streamer.domain.model import GroupSnapshot, HeldRollCall
from streamer.state.entries import Act
from streamer.state.ledger import Writing
from streamer.state.records import ANSWER, ROLL_CALL, answer_text, call_text
from streamer.worker.messages import answer_to


class RollCalls(Duties):
    """Every method raises StoreUnavailable when Redis does not answer.

    `call_id` and `shown` are the ids of the roll calls that whoever acts had before them: another
    one is let be, Refused is raised. None: whichever goes on.
    """

    def start_roll_call(self, group: str, by: str, duty_id: str | None = None) -> RollCall:
        """Begin to note who answers; raises Refused while one is going on. `duty_id` is noted."""
        self._group(group)
        now_ms = self._clock.now_ms()
        call = HeldRollCall(self._new_id("call", now_ms), now_ms, by, {})
        details = {"id": call.id} | ({"duty": duty_id} if duty_id else {})
        entry = self._entry(Act.START_ROLL_CALL, by, group, now_ms, None, details)
        writing = Writing(entry, {ROLL_CALL: call_text(call)}, expect={ROLL_CALL: ""})
        if not self._store.write_of_group(group, writing, now_ms):
            raise Refused(f"a roll call of {group} is going on: end it first")
        return RollCall(id=call.id, started_at=from_ms(now_ms), started_by=by)

    def end_roll_call(self, group: str, by: str, call_id: str | None = None) -> None:
        """End it; who had answered, when and how, and who had not stands in the log. Raises
        NotThere or Refused."""
        snapshot, call = self._call(group, call_id)
        now_ms = self._clock.now_ms()
        details = self._outcome(snapshot, call, now_ms)
        entry = self._entry(Act.END_ROLL_CALL, by, group, now_ms, None, details)
        writing = Writing(
            entry, drop=[ROLL_CALL], drop_prefix=ANSWER, expect={ROLL_CALL: call_text(call)}
        )
        if not self._store.write_of_group(group, writing, now_ms):
            raise Refused(f"the roll call of {group} has just been ended by somebody else")

    def answered(
        self,
        group: str,
        station: str,
        by: str,
        note: str | None = None,
        call_id: str | None = None,
    ) -> None:
        """Mark that somebody answered otherwise than by keying to the group.

        Raises NotThere, or Refused, also if it has answered already.
        """
        snapshot, call = self._call(group, call_id)
        if not any(member.station == station for member in snapshot.members):
            raise NotThere(f"{station} has never checked in to {group}")
        if station in call.answers:
            raise Refused(f"{station} has answered already")
        now_ms = self._clock.now_ms()
        entry = self._entry(
            Act.MARK_ANSWERED, by, f"{group} {station}", now_ms, note, {"id": call.id}
        )
        fields = {f"{ANSWER}{station}": answer_text(now_ms, by)}
        writing = Writing(entry, fields, expect={ROLL_CALL: call_text(call)})
        if not self._store.write_of_group(group, writing, now_ms):
            raise Refused(f"the roll call of {group} has just been ended: look again")

    # -- of a duty -------------------------------------------------------------------------------

    def start_duty_roll_call(self, duty_id: str, by: str) -> dict[str, RollCall]:
        """Begin one in each group of a duty; returns those begun, by group. A group that has one
        keeps it, so that it may be asked again should Redis fail in between.

        Raises NotThere, or Refused where each group has one.
        """
        duty, _ = self._running(duty_id)
        begun = {}
        for group in self._present(duty.groups):
            try:
                begun[group] = self.start_roll_call(group, by, duty_id)
            except Refused:
                continue
        if not begun:
            raise Refused(f"a roll call of each group of {duty.title!r} is going on: end it first")
        return begun

    def end_duty_roll_call(
        self, duty_id: str, by: str, shown: Collection[str] | None = None
    ) -> tuple[str, ...]:
        """End those of a duty's groups, whoever began them; returns the groups.

        Raises NotThere if there is no such duty, or none of its groups has one; Refused, and ends
        none, if one goes on that is not among `shown`.
        """
        duty, _ = self._duty(duty_id)
        calls = self._going_on(self._present(duty.groups))
        others = [g for g, call_id in calls.items() if shown is not None and call_id not in shown]
        if others:
            raise Refused(f"{others[0]} has another roll call than was shown: look again")
        ended = []
        for group, call_id in calls.items():
            try:
                self.end_roll_call(group, by, call_id)
            except (NotThere, Refused):
                continue
            ended.append(group)
        if not ended:
            raise NotThere(f"no roll call of a group of {duty.title!r} is going on")
        return tuple(ended)

    def _present(self, groups: tuple[str, ...]) -> list[str]:
        """Without those that the region file has no more."""
        return [group for group in groups if group in self._store.view.groups]

    # -- helpers ---------------------------------------------------------------------------------

    def _call(self, group: str, call_id: str | None) -> tuple[GroupSnapshot, HeldRollCall]:
        snapshot = self._group(group)
        call = snapshot.roll_call
        if call is None:
            raise NotThere(f"no roll call of {group} is going on")
        if call_id is not None and call.id != call_id:
            raise Refused(
                f"the roll call of {group} that goes on, begun at "
                f"{from_ms(call.started_ms):%H:%M:%SZ}, is not the one that was shown: look again"
            )
        return snapshot, call

    def _going_on(self, groups: list[str]) -> dict[str, str]:
        """Group -> the id of its roll call, where one goes on."""
        snapshots = self._store.groups(groups)
        return {s.group: s.roll_call.id for s in snapshots if s.roll_call is not None}

    def _outcome(self, snapshot: GroupSnapshot, call: HeldRollCall, now_ms: int) -> dict[str, Any]:
        """For the log."""
        policy = self._store.view.policies[snapshot.group]
        answered: dict[str, dict[str, str | None]] = {}
        silent = []
        for summary in snapshot.members:
            at_ms, how, by = answer_to(call, summary)
            if at_ms is not None and how is not None:
                at = from_ms(at_ms).isoformat()
                answered[summary.station] = {"at": at, "how": how.value, "by": by}
                continue
            closed = judge_closed(summary, policy, now_ms)
            if closed is None or is_asked(closed.standing, closed.since_ms, call.started_ms):
                silent.append(summary.station)
        return {
            "id": call.id,
            "started_at": from_ms(call.started_ms).isoformat(),
            "answered": dict(sorted(answered.items())),
            "silent": sorted(silent),
            "count": len(answered),
        }
