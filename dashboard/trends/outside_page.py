"""The trends page of the role `audit`: what is published, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from analysis.trends.cells import Cell, Published
from analysis.trends.wear_arrays import AMOUNTS
from dashboard.elements import listing, plotted
from dashboard.theme import CHART_BLUE
from dashboard.trends import words
from dashboard.trends.figures import plot, scatter
from dashboard.trends.outside import figure_text, kind_of, part_rows, planning_rows, range_text, service_of
from dashboard.trends.summary import published_note
from ingest.plurals import counted

HEIGHT_PX = 220
ROWS_AT_ONCE = 24


def published_page(published: Mapping[str, Published], year: str, people: int) -> list[Any]:
    """Return the page's sections.

    - `year`: empty for all.
    - `people`: how many each group has at least.
    """
    chosen = {name: one for name, one in published.items() if name.startswith(year)}
    note = html.P(f"{published_note(people)} {words.HEAT_NOTE}", className="note")
    if not chosen:
        return [html.Section([html.P(words.NOT_PUBLISHED, className="lead"), note], className="panel")]
    months = service_of(chosen, "month")
    parts: list[Any] = [html.Section([html.P(_lead(months), className="lead"), note], className="panel")]
    parts.append(html.Div(_plots(months), className="plots"))
    for length in ("year", "quarter"):
        names = sorted((name for name in chosen if kind_of(name) == length), reverse=True)
        for part, title in words.PART_NAMES.items():
            rows = [
                [name, *row]
                for name in names
                for row in part_rows([cell for cell in chosen[name].cells if cell.part == part])
            ]
            if rows:
                heads = [words.PERIOD, title, *words.HEADS["parts"][1:]]
                caption = words.BY_YEAR if length == "year" else words.BY_QUARTER
                parts.append(_table(caption.format(part=title), heads, rows))
    for name in sorted((name for name in chosen if chosen[name].planning), reverse=True):
        title = words.PLANNING.format(year=name)
        parts.append(_table(title, list(words.HEADS["planning"]), planning_rows(chosen[name])))
    heads = [words.PERIOD, *words.HEADS["parts"][1:], *(words.AMOUNT[name] for name in AMOUNTS)]
    rows = [
        [name, *part_rows([cell])[0][1:], *(figure_text(cell.means.get(amount)) for amount in AMOUNTS)]
        for name, cell in reversed(months)
    ]
    parts.append(_table(words.LISTINGS["months"]["caption"], heads, rows))
    return parts


def _lead(months: Sequence[tuple[str, Cell]]) -> str:
    known = [cell for _, cell in months if cell.wears is not None]
    wears, hours = sum(cell.wears or 0 for cell in known), sum(cell.hours or 0 for cell in known)
    return words.PUBLISHED.format(
        wears=counted(wears, "wear"), hours=hours, first=months[0][0], last=months[-1][0]
    )


def _plots(months: Sequence[tuple[str, Cell]]) -> list[Any]:
    names, cells = [name for name, _ in months], [cell for _, cell in months]
    made = [_plot("hours", words.HOURS_TITLE, names, [cell.hours for cell in cells])]
    for amount in AMOUNTS:
        values = [cell.means.get(amount) for cell in cells]
        made.append(_plot(amount, words.AMOUNT[amount], names, values))
    for flag, title in words.FLAG.items():
        made.append(_ranges(flag, title, names, [cell.events.get(flag) for cell in cells]))
    return made


def _plot(name: str, title: str, months: list[str], values: Sequence[float | None]) -> Any:
    line = {"color": CHART_BLUE, "width": 1}
    trace = scatter("lines+markers", months, values, line=line, hovertemplate="%{x}: %{y}<extra></extra>")
    return _figure(name, title, [trace], words.PUBLISHED_POINTS)


def _ranges(name: str, title: str, months: list[str], ends: Sequence[tuple[int, int] | None]) -> Any:
    """Bars from the least to the greatest count that a month may have."""
    trace = {
        "type": "bar",
        "x": months,
        "base": [None if one is None else one[0] for one in ends],
        "y": [None if one is None else one[1] - one[0] for one in ends],
        "customdata": [range_text(one) for one in ends],
        "marker": {"color": CHART_BLUE},
        "hovertemplate": "%{x}: %{customdata}<extra></extra>",
    }
    return _figure(name, title, [trace], words.PUBLISHED_RANGES)


def _figure(name: str, title: str, data: list[dict[str, Any]], sentence: str) -> Any:
    x, y = {"type": "category", "showgrid": False, "nticks": 12}, {"rangemode": "tozero", "nticks": 5}
    figure = plot(data, HEIGHT_PX, x, y, below=40)
    drawn = plotted(f"published-{name}", figure, f"{title}. {sentence}")
    return html.Figure([html.H2(title), drawn, html.Figcaption(sentence)], className="panel")


def _table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Any:
    """Return a table as data: a hundred rows of components would block the page for seconds."""
    name = "published-" + "-".join(title.lower().replace(",", "").split())
    return listing(name, title, heads, rows, at_once=ROWS_AT_ONCE)
