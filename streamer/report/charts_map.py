"""What repeaters heard from where: cells on a plain plot in kilometres. No map lies under it."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from geographiclib.geodesic import Geodesic

from streamer.domain.cells import sphere_km
from streamer.domain.plain_words import plural
from streamer.domain.where_words import degrees_of, km_words
from streamer.report.charts import WIDTH_IN, drawn, fits, plain
from streamer.report.charts_time import code_words, codes
from streamer.report.facts import CoverageFacts, RepeaterCoverage
from streamer.report.layout import Chart, Column, Making, Row, Table
from streamer.report.words import number

_GREYS: Final = ((20, "0.35"), (5, "0.6"), (2, "0.8"), (1, "0.93"))
"""From so many on, this grey; the number stands in the cell wherever it has room."""
_DARK: Final = "0.35"
_MOST_CELLS: Final = 2500
_MARGIN: Final = 0.06
_LEAST_CELLS: Final = 9
"""Cells across that a repeater's own map shows at least."""


@dataclass(frozen=True, slots=True)
class Plane:
    """Kilometres east and north of a middle, true in length near it (WGS 84)."""

    lat: float
    lon: float
    lat_km: float
    lon_km: float

    @classmethod
    def around(cls, lat: float, lon: float) -> "Plane":
        """A degree of latitude and of longitude there, by the geodesic."""
        south, north = max(lat - 0.5, -90.0), min(lat + 0.5, 90.0)
        up = Geodesic.WGS84.Inverse(south, lon, north, lon)["s12"] / 1000 / (north - south)
        across = Geodesic.WGS84.Inverse(lat, lon, lat, lon + 0.01)["s12"] / 10
        return cls(lat, lon, up, across)

    def km(self, lat: float, lon: float) -> tuple[float, float]:
        """(east, north), by the shorter way round."""
        return (_beside(lon, self.lon) - self.lon) * self.lon_km, (lat - self.lat) * self.lat_km


def _beside(lon: float, other: float) -> float:
    """The same meridian, written within 180 degrees of another."""
    return lon + 360 * round((other - lon) / 360)


def coverage_charts(making: Making) -> Iterator[Chart]:
    """How many repeaters heard something from each cell; then the busiest repeaters each alone."""
    coverage = making.report.coverage
    heard = [one for one in coverage.repeaters if one.cells]
    if not heard:
        return
    scene = _Scene(coverage, heard)
    yield _overview(coverage, heard, scene)
    busiest = sorted(heard, key=lambda one: (-one.overs, one.repeater))[: making.most.maps]
    yield _each(busiest, scene, len(heard))


@dataclass(frozen=True, slots=True)
class Frame:
    """A part of the plane: (least, most) kilometres east and north."""

    east: tuple[float, float]
    north: tuple[float, float]

    @classmethod
    def around(cls, corners: Sequence[tuple[float, float]], least_km: float = 0.1) -> "Frame":
        """What holds them with a margin, at least so wide and high."""
        spans = []
        for along in zip(*corners, strict=True):
            middle = (min(along) + max(along)) / 2
            half = max(max(along) - min(along), least_km) * (0.5 + _MARGIN)
            spans.append((middle - half, middle + half))
        return cls(*spans)

    @property
    def tall(self) -> float:
        """Height for a width of 1, not less than 0.35 and not more than 1.15."""
        (west, east), (south, north) = self.east, self.north
        return min(1.15, max(0.35, (north - south) / (east - west)))

    def fit(self, axes: Any, size_in: tuple[float, float]) -> float:
        """Limit axes of that size to it; how many kilometres an inch is."""
        spans = ((axes.set_xlim, self.east, size_in[0]), (axes.set_ylim, self.north, size_in[1]))
        inch_km = max((high - low) / inches for _, (low, high), inches in spans)
        for limit, (low, high), inches in spans:
            limit((low + high - inch_km * inches) / 2, (low + high + inch_km * inches) / 2)
        return inch_km


