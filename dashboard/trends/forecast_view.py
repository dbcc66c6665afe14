"""Forecasts and what happened, on the trends page: by minutes ahead, by month, by how hard people worked."""

from __future__ import annotations

from collections.abc import Sequence
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
from dashboard.elements import plotted, wide
from dashboard.markup import from_html
from dashboard.theme import CHART_BLUE, CHART_ORANGE
from dashboard.trends import sentences, words
from dashboard.trends.figures import (
    MOST_TICKS,
    error_bars,
    forecast_figure,
    groups_axis,
    guide,
    plot,
    scatter,
)

GROUPS_HEIGHT_PX = 280
PROMISED_INSIDE, PROMISED_EARLY = 90.0, 5.0


def section(lines: ForecastLines, wears: pl.DataFrame) -> Any:
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
    every = max(1, -(-len(groups) // MOST_TICKS))
    ticks = list(range(0, len(groups), every))
    names = [f"{groups[place]}<br><b>{said[place].known}</b>" for place in ticks]
    x, y = groups_axis(groups, ticks, names), {"range": [-2, 102], "ticksuffix": "\u00a0%", "nticks": 6}
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
