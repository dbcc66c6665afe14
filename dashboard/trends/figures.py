"""The plots of the trends page: measures by month with intervals and limits, work and season, forecasts."""

import math
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from analysis.trends.forecast_audit import (
    FEWEST_FORECASTS,
    ForecastAccount,
    ForecastLines,
    audited,
    by_hardness,
    by_month,
)
from analysis.trends.ledger import THERMAL_CLASSES
from analysis.trends.measures import PER_WEARS, Monthly, monthly, wears_of
from analysis.trends.prediction import Predicted
from dashboard.elements import plotted, wide
from dashboard.markup import from_html
from dashboard.review.drawing import nice_ceiling
from dashboard.theme import CHART_BLUE, CHART_GREY, CHART_ORANGE, chart_template
from dashboard.trends import sentences, words
from dashboard.trends.sentences import figure as shown
from ingest.plurals import counted

HEIGHT_PX = 240
FORECAST_HEIGHT_PX = 320
MOST_TICKS = 13
HOT_CLASSES = THERMAL_CLASSES[1:]


def scatter(mode: str, x: Sequence[Any], y: Sequence[Any], **more: Any) -> dict[str, Any]:
    """Return a trace of points or a line; `more` as plotly names it."""
    return {"type": "scatter", "mode": mode, "x": list(x), "y": list(y), **more}


def guide(x: Sequence[Any], y: Sequence[Any], shape: str = "linear", **more: Any) -> dict[str, Any]:
    """Return a dashed line to compare with: a limit, or what was promised."""
    line = {"color": CHART_GREY, "width": 1.3, "dash": "dash", "shape": shape}
    return scatter("lines", x, y, line=line, hoverinfo="skip", **more)


def error_bars(
    low: Sequence[float | None],
    middle: Sequence[float | None],
    high: Sequence[float | None],
    colour: str,
    *,
    thickness: float,
    width: float,
) -> dict[str, Any]:
    """Return the bars of an interval around points, none at a point that is not drawn."""
    ends = list(zip(low, middle, high, strict=True))
    return {
        "type": "data",
        "symmetric": False,
        "array": [0 if m is None or end is None else end - m for _, m, end in ends],
        "arrayminus": [0 if m is None or end is None else m - end for end, m, _ in ends],
        "color": colour,
        "thickness": thickness,
        "width": width,
    }


def monthly_figure(found: Monthly) -> dict[str, Any]:
    """Return the plot of one measure by month: points, of rates with exact intervals, limits as steps."""
    table, top = found.table, _top(found.table)
    bars, edge = None, math.inf
    if "high" in table.columns:
        # The interval of a month of few wears reaches beyond any scale: the table has it, the plot does not.
        named = table.with_columns(drawn=pl.when("solid").then("value"))
        low, drawn, high = (named[name].to_list() for name in ("low", "drawn", "high"))
        # Faint and without ends: of months without events they are all that is high, and hid the points.
        bars = error_bars(low, drawn, high, f"{CHART_BLUE}55", thickness=4, width=0)
        edge = nice_top(top)
    data = [*_limits(table), _points(table, bars, edge), *_spans(found.judged, table, top)]
    return _figure(data, table, top)


