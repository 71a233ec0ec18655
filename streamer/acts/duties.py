"""Duties: exercises and incidents of some groups, from their start to their end."""

from collections.abc import Collection, Sequence

from streamer.acts.base import Acting, NotThere, Refused
from streamer.clock import from_ms, to_ms
from streamer.contract.duty import DutyKind
from streamer.contract.published import Duty
from streamer.contract.topics import duty_topic
from streamer.domain.roster import (
    ReadRoster,
    RosterLine,
    calls_of,
    must_fit,
    read_roster,
    roster_from,
    roster_text,
)
from streamer.domain.versions import next_version
from streamer.problems import suggestion
from streamer.state.entries import Act
from streamer.state.keys import DUTIES_KEPT
from streamer.state.ledger import Writing
from streamer.state.ordered import duties_from
from streamer.state.shapes import OutMessage
from streamer.worker.region_orders import rules_with


class AlreadyRuns(Refused):
    """A duty of that title runs in one of the groups."""


class Duties(Acting):
    """Every method raises StoreUnavailable when Redis does not answer."""

    def start_duty(
        self,
        title: str,
        kind: DutyKind,
        groups: Sequence[str],
        by: str,
        note: str | None = None,
        roster: Sequence[RosterLine] = (),
        *,
        another: bool = False,
    ) -> Duty:
        """Begin an exercise or an incident of some groups, with those who are expected; `another`:
        though one of that title runs in one of them.

        Raises NotThere, Refused (AlreadyRuns), RosterFault.
        """
        wanted = sorted(set(groups))
        if not wanted:
            raise Refused("a duty needs at least one group")
        for group in wanted:
            self._known(group)
        if not another:
            self._must_be_new(title, wanted)
        must_fit(roster, wanted)
        now_ms = self._clock.now_ms()
        duty = Duty(
            region=self._store.view.name,
            id=self._new_id("duty", now_ms),
            version=now_ms,
            title=title,
            kind=kind,
            groups=tuple(wanted),
            note=note,
            started_at=from_ms(now_ms),
            started_by=by,
            expected=calls_of(roster),
        )
        details = {"title": title, "kind": kind.value, "groups": wanted}
        writing = Writing(
            self._entry(Act.START_DUTY, by, duty.id, now_ms, note, details),
            {duty.id: duty.model_dump_json()},
            self._outlived(),
            beside={duty.id: roster_text(roster)} if roster else {},
            # A moment later, so that whoever sorts the log has the duty before its roster.
            then=self._roster_entry(duty.id, roster, by, now_ms + 1, None) if roster else "",
        )
        self._store.write_duty(writing, [_retained(duty)], now_ms)
        return duty

    def _must_be_new(self, title: str, groups: Collection[str]) -> None:
        """Who starts one twice, by mistake, would have everybody counted in two. Looked up before
        and not in the same step: two people who start at the same moment both succeed."""
        for duty in duties_from(self._store.duties()):
            same = duty.title.casefold() == title.casefold()
            shared = [group for group in duty.groups if group in groups]
            if duty.ended_at is None and same and shared:
                raise AlreadyRuns(
                    f"{duty.title!r} runs in {', '.join(shared)} already: {duty.id}, started "
                    f"{duty.started_at:%Y-%m-%d %H:%M}Z by {duty.started_by}; end it first, or "
                    "choose another title"
                )

    def set_roster(
        self, duty_id: str, roster: Sequence[RosterLine], by: str, note: str | None = None
    ) -> Duty:
        """Say who is expected at a duty that runs, in place of whoever was; nobody is possible.

        Raises NotThere, Refused, RosterFault.
        """
        known, text = self._running(duty_id)
        must_fit(roster, known.groups)
        now_ms = self._clock.now_ms()
        changes = {"expected": calls_of(roster), "version": next_version(known.version, now_ms)}
        duty = known.model_copy(update=changes)
        writing = Writing(
            self._roster_entry(duty_id, roster, by, now_ms, note),
            {duty_id: duty.model_dump_json()},
            expect={duty_id: text},
            beside={duty_id: roster_text(roster)},
        )
        if not self._store.write_duty(writing, [_retained(duty)], now_ms):
            raise Refused(f"duty {known.title!r} has just been changed: look again")
        return duty

    def read_roster(self, content: bytes, groups: Collection[str]) -> ReadRoster:
        """A roster from a file in CSV, for a duty of these groups; nothing is kept. Raises
        RosterFault."""
        return read_roster(content, rules_with(self._store, self._store.accepted()), groups)

    def roster(self, duty_id: str) -> tuple[RosterLine, ...]:
        """Who is expected at a duty, as in the file; empty if nobody ever said."""
        return roster_from(self._store.roster(duty_id))

    def duty(self, duty_id: str) -> Duty:
        """One that is kept, whether it runs or not. Raises NotThere."""
        return self._duty(duty_id)[0]

    def end_duty(self, duty_id: str, by: str, note: str | None = None) -> Duty:
        """Raises NotThere, or Refused if it has ended."""
        known, text = self._running(duty_id)
        now_ms = self._clock.now_ms()
        version = next_version(known.version, now_ms)
        changes = {"ended_at": from_ms(now_ms), "ended_by": by, "version": version}
        ended = known.model_copy(update=changes)
        entry = self._entry(Act.END_DUTY, by, duty_id, now_ms, note, {"title": known.title})
        writing = Writing(entry, {duty_id: ended.model_dump_json()}, expect={duty_id: text})
        topic = duty_topic(ended.region, duty_id)
        messages = [
            OutMessage(f"{topic}#{version}", str(version), ended.model_dump_json(), False),
            OutMessage(topic, str(version), "", True),
        ]
        if not self._store.write_duty(writing, messages, now_ms):
            raise Refused(f"duty {known.title!r} has just been changed: look again")
        return ended

    def _duty(self, duty_id: str) -> tuple[Duty, str]:
        """A duty and its text in Redis."""
        text = self._store.duties().get(duty_id)
        if text is None:
            known = suggestion(duty_id, [duty.id for duty in self.duties() if not duty.ended_at])
            raise NotThere(f"no duty {duty_id!r}; of those that run: {known}")
        return Duty.model_validate_json(text), text

    def _running(self, duty_id: str) -> tuple[Duty, str]:
        known, text = self._duty(duty_id)
        if known.ended_at is not None:
            raise Refused(f"duty {known.title!r} ended at {known.ended_at:%H:%M:%S}Z")
        return known, text

    def _roster_entry(
        self, duty_id: str, roster: Sequence[RosterLine], by: str, now_ms: int, note: str | None
    ) -> str:
        lines = [line.model_dump(exclude_defaults=True) for line in roster]
        return self._entry(Act.SET_ROSTER, by, duty_id, now_ms, note, {"roster": lines})

    def duties(self, limit: int = 50) -> list[Duty]:
        """Those that run, then those that have ended, the newest first."""
        found = duties_from(self._store.duties())
        found.sort(key=lambda duty: (duty.ended_at is None, to_ms(duty.started_at)), reverse=True)
        return found[:limit]

    def _outlived(self) -> list[str]:
        """Duties that ended so long ago that they are no longer kept here."""
        ended = [d for d in self.duties(limit=10**6) if d.ended_at is not None]
        return [duty.id for duty in ended[DUTIES_KEPT - 1 :]]


def _retained(duty: Duty) -> OutMessage:
    topic = duty_topic(duty.region, duty.id)
    return OutMessage(topic, str(duty.version), duty.model_dump_json(), True)