class _Scene:
    """Outlines in kilometres, and what they span."""

    def __init__(self, coverage: CoverageFacts, heard: Sequence[RepeaterCoverage]) -> None:
        first = heard[0].cells[0]
        middles = {cell.cell: (cell.lat, _beside(cell.lon, first.lon)) for one in heard
                   for cell in one.cells}  # fmt: skip
        lats, lons = zip(*middles.values(), strict=True)
        self.plane = Plane.around(
            (min(lats) + max(lats)) / 2, _beside((min(lons) + max(lons)) / 2, 0)
        )
        self.rings = {
            shape.cell: [self.plane.km(lat, lon) for lon, lat in shape.ring]
            for shape in coverage.shapes
        }
        self.code = codes(one.repeater for one in heard)
        self.sites = {
            one.repeater: self.plane.km(one.lat, one.lon)
            for one in heard
            if one.lat is not None and one.lon is not None
        }
        self.whole = Frame.around(
            [corner for ring in self.rings.values() for corner in ring] + [*self.sites.values()]
        )

    def frame_of(self, one: RepeaterCoverage) -> "Frame":
        """What holds a repeater and its cells, and some of what lies around them."""
        corners = [corner for cell in one.cells for corner in self.rings[cell.cell]]
        east = [corner[0] for corner in self.rings[one.cells[0].cell]]
        if one.repeater in self.sites:
            corners.append(self.sites[one.repeater])
        return Frame.around(corners, _LEAST_CELLS * (max(east) - min(east)))

    def draw(
        self, axes: Any, size_in: tuple[float, float], frame: "Frame", counts: dict[str, int],
        sites: Sequence[str],
    ) -> None:  # fmt: skip
        """Cells with their numbers, then the sites with their letters; a kilometre is as long
        across as up."""
        from matplotlib.collections import PolyCollection  # noqa: PLC0415

        inch_km = frame.fit(axes, size_in)
        axes.grid(color="0.85", linewidth=0.3)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=6.5, length=2, width=0.5, pad=1.5)
        for least, grey in _GREYS:
            some = [cell for cell, count in counts.items() if _grey(count) == (least, grey)]
            axes.add_collection(
                PolyCollection([self.rings[cell] for cell in some], facecolor=grey,
                               edgecolor="0.3", linewidth=0.4)
            )  # fmt: skip
        for cell, count in counts.items():
            ring = self.rings[cell]
            east, north = zip(*ring[:-1], strict=True)
            if fits(str(count), (max(east) - min(east)) / inch_km * 0.8, 6):
                axes.text(
                    sum(east) / len(east), sum(north) / len(north), str(count), fontsize=6,
                    ha="center", va="center_baseline",
                    color="white" if _grey(count)[1] == _DARK else "black",
                )  # fmt: skip
        box = {"facecolor": "white", "edgecolor": "black", "linewidth": 0.4, "pad": 1}
        for repeater in sites:
            if repeater in self.sites:
                axes.plot(*self.sites[repeater], marker="^", markersize=5.5, color="black",
                          markeredgecolor="white", markeredgewidth=0.6)  # fmt: skip
                axes.annotate(
                    self.code[repeater], self.sites[repeater], xytext=(5, 4), fontsize=7,
                    textcoords="offset points", fontweight="bold", bbox=box,
                )  # fmt: skip


def _grey(count: int) -> tuple[int, str]:
    return next(pair for pair in _GREYS if count >= pair[0])


def _overview(coverage: CoverageFacts, heard: Sequence[RepeaterCoverage], scene: _Scene) -> Chart:
    repeaters = Counter(cell.cell for one in heard for cell in one.cells)
    shown = dict(sorted(repeaters.items(), key=lambda pair: (-pair[1], pair[0]))[:_MOST_CELLS])
    title = "From where stations were heard, and by how many repeaters"
    left = len(repeaters) - len(shown)
    caption = (
        f"{title}: in each cell stands how many repeaters heard something from there; the darker, "
        "the more. Kilometres east and north of "
        f"{degrees_of(scene.plane.lat, scene.plane.lon)}; north is up. Triangles are repeaters: "
        f"{code_words(scene.code)}. Where no cell is drawn nothing was heard, which says nothing "
        "about what could be."
        + (f" {plural(left, 'cell')} that fewer heard are left out." if left else "")
    )
    height_in = min(6.0, scene.whole.tall * (WIDTH_IN - 0.6) + 0.5)
    svg = drawn(
        "chart-coverage", (WIDTH_IN, height_in), title,
        f"{plural(len(repeaters), 'cell')} heard by {plural(len(heard), 'repeater')}, from "
        f"{plural(coverage.overs, 'over')} with a position.",
        lambda figure: _draw_overview(figure, scene, shown),
    )  # fmt: skip
    return Chart(svg, title, caption)


