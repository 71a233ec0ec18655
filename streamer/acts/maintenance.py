"""Planned work: announced, so that what it breaks wakes nobody, and seen by everybody."""

from typing import Final

from streamer.acts.base import Acting, NotThere, Refused
from streamer.alerts.maintenance import WHOLE_REGION, last_words, runs
from streamer.clock import from_ms, to_ms
from streamer.contract.published import Maintenance
from streamer.contract.topics import maintenance_topic
from streamer.domain.versions import next_version
from streamer.problems import suggestion
from streamer.state.entries import Act
from streamer.state.keys import MAINTENANCE_KEPT
from streamer.state.ledger import Writing
from streamer.state.ordered import works_from
from streamer.state.shapes import OutMessage

LONGEST_MAINTENANCE_S: Final = 7 * 24 * 3600.0


class PlannedWork(Acting):
    """Every method raises StoreUnavailable when Redis does not answer."""

    def start_maintenance(
        self, subject: str, for_s: float, by: str, note: str | None = None
    ) -> Maintenance:
        """Announce work at a gateway, a repeater, a group, or `*`, the whole region, for a time.

        Raises NotThere, Refused.
        """
        view = self._store.view
        if subject != WHOLE_REGION and not (
            view.knows_gateway(subject)
            or ("/" in subject and view.knows_repeater(subject))
            or subject in view.groups
        ):
            known = suggestion(subject, [*view.gateways, *view.sites, *view.groups])
            raise NotThere(f"no gateway, repeater or group {subject!r} in the region file; {known}")
        if not 0 < for_s <= LONGEST_MAINTENANCE_S:
            raise Refused(
                f"for {for_s:g} s: more than 0 and at most {LONGEST_MAINTENANCE_S / 86400:g} days"
            )
        now_ms = self._clock.now_ms()
        runs_now = [w for w in works_from(self._store.works()) if runs(w, now_ms)]
        same = next((w for w in runs_now if w.subject == subject), None)
        if same is not None:
            raise Refused(
                f"{subject} is under maintenance until {same.until:%H:%M}Z by {same.by} already "
                f"({same.id}): end that first"
            )
        work = Maintenance(
            region=view.name,
            id=self._new_id("work", now_ms),
            version=now_ms,
            subject=subject,
            until=from_ms(now_ms + round(for_s * 1000)),
            by=by,
            at=from_ms(now_ms),
            note=note,
        )
        details = {"subject": subject, "until": work.until.isoformat()}
        entry = self._entry(Act.START_MAINTENANCE, by, work.id, now_ms, note, details)
        text = work.model_dump_json()
        topic = maintenance_topic(view.name, work.id)
        writing = Writing(entry, {work.id: text}, self._long_over(now_ms))
        self._store.write_maintenance(writing, [OutMessage(topic, str(now_ms), text, True)], now_ms)
        return work

    def end_maintenance(self, work_id: str, by: str, note: str | None = None) -> Maintenance:
        """End it before its time. Raises NotThere, or Refused if it is over."""
        text = self._store.works().get(work_id)
        if text is None:
            raise NotThere(f"no maintenance {work_id!r}")
        known = Maintenance.model_validate_json(text)
        now_ms = self._clock.now_ms()
        if not runs(known, now_ms):
            raise Refused(f"the maintenance of {known.subject} is over")
        version = next_version(known.version, now_ms)
        changes = {"ended_at": from_ms(now_ms), "ended_by": by, "version": version}
        ended = known.model_copy(update=changes)
        entry = self._entry(
            Act.END_MAINTENANCE, by, work_id, now_ms, note, {"subject": known.subject}
        )
        writing = Writing(entry, {work_id: ended.model_dump_json()}, expect={work_id: text})
        if not self._store.write_maintenance(writing, last_words(ended), now_ms):
            raise Refused(f"the maintenance of {known.subject} has just been changed: look again")
        return ended

    def _long_over(self, now_ms: int) -> list[str]:
        """Work that ended so long ago that it is no longer kept here."""
        over = [w for w in works_from(self._store.works()) if not runs(w, now_ms)]
        over.sort(key=lambda work: to_ms(work.until), reverse=True)
        return [work.id for work in over[MAINTENANCE_KEPT - 1 :]]
