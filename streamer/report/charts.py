"""Drawings for the printed report: matplotlib's SVG, made fit to stand in a page.

matplotlib is imported when the first chart is drawn. Nothing is told by colour alone: hatches,
letters and words tell it too, so a black-and-white print loses nothing. The same input gives the
same bytes.
"""

import io
import re
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Any, Final
from xml.etree import ElementTree as Tree

from markupsafe import escape

from streamer.domain.plain_words import printable
from streamer.report.facts import RecordFacts, Span
from streamer.report.words import Times

WIDTH_IN: Final = 7.1
"""Of a chart: what both A4 and Letter have between our margins."""
ROW_IN: Final = 0.17
LABEL_IN: Final = 1.35
SMALL_PT: Final = 6.5
_CHARACTER_EM: Final = 0.62
_DATE_IN: Final = 0.14
"""The line of dates under the ticks of a report of several days."""
_STEPS_S: Final = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200,
    86_400, 172_800, 604_800,
)  # fmt: skip
_MOST_TICKS: Final = 10
_SVG: Final = "http://www.w3.org/2000/svg"
_XLINK: Final = "http://www.w3.org/1999/xlink"
_BETWEEN_TAGS: Final = re.compile(r">\s+<")
_USED: Final = re.compile(r"url\(#([^)]+)\)")
_STYLE: Final[Any] = {
    "svg.fonttype": "none",  # text stays text: it can be searched, and the file is small
    "svg.hashsalt": "streamer",
    "text.parse_math": False,  # a call sign with a $ is no formula
    "font.size": 7.5,
    "hatch.linewidth": 0.6,
    "axes.linewidth": 0.6,
}
_FONTS: Final = "DejaVu Sans, Verdana, Liberation Sans, Arial, sans-serif"


def drawn(
    name: str, size_in: tuple[float, float], title: str, words: str, draw: Callable[[Any], None]
) -> str:
    """An `<svg>` element for a page. `name` is its id and begins every id in it, `title` and
    `words` are told to those who cannot see it; `draw` gets a matplotlib Figure of that size."""
    from matplotlib import rc_context  # noqa: PLC0415
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    written = io.BytesIO()
    with rc_context(_STYLE):
        figure = Figure(figsize=size_in)
        FigureCanvasSVG(figure)
        draw(figure)
        # A date in the file would make each run differ.
        figure.savefig(written, format="svg", metadata={"Date": None})
    return _fit(written.getvalue(), name, title, words)


def plain(text: str, most: int) -> str:
    """Text for a label: nothing unprintable (SVG could not even hold a NUL), at most so long."""
    shown = printable(text)
    return shown if len(shown) <= most else f"{shown[: most - 1]}…"


def fits(text: str, width_in: float, size_pt: float = SMALL_PT) -> bool:
    """Whether a label has room; by the usual width of a letter."""
    return len(text) * _CHARACTER_EM * size_pt / 72 <= width_in


# -- time charts --------------------------------------------------------------------------------


class TimeAxis:
    """Axes over the time of the report, rows from the top down, each ROW_IN high."""

    def __init__(self, figure: Any, rows: int, record: RecordFacts, times: Times) -> None:
        self._span = record.time
        self._below_em = 2.6 if times.day else 2.6 + _DATE_IN * 72 / SMALL_PT
        width_in, height_in = figure.get_size_inches()
        self.width_in = float(width_in) - LABEL_IN - 0.22
        self.length_s = max(self._span.length_s, 1.0)
        body_in = rows * ROW_IN
        self.axes = figure.add_axes(
            (LABEL_IN / width_in, 1 - (body_in + 0.12) / height_in, self.width_in / width_in,
             body_in / height_in)
        )  # fmt: skip
        self.axes.set_xlim(0, self.length_s)
        self.axes.set_ylim(rows, 0)
        self.axes.set_yticks([])
        ticks = list(_ticks(self._span, times))
        self.axes.set_xticks([at for at, _ in ticks], [text for _, text in ticks])
        self.axes.tick_params(axis="x", length=2, pad=2, width=0.6)
        self.axes.grid(axis="x", color="0.8", linewidth=0.4)
        self.axes.set_axisbelow(True)
        for gap in record.gaps:
            begin, end = self.place(gap.from_at), self.place(gap.until_at)
            if end > begin:
                self.axes.axvspan(begin, end, facecolor="0.9", edgecolor="0.6", linewidth=0.4)
                if fits("no record", self.inches(begin, end)):
                    self.axes.text((begin + end) / 2, rows / 2, "no record", rotation=90,
                                   ha="center", va="center", fontsize=SMALL_PT)  # fmt: skip

    def place(self, at: datetime) -> float:
        """Seconds from the begin, within the axis."""
        return min(max((at - self._span.from_at).total_seconds(), 0.0), self.length_s)

    def inches(self, begin: float, end: float) -> float:
        return (end - begin) / self.length_s * self.width_in

    def bar(self, row: float, begin: datetime, end: datetime, label: str, **look: Any) -> None:
        """A bar from one time to another, its label in it where that fits. `look`: `height` (of a
        row), `facecolor`, `hatch`."""
        left, right = self.place(begin), self.place(end)
        height = look.pop("height", 0.8)
        least = self.length_s * 0.02 / self.width_in  # what is shorter still shows as a line
        if right - left < least:
            right = min(left + least, self.length_s)
            left = right - least
        edges = {"edgecolor": "black", "linewidth": 0.5, **look}
        self.axes.broken_barh([(left, right - left)], (row + (1 - height) / 2, height),
                              clip_on=False, **edges)  # fmt: skip
        if label and fits(label, self.inches(left, right) - 0.03):
            dark = look.get("facecolor") == "black"
            box = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "linewidth": 0}
            self.axes.text(
                (left + right) / 2, row + 0.53, label, ha="center", va="center", fontsize=SMALL_PT,
                color="white" if dark else "black", bbox=box if look.get("hatch") else None,
            )  # fmt: skip

    def label(self, row: float, text: str, *, bold: bool = False) -> None:
        """What a row is about, to the left of it."""
        self.axes.text(
            -0.06 / self.width_in * self.length_s, row + 0.53, text, ha="right", va="center",
            fontsize=7 if bold else SMALL_PT, fontweight="bold" if bold else "normal",
        )  # fmt: skip

    def line(self, row: float) -> None:
        """A line above a row, between what belongs together."""
        self.axes.axhline(row, color="0.6", linewidth=0.4)

    def legend(self, looks: dict[str, dict[str, Any]]) -> None:
        """What each look means, below the axis."""
        from matplotlib.patches import Patch  # noqa: PLC0415

        patches = [
            Patch(**{"edgecolor": "black", "linewidth": 0.5, **look}, label=words)
            for words, look in looks.items()
        ]
        self.axes.legend(
            handles=patches, loc="upper left", bbox_to_anchor=(0, 0), ncols=len(patches),
            frameon=False, fontsize=SMALL_PT, borderaxespad=self._below_em, handlelength=2.4,
            handleheight=1.1, columnspacing=1.2, borderpad=0,
        )  # fmt: skip


