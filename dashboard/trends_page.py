"""The trends page: what the wears of months and years say, each plot with a sentence in plain words."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import polars as pl
from dash import Dash, dcc, html

from analysis.trends import FEWEST_WEARS_FOR_A_RATE, by_month, monthly_mean, monthly_rate
from dashboard import review_words
from dashboard import trends_words as words
from dashboard.context import Context
from dashboard.listing import cell, listing
from dashboard.results_store import store_of
from dashboard.review_tables import wear_listing
from dashboard.theme import GRAPH_CONFIG
from dashboard.trends_figures import mean_figure, rate_figure

CONFIG: Any = {**GRAPH_CONFIG, "displayModeBar": False, "responsive": True}


def layout(context: Context, query: dict[str, str]) -> Any:
    """Return the page over all wears, or over those of one year."""
    store = store_of(context)
    measures, wears = store.measures(), store.wears()
    years = sorted({start.year for start in measures["started"] if start is not None}, reverse=True)
    year = int(query["year"]) if query.get("year", "").isdigit() else None
    if year in years:
        measures = measures.filter(pl.col("started").dt.year() == year)
        wears = wears.filter(pl.col("started").dt.year() == year)
    else:
        year = None
    parts: list[Any] = [html.Header([html.H1(words.TITLE), _years(years, year)], className="heading")]
    if not len(measures):
        return html.Div([*parts, html.P(words.NOTHING, className="panel")], className="trends")
    months = by_month(measures)
    parts += [_summary(measures), html.Div([_plot(plot, months) for plot in words.PLOTS], className="plots")]
    parts += [_month_listing(months), _people_listing(measures), wear_listing(wears, "trends-wears")]
    return html.Div(parts, className="trends")


def register(app: Dash, context: Context) -> None:
    """Add nothing: the page is made anew at every look, from measures that are kept."""


def _years(years: list[int], chosen: int | None) -> Any:
    links: list[Any] = [_year_link(words.ALL_YEARS, None, chosen)]
    links += [_year_link(str(year), year, chosen) for year in years]
    return html.Nav([html.Span(words.PERIOD, className="group-name"), *links], **_aria(label=words.PERIOD))


def _year_link(text: str, year: int | None, chosen: int | None) -> Any:
    address = "/trends" + (f"?{urlencode({'year': year})}" if year else "")
    return html.A(text, href=address, **(_aria(current="true") if year == chosen else {}))


def _summary(measures: pl.DataFrame) -> Any:
    count = len(measures)
    days = measures.select(
        first=pl.col("started").min().dt.strftime("%Y-%m-%d"),
        last=pl.col("started").max().dt.strftime("%Y-%m-%d"),
    ).row(0, named=True)
    wearers = measures.select(pl.coalesce("wearer_id", "set_id").n_unique()).item()
    sentence = words.SUMMARY.format(
        wears=words.wears_text(count),
        wearers=review_words.counted(wearers, "wearer"),
        hours=float(measures["under_air_min"].sum()) / 60,
        **days,
    )
    paragraphs = [html.P(sentence, className="lead")]
    if count < FEWEST_WEARS_FOR_A_RATE:
        paragraphs.append(html.P(words.FEW.format(wears=words.wears_text(count)), className="few"))
    paragraphs.append(html.P(f"{words.READING} {words.HEAT_NOTE}", className="note"))
    return html.Section(paragraphs, className="panel")


def _plot(plot: words.Plot, months: pl.DataFrame) -> Any:
    if plot.exposure:
        rate = monthly_rate(months, plot.name, plot.exposure, plot.per)
        figure, sentence = rate_figure(rate), words.rate_sentence(plot, rate)
    else:
        mean = monthly_mean(months, plot.name)
        figure, sentence = mean_figure(mean), words.mean_sentence(plot, mean)
    graph = dcc.Graph(
        id=f"trends-{plot.name}", figure=figure, config=CONFIG, style={"height": figure["layout"]["height"]}
    )
    return html.Figure(
        [
            html.H2(plot.title),
            html.Div(graph, role="img", **_aria(label=f"{plot.title}. {sentence}")),
            html.Figcaption(sentence),
        ],
        className="panel",
    )


def _month_listing(months: pl.DataFrame) -> Any:
    rows = []
    for row in months.sort("month", descending=True).iter_rows(named=True):
        rows.append([words.month_text(row["month"]), *_sums(row)])
    return listing("trends-months", words.MONTHS_TABLE, words.MONTH_HEADS, rows, numeric=tuple(range(1, 10)))


def _sums(row: dict[str, Any]) -> list[Any]:
    return [
        _count(row["wears"]),
        _count(row["wearers"]),
        cell(f"{row['hours']:,.1f}", value=row["hours"]),
        _minutes(row["hard_min"]),
        cell(f"{row['heat_dose']:.3f}", value=row["heat_dose"]),
        _count(row["low_air_exits"]),
        _count(row["no_motion_alarms"]),
        _count(row["distress_alarms"]),
        _minutes(row["silent_min"]),
    ]


def _people_listing(measures: pl.DataFrame) -> Any:
    people = (
        measures.group_by(pl.coalesce("wearer_id", "set_id").alias("who"))
        .agg(
            pl.len().alias("wears"),
            pl.col("started").max().alias("last"),
            (pl.col("under_air_min").sum() / 60).alias("hours"),
            (pl.col("free_air_l").sum() / pl.col("under_air_min").sum()).alias("rate"),
            *(pl.col(name).sum() for name in ("hard_min", "heat_dose", "low_air_exits", "silent_min")),
        )
        .sort("hours", descending=True)
    )
    rows = [
        [
            row["who"],
            _count(row["wears"]),
            f"{row['last']:%Y-%m-%d %H:%M}",
            cell(f"{row['hours']:,.1f}", value=row["hours"]),
            _minutes(row["hard_min"]),
            "–" if not row["rate"] else cell(f"{row['rate']:.0f} L/min", value=row["rate"]),
            cell(f"{row['heat_dose']:.3f}", value=row["heat_dose"]),
            _count(row["low_air_exits"]),
            _minutes(row["silent_min"]),
        ]
        for row in people.iter_rows(named=True)
    ]
    return listing(
        "trends-people",
        words.PEOPLE_TABLE,
        words.PEOPLE_HEADS,
        rows,
        note=words.PEOPLE_NOTE,
        search=(review_words.FIND, review_words.FIND_HINT),
        numeric=(1, 3, 4, 5, 6, 7, 8),
    )


def _count(value: int) -> Any:
    return cell(f"{value:,}", value=value)


def _minutes(value: float) -> Any:
    return cell(f"{value:,.1f} min", value=value)


def _aria(**names: str) -> dict[str, Any]:
    return {f"aria-{name}": value for name, value in names.items()}
