"""`streamer alerts`: what is wrong now and what to do next; takes an alert in hand, and plans
maintenance."""

import argparse
from collections import Counter
from datetime import datetime

from streamer.acts.acts import Acts, InOtherHands, NotThere, Refused
from streamer.alerts.exercise import is_exercise
from streamer.clock import Clock, ManualClock, from_ms, to_ms
from streamer.config import RegionView
from streamer.contract.common import Moment
from streamer.contract.duty import DutyKind
from streamer.contract.published import CAUTION, Alert, AlertState, Maintenance, Severity
from streamer.domain.duty import duty_text
from streamer.domain.urgency import urgency
from streamer.reading.common import (
    LONGEST_NAME,
    LONGEST_NOTE,
    WELL,
    WRONG,
    Answer,
    Desk,
    Header,
    Misuse,
    NotFound,
    add_common,
    answer,
    given_text,
    note_lines,
    typed,
)
from streamer.reading.held import held_lines
from streamer.reading.maintenance import (
    add_maintenance_arguments,
    end_work,
    start_work,
    work_lines,
    works_now,
)
from streamer.reading.text import age, moment, plural, wrap


class AlertEntry(Alert):
    """An alert as it is published, with its age, when its episode began, and the keeper of the site
    from the region file."""

    age_s: float
    first_opened_at: Moment
    keeper: str | None


class Alerts(Header):
    """Worst first, then people before machines, open before acknowledged, oldest first. `open`
    counts those that nobody has taken in hand, `held` what others explain; `maintenance` is planned
    work that is going on."""

    open: int
    acknowledged: int
    held: int
    alerts: tuple[AlertEntry, ...]
    maintenance: tuple[Maintenance, ...]
    caution: str = CAUTION


class Taken(Header):
    """What --ack did."""

    alert: AlertEntry


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "What is wrong now, worst first and people before machines, with the next step; --ack "
        "takes an alert in hand; --maintenance tells of planned work, so that what fails there is "
        "in hand from the start. "
        "Exit code 0: answered; 1: no such alert or maintenance, the state cannot be read, or "
        "--fail-if-open and an alert is open."
    )
    parser.add_argument("--ack", metavar="ID", help="acknowledge this alert; needs --by")
    add_maintenance_arguments(parser)
    parser.add_argument("--by", metavar="NAME", help="who does it")
    parser.add_argument(
        "--take-over", action="store_true", help="even if it is in the hands of somebody else"
    )
    parser.add_argument("--note", metavar="TEXT", help="what is being done, or why")
    parser.add_argument(
        "--fail-if-open", action="store_true", help="exit code 1 if an unacknowledged alert is open"
    )
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    return answer("alerts", arguments, lambda desk: _work(desk, arguments), clock)


def _work(desk: Desk, arguments: argparse.Namespace) -> Answer:
    options = {
        "--ack": arguments.ack,
        "--maintenance": arguments.maintenance,
        "--end-maintenance": arguments.end_maintenance,
        "--fail-if-open": arguments.fail_if_open or None,
    }
    given = [name for name, value in options.items() if value is not None]
    if len(given) > 1:
        raise Misuse(f"{' and '.join(given)}: one at a time")
    if (arguments.for_s is None) != (arguments.maintenance is None):
        raise Misuse("--maintenance SUBJECT and --for TIME belong together: what, and how long?")
    if given in ([], ["--fail-if-open"]):
        return _list(desk, arguments)
    by = given_text("--by", arguments.by, LONGEST_NAME)
    if by is None:
        raise Misuse(f"{given[0]} needs --by NAME: who does it?")
    note = given_text("--note", arguments.note, LONGEST_NOTE)
    if arguments.ack is not None:
        return _acknowledge(desk, typed(arguments.ack), by, note, arguments.take_over)
    if arguments.maintenance is not None:
        return start_work(desk, typed(arguments.maintenance), arguments.for_s, by, note)
    return end_work(desk, typed(arguments.end_maintenance), by, note)


def _list(desk: Desk, arguments: argparse.Namespace) -> Answer:
    if arguments.by is not None or arguments.note is not None:
        raise Misuse("--by and --note belong to --ack ID or to maintenance: what is to be done?")
    found = alerts(desk)
    code = WRONG if arguments.fail_if_open and found.open else WELL
    return found, lambda: _text(desk, found), code


# -- the list ----------------------------------------------------------------------------------


def alerts(desk: Desk) -> Alerts:
    """All alerts that are open or acknowledged."""
    found = [Alert.model_validate_json(text) for text in desk.store.all_alerts().values()]
    found.sort(key=urgency)
    states = Counter(alert.state for alert in found)
    return Alerts(
        **desk.header(),
        open=states[AlertState.OPEN],
        acknowledged=states[AlertState.ACKNOWLEDGED],
        held=len({held.id for alert in found for held in alert.held}),
        maintenance=tuple(works_now(desk)),
        alerts=tuple(_entry(desk, alert) for alert in found),
    )