def _top(table: pl.DataFrame) -> float:
    """Return the range of the scale: a month of few wears or far limits must not flatten the others."""
    if "high" in table.columns:
        usual, typical = table.filter("solid"), sorted(table["high"].drop_nulls())
        middle = typical[len(typical) // 2] if typical else 1.0
        return float(max([*usual["value"].drop_nulls(), *usual["upper_limit"].drop_nulls(), middle]))
    highest, limits = table["value"].max(), table["upper_limit"].max()
    top = max([float(value) for value in (highest, limits) if isinstance(value, float)], default=1.0)
    return min(top, LIMITS_SHOWN_TO * highest) if isinstance(highest, float) and highest > 0 else top


def cut_off(found: Monthly) -> str:
    """Say what reaches beyond the top of `monthly_figure`: bars of a rate, limits of a mean."""
    table, edge = found.table, nice_top(_top(found.table))
    if "high" in table.columns:
        cut = int((table.filter("solid")["high"] > edge).sum())
        return f" {words.BARS_CUT.format(count=counted(cut, 'month'))}" if cut else ""
    return words.LIMITS_CUT if (table["upper_limit"] > edge).any() else ""


def _limits(table: pl.DataFrame) -> list[dict[str, Any]]:
    if table["upper_limit"].null_count() == len(table):
        return []
    # As steps; a limit stops at months that are not judged by it.
    judged = table.with_columns(
        pl.when("solid").then(pl.col(name)) for name in ("upper_limit", "lower_limit")
    )
    return [
        guide(_months(table), judged[name].to_list(), "hvh", connectgaps=False)
        for name in ("upper_limit", "lower_limit")
    ]


def _spans(judged: Predicted | None, table: pl.DataFrame, top: float) -> list[dict[str, Any]]:
    """Return a bar along the top for every run of months that are outside together."""
    months = _months(table)
    return [
        scatter(
            "lines",
            months[mark.first : mark.first + mark.months],
            [nice_top(top) * (0.99 if mark.above else 0.96)] * mark.months,
            line={"color": CHART_ORANGE, "width": 5},
            hovertemplate=f"{mark.months} months {'above' if mark.above else 'below'}<extra></extra>",
        )
        for mark in (judged.marks if judged else ())
        if mark.months > 1
    ]


def classes_figure(months: pl.DataFrame) -> dict[str, Any]:
    """Return the plot of minutes a wear above thermal class I, by month, a pattern for each class."""
    drawn = months.with_columns(
        (pl.col(f"class_{number}_s") / 60.0 / pl.col("heat_dose_wears")).fill_nan(None)
        for number in HOT_CLASSES
    )
    data = [
        {
            "type": "bar",
            "x": _months(months),
            "y": drawn[f"class_{number}_s"].to_list(),
            "name": name,
            "marker": {
                "color": colour,
                "pattern": {"shape": shape, "fillmode": "overlay", "fgcolor": "#ffffff", "size": 5},
            },
            "customdata": months["heat_dose_wears"].to_list(),
            "hovertemplate": "%{x}: %{y:.2f} min, %{customdata} "
            + words.WEARS_BELOW
            + "<extra>%{fullData.name}</extra>",
        }
        for number, name, colour, shape in zip(
            HOT_CLASSES,
            words.CLASS_NAMES,
            (CHART_BLUE, CHART_ORANGE, CHART_GREY),
            ("", "/", "x"),
            strict=True,
        )
    ]
    above = drawn.select(pl.sum_horizontal(f"class_{number}_s" for number in HOT_CLASSES))
    figure = _figure(data, months, max(above.to_series(), default=1.0))
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
    return table["month"].dt.strftime("%Y-%m").to_list()


def _points(table: pl.DataFrame, bars: dict[str, Any] | None, edge: float) -> dict[str, Any]:
    values, outside = table["value"].to_list(), table["outside"].to_list()
    beyond = [value is not None and value > edge for value in values]
    symbols = {"outside": "diamond-open", "beyond": "triangle-up-open", "few": "circle-open", "": "circle"}
    kinds = [
        "outside" if out else "beyond" if far else "" if usual else "few"
        for out, far, usual in zip(outside, beyond, table["solid"].to_list(), strict=True)
    ]
    told = ["–" if value is None else shown(value) for value in values]
    return scatter(
        "lines+markers",
        _months(table),
        [edge if far else value for value, far in zip(values, beyond, strict=True)],
        line={"color": CHART_BLUE, "width": 1},
        marker={
            "symbol": [symbols[kind] for kind in kinds],
            "size": [13 if out else 9 if far else 6 for out, far in zip(outside, beyond, strict=True)],
            "color": [CHART_ORANGE if out else CHART_BLUE for out in outside],
            "line": {"width": 2.5},
        },
        customdata=list(zip(table["wears"].to_list(), told, strict=True)),
        hovertemplate="%{x}: %{customdata[1]}, %{customdata[0]} " + words.WEARS_BELOW + "<extra></extra>",
        cliponaxis=False,
        connectgaps=False,
        **({"error_y": bars} if bars else {}),
    )


def _figure(data: list[dict[str, Any]], table: pl.DataFrame, top: float) -> dict[str, Any]:
    months, wears = _months(table), table["wears"].to_list()
    x = _groups_axis(months, lambda at, before: _tick(months, wears, at, before))
    return plot(data, HEIGHT_PX, x, {"range": [0, nice_top(top)], "nticks": 5}, below=58)


def _groups_axis(groups: Sequence[str], below: Callable[[int, int | None], str]) -> dict[str, Any]:
    """Return the axis of months or other groups; `below` words a tick by its place and that of the last."""
    shown = range(0, len(groups), max(1, math.ceil(len(groups) / MOST_TICKS)))
    return {
        "type": "category",
        "range": [-0.6, max(len(groups), 3) - 0.4],
        "tickvals": [groups[place] for place in shown],
        "ticktext": [below(at, before) for before, at in zip([None, *shown], shown, strict=False)],
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


def forecast_figure(account: Sequence[ForecastAccount]) -> dict[str, Any]:
    """Return the plot of said against happened: the promised interval, and where the middle 90 % came."""
    told = [one for one in account if one.ahead_min and one.happened and one.promised]
    x = [float(one.ahead_min) for one in told]
    happened = [one.happened for one in told if one.happened]
    promised = [one.promised for one in told if one.promised]
    low, middle, high = zip(*happened, strict=True) if happened else ((), (), ())
    top = max([0.0, *(spread[2] for spread in happened), *(end for _, end in promised)])
    diagonal = [0.0, max(x, default=1.0)]
    data = [
        scatter(
            "lines",
            [*x, *reversed(x)],
            [*(early for early, _ in promised), *reversed([late for _, late in promised])],
            fill="toself",
            fillcolor="rgba(128,128,128,.25)",
            line={"width": 0},
            hoverinfo="skip",
            name=words.PROMISED,
        ),
        guide(diagonal, diagonal, name=words.AS_SAID),
        scatter(
            "markers",
            x,
            middle,
            error_y=error_bars(low, middle, high, CHART_BLUE, thickness=1.6, width=6),
            marker={"size": 8, "color": CHART_BLUE},
            customdata=[one.known for one in told],
            hovertemplate=words.FORECAST_HOVER + "<extra></extra>",
            name=words.HAPPENED,
        ),
    ]
    across = {"rangemode": "tozero", "tickvals": x, "title": {"text": words.SAID_AXIS}}
    up = {"range": [0, nice_ceiling(top * 1.05, 1.0)], "title": {"text": words.HAPPENED_AXIS}}
    return plot(data, FORECAST_HEIGHT_PX, across, up, left=52, below=44, legend_y=1.12)


LIMITS_SHOWN_TO = 3.0
"""Limits are drawn up to so many times the highest mean. Our own rule."""
TREND_AT_MOST = 0.005
"""A trend is named at this chance or less: the strict level of the other trends (`QUESTIONS`)."""
FEWEST_YEARS = 2

WORK = (("wears", words.WEARS_TITLE, "wears"), ("hours", words.HOURS_TITLE, "hours"))
SEASONS = (
    ("wears", words.SEASON_WEARS, 1.0),
    ("low_air_exits", words.SEASON_EXITS, PER_WEARS),
    ("heat_dose", words.SEASON_DOSE, 1.0),
)
"""What is summed, its title, and per how many wears that have it; wears are counted."""


def work_plots(months: pl.DataFrame, running: date) -> list[tuple[str, str, dict[str, Any], str]]:
    """Return name, title, figure and sentence of wears and hours by month."""
    made = []
    for name, title, unit in WORK:
        found = monthly(months, name, running)
        made.append((f"work-{name}", title, monthly_figure(found), _work_sentence(found, unit)))
    return made


def _work_sentence(found: Monthly, unit: str) -> str:
    mean, trend = found.overall.rate if found.overall else math.nan, found.trend
    over = counted(int(found.table["solid"].sum()), "whole month")
    text = f"{shown(mean, 3)} {unit} a month on average over {over}."
    holds = trend is not None and trend.p_two_sided <= TREND_AT_MOST
    return text + sentences.trend_text(trend, f"{unit} a month", holds)


def season_plots(months: pl.DataFrame, running: date) -> list[tuple[str, str, dict[str, Any] | None, str]]:
    """Return name, title, figure (None where years are too few) and sentence of each season."""
    over = months.filter(pl.col("month") < running)
    month = pl.col("month").dt
    whole = over.with_columns(year=month.year(), number=month.month(), name=month.strftime("%b"))
    years = whole.group_by("year").len().filter(pl.col("len") == 12)["year"].sort()
    whole = whole.filter(pl.col("year").is_in(years.implode()))
    made: list[tuple[str, str, dict[str, Any] | None, str]] = []
    for name, title, per in SEASONS:
        if len(years) < FEWEST_YEARS:
            made.append((f"season-{name}", title, None, words.SEASON_TOO_SHORT))
            continue
        whole = whole.with_columns(over=pl.lit(1) if name == "wears" else wears_of(whole, name))
        value = per * pl.col(name) / pl.col("over")
        each = whole.with_columns(value.fill_nan(None).alias("value"))
        sums = pl.col(name).sum() / pl.col("over").sum()
        means = (
            whole.group_by("number", "name").agg((per * sums).fill_nan(None).alias("value")).sort("number")
        )
        made.append(
            (f"season-{name}", title, _season_figure(each, means), _season_sentence(means, len(years)))
        )
    return made


def _season_figure(each: pl.DataFrame, means: pl.DataFrame) -> dict[str, Any]:
    tops = [value for value in [*each["value"], *means["value"]] if value is not None]
    data = [
        scatter(
            "markers",
            each["name"].to_list(),
            each["value"].to_list(),
            customdata=each["year"].to_list(),
            marker={"color": CHART_GREY, "size": 6, "symbol": "circle-open"},
            hovertemplate="%{x} %{customdata}: %{y:.3g}<extra></extra>",
        ),
        scatter(
            "lines+markers",
            means["name"].to_list(),
            means["value"].to_list(),
            line={"color": CHART_BLUE, "width": 2},
            marker={"size": 6},
            hovertemplate="%{x}: %{y:.3g}<extra></extra>",
        ),
    ]
    x = {"type": "category", "categoryarray": means["name"].to_list(), "showgrid": False}
    return plot(data, HEIGHT_PX, x, {"range": [0, nice_top(max(tops, default=1.0))], "nticks": 5})


def _season_sentence(means: pl.DataFrame, years: int) -> str:
    known = means.drop_nulls("value").sort("value")
    if not len(known):
        return words.NOT_MEASURED
    names, values = known["name"], [shown(value, 2) for value in known["value"]]
    least, most = values[0], values[-1]
    if least == most:
        return words.NO_SEASON.format(value=least, years=years)
    return words.SEASON.format(high=names[-1], most=most, low=names[0], least=least, years=years)


GROUPS_HEIGHT_PX = 280
PROMISED_INSIDE, PROMISED_EARLY = 90.0, 5.0


def forecasts(lines: ForecastLines, wears: pl.DataFrame) -> Any:
    """Return what the forecasts said against what happened.

    `wears`: of the same ledger.
    """
    account = audited(lines)
    sentence = sentences.forecast_sentence(account)
    enough = account[0].known >= FEWEST_FORECASTS
    drawn = [plotted("trends-forecasts", forecast_figure(account), sentence)] if enough else []
    rows = [sentences.ahead_row(one) for one in account[1:]]
    groups = []
    for name, title, said in (
        ("month", words.FORECAST_BY_MONTH, by_month(lines) if enough else []),
        ("hardness", words.FORECAST_BY_HARDNESS, by_hardness(lines, wears) if enough else []),
    ):
        told = sentences.groups_sentence(said)
        heads = [words.FORECAST_GROUPS[name], *words.HEADS["forecast_groups"]]
        figure = plotted(f"trends-forecasts-{name}", groups_figure(said), told)
        groups.append((title, figure, told, wide(heads, map(sentences.group_row, said), named=False)))
    (panel,) = from_html(
        Path(__file__).with_name("forecasts.html.j2"),
        **{"words": words, "sentence": sentence, "drawn": drawn, "fewest": FEWEST_FORECASTS},
        ahead=wide(words.HEADS["forecasts"], rows, named=False) if rows else None,
        groups=groups if enough else [],
    )
    return panel


def groups_figure(said: Sequence[ForecastAccount]) -> dict[str, Any]:
    """Return the plot of the shares inside and early, group by group, with their 95 % intervals.

    Shapes distinguish the two (circle, square), and hollow ones rest on fewer than `FEWEST_FORECASTS`.
    """
    groups = [one.group for one in said]
    data = [
        guide(groups, [level] * len(groups), name=words.PROMISED_LINES, showlegend=level == PROMISED_INSIDE)
        for level in (PROMISED_INSIDE, PROMISED_EARLY)
    ]
    inside = [(one, (one.inside / one.known, *one.inside_interval)) for one in said if one.known]
    early = [(one, (one.early_share, *one.early_interval)) for one in said if one.of_early]
    data.append(_shares(inside, words.INSIDE, "circle", CHART_BLUE))
    data.append(_shares(early, words.EARLIER, "square", CHART_ORANGE))
    x = _groups_axis(groups, lambda at, _: f"{groups[at]}<br><b>{said[at].known}</b>")
    y = {"range": [-2, 102], "ticksuffix": "\u00a0%", "nticks": 6}
    return plot(data, GROUPS_HEIGHT_PX, x, y, left=52, below=52, legend_y=1.16)


def _shares(
    told: Sequence[tuple[ForecastAccount, tuple[float, float, float]]], name: str, symbol: str, colour: str
) -> dict[str, Any]:
    """Return one share of each group, with the ends of its interval."""
    few = [one.known < FEWEST_FORECASTS for one, _ in told]
    middle, low, high = ([100.0 * share[at] for _, share in told] for at in (0, 1, 2))
    symbols = [f"{symbol}-open" if one else symbol for one in few]
    return scatter(
        "markers",
        [one.group for one, _ in told],
        middle,
        name=name,
        marker={"symbol": symbols, "size": 9, "color": colour, "line": {"width": 2, "color": colour}},
        error_y=error_bars(low, middle, high, colour, thickness=1.3, width=4),
        cliponaxis=False,
        customdata=[one.known for one, _ in told],
        hovertemplate=words.GROUP_HOVER + "<extra>%{fullData.name}</extra>",
    )
