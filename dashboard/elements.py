"""Native elements that several pages have: attributes of ARIA, tables, choices as links, plots.

A long table that sorts and searches is sent as data, and `assets/listing.js` builds it: a table of a thousand
rows as Dash components blocks the page for seconds.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Any

from dash import dcc, html

from dashboard.rows import Table
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


def table(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> html.Table:
    """Return a plain table; a row's first cell is its head."""
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in heads]))
    body = [html.Tr([html.Th(row[0], scope="row"), *map(html.Td, row[1:])]) for row in rows]
    return html.Table([head, html.Tbody(body)])


def panel(title: str, *body: Any, name: str = "", kind: str = "") -> html.Section:
    """Return a section with its heading; `name` is its id, `kind` a class besides that of a panel."""
    named: dict[str, Any] = {"id": name} if name else {}
    return html.Section([html.H2(title), *body], className=f"panel {kind}".strip(), **named)


def wide(heads: Sequence[str], rows: Iterable[Sequence[str]], *, named: bool = True) -> html.Div:
    """Return a plain table of texts in a frame that scrolls sideways, with the keyboard, too; as data."""
    told = json.dumps(
        {"heads": heads, "rows": [list(row) for row in rows], "named": named}, ensure_ascii=False
    )
    return html.Div(className="scroller", tabIndex=0, **data(plain=told))


def plotted(name: str, figure: dict[str, Any], label: str) -> html.Div:
    """Return a plot, for whom cannot see it the words that say the same."""
    height = {"height": figure["layout"]["height"]}
    graph = dcc.Graph(id=name, figure=figure, config=PLOT_CONFIG, style=height)
    return html.Div(graph, role="img", **aria(label=label))


MOST_ROWS_AT_ONCE = 200
MORE_ROWS = "Show {count} more"
FOUND_ROWS = "{shown} of {total}"


def listing(
    name: str,
    caption: str,
    heads: Sequence[str],
    rows: Iterable[Sequence[Any]],
    note: str = "",
    empty: str = "",
    search: tuple[str, str] | None = None,
    numeric: Sequence[int] = (),
    at_once: int = MOST_ROWS_AT_ONCE,
) -> html.Div:
    """Return a table: `Table` says what each word is; `at_once` rows appear before somebody asks for more."""
    made = [list(row) for row in rows]
    return shown(Table(name, caption, heads, made, note, empty, numeric, search), at_once)


def shown(table: Table, at_once: int = MOST_ROWS_AT_ONCE) -> html.Div:
    """Return a table that was made already."""
    more = {"numeric": list(table.numeric), "page": at_once, "more": MORE_ROWS, "found": FOUND_ROWS}
    told = json.dumps(vars(table) | more, ensure_ascii=False)
    return html.Div(id=table.name, className="listing", **data(listing=told))