def time_size(rows: int, times: Times) -> tuple[float, float]:
    """Of a figure for a TimeAxis, in inches: room for ticks, their dates and a legend below."""
    return WIDTH_IN, rows * ROW_IN + 0.12 + (0.5 if times.day else 0.5 + _DATE_IN)


def _ticks(span: Span, times: Times) -> Iterator[tuple[float, str]]:
    """Seconds from the begin, and words, at round times of the zone."""
    length_s = max(span.length_s, 1.0)
    step = next((s for s in _STEPS_S if length_s / s <= _MOST_TICKS), None)
    step = step or _STEPS_S[-1] * -(-int(length_s) // (_STEPS_S[-1] * _MOST_TICKS))
    first = span.from_at.astimezone(times.zone)
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    # In the clock's own hours, so that the ticks are at round ones (until its offset changes).
    since_midnight_s = (first - midnight).total_seconds()
    ahead_s = -(-since_midnight_s // step) * step - since_midnight_s
    dated = ""
    for n in range(_MOST_TICKS + 2):
        seconds = ahead_s + n * step
        if seconds > length_s:
            return
        here = (span.from_at + timedelta(seconds=seconds)).astimezone(times.zone)
        date = "" if times.day else f"\n{times.date(here)}"
        text = f"{here:%H:%M}" if step >= 60 else f"{here:%H:%M:%S}"
        yield seconds, f"{text}{date if date != dated else ''}"
        dated = date


# -- SVG ----------------------------------------------------------------------------------------


def _fit(svg: bytes, name: str, title: str, words: str) -> str:
    """Without what only a file of its own needs, and with ids that are this chart's alone."""
    root = Tree.fromstring(svg)  # nosec B314 # matplotlib's own words
    for part in [p for p in root if p.tag in (f"{{{_SVG}}}metadata",)]:
        root.remove(part)
    for parent in list(root.iter()):
        for child in [c for c in parent if c.tag == f"{{{_SVG}}}style"]:
            parent.remove(child)  # it holds for every element of the page
    names = _names(root, name)
    for part in root.iter():
        _slim(part, names)
    root.attrib.pop("version", None)
    root.set("id", name)
    root.set("role", "img")
    root.set("aria-labelledby", f"{name}-title {name}-words")
    root.set("font-family", _FONTS)
    root.set("stroke-linejoin", "round")
    Tree.register_namespace("", _SVG)
    Tree.register_namespace("xlink", _XLINK)
    text = Tree.tostring(root, encoding="unicode")
    told = (
        f'<title id="{name}-title">{escape(printable(title))}</title>'
        f'<desc id="{name}-words">{escape(printable(words))}</desc>'
    )
    head, rest = text.split(">", 1)
    return f"{head}>{told}{_BETWEEN_TAGS.sub('><', rest)}"


def _names(root: Any, name: str) -> dict[str, str]:
    """Ids that are referred to, to their new names."""
    used: dict[str, str] = {}
    for part in root.iter():
        for key, value in part.attrib.items():
            found = [value[1:]] if key.endswith("href") else _USED.findall(value)
            for one in found:
                used.setdefault(one, f"{name}-{len(used)}")
    return used


def _slim(part: Any, names: dict[str, str]) -> None:
    own = part.attrib.pop("id", None)
    if own in names:
        part.set("id", names[own])
    for key, value in list(part.attrib.items()):
        if key.endswith("href"):
            part.set(key, f"#{names[value[1:]]}")
        elif "url(#" in value:
            part.set(key, _USED.sub(lambda m: f"url(#{names[m[1]]})", value))
    if "d" in part.attrib:
        part.set("d", " ".join(part.attrib["d"].split()))
    if part.attrib.get("transform", "").startswith("rotate(-0 "):
        del part.attrib["transform"]
    if part.tag == f"{{{_SVG}}}text" and "style" in part.attrib:
        kept = [s for s in part.attrib["style"].split("; ") if not s.startswith("font-family")]
        part.set("style", "; ".join(kept))
