"""Tables that sort and search in the browser: sent as data, built by `assets/listing.js` as native markup.

A table of a thousand rows as Dash components blocks the page for seconds; as data it does not.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from dash import html

from dashboard.elements import data
from dashboard.rows import Table, cell

__all__ = ["cell", "listing", "shown"]
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
    content = {
        "caption": table.caption,
        "note": table.note,
        "heads": list(table.heads),
        "rows": table.rows,
        "empty": table.empty,
        "search": list(table.search) if table.search else None,
        "numeric": list(table.numeric),
        "page": at_once,
        "more": MORE_ROWS,
        "found": FOUND_ROWS,
    }
    told = json.dumps(content, ensure_ascii=False)
    return html.Div(id=table.name, className="listing", **data(listing=told))
