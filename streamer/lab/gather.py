"""From a journal's lines to a recorded day.

An over is told by its start, its end, and every repeater that heard it, perhaps twice and in any
order. As in the state, each of its parts is a maximum over what was told, so the day is the same
whatever the order of the lines.
"""

import gc
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

from streamer.clock import to_ms
from streamer.config import RegionView
from streamer.contract.events import RouteAction
from streamer.domain.check_out_words import CheckOutWords
from streamer.domain.model import Fix
from streamer.journal.lines import Line
from streamer.journal.reader import JournalError, region_of
from streamer.lab.day import CarriedSpan, Day, Hearing, RecordedOver
from streamer.lab.reports import Reports
from streamer.state.entries import Entry

SAME_OVER_MS: Final = 600_000
"""Two tellings of one over differ in its begin by what two clocks differ, not by more than this: a
gateway that numbers its overs anew after a restart gives a name twice."""


class NotADay(ValueError):
    """The lines do not make a day; the text says why and what to do."""


class _Made:
    """An over as far as it has been told. `placed` is (ms, gateway, boot, seq): the greatest says
    where it put the station."""

    __slots__ = ("ended_ms", "fix", "heard", "noted_ms", "over", "placed", "repeater", "station",
                 "texts", "to")  # fmt: skip

    def __init__(self, line: Mapping[str, Any], station: str) -> None:
        self.station = station
        self.over: str = line["over"]
        self.noted_ms: int = line["noted_ms"]
        self.placed: tuple[int, str, str, int] = (-1, "", "", 0)
        self.repeater = ""
        self.ended_ms = 0
        self.to: str | None = None
        self.texts: tuple[str, ...] = ()
        self.heard: dict[str, tuple[float | None, float | None]] = {}
        self.fix: tuple[int, float, float, float | None, float | None] | None = None


class Gathering:
    """Takes lines one by one; `day` makes the day of all that were taken."""

    def __init__(self) -> None:
        self._overs: dict[tuple[str, str], list[_Made]] = {}
        self._names: dict[str, str] = {}
        self._routes: dict[tuple[str, str], list[tuple[int, str, str, int, bool]]] = defaultdict(
            list
        )
        self._reports = Reports()
        self._acts: set[str] = set()
        self._settings: Line | None = None
        self._regions: set[str] = set()
        self._begin_ms: int | None = None
        self._end_ms = 0

    def take(self, line: Mapping[str, Any]) -> None:
        """One line of a journal. Kinds that make no part of a day are passed over.

        Raises KeyError, TypeError, ValueError or AttributeError where a line lacks what its kind
        has.
        """
        kind, noted_ms = line["kind"], line["noted_ms"]
        if self._begin_ms is None or noted_ms < self._begin_ms:
            self._begin_ms = noted_ms
        self._end_ms = max(self._end_ms, noted_ms)
        if kind == "heard":
            self._heard(line)
        elif kind == "route":
            self._route(line)
        elif kind in ("state", "refused"):
            self._reports.take(line)
        elif kind == "act":
            self._acts.add(line["entry"])
        elif kind == "region":
            self._settings = dict(line)
        elif kind == "begin":
            self._regions.add(line["region"])

    def _name(self, name: str) -> str:
        """One text for a name told a million times."""
        return self._names.setdefault(name, name)

    def _heard(self, line: Mapping[str, Any]) -> None:
        made = self._made(line)
        ms, repeater = line["began_ms"], self._name(line["repeater"])
        placed = (ms, self._name(line["gateway"]), self._name(line["boot"]), line["seq"])
        if placed > made.placed:
            made.placed, made.repeater = placed, repeater
        made.ended_ms = max(made.ended_ms, line["ended_ms"])
        made.noted_ms = min(made.noted_ms, line["noted_ms"])
        to, text, fix_ms = line.get("to"), line.get("text"), line.get("fix_ms")
        if to is not None and (made.to is None or to > made.to):
            made.to = self._name(to)
        if text and text not in made.texts:
            made.texts = (*made.texts, text)
        rssi, ber = line.get("rssi_dbm"), line.get("ber_pct")
        known = made.heard.get(repeater)
        if known is not None:
            rssi, ber = _greater(known[0], rssi), _greater(known[1], ber)
        made.heard[repeater] = rssi, ber
        if fix_ms is not None and (made.fix is None or fix_ms >= made.fix[0]):
            made.fix = (
                fix_ms, line["lat"], line["lon"], line.get("speed_mps"), line.get("course_deg"),
            )  # fmt: skip

    def _made(self, line: Mapping[str, Any]) -> _Made:
        station = self._name(line["station"])
        key = station, line["over"]
        known = self._overs.get(key)
        if known is None:
            made = _Made(line, station)
            self._overs[key] = [made]
            return made
        ms = line["began_ms"]
        for made in known:
            if abs(made.placed[0] - ms) <= SAME_OVER_MS:
                return made
        known.append(_Made(line, station))
        return known[-1]

    def _route(self, line: Mapping[str, Any]) -> None:
        if line["action"] == RouteAction.SENT:
            return
        said = line["said_ms"], line["gateway"], line["boot"], line["seq"]
        carries = line["action"] == RouteAction.CARRYING
        self._routes[line["group"], line["repeater"]].append((*said, carries))

    def day(self, view: RegionView | None = None) -> Day:
        """The day of all lines taken, judged by `view` or else by the newest settings among them.

        Raises NotADay. Nothing can be taken afterwards.
        """
        view = self._view(view)
        words = CheckOutWords(view)
        overs: list[RecordedOver] = []
        while self._overs:
            _, made = self._overs.popitem()
            overs += (_over(one, view, words) for one in made)
        overs.sort(key=lambda over: (over.began_ms, over.station, over.over))
        end_ms = max((over.ended_ms for over in overs), default=0)
        end_ms = max(end_ms, self._end_ms)
        begin_ms = end_ms if self._begin_ms is None else self._begin_ms
        begin_ms = min(begin_ms, overs[0].began_ms if overs else begin_ms)
        repeaters = sorted({*view.sites, *(h.repeater for over in overs for h in over.heard)})
        acts = sorted((Entry.model_validate_json(text) for text in self._acts), key=_act_order)
        return Day(
            view, begin_ms, end_ms, tuple(overs), tuple(self._carried(end_ms)),
            self._reports.dark(view, repeaters, end_ms), tuple(acts),
        )  # fmt: skip

    def _view(self, view: RegionView | None) -> RegionView:
        if len(self._regions) > 1:
            named = ", ".join(sorted(self._regions))
            raise NotADay(f"the journals are of several regions ({named}): give those of one")
        recorded = next(iter(self._regions), None)
        if view is None:
            if self._settings is None:
                raise NotADay("the journals do not hold the region's settings: give --region FILE")
            try:
                return region_of(self._settings)
            except JournalError as error:
                raise NotADay(str(error)) from error
        if recorded is not None and recorded != view.name:
            raise NotADay(
                f"the journals are of region {recorded!r}, the region file is of {view.name!r}: "
                "give the file of that region, or leave it out to take the recorded settings"
            )
        return view

    def _carried(self, end_ms: int) -> Iterator[CarriedSpan]:
        for (group, repeater), said in sorted(self._routes.items()):
            since_ms: int | None = None
            for ms, _, _, _, carries in sorted(said):
                if carries and since_ms is None:
                    since_ms = ms
                elif not carries and since_ms is not None:
                    yield CarriedSpan(group, repeater, since_ms, ms)
                    since_ms = None
            if since_ms is not None:
                yield CarriedSpan(group, repeater, since_ms, max(end_ms, since_ms))


