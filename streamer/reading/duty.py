"""`streamer duty`: exercises and incidents, who is expected and who is accounted for; begins and
ends them."""

import argparse
from pathlib import Path

from streamer.acts.acts import Acts, NotThere, Refused
from streamer.acts.duties import AlreadyRuns
from streamer.clock import Clock, ManualClock, to_ms
from streamer.contract.duty import DutyKind
from streamer.contract.published import Duty
from streamer.domain.duty import duty_text
from streamer.domain.roster import ReadRoster, RosterFault
from streamer.reading.common import (
    LONGEST_NAME,
    LONGEST_NOTE,
    WELL,
    Answer,
    Desk,
    Document,
    Header,
    Misuse,
    NotFound,
    add_common,
    answer,
    find_group,
    given_text,
    note_lines,
    typed,
)
from streamer.reading.duty_now import DutyNow, DutyNumbers, duty_now, numbers_of
from streamer.reading.duty_outcome import (
    EndedRollCall,
    NotAsked,
    ended_roll_calls,
    not_asked,
    outcome_lines,
)
from streamer.reading.duty_text import at_a_glance, duty_lines
from streamer.reading.text import ago, moment, wrap

LONGEST_TITLE = 80
_MOST_FAULTS = 50


class DutyEntry(Document):
    """A duty; `numbers` is null once it is over."""

    duty: Duty
    numbers: DutyNumbers | None


class Duties(Header):
    """Those that run, then those that have ended, the newest first."""

    duties: tuple[DutyEntry, ...]


class Done(DutyNow):
    """What was done. `unread` are columns of the roster's file that were not read; `ended` roll
    calls that this ended, and `not_asked` who of the roster was in none of them."""

    done: str
    unread: tuple[str, ...]
    ended: tuple[EndedRollCall, ...]
    not_asked: tuple[NotAsked, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Exercises and incidents: without ID all that are kept, with ID who of it is accounted "
        "for. Exit code 0: answered or done; 1: no such duty, a roster with faults, or the state "
        "cannot be read."
    )
    parser.add_argument("duty", metavar="ID", nargs="?", help="a duty, as the list names it")
    parser.add_argument("--start", metavar="TITLE", help="begin a duty; needs --kind, --group")
    parser.add_argument("--kind", choices=[kind.value for kind in DutyKind], help="of --start")
    parser.add_argument(
        "--group", metavar="GROUP", action="append", default=[], help="of --start; once for each"
    )
    parser.add_argument(
        "--another", action="store_true",
        help="of --start: though one of that title runs in one of these groups",
    )  # fmt: skip
    parser.add_argument("--end", action="store_true", help="end the duty ID")
    parser.add_argument(
        "--roster", metavar="FILE.csv", type=Path,
        help="who is expected, in place of whoever was: with --start, or of the duty ID; the first "
        "line names the columns call, name, agency, assignment, group",
    )  # fmt: skip
    parser.add_argument(
        "--roll-call", choices=["start", "end"], help="of all groups of the duty ID"
    )
    parser.add_argument("--by", metavar="NAME", help="who does it")
    parser.add_argument("--note", metavar="TEXT", help="for the log")
    add_common(parser)


def main(arguments: argparse.Namespace, clock: Clock | None = None) -> int:
    return answer("duty", arguments, lambda desk: _work(desk, arguments), clock)


def _work(desk: Desk, arguments: argparse.Namespace) -> Answer:
    acts = Acts(desk.store, ManualClock(desk.now_ms))  # as of the moment that the answer names
    wanted = [
        name
        for name, is_wanted in (
            ("--start", arguments.start is not None),
            ("--end", arguments.end),
            ("--roll-call", arguments.roll_call is not None),
            ("--roster", arguments.roster is not None and arguments.start is None),
        )
        if is_wanted
    ]
    if len(wanted) > 1:
        raise Misuse(f"{' and '.join(wanted)}: one at a time")
    if arguments.another and arguments.start is None:
        raise Misuse("--another belongs to --start")
    if not wanted:
        for name in ("by", "note", "kind"):
            if getattr(arguments, name) is not None:
                raise Misuse(f"--{name} belongs to --start, --end, --roster or --roll-call")
        return _one(desk, acts, typed(arguments.duty)) if arguments.duty else _all(desk, acts)
    by = given_text("--by", arguments.by, LONGEST_NAME)
    if by is None:
        raise Misuse(f"{wanted[0]} needs --by NAME: who does it?")
    try:
        return _do(desk, acts, arguments, by)
    except RosterFault as error:
        lines = [f"{arguments.roster}: {fault}" for fault in error.told(_MOST_FAULTS)]
        raise NotFound("\n".join([*lines, "nothing was changed"])) from error
    except (NotThere, Refused) as error:
        raise NotFound(str(error)) from error


# -- acting --------------------------------------------------------------------------------------


