"""All that a report needs of a journal, in one pass over its lines."""

from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from streamer.config import RegionView
from streamer.domain.coarse import coarse
from streamer.journal import lines as journal
from streamer.journal.gaps import Gaps
from streamer.journal.lines import Line
from streamer.lab.day import Day
from streamer.lab.gather import day_from
from streamer.lab.reports import Reports
from streamer.report.published import Published

_NEVER_MS: Final = 1 << 62
_NUMBERED: Final = (journal.HEARD, journal.ROUTE, journal.QUARANTINED, journal.REFUSED)


@dataclass(frozen=True, slots=True)
class Refused:
    """Input that was not accepted, as it was noted; `gateway` '' where none could be told."""

    noted_ms: int
    reason: str
    gateway: str
    detail: str


@dataclass(frozen=True, slots=True)
class Quarantined:
    """An over of an identity that is no call sign."""

    began_ms: int
    call: str
    reason: str
    gateway: str


@dataclass(slots=True)
class Numbers:
    """The numbers of one gateway's events since one start of its agent, each with when it was
    noted."""

    seqs: "array[int]" = field(default_factory=lambda: array("q"))
    noted_ms: "array[int]" = field(default_factory=lambda: array("q"))


@dataclass(slots=True)
class Record:
    """`gaps`: from and until in ms, as `streamer.journal.gaps` has them. `noted`: first and last
    line. `ahead`: gateways whose clocks were ahead, by when that was noted. `forgotten`: lines that
    name somebody no more who asked to be forgotten."""

    day: Day
    reports: Reports
    published: Published
    gaps: Sequence[tuple[int, int]]
    noted: tuple[int, int]
    refused: Sequence[Refused]
    quarantined: Sequence[Quarantined]
    numbers: Mapping[tuple[str, str], Numbers]
    ahead: Sequence[tuple[int, str]]
    forgotten: int

    def without_positions(self) -> "Record":
        """The same, where nobody said where they were."""
        return self._with_fixes(lambda _lat, _lon: None)

    def coarsened(self, km: float) -> "Record":
        """The same with positions rounded as by `streamer.domain.coarse`: each becomes the middle
        of its cell, at most `km` high and wide. What is worked out of positions (the cells of the
        map) is worked out of these. Speeds and courses are left out."""
        return self._with_fixes(lambda lat, lon: coarse(lat, lon, km))

    def _with_fixes(self, change: Callable[[float, float], tuple[float, float] | None]) -> "Record":
        overs = []
        for over in self.day.overs:
            fix = over.fix
            if fix is not None:
                place = change(fix.lat, fix.lon)
                new = None
                if place is not None:
                    new = replace(fix, lat=place[0], lon=place[1], speed_mps=None, course_deg=None)
                over = replace(over, fix=new)  # noqa: PLW2901
            overs.append(over)
        return replace(self, day=replace(self.day, overs=tuple(overs)))


class _Gathering:
    """Takes what a day does not hold while the day is made of the same lines."""

    def __init__(self) -> None:
        self.gaps = Gaps()
        self.reports = Reports()
        self.published = Published()
        self.refused: list[Refused] = []
        self.quarantined: list[Quarantined] = []
        self.numbers: dict[tuple[str, str], Numbers] = defaultdict(Numbers)
        self.ahead: list[tuple[int, str]] = []
        self.begin_ms, self.end_ms = _NEVER_MS, 0
        self.unread = 0
        self.forgotten = 0
        self._counted: set[tuple[str, str, int]] = set()

    def passing(self, lines: Iterable[Line]) -> Iterator[Line]:
        for line in lines:
            try:
                self._take(line)
            except (KeyError, TypeError, ValueError, AttributeError):
                # Of the other kinds the day tells.
                self.unread += line["kind"] in (journal.PUBLISHED, journal.REFUSED)
            yield line

    def _take(self, line: Line) -> None:
        kind, noted_ms = line["kind"], line["noted_ms"]
        self.begin_ms = min(self.begin_ms, noted_ms)
        self.end_ms = max(self.end_ms, noted_ms)
        self.gaps.take(line)
        if kind in _NUMBERED and "seq" in line:
            numbers = self.numbers[line["gateway"], line["boot"]]
            numbers.seqs.append(line["seq"])
            numbers.noted_ms.append(noted_ms)
        if kind == journal.PUBLISHED:
            self.published.take(line)
        elif kind == journal.STATE:
            self.reports.take(line)
        elif kind in (journal.REFUSED, journal.QUARANTINED):
            if kind == journal.REFUSED:
                self.reports.take(line)
            self._apart(line)
        elif kind == journal.AHEAD:
            self.ahead.append((noted_ms, line["gateway"]))
        elif kind == journal.FORGOTTEN:
            self.forgotten += line["lines"]

    def _apart(self, line: Line) -> None:
        """What did not become part of the state. What came again, as after a worker's death, counts
        once; what bears no number cannot be told from another."""
        if "seq" in line:
            event = line["gateway"], line["boot"], line["seq"]
            if event in self._counted:
                return
            self._counted.add(event)
        if line["kind"] == journal.REFUSED:
            gateway = line.get("gateway") or ""
            self.refused.append(
                Refused(line["noted_ms"], line["reason"], gateway, line["detail"])
            )  # fmt: skip
        else:
            self.quarantined.append(
                Quarantined(line["began_ms"], line["call"], line["reason"], line["gateway"])
            )


def record_of(
    lines: Iterable[Line],
    view: RegionView | None = None,
    on_trouble: Callable[[str], None] | None = None,
) -> Record:
    """Read lines in the order in which they were noted; arguments and errors as `day_from`."""
    gathering = _Gathering()
    day = day_from(gathering.passing(lines), view, on_trouble)
    if gathering.unread and on_trouble is not None:
        on_trouble(
            f"{gathering.unread} lines of what was published or refused cannot be read, or are of "
            "a newer version: left out"
        )
    return Record(
        day, gathering.reports, gathering.published, tuple(gathering.gaps.found),
        (min(gathering.begin_ms, day.end_ms), gathering.end_ms), gathering.refused,
        gathering.quarantined, dict(gathering.numbers), gathering.ahead,
        gathering.forgotten,
    )  # fmt: skip
