"""Who is expected at a duty: the roster, and its import from a table in CSV. Pure.

RFC 4180 says how such a file is quoted; that a semicolon or a tab parts the fields where a comma
does not, and a mark (BOM) in front, are habits of spreadsheets: common practice, no source. The
columns are those that the ICS forms 211 and 214 (FEMA 502-2) ask of a person: name, home unit or
agency, assignment.
"""

import csv
import io
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from streamer.domain.callsign import LONGEST_CALL, CallSignRules, Rejected
from streamer.domain.plain_text import control_in

MOST_LINES: Final = 2000
"""People on one roster."""
LARGEST_BYTES: Final = 500_000
LONGEST: Final = 80
"""Characters of a name, an agency, an assignment."""
COLUMNS: Final = ("call", "name", "agency", "assignment", "group")
_ALSO: Final = {
    "callsign": "call", "station": "call",
    "fullname": "name", "operator": "name", "person": "name",
    "unit": "agency", "homeunit": "agency", "homeunitoragency": "agency", "homeagency": "agency",
    "organization": "agency", "organisation": "agency",
    "position": "assignment", "role": "assignment", "task": "assignment",
    "incidentassignment": "assignment", "icsposition": "assignment",
    "net": "group", "talkgroup": "group",
}  # fmt: skip
"""What else a column may be called, in lower case without blanks and strokes."""
_PARTING: Final = ",;\t"
_UTF16: Final = (b"\xff\xfe", b"\xfe\xff")
_LOST: Final = "\N{REPLACEMENT CHARACTER}"
_SAVE: Final = "save it as CSV in UTF-8"


class RosterLine(BaseModel):
    """One who is expected; '' where something is not known. `group` is the duty's group that it is
    expected in."""

    model_config = ConfigDict(frozen=True)

    call: str = Field(max_length=LONGEST_CALL)
    name: str = Field("", max_length=LONGEST)
    agency: str = Field("", max_length=LONGEST)
    assignment: str = Field("", max_length=LONGEST)
    group: str = ""


_LINES: Final = TypeAdapter(tuple[RosterLine, ...])


class RosterFault(ValueError):
    """A roster that cannot be taken; `faults` has a sentence for each: where, what, what to do."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(self.faults))

    def told(self, most: int) -> list[str]:
        """Not more than people read, with how many more there are."""
        more = len(self.faults) - most
        said = [f"and {more} more like these: mend those first"] if more > 0 else []
        return [*self.faults[:most], *said]


@dataclass(frozen=True, slots=True)
class ReadRoster:
    """A roster as it was read; `unread` are columns that it has besides."""

    lines: tuple[RosterLine, ...]
    unread: tuple[str, ...]


# -- as it is kept -------------------------------------------------------------------------------


def roster_text(lines: Iterable[RosterLine]) -> str:
    """As JSON, as Redis keeps it."""
    return _LINES.dump_json(tuple(lines)).decode()


def roster_from(text: str | None) -> tuple[RosterLine, ...]:
    """What `roster_text` wrote; None: nobody is expected. Raises ValueError."""
    return () if text is None else _LINES.validate_json(text)


def roster_of_details(details: Mapping[str, Any]) -> tuple[RosterLine, ...]:
    """The roster that an entry of the log set. Raises ValueError where there is none in it."""
    return _LINES.validate_python(details.get("roster"))


def calls_of(lines: Iterable[RosterLine]) -> tuple[str, ...]:
    """As the duty's message names those who are expected."""
    return tuple(sorted(line.call for line in lines))


def must_fit(lines: Sequence[RosterLine], groups: Collection[str]) -> None:
    """Raises RosterFault unless each call stands once, in no other group than these."""
    faults = [f"more than {MOST_LINES} people"] if len(lines) > MOST_LINES else []
    seen: set[str] = set()
    for line in lines:
        if line.call in seen:
            faults.append(f"{line.call} stands twice")
        seen.add(line.call)
        if line.group and line.group not in groups:
            faults.append(f"{line.call}: {_not_of(line.group, groups)}")
    if faults:
        raise RosterFault(faults)


def _not_of(group: str, groups: Collection[str]) -> str:
    return f"{group!r} is no group of this duty; it has {', '.join(sorted(groups))}"


# -- from a file ---------------------------------------------------------------------------------


def read_roster(content: bytes, rules: CallSignRules, groups: Collection[str]) -> ReadRoster:
    """Read a table with a head: columns call, name, agency, assignment, group, in any order and
    case; only call must be there. All or nothing: raises RosterFault.

    `rules` are the region's; suffixes are parted from call signs, as of those that are heard.
    `groups` are the duty's.
    """
    rows = _rows(_text_of(content))
    head, columns, unread = _head(next(rows, None))
    lines: list[RosterLine] = []
    first_at: dict[str, int] = {}
    faults: list[str] = []
    for number, cells in rows:
        found, line = _line(cells, head, columns, rules, groups)
        if line is not None and line.call in first_at:
            found.append(
                f"call: {line.call} stands in line {first_at[line.call]} already; strike out one"
            )
        elif line is not None:
            first_at[line.call] = number
            lines.append(line)
        faults += [f"line {number}: {fault}" for fault in found]
        if len(first_at) > MOST_LINES:
            raise RosterFault([f"more than {MOST_LINES} people; part it by duties"])
    if not faults and not lines:
        faults = ["nobody stands below the head; give a line for each who is expected"]
    if faults:
        raise RosterFault(faults)
    return ReadRoster(tuple(lines), unread)


