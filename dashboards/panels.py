"""The pieces that the dashboards are made of: queries, panels, variables. One plain look for all of them.

Every panel has a description that says what to do. A query that is rightly empty where all is well is written with
``or_zero``, so that an empty panel always means that something is missing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, TypeVar

from grafana_foundation_sdk.builders import bargauge, common, dashboard, piechart, prometheus, stat, table, timeseries
from grafana_foundation_sdk.models import common as shapes
from grafana_foundation_sdk.models import dashboard as models
from grafana_foundation_sdk.models.prometheus import PromQueryFormat

SOURCE: Final = shapes.DataSourceRef(type_val="prometheus", uid="${source}")
HERE: Final = 'instance=~"$instance"'
"""Narrows a selector to the daemons that were chosen."""

PRINTERS_PAGE: Final = "/d/pagereeve-printer?var-printer=${__data.fields.printer}&${source:queryparam}"

Steps = Sequence[tuple[float | None, str]]
CALM: Final[Steps] = ((None, "text"),)
ANY_IS_BAD: Final[Steps] = ((None, "green"), (1, "red"))
ANY_IS_ODD: Final[Steps] = ((None, "green"), (1, "orange"))
YES_OR_NO: Final = {"1": ("yes", "green"), "0": ("no", "red")}

AnyPanel = stat.Panel | timeseries.Panel | table.Panel | bargauge.Panel | piechart.Panel
One = TypeVar("One", stat.Panel, timeseries.Panel, table.Panel, bargauge.Panel, piechart.Panel)


@dataclass(frozen=True, slots=True)
class Query:
    """An expression and the name of its series; in a table ``name`` heads the column."""

    expr: str
    name: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """How values are shown: Grafana's unit, colours from which value on, words in the place of values."""

    unit: str = "short"
    steps: Steps = CALM
    words: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    decimals: int | None = None
    span: int = 6
    height: int = 7


def or_zero(expr: str) -> str:
    """0 where ``expr`` finds nothing; else as it is, without another series beside it."""
    return f"({expr}) or on () vector(0)"


def grown(selector: str, by: str) -> str:
    """By how much ledger figures grew in the range shown, to the page.

    They come from the journal, and a late fact may move pages between accounts, so increase() would take a move for a
    restart. Where the range begins before Prometheus knew a series, its least value is used for the beginning.
    """
    return f"sum by ({by}) ({selector} - ({selector} offset $__range or min_over_time({selector}[$__range])))"


def queries(asked: Sequence[Query], *, instant: bool = False, columns: bool = False) -> list[prometheus.Dataquery]:
    made = []
    for letter, one in zip("ABCDEFGHIJKLMN", asked, strict=False):
        query = prometheus.Dataquery().ref_id(letter).expr(one.expr).datasource(SOURCE)
        query = query.instant() if instant else query.range()
        if columns:
            query = query.format(PromQueryFormat.TABLE)
        elif one.name:
            query = query.legend_format(one.name)
        made.append(query)
    return made


def number(title: str, text: str, query: Query, look: Look) -> stat.Panel:
    """One figure as it is now, or one for each series."""
    panel = stat.Panel().color_mode(shapes.BigValueColorMode.VALUE).graph_mode(shapes.BigValueGraphMode.NONE)
    if query.name:
        panel = panel.text_mode(shapes.BigValueTextMode.VALUE_AND_NAME)
    last = common.ReduceDataOptions().calcs(["lastNotNull"])
    return _dressed(panel.reduce_options(last), title, text, [query], look, instant=True)


def names(title: str, text: str, query: Query, look: Look) -> stat.Panel:
    """The name of each series, as ``query`` calls it, in the place of a figure."""
    return number(title, text, query, look).text_mode(shapes.BigValueTextMode.NAME)


def course(title: str, text: str, asked: Sequence[Query], look: Look, *, stacked: bool = False) -> timeseries.Panel:
    """Figures over time."""
    panel = timeseries.Panel().line_width(1).fill_opacity(30 if stacked else 0)
    panel = panel.show_points(shapes.VisibilityMode.NEVER).axis_soft_min(0)
    panel = panel.legend(
        common.VizLegendOptions()
        .show_legend(True)
        .display_mode(shapes.LegendDisplayMode.LIST)
        .placement(shapes.LegendPlacement.BOTTOM)
    )
    if stacked:
        panel = panel.stacking(common.StackingConfig().mode(shapes.StackingMode.NORMAL))
    return _dressed(panel, title, text, asked, look)


def bars(title: str, text: str, query: Query, look: Look) -> bargauge.Panel:
    """Figures side by side, as they are now."""
    panel = bargauge.Panel().orientation(shapes.VizOrientation.HORIZONTAL)
    return _dressed(panel.display_mode(shapes.BarGaugeDisplayMode.BASIC), title, text, [query], look, instant=True)


def shares(title: str, text: str, query: Query, look: Look) -> piechart.Panel:
    """Parts of a whole."""
    panel = piechart.Panel().legend(
        piechart.PieChartLegendOptions()
        .show_legend(True)
        .display_mode(shapes.LegendDisplayMode.TABLE)
        .placement(shapes.LegendPlacement.RIGHT)
    )
    return _dressed(panel, title, text, [query], look, instant=True)