def _do(desk: Desk, acts: Acts, arguments: argparse.Namespace, by: str) -> Answer:
    note = given_text("--note", arguments.note, LONGEST_NOTE)
    if arguments.start is not None:
        return _start(desk, acts, arguments, by, note)
    if arguments.duty is None:
        raise Misuse("which duty? Give its ID; streamer duty lists them")
    if arguments.kind is not None or arguments.group:
        raise Misuse("--kind and --group belong to --start")
    name = typed(arguments.duty)
    unread: tuple[str, ...] = ()
    ended: tuple[EndedRollCall, ...] = ()
    if arguments.end:
        acts.end_duty(name, by, note)
        done = "The duty is over."
    elif arguments.roll_call == "start":
        done = f"A roll call has begun in {', '.join(acts.start_duty_roll_call(name, by))}."
    elif arguments.roll_call == "end":
        groups = acts.end_duty_roll_call(name, by)
        ended = ended_roll_calls(acts, groups)
        done = f"The roll call is over in {', '.join(groups)}."
    else:
        read = _read(acts, arguments.roster, list(acts.duty(name).groups))
        acts.set_roster(name, read.lines, by, note)
        done, unread = f"{len(read.lines)} are expected now.", read.unread
    return _done(desk, acts, name, done, unread, ended)


def _start(
    desk: Desk, acts: Acts, arguments: argparse.Namespace, by: str, note: str | None
) -> Answer:
    if arguments.duty is not None:
        raise Misuse("--start names a new duty; it takes no ID")
    title = given_text("--start", arguments.start, LONGEST_TITLE)
    if title is None or arguments.kind is None or not arguments.group:
        raise Misuse("--start TITLE needs --kind exercise or --kind actual, and --group GROUP")
    groups = [find_group(desk.view, typed(name)) for name in arguments.group]
    read = ReadRoster((), ())
    if arguments.roster is not None:
        read = _read(acts, arguments.roster, groups)
    kind, another = DutyKind(arguments.kind), arguments.another
    try:
        duty = acts.start_duty(title, kind, groups, by, note, read.lines, another=another)
    except AlreadyRuns as error:
        raise Refused(f"{error}, or give --another to begin a second one") from error
    return _done(desk, acts, duty.id, "The duty has begun.", read.unread)


def _read(acts: Acts, path: Path, groups: list[str]) -> ReadRoster:
    try:
        content = path.read_bytes()
    except OSError as error:
        problem = f"{path}: cannot be read: {error.strerror}; mend its path or rights"
        raise NotFound(problem) from error
    return acts.read_roster(content, groups)


def _done(
    desk: Desk, acts: Acts, name: str, done: str, unread: tuple[str, ...],
    ended: tuple[EndedRollCall, ...] = (),
) -> Answer:  # fmt: skip
    roster = acts.roster(name)
    found = duty_now(desk, acts.duty(name), roster)
    unasked = not_asked(ended, roster, found) if ended else ()
    document = Done(**dict(found), done=done, unread=unread, ended=ended, not_asked=unasked)
    columns = [f"Columns that were not read: {', '.join(unread)}."] if unread else []

    def lines() -> list[str]:
        said = [line for text in (done, *columns) for line in wrap(text)]
        said += outcome_lines(desk, ended, unasked)
        return [*said, "", *note_lines(desk), *duty_lines(desk, found)]

    return document, lines, WELL


# -- reading -------------------------------------------------------------------------------------


def _one(desk: Desk, acts: Acts, name: str) -> Answer:
    try:
        found = duty_now(desk, acts.duty(name), acts.roster(name))
    except NotThere as error:
        raise NotFound(str(error)) from error
    return found, lambda: [*note_lines(desk), *duty_lines(desk, found)], WELL


def _all(desk: Desk, acts: Acts) -> Answer:
    entries = [DutyEntry(duty=duty, numbers=numbers_of(desk, duty)) for duty in acts.duties(1000)]
    found = Duties(**desk.header(), duties=tuple(entries))
    return found, lambda: [*note_lines(desk), *_list(desk, found)], WELL


def _list(desk: Desk, found: Duties) -> list[str]:
    runs = any(entry.numbers for entry in found.duties)
    lines = [] if runs else ["No duty is going on."]
    for entry in found.duties:
        duty, numbers = entry.duty, entry.numbers
        lines += ["", *wrap(duty_text([duty.mark]))] if lines else wrap(duty_text([duty.mark]))
        begun = f"started {ago(to_ms(duty.started_at), desk.now_ms)} by {duty.started_by}"
        over = ""
        if duty.ended_at is not None:
            over = f"; over since {moment(to_ms(duty.ended_at), desk.now_ms)}"
        lines += wrap(f"{duty.id}; {', '.join(duty.groups)}; {begun}{over}", "  ", "    ")
        if numbers is not None:
            lines += wrap(at_a_glance(numbers), "  ", "    ")
    return lines