def _act_order(entry: Entry) -> tuple[int, str]:
    return to_ms(entry.at), entry.model_dump_json()


def _greater(a: float | None, b: float | None) -> float | None:
    if a is None or b is None:
        return b if a is None else a
    return max(a, b)


def _over(made: _Made, view: RegionView, words: CheckOutWords) -> RecordedOver:
    group = made.to if made.to in view.groups else None
    said: Sequence[tuple[str, str]] = [words.said(text, group or "") for text in made.texts]
    out_group, out_word = max(said, default=("", ""))
    heard, first = made.heard, made.repeater
    names = (first,) if len(heard) == 1 else (first, *sorted(heard.keys() - {first}))
    return RecordedOver(
        made.over, made.station, made.to, group or "",
        made.placed[0], max(made.placed[0], made.ended_ms), made.noted_ms, first,
        tuple(Hearing(name, *heard[name]) for name in names),
        out_group, out_word, None if made.fix is None else Fix(*made.fix), made.texts,
    )  # fmt: skip


@contextmanager
def _uncollected() -> Iterator[None]:
    """Millions of small objects are made that refer to nothing in a circle; going through all of
    them again and again to find that out would take longer than making them."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def day_from(
    lines: Iterable[Mapping[str, Any]],
    view: RegionView | None = None,
    on_trouble: Callable[[str], None] | None = None,
) -> Day:
    """The day that a journal's lines tell of.

    `view`: the region file to judge by; without one the newest settings in the lines. `begin_ms`
    and `end_ms` of the day hold every line and every over. `repeater` of an over and its `began_ms`
    are those of the telling that placed the station; of `heard` that repeater is the first, then
    the others by name. A line that lacks what its kind has is left out, and `on_trouble` is told.
    Raises NotADay where there are no settings, or those of another region, or, without
    `on_trouble`, where there is such a line.
    """
    gathering = Gathering()
    unread = 0
    with _uncollected():
        for line in lines:
            try:
                gathering.take(line)
            except (KeyError, TypeError, ValueError, AttributeError):
                unread += 1
        if unread:
            words = f"{unread} lines lack what their kind has, or hold it in another form: left out"
            if on_trouble is None:
                raise NotADay(words)
            on_trouble(words)
        return gathering.day(view)
