"""What people order, each act in one step with its entry in the log.

Nothing is published here: the workers work out what follows and say it, so that everybody who reads
the topics sees it, whoever ordered it and from where.
"""

import secrets
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from pydantic import BaseModel, ConfigDict

from streamer.alerts.desk import AlertConflict, acknowledge_alert
from streamer.clock import Clock, from_ms, to_ms
from streamer.contract.common import Moment
from streamer.contract.duty import DutyKind
from streamer.contract.published import Alert, Duty, Order, OrderKind, RollCall
from streamer.contract.topics import duty_topic
from streamer.domain.model import GroupSnapshot, HeldRollCall, Ordered
from streamer.problems import suggestion
from streamer.state.entries import Act, Entry
from streamer.state.keys import DUTIES_KEPT
from streamer.state.ledger import Writing
from streamer.state.lookups import duties_from
from streamer.state.records import ANSWER, ORDER, ROLL_CALL, answer_text, call_text, ordered_text
from streamer.state.shapes import OutMessage
from streamer.state.store import Store
from streamer.worker.messages import order_of

LONGEST_ORDER_S: Final = 7 * 24 * 3600.0
_KINDS: Final = {OrderKind.PIN: Act.PIN, OrderKind.BAR: Act.BAR}


class NotThere(Exception):
    """What should be acted on is not there; the text says what is."""


class Refused(Exception):
    """The act makes no sense as things stand; the text says why."""


class InOtherHands(Refused):
    """Somebody else has the alert, or nobody needs it any more."""


class AcceptedCall(BaseModel):
    """An identity that is taken for a station though it is no call sign, and who said so."""

    model_config = ConfigDict(frozen=True)

    call: str
    at: Moment
    by: str
    note: str | None = None


