"""What people order, each act in one step with its entry in the log.

Nothing is published here: the workers work out what follows and say it, so that everybody who reads
the topics sees it, whoever ordered it and from where.
"""

from typing import Final

from pydantic import BaseModel, ConfigDict

from streamer.acts.base import InOtherHands, NotThere, Refused
from streamer.acts.maintenance import PlannedWork
from streamer.acts.roll_calls import RollCalls
from streamer.alerts.desk import AlertConflict, acknowledge_alert
from streamer.clock import from_ms
from streamer.contract.common import Moment
from streamer.contract.published import Alert, Order, OrderKind
from streamer.domain.model import Ordered
from streamer.problems import suggestion
from streamer.state.entries import Act, Entry
from streamer.state.ledger import Writing
from streamer.state.records import ORDER, ordered_text
from streamer.worker.messages import order_of

__all__ = [
    "LONGEST_ORDER_S",
    "AcceptedCall",
    "Acts",
    "InOtherHands",
    "NotThere",
    "Refused",
]

LONGEST_ORDER_S: Final = 7 * 24 * 3600.0
_KINDS: Final = {OrderKind.PIN: Act.PIN, OrderKind.BAR: Act.BAR}


class AcceptedCall(BaseModel):
    """An identity that is taken for a station though it is no call sign, and who said so."""

    model_config = ConfigDict(frozen=True)

    call: str
    at: Moment
    by: str
    note: str | None = None


class Acts(RollCalls, PlannedWork):
    """Every method raises StoreUnavailable when Redis does not answer; then the act may or may not
    have been done: look, and do it again if not. `by` is who acts."""

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
