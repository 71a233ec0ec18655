"""A dashboard as rows of panels, and how these become Grafana's own form."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from grafana_foundation_sdk.builders import common, dashboard, prometheus, stat, table, timeseries
from grafana_foundation_sdk.models import common as look
from grafana_foundation_sdk.models import dashboard as model

SOURCE: Final = model.DataSourceRef("prometheus", "prometheus")
"""Type and uid of the data source; configs/compose provisions it under this uid."""
WIDE: Final = 24
_HEIGHT: Final = 7
_LOW: Final = 4


@dataclass(frozen=True, slots=True)
class Query:
    """What is asked, and how a line is named (`{{label}}` is filled in). `needs`: what must have
    happened before it returns anything; '' where it always does."""

    asks: str
    named: str = ""
    needs: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """`unit` is one of Grafana's (s, bytes, short ...); `bad_below`, `bad_from`: coloured then, and
    a line or number says it as well, never the colour alone. Without them nothing is coloured:
    green would say that it is well."""

    title: str
    says: str
    queries: tuple[Query, ...]
    unit: str = "short"
    width: int = 8
    bad_from: float | None = None
    bad_below: float | None = None

    def built(self) -> Any:
        raise NotImplementedError

    @property
    def judged(self) -> bool:
        """Whether there is a figure from which on it is bad."""
        return self.bad_from is not None or self.bad_below is not None

    def _set(self, panel: Any, height: int, *, instant: bool) -> Any:
        panel.title(self.title).description(self.says).unit(self.unit).datasource(SOURCE)
        panel.span(self.width).height(height).thresholds(self._thresholds())
        for number, query in enumerate(self.queries):
            asked = prometheus.Dataquery().expr(query.asks).ref_id(chr(ord("A") + number))
            asked.datasource(SOURCE)
            if query.named:
                asked.legend_format(query.named)
            panel.with_target(asked.instant() if instant else asked.range())
        return panel

    def _thresholds(self) -> dashboard.ThresholdsConfig:
        steps = [model.Threshold(None, "green" if self.judged else "text")]
        if self.bad_from is not None:
            steps.append(model.Threshold(self.bad_from, "red"))
        if self.bad_below is not None:
            steps = [model.Threshold(None, "red"), model.Threshold(self.bad_below, "green")]
        return dashboard.ThresholdsConfig().mode(model.ThresholdsMode.ABSOLUTE).steps(steps)


@dataclass(frozen=True, slots=True)
class Lines(Panel):
    """Over time. With `stacked` what lies between two lines is a part of the whole."""

    stacked: bool = False

    def built(self) -> Any:
        panel = self._set(timeseries.Panel(), _HEIGHT, instant=False)
        panel.line_width(1).fill_opacity(30 if self.stacked else 5)
        panel.show_points(look.VisibilityMode.NEVER).min(0)
        legend = common.VizLegendOptions().show_legend(True).placement(look.LegendPlacement.BOTTOM)
        panel.legend(legend.display_mode(look.LegendDisplayMode.LIST))
        panel.tooltip(common.VizTooltipOptions().mode(look.TooltipDisplayMode.MULTI))
        if self.stacked:
            panel.stacking(common.StackingConfig().mode(look.StackingMode.NORMAL))
        if self.judged:
            style = common.GraphThresholdsStyleConfig()
            panel.thresholds_style(style.mode(look.GraphTresholdsStyleMode.LINE))
        return panel


@dataclass(frozen=True, slots=True)
class Number(Panel):
    """As it is now."""

    width: int = 4

    def built(self) -> Any:
        panel = self._set(stat.Panel(), _LOW, instant=True)
        panel.graph_mode(look.BigValueGraphMode.NONE)
        mode = look.BigValueColorMode
        panel.color_mode(mode.VALUE if self.judged else mode.NONE)
        panel.no_value("nothing is known")
        return panel.reduce_options(common.ReduceDataOptions().calcs(["lastNotNull"]).values(False))


@dataclass(frozen=True, slots=True)
class Table(Panel):
    """What is now, one row each."""

    def built(self) -> Any:
        panel = self._set(table.Panel(), _HEIGHT, instant=True)
        for target in panel._internal.targets:
            target.format_val = "table"
        return panel.no_value("none")


@dataclass(frozen=True, slots=True)
class Dashboard:
    """`rows`: a title and its panels, from left to right and then down."""

    uid: str
    title: str
    says: str
    rows: Sequence[tuple[str, Sequence[Panel]]]
    by_group: str = ""
    """A metric whose `group` label gives the choice of groups; '' for none."""

    @property
    def panels(self) -> list[Panel]:
        return [panel for _, panels in self.rows for panel in panels]

    def built(self) -> model.Dashboard:
        """In Grafana's form."""
        made = dashboard.Dashboard(self.title).uid(self.uid).description(self.says)
        made.tags(["streamer"]).readonly().refresh("30s").time("now-6h", "now").timezone("utc")
        made.tooltip(model.DashboardCursorSync.CROSSHAIR)
        made.link(
            dashboard.DashboardLink("The others").type(model.DashboardLinkType.DASHBOARDS)
            .tags(["streamer"]).as_dropdown(True).keep_time(True)
        )  # fmt: skip
        if self.by_group:
            groups = dashboard.QueryVariable("group").label("Group").datasource(SOURCE)
            groups.query(f"label_values({self.by_group}, group)").multi(True).include_all(True)
            groups.refresh(model.VariableRefresh.ON_TIME_RANGE_CHANGED).all_value(".*")
            made.with_variable(groups.current(model.VariableOption(True, "All", "$__all")))
        for title, panels in self.rows:
            made.with_row(dashboard.Row(title))
            for panel in panels:
                made.with_panel(panel.built())
        return made.build()
