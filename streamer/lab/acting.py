"""Does once more what people ordered, from the entries of the log, at the time it was ordered."""

from collections.abc import Callable
from datetime import datetime
from typing import Final

from streamer.acts.acts import Acts, NotThere, Refused
from streamer.clock import ManualClock, to_ms
from streamer.contract.duty import DutyKind
from streamer.contract.published import OrderKind
from streamer.domain.roster import roster_of_details
from streamer.state.entries import Act, Entry
from streamer.state.store import Store


def do_again(store: Store, entry: Entry) -> str | None:
    """Do what an entry says, at its time; a worker may have noted it a little later.

    Returns what was in the way, in words; None if all went well. Raises StoreUnavailable.
    """
    acts = Acts(store, ManualClock(to_ms(entry.at)), new_id=lambda _what, _ms: _id_of(entry))
    try:
        KNOWN[entry.act](acts, entry)
    except (NotThere, Refused, KeyError, TypeError, ValueError) as error:
        return f"{entry.act} {entry.subject} by {entry.by}: {error}"
    return None


def _two(entry: Entry) -> tuple[str, str]:
    """The group and the station or repeater that an act was about."""
    group, _, other = entry.subject.partition(" ")
    return group, other


def _order(acts: Acts, entry: Entry, kind: OrderKind) -> None:
    group, repeater = _two(entry)
    acts.order(group, repeater, kind, _for_s(entry), entry.by, entry.note)


def _plan(acts: Acts, entry: Entry) -> None:
    acts.start_maintenance(entry.details["subject"], _for_s(entry), entry.by, entry.note)


def _for_s(entry: Entry) -> float:
    """How long what was ordered was to hold."""
    until_ms = to_ms(datetime.fromisoformat(entry.details["until"]))
    return (until_ms - to_ms(entry.at)) / 1000


def _id_of(entry: Entry) -> str:
    """The name that was given to what the act began."""
    return str(entry.details["id"]) if entry.act is Act.START_ROLL_CALL else entry.subject


KNOWN: Final[dict[Act, Callable[[Acts, Entry], object]]] = {
    Act.ACKNOWLEDGE: lambda acts, e: acts.acknowledge(
        e.subject, e.by, e.note, bool(e.details.get("take_over"))
    ),
    Act.CHECK_OUT: lambda acts, e: acts.check_out(*_two(e), e.by, e.note),
    Act.PIN: lambda acts, e: _order(acts, e, OrderKind.PIN),
    Act.BAR: lambda acts, e: _order(acts, e, OrderKind.BAR),
    Act.LIFT: lambda acts, e: acts.lift(*_two(e), e.by, e.note),
    Act.START_ROLL_CALL: lambda acts, e: acts.start_roll_call(
        e.subject, e.by, e.details.get("duty")
    ),
    Act.END_ROLL_CALL: lambda acts, e: acts.end_roll_call(e.subject, e.by),
    Act.MARK_ANSWERED: lambda acts, e: acts.answered(*_two(e), e.by, e.note),
    Act.START_DUTY: lambda acts, e: acts.start_duty(
        e.details["title"],
        DutyKind(e.details["kind"]),
        e.details["groups"],
        e.by,
        e.note,
        another=True,  # it was begun
    ),
    Act.SET_ROSTER: lambda acts, e: acts.set_roster(
        e.subject, roster_of_details(e.details), e.by, e.note
    ),
    Act.END_DUTY: lambda acts, e: acts.end_duty(e.subject, e.by, e.note),
    Act.ACCEPT_CALL: lambda acts, e: acts.accept_call(e.subject, e.by, e.note),
    Act.RETRACT_CALL: lambda acts, e: acts.retract_call(e.subject, e.by, e.note),
    Act.START_MAINTENANCE: _plan,
    Act.END_MAINTENANCE: lambda acts, e: acts.end_maintenance(e.subject, e.by, e.note),
    Act.FORGET: lambda acts, e: None,  # it is gone from the record too, or stands there for good
}
