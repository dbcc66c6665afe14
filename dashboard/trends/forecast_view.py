"""Said against happened on the trends page: by minutes ahead, by month, by how hard the wearer worked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import polars as pl
from dash import dcc, html

from analysis.trends.forecast_audit import (
    FEWEST_FORECASTS,
    Ahead,
    AuditLine,
    ForecastLines,
    audited,
    by_hardness,
    by_month,
)
from dashboard.theme import CHART_BLUE, CHART_GREY, CHART_ORANGE
from dashboard.trends import sentences, words
from dashboard.trends.figures import MOST_TICKS, forecast_figure, groups_axis, plot
from dashboard.trends.sections import CONFIG, aria

GROUPS_HEIGHT_PX = 280
PROMISED_INSIDE, PROMISED_EARLY = 90.0, 5.0


def section(lines: ForecastLines, wears: pl.DataFrame) -> Any:
    """Return what the forecasts said against what happened.

    Parameters
    ----------
    lines : ForecastLines
    wears : DataFrame
        Of the same ledger.
    """
    account = audited(lines)
    sentence = sentences.forecast_sentence(account)
    enough = account[0].known >= FEWEST_FORECASTS
    drawn = [_drawn("trends-forecasts", forecast_figure(account), sentence)] if enough else []
    rows = [sentences.ahead_row(one) for one in account[1:]]
    parts = [
        html.H2(sentences.FORECAST_TITLE),
        html.Figure([*drawn, html.Figcaption(sentence)]),
        *([_table(sentences.FORECAST_HEADS, rows)] if rows else []),
        html.P(sentences.FORECAST_NOTE, className="note"),
    ]
    if enough:
        for name, title, said in (
            ("month", sentences.FORECAST_BY_MONTH, by_month(lines)),
            ("hardness", sentences.FORECAST_BY_HARDNESS, by_hardness(lines, wears)),
        ):
            told = sentences.groups_sentence(said)
            heads = [sentences.FORECAST_GROUPS[name], *sentences.GROUP_HEADS]
            parts += [
                html.H3(title),
                html.Figure(
                    [_drawn(f"trends-forecasts-{name}", groups_figure(said), told), html.Figcaption(told)]
                ),
                html.Details(
                    [html.Summary(sentences.FORECAST_TABLE), _table(heads, map(sentences.group_row, said))]
                ),
            ]
        parts.append(html.P(sentences.FORECAST_GROUPS_NOTE, className="note"))
    return html.Section(parts, id="trends-forecast", className="panel forecast")


def groups_figure(said: Sequence[AuditLine]) -> dict[str, Any]:
    """Return the plot of the shares inside and early, group by group, with their 95 % intervals.

    Shapes tell the two apart (circle, square), and hollow ones rest on fewer than `FEWEST_FORECASTS`.
    """
    groups = [one.group for one in said]
    data = [
        _promised(groups, PROMISED_INSIDE),
        _promised(groups, PROMISED_EARLY),
        _shares(said, words.INSIDE, "circle", CHART_BLUE, _inside),
        _shares(said, words.EARLIER, "square", CHART_ORANGE, _early),
    ]
    every = max(1, -(-len(groups) // MOST_TICKS))
    ticks = list(range(0, len(groups), every))
    names = [f"{groups[place]}<br><b>{said[place].account.known}</b>" for place in ticks]
    x, y = groups_axis(groups, ticks, names), {"range": [-2, 102], "ticksuffix": "\u00a0%", "nticks": 6}
    return plot(data, GROUPS_HEIGHT_PX, x, y, left=52, below=52, legend_y=1.16)


Share = tuple[float, float, float]


def _inside(one: Ahead) -> Share | None:
    return (one.inside / one.known, *one.inside_interval) if one.known else None


def _early(one: Ahead) -> Share | None:
    return ((one.of_early - one.not_early) / one.of_early, *one.early_interval) if one.of_early else None


def _shares(said: Sequence[AuditLine], name: str, symbol: str, colour: str, share_of: Any) -> dict[str, Any]:
    told = [(one, share) for one in said if (share := share_of(one.account)) is not None]
    few = [one.account.known < FEWEST_FORECASTS for one, _ in told]
    middle = [100.0 * share[0] for _, share in told]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [one.group for one, _ in told],
        "y": middle,
        "name": name,
        "marker": {
            "symbol": [f"{symbol}-open" if one else symbol for one in few],
            "size": 9,
            "color": colour,
            "line": {"width": 2, "color": colour},
        },
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [100.0 * share[2] - y for (_, share), y in zip(told, middle, strict=True)],
            "arrayminus": [y - 100.0 * share[1] for (_, share), y in zip(told, middle, strict=True)],
            "color": colour,
            "thickness": 1.3,
            "width": 4,
        },
        "cliponaxis": False,
        "customdata": [one.account.known for one, _ in told],
        "hovertemplate": words.GROUP_HOVER + "<extra>%{fullData.name}</extra>",
    }


def _promised(groups: Sequence[str], level: float) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": list(groups),
        "y": [level] * len(groups),
        "line": {"color": CHART_GREY, "width": 1.3, "dash": "dash"},
        "hoverinfo": "skip",
        "name": words.PROMISED_LINES,
        "showlegend": level == PROMISED_INSIDE,
    }


def _drawn(name: str, figure: dict[str, Any], label: str) -> Any:
    height = {"height": figure["layout"]["height"]}
    graph = dcc.Graph(id=name, figure=figure, config=CONFIG, style=height)
    return html.Div(graph, role="img", **aria(label=label))


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Any:
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in heads]))
    body = html.Tbody([html.Tr([html.Td(text) for text in row]) for row in rows])
    return html.Div(html.Table([head, body]), className="scroller", tabIndex=0)
