"""Air-time of the groups as bars."""

from collections.abc import Sequence
from typing import Any, Final

from streamer.domain.plain_words import plural
from streamer.report.charts import LABEL_IN, WIDTH_IN, drawn, plain
from streamer.report.facts import GroupFacts
from streamer.report.layout import Chart, Making
from streamer.report.words import number

_BARS: Final[tuple[tuple[str, str, dict[str, Any]], ...]] = (
    ("wanted", "wanted_air_s", {"facecolor": "white", "hatch": "////"}),
    ("carried", "carried_air_s", {"facecolor": "black"}),
    ("everywhere", "everywhere_air_s", {"facecolor": "0.85"}),
)
_BAR_IN: Final = 0.14


def air_chart(making: Making) -> Chart | None:
    """Of the groups with most air-time; None where no group had any."""
    ranked = sorted(making.report.groups, key=lambda one: (-one.everywhere_air_s, one.group))
    groups = [one for one in ranked if one.everywhere_air_s or one.carried_air_s]
    shown = groups[: making.most.groups_charted]
    if not shown:
        return None
    title = "Air-time by group, in repeater-seconds"
    left = len(groups) - len(shown)
    caption = (
        f"{title}: hatched is what the fan-out wanted, black what was carried, grey what sending "
        "on every other repeater would have taken."
        + (f" {plural(left, 'group')} with less left out." if left else "")
    )
    words = "; ".join(
        f"{one.group} wanted {number(one.wanted_air_s)}, carried {number(one.carried_air_s)}, "
        f"everywhere {number(one.everywhere_air_s)}"
        for one in shown
    )
    height_in = len(shown) * (3 * _BAR_IN + 0.1) + 0.6
    svg = drawn(
        "chart-air", (WIDTH_IN, height_in), title, f"{words}.", lambda figure: _draw(figure, shown)
    )
    return Chart(svg, title, caption)


def _draw(figure: Any, groups: Sequence[GroupFacts]) -> None:
    width_in, height_in = figure.get_size_inches()
    axes = figure.add_axes(
        (LABEL_IN / width_in, 0.42 / height_in, 1 - (LABEL_IN + 0.7) / width_in,
         1 - 0.48 / height_in)
    )  # fmt: skip
    for n, group in enumerate(groups):
        for k, (words, name, look) in enumerate(_BARS):
            value, y = getattr(group, name), n + 0.2 + 0.27 * k
            axes.barh(y, value, 0.24, edgecolor="black", linewidth=0.5,
                      label=words if n == 0 else None, **look)  # fmt: skip
            axes.annotate(number(value), (value, y), xytext=(3, 0), textcoords="offset points",
                          fontsize=6.5, va="center")  # fmt: skip
    axes.set_ylim(len(groups), -0.1)
    axes.set_yticks(
        [n + 0.47 for n in range(len(groups))], [plain(one.group, 20) for one in groups]
    )
    axes.tick_params(length=2, width=0.6, labelsize=7)
    most = max(getattr(group, name) for group in groups for _, name, _ in _BARS)
    axes.set_xlim(0, most * 1.1)  # room for the number at the longest bar
    axes.grid(axis="x", color="0.85", linewidth=0.4)
    axes.set_axisbelow(True)
    axes.legend(
        loc="upper left", bbox_to_anchor=(0, 0), ncols=3, frameon=False, fontsize=6.5,
        borderaxespad=2.4, handlelength=2.4, handleheight=1.1, borderpad=0,
    )  # fmt: skip