class Acts:
    """Every method raises StoreUnavailable when Redis does not answer; then the act may or may not
    have been done: look, and do it again if not. `by` is who acts."""

    def __init__(
        self, store: Store, clock: Clock, new_id: Callable[[str, int], str] | None = None
    ) -> None:
        self._store = store
        self._clock = clock
        self._new_id = new_id or _new_id

    # -- alerts and members ----------------------------------------------------------------------

    def acknowledge(
        self, alert_id: str, by: str, note: str | None = None, take_over: bool = False
    ) -> Alert:
        """Take an alert in hand; raises NotThere, InOtherHands, Refused."""
        now_ms = self._clock.now_ms()
        try:
            return acknowledge_alert(self._store, alert_id, by, note, now_ms, take_over=take_over)
        except KeyError as error:
            known = suggestion(alert_id, sorted(self._store.all_alerts()))
            raise NotThere(f"no alert {alert_id!r} is open; {known}") from error
        except ValueError as error:
            raise InOtherHands(str(error)) from error
        except AlertConflict as error:
            raise Refused(f"alert {alert_id!r} keeps changing just now: try again") from error

    def check_out(self, group: str, station: str, by: str, note: str | None = None) -> None:
        """Check a member out by hand; its next keying to the group checks it in again.

        Raises NotThere if the group knows no such station.
        """
        snapshot = self._group(group)
        if not any(member.station == station for member in snapshot.members):
            raise NotThere(f"{station} has never checked in to {group}")
        now_ms = self._clock.now_ms()
        entry = self._entry(Act.CHECK_OUT, by, f"{group} {station}", now_ms, note)
        self._store.check_out_by_hand(station, group, now_ms, entry)

    # -- pins and bars ---------------------------------------------------------------------------

    def order(
        self,
        group: str,
        repeater: str,
        kind: OrderKind,
        for_s: float,
        by: str,
        note: str | None = None,
    ) -> Order:
        """Have a repeater carry a group always, or never, for a time; a later order replaces an
        earlier one. Raises NotThere, Refused."""
        self._group(group)
        if not self._store.view.knows_repeater(repeater):
            known = suggestion(repeater, sorted(self._store.view.sites))
            raise NotThere(f"no repeater {repeater!r} in the region file; {known}")
        if not 0 < for_s <= LONGEST_ORDER_S:
            raise Refused(
                f"for {for_s:g} s: more than 0 and at most {LONGEST_ORDER_S / 86400:g} days; what "
                "should hold longer belongs into the region file"
            )
        now_ms = self._clock.now_ms()
        pin = kind is OrderKind.PIN
        ordered = Ordered(repeater, pin, now_ms + round(for_s * 1000), now_ms, by, note)
        entry = self._entry(
            _KINDS[kind], by, f"{group} {repeater}", now_ms, note,
            {"until": from_ms(ordered.until_ms).isoformat()},
        )  # fmt: skip
        writing = Writing(entry, {f"{ORDER}{repeater}": ordered_text(ordered)})
        self._store.write_of_group(group, writing, now_ms)
        return order_of(ordered)

    def lift(self, group: str, repeater: str, by: str, note: str | None = None) -> None:
        """End an order before its time; raises NotThere if there is none in force."""
        now_ms = self._clock.now_ms()
        orders = self._group(group).orders
        found = next((o for o in orders if o.repeater == repeater and o.until_ms > now_ms), None)
        if found is None:
            raise NotThere(f"nothing is ordered of {repeater} for {group}")
        field = f"{ORDER}{repeater}"
        entry = self._entry(Act.LIFT, by, f"{group} {repeater}", now_ms, note)
        writing = Writing(entry, drop=[field], expect={field: ordered_text(found)})
        if not self._store.write_of_group(group, writing, now_ms):
            raise Refused(f"the order of {repeater} for {group} has just been changed: look again")

    # -- roll call -------------------------------------------------------------------------------

    def start_roll_call(self, group: str, by: str) -> RollCall:
        """Begin to note who answers; raises Refused while one is going on."""
        self._group(group)
        now_ms = self._clock.now_ms()
        call = HeldRollCall(self._new_id("call", now_ms), now_ms, by, {})
        entry = self._entry(Act.START_ROLL_CALL, by, group, now_ms, None, {"id": call.id})
        writing = Writing(entry, {ROLL_CALL: call_text(call)}, expect={ROLL_CALL: ""})
        if not self._store.write_of_group(group, writing, now_ms):
            raise Refused(f"a roll call of {group} is going on: end it first")
        return RollCall(id=call.id, started_at=from_ms(now_ms), started_by=by)

    def end_roll_call(self, group: str, by: str) -> None:
        """End it; who had answered stands in the log. Raises NotThere."""
        snapshot, call = self._call(group)
        now_ms = self._clock.now_ms()
        answered = sorted(
            {*call.answers, *(m.station for m in snapshot.members if _keyed_since(m, call))}
        )
        details = {"id": call.id, "answered": answered[:500], "count": len(answered)}
        entry = self._entry(Act.END_ROLL_CALL, by, group, now_ms, None, details)
        writing = Writing(
            entry, drop=[ROLL_CALL], drop_prefix=ANSWER, expect={ROLL_CALL: call_text(call)}
        )
        if not self._store.write_of_group(group, writing, now_ms):
            raise Refused(f"the roll call of {group} has just been ended by somebody else")

    def answered(self, group: str, station: str, by: str, note: str | None = None) -> None:
        """Mark that somebody answered otherwise than by keying to the group.

        Raises NotThere, or Refused if it has answered already.
        """
        snapshot, call = self._call(group)
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

    def _call(self, group: str) -> tuple[GroupSnapshot, HeldRollCall]:
        snapshot = self._group(group)
        if snapshot.roll_call is None:
            raise NotThere(f"no roll call of {group} is going on")
        return snapshot, snapshot.roll_call

    # -- duties ----------------------------------------------------------------------------------

    def start_duty(
        self, title: str, kind: DutyKind, groups: Sequence[str], by: str, note: str | None = None
    ) -> Duty:
        """Begin an exercise or an incident of some groups. Raises NotThere, Refused."""
        wanted = sorted(set(groups))
        if not wanted:
            raise Refused("a duty needs at least one group")
        for group in wanted:
            self._known(group)
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
        )
        details = {"title": title, "kind": kind.value, "groups": wanted}
        entry = self._entry(Act.START_DUTY, by, duty.id, now_ms, note, details)
        text = duty.model_dump_json()
        topic = duty_topic(duty.region, duty.id)
        writing = Writing(entry, {duty.id: text}, self._outlived())
        self._store.write_duty(writing, [OutMessage(topic, str(duty.version), text, True)], now_ms)
        return duty

    def end_duty(self, duty_id: str, by: str, note: str | None = None) -> Duty:
        """Raises NotThere, or Refused if it has ended."""
        text = self._store.duties().get(duty_id)
        if text is None:
            raise NotThere(f"no duty {duty_id!r}")
        known = Duty.model_validate_json(text)
        if known.ended_at is not None:
            raise Refused(f"duty {known.title!r} ended at {known.ended_at:%H:%M:%S}Z")
        now_ms = self._clock.now_ms()
        version = max(now_ms, known.version + 1)
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

    def duties(self, limit: int = 50) -> list[Duty]:
        """Those that run, then those that have ended, the newest first."""
        found = duties_from(self._store.duties())
        found.sort(key=lambda duty: (duty.ended_at is None, to_ms(duty.started_at)), reverse=True)
        return found[:limit]

    def _outlived(self) -> list[str]:
        """Duties that ended so long ago that they are no longer kept here."""
        ended = [d for d in self.duties(limit=10**6) if d.ended_at is not None]
        return [duty.id for duty in ended[DUTIES_KEPT - 1 :]]

    # -- identities ------------------------------------------------------------------------------

    def accept_call(self, call: str, by: str, note: str | None = None) -> None:
        """Take an identity for a station though it is no call sign; counts from the next time it
        is heard. Raises Refused for one that cannot be, or is denied by the region file."""
        call = call.upper()
        if call in {denied.upper() for denied in self._store.view.region.denied_calls}:
            raise Refused(f"{call} is on the deny list of the region file, which goes before")
        try:
            self._store.view.call_sign_rules([call])
        except ValueError as error:
            raise Refused(str(error)) from error
        now_ms = self._clock.now_ms()
        accepted = AcceptedCall(call=call, at=from_ms(now_ms), by=by, note=note)
        entry = self._entry(Act.ACCEPT_CALL, by, call, now_ms, note)
        writing = Writing(entry, {call: accepted.model_dump_json()}, expect={call: ""})
        if not self._store.write_call(writing, now_ms):
            raise Refused(f"{call} is accepted already")

    def retract_call(self, call: str, by: str, note: str | None = None) -> None:
        """Take that back. What was heard of it stays. Raises NotThere."""
        call = call.upper()
        text = self._store.accepted().get(call)
        if text is None:
            raise NotThere(f"{call} was not accepted here; the region file may accept it")
        now_ms = self._clock.now_ms()
        entry = self._entry(Act.RETRACT_CALL, by, call, now_ms, note)
        if not self._store.write_call(Writing(entry, drop=[call], expect={call: text}), now_ms):
            raise Refused(f"{call} has just been changed by somebody else: look again")

    def accepted_calls(self) -> list[AcceptedCall]:
        """By call."""
        texts = self._store.accepted()
        return [AcceptedCall.model_validate_json(texts[call]) for call in sorted(texts)]

    # -- the log ---------------------------------------------------------------------------------

    def log(self, limit: int = 200) -> list[Entry]:
        """The newest entries, newest first."""
        entries = [Entry.model_validate_json(text) for text in self._store.logged(limit)]
        entries.sort(key=lambda entry: entry.at, reverse=True)
        return entries[:limit]

    # -- helpers ---------------------------------------------------------------------------------

    def _known(self, group: str) -> None:
        groups = self._store.view.groups
        if group not in groups:
            raise NotThere(
                f"no group {group!r} in the region file; {suggestion(group, list(groups))}"
            )

    def _group(self, group: str) -> GroupSnapshot:
        self._known(group)
        return self._store.groups([group])[0]

    @staticmethod
    def _entry(
        act: Act,
        by: str,
        subject: str,
        now_ms: int,
        note: str | None,
        details: Mapping[str, Any] | None = None,
    ) -> str:
        return Entry(
            at=from_ms(now_ms), by=by, act=act, subject=subject, note=note,
            details=dict(details or {}),
        ).model_dump_json()  # fmt: skip


def _keyed_since(member: Any, call: HeldRollCall) -> bool:
    return any(ms >= call.started_ms for ms in member.check_ins_ms)


def _new_id(what: str, now_ms: int) -> str:
    """Rises with time, and no two are alike."""
    return f"{what}-{from_ms(now_ms):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
