"""Pages without Dash, for visitors who may not see the others, or cannot; a refusal as a page."""

from __future__ import annotations

from html import escape

import flask

from dashboard.access import words
from dashboard.words import CAUTION, PRODUCT

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
_BODY = """<header class="top"><span class="product">{product}</span><p class="caution">{caution}</p></header>
<main id="page">
<h1>{title}</h1>
<p role="alert" class="problem">{problem}</p>
<p><a href="/">{back}</a></p>
</main>"""


def bare_page(title: str, body: str, *styles: str) -> str:
    """Return a page in the look of the others.

    `*styles`: further style sheets, by name in `assets`.
    """
    places = ["/theme.css", *(f"/assets/{name}" for name in ("shell.css", *styles))]
    links = "\n".join(f'<link rel="stylesheet" href="{place}">' for place in places)
    head = _HEAD.format(title=escape(title), product=PRODUCT, styles=links)
    return f"{head}<body>\n{body}\n</body>\n</html>"


def as_page(request: flask.Request, response: flask.Response) -> flask.Response:
    """Return a refusal as it is, or as a page where a person would else read JSON.

    - `request`: one by which a browser opens a page says so in `Sec-Fetch-Mode`.
    - `response`: of status 400 or more; one that is a page already stays.
    """
    told = response.get_json(silent=True) if response.is_json else None
    problem = told.get("problem") if isinstance(told, dict) else None
    if request.headers.get("Sec-Fetch-Mode") != "navigate" or not isinstance(problem, str):
        return response
    body = _BODY.format(
        title=words.NOT_DONE,
        product=PRODUCT,
        caution=escape(CAUTION),
        problem=escape(problem[:1].upper() + problem[1:]),
        back=words.TO_THE_PAGES,
    )
    response.set_data(bare_page(words.NOT_DONE, body))
    response.mimetype = "text/html"
    return response