def _text_of(content: bytes) -> str:
    if len(content) > LARGEST_BYTES:
        raise RosterFault([f"larger than {LARGEST_BYTES // 1000} kB; is it a roster?"])
    if content[:2] in _UTF16:
        raise RosterFault([f"it is written in UTF-16; {_SAVE}"])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        number = content.count(b"\n", 0, error.start) + 1
        byte = content[error.start]
        raise RosterFault(
            [f"line {number}: byte 0x{byte:02X} is not UTF-8 (an older character set?); {_SAVE}"]
        ) from error
    if _LOST in text:
        number = text.count("\n", 0, text.index(_LOST)) + 1
        raise RosterFault([f"line {number}: a letter was lost on the way; {_SAVE}"])
    return text


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Each line that is not blank, with its number; the first one says what parts the fields."""
    head = next((line for line in text.splitlines() if line.strip()), "")
    counts = {parting: len(_known(head.split(parting))) for parting in _PARTING}
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=max(_PARTING, key=counts.__getitem__), strict=True
    )
    number = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield number, [cell.strip() for cell in cells]
            number = reader.line_num + 1
    except csv.Error as error:
        detail = "a quotation mark is open, or stands within a field"
        raise RosterFault([f"line {number}: {detail} ({error}); close it, or double it"]) from error


def _column(cell: str) -> str | None:
    name = re.sub(r"[\s_./\"'-]+", "", cell).lower()
    return name if name in COLUMNS else _ALSO.get(name)


def _known(cells: Iterable[str]) -> list[str]:
    return [name for cell in cells if (name := _column(cell))]


def _head(row: tuple[int, list[str]] | None) -> tuple[int, dict[str, int], tuple[str, ...]]:
    """How many fields it has, where each column stands, and what the others are called."""
    if row is None:
        raise RosterFault([f"it is empty; begin with the head {','.join(COLUMNS)}"])
    number, cells = row
    faults, columns = [], dict[str, int]()
    for place, cell in enumerate(cells):
        name = _column(cell)
        if name is not None and name in columns:
            first = cells[columns[name]]
            faults.append(f"{first!r} and {cell!r} are both the {name}; rename one")
        elif name is not None:
            columns[name] = place
    if "call" not in columns:
        shown = ", ".join(repr(cell[:20]) for cell in cells[:8])
        faults.append(
            f"no column is named call; the first line must name the columns, such as "
            f"{','.join(COLUMNS)} (got {shown})"
        )
    if faults:
        raise RosterFault([f"line {number}: {fault}" for fault in faults])
    unread = tuple(cell[:LONGEST] for cell in cells if cell and _column(cell) is None)
    return len(cells), columns, unread


def _line(
    cells: Sequence[str],
    head: int,
    columns: Mapping[str, int],
    rules: CallSignRules,
    groups: Collection[str],
) -> tuple[list[str], RosterLine | None]:
    """What is wrong with a line, and what it says if its call sign is one."""
    faults = []
    if any(cells[head:]):
        faults.append(
            f"{len(cells)} fields, the head has {head}; put a field with a comma in quotes"
        )
    said = {name: cells[place] if place < len(cells) else "" for name, place in columns.items()}
    for name, text in said.items():
        control = control_in(text)
        if control is not None:
            faults.append(f"{name}: has the control character {control}; take it out")
        elif name in ("name", "agency", "assignment") and len(text) > LONGEST:
            faults.append(f"{name}: {len(text)} characters; at most {LONGEST}")
    said["group"] = said.get("group", "").upper()
    if said["group"] and not control_in(said["group"]) and said["group"] not in groups:
        faults.append(f"group: {_not_of(said['group'][:20], groups)}, or leave it empty")
    call, fault = _call(said["call"], rules)
    if fault:
        faults.append(fault)
    if faults or not call:
        # A call sign that is good is noted all the same, so that another one like it is found.
        return faults, RosterLine(call=call) if call else None
    return faults, RosterLine(**{**said, "call": call})


def _call(text: str, rules: CallSignRules) -> tuple[str, str]:
    """The call sign, or what is wrong with it."""
    if not text:
        return "", "call: is empty; give the call sign, or strike out the line"
    if control_in(text):
        return "", ""  # said already
    verdict = rules.judge(text)
    if isinstance(verdict, Rejected):
        return "", (
            f"call: {text[:20]!r} is no call sign here: {verdict.detail}; mend it, or have it "
            "accepted first"
        )
    return verdict.call, ""
