"""Tables that sort and search in the browser: sent as data, built by `assets/listing.js` as native markup.

A table of a thousand rows as Dash components blocks the page for seconds; as data it does not.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from dash import html

MOST_ROWS_AT_ONCE = 200
MORE_ROWS = "Show {count} more"
FOUND_ROWS = "{shown} of {total}"


def cell(text: str, value: float | str | None = None, href: str | None = None, jump: Any = None) -> Any:
    """Return one cell: its text, what it sorts by, where it leads, or the view that it jumps to."""
    if value is None and href is None and jump is None:
        return text
    found: dict[str, Any] = {"t": text}
    if value is not None and value == value:
        found["v"] = value
    if href is not None:
        found["href"] = href
    if jump is not None:
        found["jump"] = jump
    return found


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
    """Return a table.

    Parameters
    ----------
    name : str
        Its id on the page.
    caption, heads
        Words above it and above its columns.
    rows : iterable of sequences
        Texts, or cells made by `cell`.
    note : str
        A sentence under the caption.
    empty : str
        What stands there when it has no row.
    search : (label, hint), optional
        Words of a search box, when it shall have one.
    numeric : sequence of int
        Columns that are set to the right.
    at_once : int
        Rows that are shown before somebody asks for more.
    """
    made = [list(row) for row in rows]
    odd = next((row for row in made if len(row) != len(heads)), None)
    if odd is not None:
        raise ValueError(f"{name}: a row has {len(odd)} cells, but there are {len(heads)} heads")
    data = {
        "caption": caption,
        "note": note,
        "heads": list(heads),
        "rows": made,
        "empty": empty,
        "search": list(search) if search else None,
        "numeric": list(numeric),
        "page": at_once,
        "more": MORE_ROWS,
        "found": FOUND_ROWS,
    }
    attributes: dict[str, Any] = {"data-listing": json.dumps(data, ensure_ascii=False)}
    return html.Div(id=name, className="listing", **attributes)
