"""From what is wrong to alerts: pending, open, in hand, cleared, opened again. Pure; the only place
that decides.

Every round takes all cases and all that is said just now, and tells what changes and when to look
again. It may be repeated, and run by any worker: what it decides follows from its arguments alone.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from streamer.alerts.case import Case, Phase, Report, root_of
from streamer.alerts.causes import (
    MEMBERS,
    Ground,
    cause_of,
    made_conditions,
    still_missed,
    with_held_members,
)
from streamer.alerts.conditions import Condition
from streamer.alerts.exercise import is_exercise, marked
from streamer.alerts.maintenance import covering
from streamer.alerts.making import (
    ENDED,
    RANK,
    alert_of,
    covered,
    held,
    hushed,
    like,
    no_less,
    nobodys,
    words,
)
from streamer.alerts.notice import Turn
from streamer.alerts.turns import Changes, Turned, cleared
from streamer.alerts.waiting import clear_ms, settle_ms
from streamer.clock import from_ms, to_ms
from streamer.contract.duty import DutyMark
from streamer.contract.published import (
    Alert,
    AlertKind,
    AlertState,
    HeldAlert,
    Maintenance,
    Severity,
)
from streamer.domain.versions import next_version

REWORDED_UNSTEADY_MS: Final = 60_000


def look(
    known: Mapping[str, Case],
    reports: Mapping[str, Report],
    ground: Ground,
    works: Sequence[Maintenance],
    steps: Sequence[int],
    now_ms: int,
) -> Changes:
    """One round. `reports` by owner; `works`: maintenance that is kept; `steps`: the steps of
    escalation for which there are channels."""
    return _Round(known, reports, ground, works, steps, now_ms).changes()


class _Round:
    def __init__(
        self,
        known: Mapping[str, Case],
        reports: Mapping[str, Report],
        ground: Ground,
        works: Sequence[Maintenance],
        steps: Sequence[int],
        now_ms: int,
    ) -> None:
        self._known = known
        self._ground = ground
        self._settings = ground.settings
        self._works = works
        self._steps = steps
        self._now_ms = now_ms
        self._said: dict[str, Condition] = {}
        self._duties: dict[str, tuple[DutyMark, ...]] = {}
        self._endings: dict[str, str] = {}
        for report in reports.values():
            self._said.update((c.id, c) for c in report.conditions)
            self._duties.update((c.id, report.duties) for c in report.conditions)
            self._endings.update(report.endings)
        self._said = with_held_members(self._said, known, ground)
        marks = tuple({m.id: m for r in reports.values() for m in r.duties}.values())
        for made in made_conditions(self._said, known, ground):
            self._said[made.id] = made
            self._duties[made.id] = marks
        self._out = Changes()
        self._times: list[int] = []
        self._turned: set[str] = set()
        self._told: set[str] = set()
        """Published in this round: as turned, or in other words."""

    def changes(self) -> Changes:
        after: dict[str, Case] = {}
        for case_id in sorted(self._known.keys() | self._said.keys()):
            case = self._advanced(self._known.get(case_id), self._said.get(case_id))
            if case is not None:
                after[case_id] = case
        self._name_what_is_held(after)
        out = self._out
        out.gone = [case_id for case_id in self._known if case_id not in after]
        out.cases = {i: c for i, c in after.items() if c != self._known.get(i)}
        # A turn was noted before its alert was told what it holds.
        out.turned = [
            Turned(after.get(t.case.id, t.case), t.turn, self._newest(after, t), t.cause, t.hushed)
            for t in out.turned
        ]
        ended = [to_ms(work.until) for work in self._works]
        self._times += [ms for ms in ended if ms > self._now_ms]
        out.next_ms = min(self._times, default=None)
        return out

    @staticmethod
    def _newest(after: Mapping[str, Case], turned: Turned) -> Alert:
        case = after.get(turned.case.id)
        newest = case.alert if case is not None else None
        return newest if newest is not None else turned.alert

    def _later(self, ms: int) -> int:
        """Look again then."""
        self._times.append(ms)
        return ms

    # -- one case --------------------------------------------------------------------------------

    def _advanced(self, case: Case | None, said: Condition | None) -> Case | None:
        if said is None:
            return self._absent(case) if case is not None else None
        if case is None or (case.phase is Phase.RESTING and said.opens):
            if case is None and not said.opens:
                return None
            before = case or Case(phase=Phase.PENDING, condition=said)
            case = before.but(
                phase=Phase.PENDING, due_ms=self._settled_ms(said), gone_ms=None, ending="",
                same_ms=self._now_ms,
            )  # fmt: skip
        if case.gone_ms is not None:
            case = case.but(gone_ms=None, ending="", same_ms=self._now_ms)
        if said.vague:
            kept = case.condition
            said = like(said, kept)
        if said.kind in MEMBERS and case.phase is Phase.STANDING:
            said = no_less(said, alert_of(case))
        return self._present(case.but(condition=said, duties=self._duties[said.id]))

    def _settled_ms(self, said: Condition) -> int:
        """When trouble may be told. A gateway that fell silent before anybody listened is given
        the time to be heard."""
        now_ms = self._now_ms
        due_ms = now_ms + settle_ms(said.kind, self._settings)
        listening_ms = self._ground.listening_ms
        if (
            said.kind is AlertKind.GATEWAY_LOST
            and listening_ms is not None
            and said.since_ms < listening_ms
        ):
            due_ms = max(due_ms, listening_ms + self._ground.lost_after_ms)
        return due_ms

    def _present(self, case: Case) -> Case | None:
        cause = cause_of(case.condition, self._said, self._known, self._ground)
        if case.phase is Phase.RESTING:
            return self._absent(case)
        if cause is not None and not self._stays_open(case):
            return self._explained(case, cause)
        if case.phase is Phase.HELD:
            due_ms = self._now_ms + round(self._settings.settle_s * 1000)
            case = case.but(phase=Phase.PENDING, due_ms=due_ms, cause=None)
        if case.phase is Phase.PENDING:
            if self._now_ms < case.due_ms:
                self._later(case.due_ms)
                return case
            return self._opened(case)
        return self._standing(case)

    @staticmethod
    def _stays_open(case: Case) -> bool:
        """Who was told to look for somebody is not told to stop because a machine has failed."""
        return case.phase is Phase.STANDING and case.condition.kind in MEMBERS

    def _explained(self, case: Case, cause: str) -> Case:
        if case.phase is not Phase.STANDING or case.alert is None:
            return case.but(phase=Phase.HELD, cause=cause)
        title = self._said[cause].title
        case = case.but(phase=Phase.HELD, cause=cause)
        return self._over(case, Turn.EXPLAINED, f"part of: {title}", cause)

    def _over(self, case: Case, turn: Turn, because: str, cause: str | None = None) -> Case:
        assert case.alert is not None
        alert = cleared(case.alert, because, self._now_ms)
        over = case.but(alert=alert, published_ms=self._now_ms, gone_ms=None, same_ms=self._now_ms)
        self._told.add(case.id)
        self._out.turned.append(Turned(over, turn, alert, cause, hushed(alert)))
        return over

    # -- opening and standing --------------------------------------------------------------------

    def _opened(self, case: Case) -> Case:
        now_ms, before = self._now_ms, case.alert
        within_ms = round(self._settings.unsteady_within_s * 1000)
        opened_ms = (*(ms for ms in case.opened_ms if ms > now_ms - within_ms), now_ms)
        often = len(opened_ms) >= self._settings.unsteady_times
        unsteady = often and case.condition.kind not in MEMBERS  # each word of a person is news
        turn = Turn.OPENED if before is None else Turn.REOPENED
        alert = Alert(
            region=self._ground.region,
            id=case.id,
            version=next_version(before.version if before else 0, now_ms),
            state=AlertState.OPEN,
            episode=before.episode if before else f"{case.id}@{now_ms}",
            opened_at=from_ms(now_ms),
            unheld_since=from_ms(now_ms),
            opened_times=before.opened_times + 1 if before else 1,
            unsteady=unsteady,
            actual=before.actual if before else False,
            **words(case),
        )
        work = covering(self._works, case.condition, now_ms)
        alert = covered(marked(alert), work, now_ms)
        case = case.but(
            phase=Phase.STANDING, cause=None, alert=alert, published_ms=now_ms, same_ms=now_ms,
            opened_ms=opened_ms[-self._settings.unsteady_times :],
            told=case.told if before else {},
        )  # fmt: skip
        self._turn(case, Turn.UNSTEADY if unsteady and before is not None else turn)
        return self._standing(case)

    def _turn(self, case: Case, turn: Turn) -> None:
        assert case.alert is not None
        self._turned.add(case.id)
        self._told.add(case.id)
        self._out.turned.append(Turned(case, turn, case.alert, None, hushed(case.alert)))

    def _standing(self, case: Case) -> Case:
        """It is still wrong: worse, nobody's business yet, steady again, or only in other words."""
        alert, now_ms = case.alert, self._now_ms
        assert alert is not None
        work = covering(self._works, case.condition, now_ms)
        if (work.id if work else None) != alert.maintenance:
            case = self._with(case, covered(alert, work, now_ms))
            if work is None:
                self._turn(case, Turn.OPENED)
            else:
                self._say(case)
        said = words(case)
        if RANK[said["severity"]] > RANK[alert_of(case).severity]:
            # Whoever took the lesser trouble in hand has not seen this one.
            anew = {} if alert_of(case).maintenance else nobodys(now_ms)
            worse = alert_of(case).model_copy(update={**said, **anew})
            case = self._with(case, marked(worse))
            self._turn(case, Turn.WORSE)
        case = self._no_longer_played(case, said)
        case = self._reminded(self._escalated(self._steadied(case)))
        return self._reworded(case, said)

    def _no_longer_played(self, case: Case, said: Mapping[str, Any]) -> Case:
        """Whoever was told of a part of an exercise, and perhaps smiled, must be told."""
        before = alert_of(case)
        after = before.model_copy(update=dict(said))
        if not is_exercise(before) or is_exercise(after):
            return case
        case = self._with(case, marked(after.model_copy(update=nobodys(self._now_ms))))
        self._turn(case, Turn.ACTUAL)
        return case

    def _with(self, case: Case, alert: Alert) -> Case:
        """Published now with another version."""
        assert case.alert is not None
        version = next_version(case.alert.version, self._now_ms)
        newer = alert.model_copy(update={"version": version})
        return case.but(alert=newer, published_ms=self._now_ms)

    def _steadied(self, case: Case) -> Case:
        alert = alert_of(case)
        if not alert.unsteady:
            return case
        steady_ms = case.same_ms + round(self._settings.steady_after_s * 1000)
        if self._now_ms < self._later(steady_ms):
            return case
        case = self._with(case, alert.model_copy(update={"unsteady": False}))
        self._turn(case.but(opened_ms=()), Turn.REOPENED)
        return case.but(opened_ms=())

    def _escalated(self, case: Case) -> Case:
        """One step a round, as each channel is told of the alert as it is after the round."""
        alert = alert_of(case)
        if alert.state is not AlertState.OPEN or alert.escalated >= max(self._steps, default=0):
            return case
        after_ms = round(self._settings.escalate_after_s * 1000)
        free_ms = to_ms(alert.unheld_since or alert.opened_at)
        if self._now_ms < self._later(free_ms + (alert.escalated + 1) * after_ms):
            return case
        case = self._with(case, alert.model_copy(update={"escalated": alert.escalated + 1}))
        self._turn(case, Turn.ESCALATED)
        self._later(self._now_ms + 1)
        return case

    def _reminded(self, case: Case) -> Case:
        """Long ago told and still wrong: whoever has come on duty since should know."""
        missed = case.condition.missed
        if case.id in self._turned:
            case = case.but(turned_ms=self._now_ms, missed=missed)
        else:
            case = case.but(missed=tuple(s for s in case.missed if s in missed))
        again_ms = self._again_ms(alert_of(case))
        if case.missed != missed:
            # Nobody was told of them yet, and nobody else will be.
            again_ms = min(again_ms, round(self._settings.repeat_critical_s * 1000))
        if self._now_ms < self._later(case.turned_ms + again_ms):
            return case
        case = self._with(case, alert_of(case)).but(turned_ms=self._now_ms, missed=missed)
        self._turn(case, Turn.REMINDED)
        return case

    def _again_ms(self, alert: Alert) -> int:
        """How long without a word of it. One message is easily missed; and whoever has a missing
        member in hand may have been relieved since."""
        critical, settings = alert.severity is Severity.CRITICAL, self._settings
        after_s = settings.remind_s
        if critical and alert.state is AlertState.OPEN:
            after_s = min(after_s, settings.repeat_critical_s)
        elif critical and alert.kind in MEMBERS:
            after_s = min(after_s, settings.ask_holder_s)
        return round(after_s * 1000)

    def _reworded(self, case: Case, said: Mapping[str, Any]) -> Case:
        alert = alert_of(case)
        if all(getattr(alert, name) == value for name, value in said.items()):
            return case
        pause_ms = REWORDED_UNSTEADY_MS if alert.unsteady else self._ground.reworded_ms
        if case.id in self._told:
            # Something of it is published just now anyway.
            case = case.but(alert=alert.model_copy(update=dict(said)))
            self._replace(case)
            return case
        if self._now_ms < case.published_ms + pause_ms:
            self._later(case.published_ms + pause_ms)
            return case
        case = self._with(case, alert.model_copy(update=dict(said)))
        self._say(case)
        return case

    def _say(self, case: Case) -> None:
        self._told.add(case.id)
        self._out.published.append(alert_of(case))

    def _replace(self, case: Case) -> None:
        """Of what is published in this round the newest words."""
        newest = alert_of(case)
        self._out.published = [newest if a.id == newest.id else a for a in self._out.published]

    # -- going -----------------------------------------------------------------------------------

    def _absent(self, case: Case) -> Case | None:
        now_ms = self._now_ms
        rest_ms = now_ms + round(self._settings.reopen_s * 1000)
        if case.phase is Phase.RESTING:
            return case if now_ms < self._later(case.due_ms) else None
        if case.phase is not Phase.STANDING or case.alert is None:
            if case.alert is None:
                return None
            return case.but(phase=Phase.RESTING, due_ms=self._later(rest_ms), cause=None)
        cause = cause_of(case.condition, self._said, self._known, self._ground)
        if cause is not None and case.condition.kind not in MEMBERS:
            explained = self._explained(case, cause)
            return explained.but(phase=Phase.RESTING, due_ms=self._later(rest_ms), cause=None)
        if case.gone_ms is None:
            case = case.but(gone_ms=now_ms, same_ms=now_ms)
        # Its owner says why once; that need not be the round in which it is over.
        case = case.but(ending=self._endings.get(case.id, case.ending))
        assert case.gone_ms is not None
        if now_ms < case.gone_ms + self._clear_ms(case):
            self._later(case.gone_ms + self._clear_ms(case))
            return case
        ending = case.ending or ENDED[case.condition.kind]
        ending += still_missed(case.condition, self._said)
        resting = case.but(phase=Phase.RESTING, due_ms=self._later(rest_ms))
        return self._over(resting, Turn.CLEARED, ending)

    def _clear_ms(self, case: Case) -> int:
        if alert_of(case).unsteady:
            return round(self._settings.steady_after_s * 1000)
        return clear_ms(case.condition.kind, self._settings)

    # -- what a cause explains ---------------------------------------------------------------------

    def _name_what_is_held(self, after: dict[str, Case]) -> None:
        """Each cause names what it explains, also by way of others."""
        by_root: dict[str, list[HeldAlert]] = {}
        for case in after.values():
            root = root_of(case, after)
            if root is not None:
                by_root.setdefault(root, []).append(held(case.condition))
        for case_id, case in after.items():
            alert = case.alert
            if case.phase is not Phase.STANDING or alert is None:
                continue
            named = tuple(sorted(by_root.get(case_id, ()), key=lambda h: h.id))
            if named == alert.held:
                continue
            if case_id in self._told:
                after[case_id] = case.but(alert=alert.model_copy(update={"held": named}))
                self._replace(after[case_id])
            elif self._now_ms >= case.published_ms + self._ground.reworded_ms:
                after[case_id] = self._with(case, alert.model_copy(update={"held": named}))
                self._say(after[case_id])
            else:
                self._later(case.published_ms + self._ground.reworded_ms)
