"""Native elements that several pages have: attributes of ARIA, plain tables, choices as links, plots."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dash import dcc, html

from dashboard.theme import GRAPH_CONFIG

PLOT_CONFIG: Any = {**GRAPH_CONFIG, "displayModeBar": False, "responsive": True}


def aria(**names: str) -> dict[str, Any]:
    """Return ARIA attributes as Dash takes them."""
    return {f"aria-{name}": value for name, value in names.items()}


def data(**names: str) -> dict[str, Any]:
    """Return attributes for a script as Dash takes them: `data(at="…")` is read there as `dataset.at`."""
    return {f"data-{name.replace('_', '-')}": value for name, value in names.items()}


def current(here: bool) -> dict[str, Any]:
    """Return what marks a link as the one that is chosen."""
    return aria(current="true") if here else {}


def choices(label: str, links: Iterable[tuple[str, str, bool]]) -> html.Nav:
    """Return a choice as links after its name: (text, address, whether it is chosen)."""
    shown = [html.A(text, href=href, **current(here)) for text, href, here in links]
    return html.Nav([html.Span(label, className="group-name"), *shown], **aria(label=label))


def table(heads: Sequence[str | None], rows: Iterable[Sequence[Any]], *, named: bool = True) -> html.Table:
    """Return a plain table; a column of buttons has no head (None), a row's first cell is one if `named`."""
    head = html.Thead(html.Tr([html.Td() if text is None else html.Th(text, scope="col") for text in heads]))
    body = [
        html.Tr([html.Th(row[0], scope="row") if named else html.Td(row[0]), *map(html.Td, row[1:])])
        for row in rows
    ]
    return html.Table([head, html.Tbody(body)])


def scroller(wide: Any) -> html.Div:
    """Return a frame in which something wide scrolls sideways, with the keyboard, too."""
    return html.Div(wide, className="scroller", tabIndex=0)


def plotted(name: str, figure: dict[str, Any], label: str) -> html.Div:
    """Return a plot, for whom cannot see it the words that say the same."""
    height = {"height": figure["layout"]["height"]}
    graph = dcc.Graph(id=name, figure=figure, config=PLOT_CONFIG, style=height)
    return html.Div(graph, role="img", **aria(label=label))
