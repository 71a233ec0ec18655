"""`streamer alerts`: what is wrong now and what to do next; takes an alert in hand."""

import argparse
from collections import Counter

from streamer.acts.acts import Acts, InOtherHands, NotThere, Refused
from streamer.clock import Clock, ManualClock
from streamer.config import RegionView
from streamer.contract.published import CAUTION, Alert, AlertState, Severity
from streamer.domain.duty import duty_text
from streamer.domain.urgency import urgency
from streamer.reading.common import (
    WELL,
    WRONG,
    Answer,
    Desk,
    Header,
    Misuse,
    NotFound,
    add_common,
    answer,
    note_lines,
    typed,
)
from streamer.reading.text import age, moment, plural, printable, wrap

LONGEST_NAME, LONGEST_NOTE = 64, 200


class AlertEntry(Alert):
    """An alert as it is published, with its age and the keeper of the site from the region file."""

    age_s: float
    keeper: str | None


class Alerts(Header):
    """Worst first, then people before machines, open before acknowledged, oldest first. `open`
    counts those that nobody has taken in hand."""

    open: int
    acknowledged: int
    alerts: tuple[AlertEntry, ...]
    caution: str = CAUTION


class Taken(Header):
    """What --ack did."""

    alert: AlertEntry


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "What is wrong now, worst first and people before machines, with the next step; --ack "
        "takes an alert in hand. "
        "Exit code 0: answered; 1: no such alert, the state cannot be read, or --fail-if-open "
        "and an alert is open."
    )
    parser.add_argument("--ack", metavar="ID", help="acknowledge this alert; needs --by")
    parser.add_argument("--by", metavar="NAME", help="who takes it in hand")
    parser.add_argument(
        "--take-over", action="store_true", help="even if it is in the hands of somebody else"
    )
    parser.add_argument("--note", metavar="TEXT", help="what is being done about it")
    parser.add_argument(
        "--fail-if-open", action="store_true", help="exit code 1 if an unacknowledged alert is open"
    )
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    return answer("alerts", arguments, lambda desk: _work(desk, arguments), clock)


def _work(desk: Desk, arguments: argparse.Namespace) -> Answer:
    if arguments.ack is not None:
        if arguments.fail_if_open:
            raise Misuse("--ack and --fail-if-open: one at a time")
        by = _said("--by", arguments.by, LONGEST_NAME)
        if by is None:
            raise Misuse("--ack needs --by NAME: who takes the alert in hand?")
        note = _said("--note", arguments.note, LONGEST_NOTE)
        return _acknowledge(desk, typed(arguments.ack), by, note, arguments.take_over)
    if arguments.by is not None or arguments.note is not None:
        raise Misuse("--by and --note belong to --ack ID: which alert?")
    found = alerts(desk)
    code = WRONG if arguments.fail_if_open and found.open else WELL
    return found, lambda: _text(desk, found), code


def _said(option: str, text: str | None, longest: int) -> str | None:
    if text is None:
        return None
    text = typed(text).strip()
    if not text or len(text) > longest or text != printable(text):
        raise Misuse(f"{option}: 1 to {longest} printable characters are expected")
    return text


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
        alerts=tuple(_entry(desk, alert) for alert in found),
    )


def _entry(desk: Desk, alert: Alert) -> AlertEntry:
    age_s = desk.now_ms / 1000 - alert.since.timestamp()
    return AlertEntry(**dict(alert), age_s=round(age_s, 3), keeper=keeper_of(desk.view, alert))


def keeper_of(view: RegionView, alert: Alert) -> str | None:
    """Who keeps the gateway that the alert is about, or whose repeater it is about."""
    gateway = view.gateways.get(alert.subject.split("/", 1)[0])
    return gateway.keeper or None if gateway else None


def _text(desk: Desk, found: Alerts) -> list[str]:
    lines = note_lines(desk)
    if not found.alerts:
        return [*lines, "No alert is open."]
    counts = Counter(alert.severity for alert in found.alerts)
    worst = ", ".join(f"{counts[s]} {s}" for s in Severity if counts[s])
    lines += wrap(f"{plural(len(found.alerts), 'alert')}: {worst}; {found.acknowledged} in hand")
    for alert in found.alerts:
        lines += ["", *_lines(desk, alert)]
    return [*lines, "", *wrap(found.caution)]


def _lines(desk: Desk, alert: AlertEntry) -> list[str]:
    since_ms = round(alert.since.timestamp() * 1000)
    duty = duty_text(alert.duties)
    lines = wrap(f"{alert.severity.upper()}: {alert.title}" + (f"  [{duty}]" if duty else ""))
    lasts = f"wrong for {age(alert.age_s)}, since {moment(since_ms, desk.now_ms)}"
    lines += wrap(f"{alert.state}; {lasts}; id {alert.id}", "  ", "    ")
    lines += [line for reason in alert.reasons for line in wrap(f"- {reason}", "  ", "    ")]
    if alert.affects:
        lines += wrap(f"affects: {', '.join(alert.affects)}", "  ", "    ")
    if alert.acknowledged_by:
        note = f": {alert.note}" if alert.note else ""
        lines += wrap(f"in hand of {alert.acknowledged_by}{note}", "  ", "    ")
    lines += wrap(f"next: {alert.next_step}", "  ", "    ")
    if alert.keeper:
        lines += wrap(f"keeper: {alert.keeper}", "  ", "    ")
    return lines


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
