"""Planned work in `streamer alerts`: what is going on, its begin and its end."""

import argparse
from collections.abc import Sequence

from streamer.acts.acts import Acts, NotThere, Refused
from streamer.alerts.maintenance import WHOLE_REGION, runs
from streamer.clock import ManualClock, to_ms
from streamer.config import RegionView
from streamer.contract.published import Maintenance
from streamer.domain.durations import seconds_of
from streamer.reading.common import WELL, Answer, Desk, Header, NotFound, note_lines
from streamer.reading.text import age, moment, wrap
from streamer.state import lookups, ordered


class Planned(Header):
    """What --maintenance did. `members` were last heard there, or are of the group: they should
    know of it."""

    maintenance: Maintenance
    members: tuple[str, ...]


class Ended(Header):
    """What --end-maintenance did."""

    maintenance: Maintenance


def add_maintenance_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--maintenance",
        metavar="SUBJECT",
        help="work is planned at this gateway, repeater (gateway/port) or group, or at * (the "
        "whole region), from now on; needs --for and --by",
    )
    parser.add_argument(
        "--for", dest="for_s", type=_time, metavar="TIME", help="how long: 20m, 2h or so"
    )
    parser.add_argument(
        "--end-maintenance", metavar="ID", help="it is over before its time; needs --by"
    )


def _time(text: str) -> float:
    try:
        if text.strip().replace(".", "").isdigit():
            raise ValueError(f"{text!r}: with a unit, such as {text.strip()}h or {text.strip()}m")
        return seconds_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def start_work(desk: Desk, subject: str, for_s: float, by: str, note: str | None) -> Answer:
    """Begin planned work. Raises NotFound."""
    acts = Acts(desk.store, ManualClock(desk.now_ms))
    try:
        work = acts.start_maintenance(_subject(desk.view, subject), for_s, by, note)
    except (NotThere, Refused) as error:
        raise NotFound(str(error)) from error
    document = Planned(**desk.header(), maintenance=work, members=_members(desk, work.subject))
    return document, lambda: _planned_text(desk, document), WELL


def end_work(desk: Desk, work_id: str, by: str, note: str | None) -> Answer:
    """End it before its time. Raises NotFound."""
    acts = Acts(desk.store, ManualClock(desk.now_ms))
    try:
        work = acts.end_maintenance(work_id, by, note)
    except (NotThere, Refused) as error:
        raise NotFound(str(error)) from error
    document = Ended(**desk.header(), maintenance=work)
    said = f"Maintenance of {_named(work.subject)} is over. What still fails there is now an alert."
    return document, lambda: [*note_lines(desk), *wrap(said)], WELL


def _subject(view: RegionView, typed: str) -> str:
    """In the case of the region file, where one is meant."""
    if "/" in typed or typed.lower() in view.gateways:
        return typed.lower()
    return typed.upper() if typed.upper() in view.groups else typed


def _members(desk: Desk, subject: str) -> tuple[str, ...]:
    sights = lookups.sights(desk.store, desk.now_ms)
    found = {
        summary.station
        for now in desk.groups_now(list(desk.view.groups), sights)
        for summary, judgement in now.judged
        if judgement.is_member
        and (
            subject in (WHOLE_REGION, now.snapshot.group, summary.place.repeater)
            or summary.place.repeater.startswith(f"{subject}/")
        )
    }
    return tuple(sorted(found))


# -- for people --------------------------------------------------------------------------------


def works_now(desk: Desk) -> Sequence[Maintenance]:
    """Planned work that is going on, what ends first before the rest."""
    works = ordered.works_from(desk.store.works())
    return sorted((w for w in works if runs(w, desk.now_ms)), key=lambda w: (w.until, w.id))


def work_lines(desk: Desk, work: Maintenance) -> list[str]:
    """One maintenance: what, until when, whose, why."""
    until_ms = to_ms(work.until)
    left = age((until_ms - desk.now_ms) / 1000)
    note = f": {work.note}" if work.note else ""
    text = f"{_named(work.subject)}: until {moment(until_ms, desk.now_ms)} ({left} left)"
    return wrap(f"{text}, by {work.by}{note}; id {work.id}", "  ", "    ")


def _named(subject: str) -> str:
    return "the whole region" if subject == WHOLE_REGION else subject


def _planned_text(desk: Desk, planned: Planned) -> list[str]:
    lines = [*note_lines(desk), "Maintenance begins:", *work_lines(desk, planned.maintenance)]
    if planned.members:
        lines += wrap(
            f"{', '.join(planned.members)}: last heard there, or members of it. Tell them: while "
            "it is away nobody hears them there, and their silence says nothing."
        )
    lines += wrap("Alerts about it are in your hands from the start. It ends by itself.")
    return lines
