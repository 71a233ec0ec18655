"""The settings compared, as a picture. matplotlib is imported when it is asked for."""

from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from streamer.lab.compare_report import CompareReport
from streamer.reading.common import Misuse

ENDINGS: Final = (".svg", ".png")
_MOST_NAMED: Final = 12


def check_plot(path: Path) -> None:
    """Raises Misuse where no picture can be made: before hours of work, not after."""
    if path.suffix.lower() not in ENDINGS:
        raise Misuse(f"--plot {path}: must end in {' or '.join(ENDINGS)}")
    if path.exists():
        raise Misuse(f"--plot {path}: is there already and is not overwritten: give another name")
    if find_spec("matplotlib") is None:
        raise Misuse(
            "--plot: the package 'matplotlib' is missing; install it with: pip install '.[plot]' "
            "in the folder of streamer's sources"
        )


def plot(report: CompareReport, path: Path) -> None:
    """Waste against missed overs, a dot a setting; the front joined. Raises OSError."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=(8, 5.5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    _draw(axes, report)
    axes.set_xlabel("air-time wasted where no member was, repeater-minutes")
    axes.set_ylabel("overs missed by members there")
    axes.set_title(
        f"{report.region}: {len(report.settings)} settings, "
        f"{report.from_at:%Y-%m-%d} to {report.until_at:%Y-%m-%d} UTC"
    )
    axes.legend(loc="best")
    axes.grid(alpha=0.3)
    axes.margins(0.12)
    # A date in the file would make each run differ.
    metadata = {"Date": None} if path.suffix.lower() == ".svg" else {}
    with path.open("xb") as file:
        figure.savefig(file, format=path.suffix.lower()[1:], metadata=metadata)


def _draw(axes: Any, report: CompareReport) -> None:
    found = report.settings
    best = sorted((one for one in found if one.on_front), key=lambda one: one.wasted_s)
    others = [one for one in found if not one.on_front]
    axes.plot(
        [one.wasted_s / 60 for one in best], [one.missed for one in best], "o-", color="tab:blue",
        label="beaten by no other", zorder=2,
    )  # fmt: skip
    axes.plot(
        [one.wasted_s / 60 for one in others], [one.missed for one in others], "o",
        color="tab:gray", label="others", zorder=1,
    )  # fmt: skip
    marks = [(0, "as it is", "s")]
    if report.advised.change:
        marks.insert(0, (report.advised.number, "to take", "D"))
    for number, label, mark in marks:
        one = found[number]
        axes.plot([one.wasted_s / 60], [one.missed], mark, markersize=11, fillstyle="none",
                  color="black", label=label, zorder=3)  # fmt: skip
    for one in best[:_MOST_NAMED]:
        axes.annotate(one.setting, (one.wasted_s / 60, one.missed), xytext=(6, 6),
                      textcoords="offset points", fontsize=8)  # fmt: skip