def _draw_overview(figure: Any, scene: _Scene, counts: dict[str, int]) -> None:
    width_in, height_in = figure.get_size_inches()
    axes = figure.add_axes(
        (0.5 / width_in, 0.4 / height_in, 1 - 0.6 / width_in, 1 - 0.48 / height_in)
    )
    scene.draw(axes, (width_in - 0.6, height_in - 0.48), scene.whole, counts, list(scene.code))
    axes.set_xlabel("km east", fontsize=7, labelpad=1)
    axes.set_ylabel("km north", fontsize=7, labelpad=1)


def _each(busiest: Sequence[RepeaterCoverage], scene: _Scene, of: int) -> Chart:
    columns = min(2, len(busiest))
    rows = -(-len(busiest) // columns)
    cell_in = (WIDTH_IN - 0.2) / 2
    height_in = rows * min(cell_in, 2.75)
    title = "What each repeater heard from where"
    caption = (
        f"{title}: in each cell stands the number of overs heard from there. Kilometres are from "
        "the same point as above, each map has its own scale."
        + (f" The {len(busiest)} of {of} repeaters that heard most." if len(busiest) < of else "")
    )
    svg = drawn(
        "chart-coverage-each", (WIDTH_IN * columns / 2, height_in), title,
        "; ".join(map(_heard_words, busiest)) + ".",
        lambda figure: _draw_each(figure, busiest, scene, (rows, columns)),
    )  # fmt: skip
    return Chart(svg, title, caption)


def _heard_words(one: RepeaterCoverage) -> str:
    return f"{one.repeater} {plural(one.overs, 'over')} from {plural(len(one.cells), 'cell')}"


def _draw_each(
    figure: Any, busiest: Sequence[RepeaterCoverage], scene: _Scene, grid: tuple[int, int]
) -> None:
    rows, columns = grid
    width_in, height_in = figure.get_size_inches()
    wide, high = width_in / columns, height_in / rows
    for n, one in enumerate(busiest):
        left, bottom = n % columns * wide, (rows - 1 - n // columns) * high
        axes = figure.add_axes(
            ((left + 0.36) / width_in, (bottom + 0.2) / height_in, (wide - 0.44) / width_in,
             (high - 0.42) / height_in)
        )  # fmt: skip
        counts = {cell.cell: cell.overs for cell in one.cells[:_MOST_CELLS]}
        scene.draw(axes, (wide - 0.44, high - 0.42), scene.frame_of(one), counts, [one.repeater])
        axes.set_title(f"{scene.code[one.repeater]} {plain(one.repeater, 28)}: "
                       f"{plural(one.overs, 'over')}", fontsize=7, pad=2)  # fmt: skip


def coverage_table(making: Making) -> Table:
    """The same in numbers, all repeaters that heard a position."""
    heard = [one for one in making.report.coverage.repeaters if one.cells]
    return Table(
        "coverage",
        "What repeaters heard from where, in numbers",
        (
            Column("Repeater", 40),
            Column("Overs with a position", 20, numbers=True),
            Column("Cells", 15, numbers=True),
            Column("Farthest cell, to its middle", 25, numbers=True),
        ),
        tuple(_coverage_row(one) for one in heard),
        empty="No over with a position was heard.",
    )


def _coverage_row(one: RepeaterCoverage) -> Row:
    far = "its place is not known"
    if one.lat is not None and one.lon is not None:
        far = km_words(max(sphere_km(one.lat, one.lon, cell.cell) for cell in one.cells))
    return (
        one.repeater,
        number(one.overs),
        number(len(one.cells)),
        far or "its place is not known",
    )