def _entry(desk: Desk, alert: Alert) -> AlertEntry:
    age_s = desk.now_ms / 1000 - alert.since.timestamp()
    return AlertEntry(
        **dict(alert),
        age_s=round(age_s, 3),
        first_opened_at=first_opened_at(alert),
        keeper=keeper_of(desk.view, alert),
    )


def first_opened_at(alert: Alert) -> datetime:
    """When its episode began. An episode is named by that: its id, @, milliseconds since 1970."""
    began = alert.episode.rpartition("@")[2]
    return from_ms(int(began)) if began.isascii() and began.isdigit() else alert.opened_at


def keeper_of(view: RegionView, alert: Alert) -> str | None:
    """Who keeps the gateway that the alert is about, or whose repeater it is about."""
    gateway = view.gateways.get(alert.subject.split("/", 1)[0])
    return gateway.keeper or None if gateway else None


def _text(desk: Desk, found: Alerts) -> list[str]:
    lines = note_lines(desk)
    if not found.alerts:
        lines.append("No alert is open.")
    else:
        counts = Counter(alert.severity for alert in found.alerts)
        worst = ", ".join(f"{counts[s]} {s}" for s in Severity if counts[s])
        held = f"; {plural(found.held, 'other')} explained by them" if found.held else ""
        total = plural(len(found.alerts), "alert")
        lines += wrap(f"{total}: {worst}; {found.acknowledged} in hand{held}")
    for alert in found.alerts:
        lines += ["", *_lines(desk, alert)]
    if found.maintenance:
        lines += ["", "MAINTENANCE"]
        lines += [line for work in found.maintenance for line in work_lines(desk, work)]
    return [*lines, "", *wrap(found.caution)] if found.alerts else lines


def _lines(desk: Desk, alert: AlertEntry) -> list[str]:
    duty = duty_text(alert.duties)
    played = any(mark.kind is DutyKind.EXERCISE for mark in alert.duties)
    if played and not is_exercise(alert):
        duty = f"real, while this runs: {duty}"
    lines = wrap(f"{alert.severity.upper()}: {alert.title}" + (f"  [{duty}]" if duty else ""))
    lasts = f"wrong for {age(alert.age_s)}, since {_at(desk, alert.since)}"
    lines += wrap(f"{alert.state}; {lasts}; id {alert.id}", "  ", "    ")
    lines += [line for text in _course(desk, alert) for line in wrap(text, "  ", "    ")]
    lines += [line for reason in alert.reasons for line in wrap(f"- {reason}", "  ", "    ")]
    if alert.affects:
        lines += wrap(f"affects: {', '.join(alert.affects)}", "  ", "    ")
    lines += held_lines(desk, alert)
    if alert.acknowledged_by:
        note = f": {alert.note}" if alert.note else ""
        lines += wrap(f"in hand of {alert.acknowledged_by}{note}", "  ", "    ")
    lines += wrap(f"next: {alert.next_step}", "  ", "    ")
    if alert.keeper:
        lines += wrap(f"keeper: {alert.keeper}", "  ", "    ")
    return lines


def _course(desk: Desk, alert: AlertEntry) -> list[str]:
    """How it went so far, where that is not just once and then taken in hand."""
    times, began = alert.opened_times, _at(desk, alert.first_opened_at)
    found = []
    if alert.unsteady:
        text = f"comes and goes ({plural(times, 'time')} since {began})"
        found.append(f"{text}: single changes are not sent out until it is steady")
    elif times > 1:
        found.append(f"opened {times} times since {began}")
    if alert.escalated and alert.state is AlertState.OPEN:
        steps = plural(alert.escalated, "step")
        found.append(f"nobody has it in hand since {_at(desk, alert.opened_at)}; escalated {steps}")
    return found


def _at(desk: Desk, at: datetime) -> str:
    return moment(to_ms(at), desk.now_ms)


# -- acknowledging -----------------------------------------------------------------------------


def _acknowledge(desk: Desk, alert_id: str, by: str, note: str | None, take_over: bool) -> Answer:
    acts = Acts(desk.store, ManualClock(desk.now_ms))  # as of the moment that the answer names
    try:
        taken = acts.acknowledge(alert_id, by, note, take_over)
    except InOtherHands as error:
        raise NotFound(f"{error} (--take-over)") from error
    except (NotThere, Refused) as error:
        raise NotFound(str(error)) from error
    entry = _entry(desk, taken)
    document = Taken(**desk.header(), alert=entry)
    return document, lambda: [*note_lines(desk), *_lines(desk, entry)], WELL
