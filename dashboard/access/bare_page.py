"""A page without Dash: for who may not see the others, or cannot."""

from __future__ import annotations

from html import escape

from dashboard.words import PRODUCT

_HEAD = """<!DOCTYPE html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title} · {product}</title>
<link rel="icon" href="data:,">
{styles}
<script src="/assets/early/theme.js"></script>
</head>
"""


def bare_page(title: str, body: str, *styles: str) -> str:
    """Return a page in the look of the others.

    Parameters
    ----------
    title : str
        Plain text.
    body : str
        HTML.
    *styles : str
        Further style sheets, by name in `assets`.
    """
    places = ["/theme.css", *(f"/assets/{name}" for name in ("shell.css", *styles))]
    links = "\n".join(f'<link rel="stylesheet" href="{place}">' for place in places)
    head = _HEAD.format(title=escape(title), product=PRODUCT, styles=links)
    return f"{head}<body>\n{body}\n</body>\n</html>"
