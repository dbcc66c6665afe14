"""The work of a service: wears and hours by month with their trend, and the season as plots."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from analysis.trends.measures import MonthlyMean, monthly_total, wears_of
from dashboard.theme import CHART_BLUE, CHART_GREY
from dashboard.trends import words
from dashboard.trends.figures import HEIGHT_PX, mean_figure, nice_top, plot, scatter
from dashboard.trends.sentences import figure as shown
from ingest.plurals import counted

TREND_AT_MOST = 0.005
"""A trend is said at this chance or less: the strict level of the other trends (`QUESTIONS`)."""
FEWEST_YEARS = 2
MONTH_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

WORK = (("wears", words.WEARS_TITLE, "wears"), ("hours", words.HOURS_TITLE, "hours"))
SEASONS: tuple[tuple[str, str, str, float], ...] = (
    ("wears", "", words.SEASON_WEARS, 1.0),
    ("low_air_exits", "wears", words.SEASON_EXITS, 1000.0),
    ("heat_dose", "heat_dose_wears", words.SEASON_DOSE, 1.0),
)
"""What is summed, over which sum, its title, and per how many."""


def work_plots(months: pl.DataFrame, running: date) -> list[tuple[str, str, dict[str, Any], str]]:
    """Return name, title, figure and sentence of wears and hours by month."""
    made = []
    for name, title, unit in WORK:
        found = monthly_total(months, name, running)
        made.append((f"work-{name}", title, mean_figure(found), _work_sentence(found, unit)))
    return made


def _work_sentence(found: MonthlyMean, unit: str) -> str:
    over = found.table.filter("solid")["mean"]
    text = f"{shown(found.overall, 3)} {unit} a month on average over {counted(len(over), 'whole month')}."
    trend = found.trend
    holds = trend is not None and trend.p_two_sided <= TREND_AT_MOST
    return text + words.trend_text(trend, f"{unit} a month", holds)


def season_plots(months: pl.DataFrame, running: date) -> list[tuple[str, str, dict[str, Any] | None, str]]:
    """Return name, title, figure (None where years are too few) and sentence of each season."""
    over = months.filter(pl.col("month") < running)
    whole = over.with_columns(year=pl.col("month").dt.year(), number=pl.col("month").dt.month())
    years = whole.group_by("year").len().filter(pl.col("len") == 12)["year"].sort()
    whole = whole.filter(pl.col("year").is_in(years.implode())).with_columns(whole=pl.lit(1))
    made: list[tuple[str, str, dict[str, Any] | None, str]] = []
    for name, size, title, per in SEASONS:
        if len(years) < FEWEST_YEARS:
            made.append((f"season-{name}", title, None, words.SEASON_TOO_SHORT))
            continue
        whole = whole.with_columns(over=wears_of(whole, name) if size == "wears" else pl.col(size or "whole"))
        value = per * pl.col(name) / pl.col("over")
        each = whole.with_columns(value.fill_nan(None).alias("value"))
        sums = pl.col(name).sum() / pl.col("over").sum()
        means = whole.group_by("number").agg((per * sums).fill_nan(None).alias("value")).sort("number")
        made.append(
            (f"season-{name}", title, _season_figure(each, means), _season_sentence(means, len(years)))
        )
    return made


def _season_figure(each: pl.DataFrame, means: pl.DataFrame) -> dict[str, Any]:
    tops = [value for value in [*each["value"], *means["value"]] if value is not None]
    data = [
        scatter(
            "markers",
            [MONTH_NAMES[number - 1] for number in each["number"]],
            each["value"].to_list(),
            customdata=each["year"].to_list(),
            marker={"color": CHART_GREY, "size": 6, "symbol": "circle-open"},
            hovertemplate="%{x} %{customdata}: %{y:.3g}<extra></extra>",
        ),
        scatter(
            "lines+markers",
            [MONTH_NAMES[number - 1] for number in means["number"]],
            means["value"].to_list(),
            line={"color": CHART_BLUE, "width": 2},
            marker={"size": 6},
            hovertemplate="%{x}: %{y:.3g}<extra></extra>",
        ),
    ]
    x = {"type": "category", "categoryarray": list(MONTH_NAMES), "showgrid": False}
    return plot(data, HEIGHT_PX, x, {"range": [0, nice_top(max(tops, default=1.0))], "nticks": 5})


def _season_sentence(means: pl.DataFrame, years: int) -> str:
    known = means.drop_nulls("value").sort("value")
    if not len(known) or not known["value"][-1]:
        return words.NOT_MEASURED
    low, high = known.row(0, named=True), known.row(-1, named=True)
    return words.SEASON.format(
        high=MONTH_NAMES[high["number"] - 1],
        most=shown(high["value"], 2),
        low=MONTH_NAMES[low["number"] - 1],
        least=shown(low["value"], 2),
        years=years,
    )
