"""The plots of the trends page: a measure by month with its interval, limits where they mean something."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import polars as pl

from analysis.trends.forecast_audit import Ahead
from analysis.trends.measures import MonthlyMean, MonthlyRate
from analysis.trends.prediction import Predicted
from dashboard.review.drawing import nice_ceiling
from dashboard.theme import CHART_BLUE, CHART_GREY, CHART_ORANGE, chart_template
from dashboard.trends import words
from dashboard.trends.sentences import figure as shown

HEIGHT_PX = 240
FORECAST_HEIGHT_PX = 320
MOST_TICKS = 13


def rate_figure(found: MonthlyRate) -> dict[str, Any]:
    """Return the plot of a monthly rate: points with exact intervals, limits as steps."""
    table = found.table
    rates, low, high = table["rate"].to_list(), table["low"].to_list(), table["high"].to_list()
    solid = table["solid"].to_list()
    # The interval of a month of few wears reaches beyond any scale: the table has it, the plot does not.
    drawn = [rate if usual else None for rate, usual in zip(rates, solid, strict=True)]
    bars = {
        "type": "data",
        "symmetric": False,
        "array": [b - r if r is not None else 0 for r, b in zip(drawn, high, strict=True)],
        "arrayminus": [r - a if r is not None else 0 for r, a in zip(drawn, low, strict=True)],
        "color": CHART_BLUE,
        "thickness": 1.2,
        "width": 3,
    }
    top = _top_of_rates(table)
    data = [*_limits(table), _points(table, rates, bars, nice_top(top)), *_spans(found.judged, table, top)]
    return _figure(data, table, top)


def _top_of_rates(table: pl.DataFrame) -> float:
    """Return what the scale must hold: a month of few wears must not flatten the others."""
    usual = table.filter("solid")
    typical = sorted(table["high"].drop_nulls())
    middle = typical[len(typical) // 2] if typical else 1.0
    return float(max([*usual["rate"].drop_nulls(), *usual["upper_limit"].drop_nulls(), middle]))


def bars_cut(found: MonthlyRate) -> int:
    """Return how many months have a bar that reaches beyond the top of `rate_figure`."""
    edge = nice_top(_top_of_rates(found.table))
    return int((found.table.filter("solid")["high"] > edge).sum())


def mean_figure(found: MonthlyMean) -> dict[str, Any]:
    """Return the plot of a monthly mean, with the limits of the judged months."""
    table = found.table
    means = table["mean"].to_list()
    tops = [value for value in [*means, *table["upper_limit"].to_list()] if value is not None]
    top = max(tops, default=1.0)
    data = [*_limits(table), _points(table, means, None), *_spans(found.judged, table, top)]
    return _figure(data, table, top)


def _limits(table: pl.DataFrame) -> list[dict[str, Any]]:
    if table["upper_limit"].null_count() == len(table):
        return []
    return [_limit(table, table[name].to_list()) for name in ("upper_limit", "lower_limit")]


def _spans(judged: Predicted | None, table: pl.DataFrame, top: float) -> list[dict[str, Any]]:
    """Return a bar along the top for every run of months that are outside together."""
    months = _months(table)
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": months[mark.first : mark.first + mark.months],
            "y": [nice_top(top) * (0.99 if mark.above else 0.96)] * mark.months,
            "line": {"color": CHART_ORANGE, "width": 5},
            "hovertemplate": f"{mark.months} months {'above' if mark.above else 'below'}<extra></extra>",
        }
        for mark in (judged.marks if judged else ())
        if mark.months > 1
    ]


def classes_figure(months: pl.DataFrame) -> dict[str, Any]:
    """Return the plot of minutes a wear above thermal class I, by month, a pattern for each class."""
    drawn = months.with_columns(
        (pl.col(f"class_{number}_s") / 60.0 / pl.col("heat_dose_wears")).fill_nan(None)
        for number in words.HOT_CLASSES
    )
    data = [
        {
            "type": "bar",
            "x": _months(months),
            "y": drawn[f"class_{number}_s"].to_list(),
            "name": words.CLASS_NAMES[number],
            "marker": {
                "color": colour,
                "pattern": {"shape": shape, "fillmode": "overlay", "fgcolor": "#ffffff", "size": 5},
            },
            "customdata": months["heat_dose_wears"].to_list(),
            "hovertemplate": "%{x}: %{y:.2f} min, %{customdata} "
            + words.WEARS_BELOW
            + "<extra>%{fullData.name}</extra>",
        }
        for number, colour, shape in zip(
            words.HOT_CLASSES, (CHART_BLUE, CHART_ORANGE, CHART_GREY), ("", "/", "x"), strict=True
        )
    ]
    above = sum(drawn[f"class_{number}_s"].fill_null(0.0) for number in words.HOT_CLASSES)
    top = max(above.to_list(), default=1.0) if isinstance(above, pl.Series) else 1.0
    figure = _figure(data, months, top)
    figure["layout"] |= {
        "barmode": "stack",
        "showlegend": True,
        "legend": {"orientation": "h", "y": 1.14, "x": 0, "traceorder": "normal"},
    }
    return figure


def nice_top(top: float) -> float:
    """Return the upper end of an axis that holds a value."""
    return nice_ceiling(top * 1.08, 1e-3) if top > 0 else 1.0


def _months(table: pl.DataFrame) -> list[str]:
    return [words.month_text(month) for month in table["month"]]


def _points(
    table: pl.DataFrame,
    values: list[float | None],
    bars: dict[str, Any] | None,
    edge: float = math.inf,
) -> dict[str, Any]:
    outside = table["outside"].to_list()
    beyond = [value is not None and value > edge for value in values]
    symbols = {"outside": "diamond-open", "beyond": "triangle-up-open", "few": "circle-open", "": "circle"}
    kinds = [
        "outside" if out else "beyond" if far else "" if usual else "few"
        for out, far, usual in zip(outside, beyond, table["solid"].to_list(), strict=True)
    ]
    told = ["–" if value is None else shown(value) for value in values]
    trace: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines+markers",
        "x": _months(table),
        "y": [edge if far else value for value, far in zip(values, beyond, strict=True)],
        "line": {"color": CHART_BLUE, "width": 1},
        "marker": {
            "symbol": [symbols[kind] for kind in kinds],
            "size": [13 if out else 9 if far else 6 for out, far in zip(outside, beyond, strict=True)],
            "color": [CHART_ORANGE if out else CHART_BLUE for out in outside],
            "line": {"width": 2.5},
        },
        "customdata": list(zip(table["wears"].to_list(), told, strict=True)),
        "hovertemplate": "%{x}: %{customdata[1]}, %{customdata[0]} " + words.WEARS_BELOW + "<extra></extra>",
        "cliponaxis": False,
        "connectgaps": False,
    }
    if bars is not None:
        trace["error_y"] = bars
    return trace


def _limit(table: pl.DataFrame, values: Sequence[float | None]) -> dict[str, Any]:
    """A limit as steps; it stops at months that are not judged by it."""
    judged = table["solid"].to_list()
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _months(table),
        "y": [value if solid else None for value, solid in zip(values, judged, strict=True)],
        "line": {"color": CHART_GREY, "width": 1.3, "dash": "dash", "shape": "hvh"},
        "connectgaps": False,
        "hoverinfo": "skip",
    }


def _figure(data: list[dict[str, Any]], table: pl.DataFrame, top: float) -> dict[str, Any]:
    months, wears = _months(table), table["wears"].to_list()
    every = max(1, math.ceil(len(months) / MOST_TICKS))
    shown = list(range(0, len(months), every))
    words_of = [_tick(months, wears, i, before) for before, i in zip([None, *shown], shown, strict=False)]
    x = groups_axis(months, shown, words_of)
    return plot(data, HEIGHT_PX, x, {"range": [0, nice_top(top)], "nticks": 5}, below=58)


def groups_axis(groups: Sequence[str], shown: Sequence[int], words_of: Sequence[str]) -> dict[str, Any]:
    """Return the axis of months or other groups, with words at those that are shown."""
    return {
        "type": "category",
        "range": [-0.6, max(len(groups), 3) - 0.4],
        "tickvals": [groups[place] for place in shown],
        "ticktext": list(words_of),
        "showgrid": False,
        "tickangle": 0,
        "tickfont": {"size": 11},
    }


def plot(
    data: list[dict[str, Any]],
    height_px: int,
    x: dict[str, Any],
    y: dict[str, Any],
    *,
    left: int = 48,
    below: int = 30,
    legend_y: float | None = None,
) -> dict[str, Any]:
    """Return a figure that cannot be dragged; `left` and `below` are its margins in px."""
    layout = {
        "template": chart_template(),
        "height": height_px,
        "margin": {"l": left, "r": 10, "t": 8, "b": below},
        "showlegend": legend_y is not None,
        "legend": {"orientation": "h", "y": legend_y, "x": 0},
        "hovermode": "closest",
        "dragmode": False,
        "xaxis": {"fixedrange": True, **x},
        "yaxis": {"fixedrange": True, **y},
    }
    return {"data": data, "layout": layout}


def _tick(months: list[str], wears: list[int], index: int, before: int | None) -> str:
    """Month, wears, and the year where it differs from the tick before: narrow enough side by side."""
    year, month = months[index].split("-")
    new_year = before is None or months[before][:4] != year
    return f"{month}<br><b>{wears[index]}</b>" + (f"<br>{year}" if new_year else "")


def forecast_figure(account: Sequence[Ahead]) -> dict[str, Any]:
    """Return the plot of said against happened: the promised interval, and where the middle 90 % came."""
    told = [one for one in account if one.ahead_min and one.happened and one.promised]
    x = [float(one.ahead_min) for one in told]
    happened = [one.happened for one in told if one.happened]
    promised = [one.promised for one in told if one.promised]
    middle = [spread[1] for spread in happened]
    bars = {
        "type": "data",
        "symmetric": False,
        "array": [spread[2] - spread[1] for spread in happened],
        "arrayminus": [spread[1] - spread[0] for spread in happened],
        "color": CHART_BLUE,
        "thickness": 1.6,
        "width": 6,
    }
    top = max([0.0, *(spread[2] for spread in happened), *(end for _, end in promised)])
    data: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "x": [*x, *reversed(x)],
            "y": [*(early for early, _ in promised), *reversed([late for _, late in promised])],
            "fill": "toself",
            "fillcolor": "rgba(128,128,128,.25)",
            "line": {"width": 0},
            "hoverinfo": "skip",
            "name": words.PROMISED,
        },
        {
            "type": "scatter",
            "mode": "lines",
            "x": [0.0, max(x, default=1.0)],
            "y": [0.0, max(x, default=1.0)],
            "line": {"color": CHART_GREY, "width": 1.3, "dash": "dash"},
            "hoverinfo": "skip",
            "name": words.AS_SAID,
        },
        {
            "type": "scatter",
            "mode": "markers",
            "x": x,
            "y": middle,
            "error_y": bars,
            "marker": {"size": 8, "color": CHART_BLUE},
            "customdata": [one.known for one in told],
            "hovertemplate": words.FORECAST_HOVER + "<extra></extra>",
            "name": words.HAPPENED,
        },
    ]
    across = {"rangemode": "tozero", "tickvals": x, "title": {"text": words.SAID_AXIS}}
    up = {"range": [0, nice_ceiling(top * 1.05, 1.0)], "title": {"text": words.HAPPENED_AXIS}}
    return plot(data, FORECAST_HEIGHT_PX, across, up, left=52, below=44, legend_y=1.12)
