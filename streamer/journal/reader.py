"""Reads journals: the lines of files and folders, in the order in which they were noted.

Nothing is written, and a file that cannot be read whole is read as far as it can.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from heapq import merge
from itertools import chain
from operator import itemgetter
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import from_json

from streamer.config import Region, RegionView
from streamer.journal import lines as make
from streamer.journal.frames import MAGIC, NOT_ENDED, frames
from streamer.journal.lines import Line
from streamer.journal.names import SUFFIX, SUMS_SUFFIX, files_in, parse_name, sums_of

OnTrouble = Callable[[str], None]
"""Told in words what could not be read, and where."""
_BY_NAME: Final = "its begin cannot be read: region and worker are taken from its name"
_noted: Final = itemgetter("noted_ms")


class JournalError(Exception):
    """Nothing can be made of what was given; the text says why and what to do."""


class NothingThere(JournalError):
    """No file of that name, or none of a journal in that folder: it was called wrongly."""


@dataclass(slots=True)
class Head:
    """How a file introduces itself. `from_name`: its begin cannot be read, so by its name, and
    `began_ms` by the first line that can; `software` is empty then."""

    path: Path
    region: str
    worker: str
    software: str
    began_ms: int
    from_name: bool = False


@dataclass(slots=True)
class Report:
    """What a file holds, and what is wrong with it."""

    path: Path
    size_bytes: int
    head: Head | None = None
    kinds: Counter[str] = field(default_factory=Counter)
    first_ms: int | None = None
    last_ms: int | None = None
    closed: bool = False
    summed: bool | None = None
    """Whether the SHA-256 beside it is right; None without one."""
    troubles: list[str] = field(default_factory=list)

    @property
    def damaged(self) -> bool:
        """Something of it cannot be read, or is not what was written. A last part that was not
        ended is no damage."""
        return any(NOT_ENDED not in trouble for trouble in self.troubles)


def find_files(paths: Iterable[Path]) -> list[Path]:
    """The files that are given, and those of a journal in folders that are given.

    Checksums are passed over, as `FOLDER/*` names them too. Raises NothingThere.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = files_in(path)
            if not inside:
                raise NothingThere(f"{path}: no journal in this folder (files *{SUFFIX})")
            found += inside
        elif path.is_file():
            found += [] if path.name.endswith(SUMS_SUFFIX) else [path]
        else:
            raise NothingThere(f"{path}: there is no such file or folder")
    return list(dict.fromkeys(found))


def head_of(path: Path) -> Head:
    """By its first line; where that is spoilt, by the file's name, if any line of it can be read.

    Raises JournalError when the file is none of a journal, or newer than this reader.
    """
    with path.open("rb") as file:
        begun = file.read(1 << 16)
    first = next(frames(begun, lambda _: None), b"").split(b"\n", 1)[0]
    line = _line(first)
    if not isinstance(line, dict) or "format" not in line:
        named = _head_by_name(path)
        if named is not None:
            return named
    if begun[: len(MAGIC)] != MAGIC:
        what = "it is empty" if not begun else "it is not compressed by zstd"
        raise JournalError(f"{path}: not a journal: {what}")
    try:
        line = from_json(first)
        if line["format"] != make.FORMAT:
            raise ValueError(f"its format is {str(line['format'])[:40]!r}")
        if line["v"] != make.VERSION:
            text = f"{path}: v is {line['v']}: this reader knows v {make.VERSION}; take a newer one"
            raise JournalError(text)
        return Head(
            path, str(line["region"]), str(line["worker"]), str(line["software"]),
            int(line["noted_ms"]),
        )  # fmt: skip
    except (ValueError, KeyError, TypeError) as error:
        raise JournalError(
            f"{path}: not a journal: its first line is not that of one ({error})"
        ) from error


def _head_by_name(path: Path) -> Head | None:
    name = parse_name(path.name)
    if name is None:
        return None
    for text in frames(path.read_bytes(), lambda _: None):
        whole = text.split(b"\n")[:-1]
        line = next(filter(_is_line, map(_line, whole)), None)
        if line is not None:
            return Head(path, name.region, name.worker, "", line["noted_ms"], from_name=True)
    return None