@dataclass(frozen=True, slots=True)
class Column:
    """A table's column: its query, its head, and how its cells look. With ``label`` that label of the query's series
    is the column, and their value is not shown.
    """

    head: str
    expr: str
    look: Look = field(default_factory=Look)
    label: str = ""


def rows(
    title: str,
    text: str,
    columns: Sequence[Column],
    look: Look,
    *,
    key: str,
    sort: str,
    links: Mapping[str, str] = MappingProxyType({}),
) -> table.Panel:
    """A table with a row for each value of the label ``key``; ``links``, URLs by title, lead on from it."""
    asked = [Query(one.expr) for one in columns]
    values = {f"Value #{letter}": one for letter, one in zip("ABCDEFGHIJKLMN", columns, strict=False)}
    if len(columns) == 1:
        values["Value"] = columns[0]
    names = {one.label or value: one.head for value, one in values.items()}
    hidden = {"Time": True} | {value: True for value, one in values.items() if one.label}
    tidy = {"excludeByName": hidden, "indexByName": {}, "renameByName": names}
    panel = table.Panel().show_header(True)
    panel = panel.with_transformation(models.DataTransformerConfig("merge", options={}))
    panel = panel.with_transformation(models.DataTransformerConfig("organize", options=tidy))
    panel = panel.sort_by([common.TableSortByFieldState().display_name(sort).desc(True)])
    for column in columns:
        if not column.label:
            panel = panel.override_by_name(column.head, _cells(column.look))
    if links:
        leads = [{"title": name, "url": url} for name, url in links.items()]
        panel = panel.override_by_name(key, [models.DynamicConfigValue("links", leads)])
    return _dressed(panel, title, text, asked, look, instant=True, columns=True)


def _cells(look: Look) -> list[models.DynamicConfigValue]:
    steps = [{"value": value, "color": color} for value, color in look.steps]
    cells = [
        models.DynamicConfigValue("unit", look.unit),
        models.DynamicConfigValue("thresholds", {"mode": "absolute", "steps": steps}),
        models.DynamicConfigValue("custom.cellOptions", {"type": "color-text"}),
    ]
    if look.words:
        options = {value: {"text": text, "color": color} for value, (text, color) in look.words.items()}
        cells.append(models.DynamicConfigValue("mappings", [{"type": "value", "options": options}]))
    return cells


def _dressed(
    panel: One,
    title: str,
    text: str,
    asked: Sequence[Query],
    look: Look,
    *,
    instant: bool = False,
    columns: bool = False,
) -> One:
    panel = panel.title(title).description(text).datasource(SOURCE).unit(look.unit)
    panel = panel.span(look.span).height(look.height)
    steps = [models.Threshold(value, color) for value, color in look.steps]
    panel = panel.thresholds(dashboard.ThresholdsConfig().mode(models.ThresholdsMode.ABSOLUTE).steps(steps))
    if look.decimals is not None:
        panel = panel.decimals(look.decimals)
    if look.words:
        options = {value: models.ValueMappingResult(word, color) for value, (word, color) in look.words.items()}
        panel = panel.mappings([models.ValueMap(options)])
    for query in queries(asked, instant=instant, columns=columns):
        panel = panel.with_target(query)
    return panel


def choice(
    name: str, label: str, text: str, values: str, *, many: bool, all_value: str = ".+"
) -> dashboard.QueryVariable:
    """A variable whose values Prometheus knows; ``many`` lets all of them be chosen at once, as is the default."""
    variable = dashboard.QueryVariable(name).label(label).description(text).datasource(SOURCE).query(values)
    variable = variable.refresh(models.VariableRefresh.ON_TIME_RANGE_CHANGED)
    variable = variable.sort(models.VariableSort.ALPHABETICAL_ASC).multi(many).include_all(many)
    if many:
        return variable.all_value(all_value).current(models.VariableOption(selected=True, text="All", value="$__all"))
    return variable


def begin(title: str, uid: str, text: str, since: str) -> dashboard.Dashboard:
    """An empty dashboard with what all of them have: the data source, the daemon, links to the others."""
    source = dashboard.DatasourceVariable("source").label("Data source").type("prometheus")
    daemon = choice(
        "instance",
        "Daemon",
        "Which daemon, where there are several.",
        "label_values(pagereeve_ready, instance)",
        many=True,
    )
    others = dashboard.DashboardLink("Pagereeve").type(models.DashboardLinkType.DASHBOARDS).tags(["pagereeve"])
    made = dashboard.Dashboard(title).uid(uid).description(text).tags(["pagereeve"]).time(since, "now").refresh("1m")
    made = made.timezone("browser").readonly().version(1).link(others.as_dropdown(False).keep_time(True))
    return made.with_variable(source).with_variable(daemon)


def channel() -> dashboard.QueryVariable:
    """The channel of the meter; total is what most meters have."""
    values = f"label_values(pagereeve_pages_total{{{HERE}}}, channel)"
    variable = choice("channel", "Channel", "Which of the meter's counters.", values, many=False)
    return variable.current(models.VariableOption(selected=True, text="total", value="total"))