def lines_of(path: Path, on_trouble: OnTrouble) -> Iterator[list[Line]]:
    """The lines of one file, in portions; what is no line of a journal is left out and told."""
    number, content = 0, path.read_bytes()
    if _summed(path, content) is False:
        on_trouble(
            f"{path}: its SHA-256 is not that of {sums_of(path).name}: it was changed, or cut, "
            "after it was closed; what can be read is used"
        )
    for text in frames(content, lambda words: on_trouble(f"{path}: {words}")):
        texts = text.split(b"\n")
        torn = texts.pop()  # '' behind the last line that is whole
        if torn:
            on_trouble(f"{path}: line {number + len(texts) + 1} ends in the middle: left out")
        try:
            found = from_json(b"[" + b",".join(texts) + b"]", cache_strings="all")
        except ValueError:
            found = [_line(t) for t in texts]
        good = [line for line in found if _is_line(line)]
        if len(good) < len(found):
            bad = next(n for n, line in enumerate(found, number + 1) if not _is_line(line))
            lost = len(found) - len(good)
            on_trouble(f"{path}: {lost} lines are none of a journal, first line {bad}: left out")
        number += len(found)
        yield good


def _line(text: bytes) -> Any:
    try:
        return from_json(text)
    except ValueError:
        return None


def _is_line(line: Any) -> bool:
    return (
        isinstance(line, dict)
        and type(line.get("noted_ms")) is int
        and isinstance(line.get("kind"), str)
    )


def read(paths: Sequence[Path], on_trouble: OnTrouble) -> Iterator[Line]:
    """The lines of files and folders, by the time they were noted, whichever worker noted them.

    A file that is none of a journal is told and left out. Raises JournalError when none is one, or
    when they are of several regions.
    """
    heads = []
    for path in find_files(paths):
        try:
            head = head_of(path)
        except JournalError as error:
            on_trouble(str(error))
            continue
        heads.append(head)
        if head.from_name:
            on_trouble(f"{path}: {_BY_NAME}")
    if not heads:
        raise JournalError("none of the files is one of a journal")
    regions = sorted({head.region for head in heads})
    if len(regions) > 1:
        raise JournalError(
            f"files of several regions ({', '.join(regions)}): give those of one, such as "
            f"{heads[0].path.parent}/{regions[0]}.*{SUFFIX}"
        )
    by_worker: dict[str, list[Head]] = defaultdict(list)
    for head in sorted(heads, key=lambda h: (h.began_ms, h.path.name)):
        by_worker[head.worker].append(head)
    streams = [
        chain.from_iterable(
            chain.from_iterable(lines_of(head.path, on_trouble) for head in of_worker)
        )
        for of_worker in by_worker.values()
    ]
    return streams[0] if len(streams) == 1 else merge(*streams, key=_noted)


def scan(path: Path) -> Report:
    """Read a file through and say what is in it. Raises OSError."""
    report = Report(path, path.stat().st_size)
    try:
        report.head = head_of(path)
    except JournalError as error:
        report.troubles.append(str(error).removeprefix(f"{path}: "))
        return report

    def note(words: str) -> None:
        report.troubles.append(words.removeprefix(f"{path}: "))

    if report.head.from_name:
        note(_BY_NAME)
    last: Line = {}
    for portion in lines_of(path, note):
        for line in portion:
            report.kinds[line["kind"]] += 1
            last = line
            ms = line["noted_ms"]
            report.first_ms = ms if report.first_ms is None else min(ms, report.first_ms)
            report.last_ms = ms if report.last_ms is None else max(ms, report.last_ms)
    report.closed = last.get("kind") == make.END
    if report.closed and last.get("lines") != report.kinds.total() - 1:
        note(f"{last.get('lines')} lines were written, {report.kinds.total() - 1} are there")
    report.summed = _summed(path, path.read_bytes())
    return report


def _summed(path: Path, content: bytes) -> bool | None:
    try:
        expected = sums_of(path).read_text("ascii").split()[0]
    except (OSError, ValueError, IndexError):
        return None
    return sha256(content).hexdigest() == expected


def region_of(line: Line) -> RegionView:
    """The region file that a `region` line holds. Raises JournalError."""
    try:
        return RegionView(Region.model_validate_json(line["settings"]))
    except (ValidationError, KeyError) as error:
        raise JournalError(
            "the region file in the journal is not one that this version reads; "
            f"give --region FILE ({str(error).splitlines()[0]})"
        ) from error


def settings_text(view: RegionView) -> str:
    """A region file for a `region` line: without addresses and places on the machine."""
    secret = {"broker", "redis_url", "redis_password_file", "redis", "journal"}
    # What a group's policy leaves unset is the region's, so nothing unset may come in.
    return view.region.model_dump_json(exclude=secret, exclude_unset=True)
