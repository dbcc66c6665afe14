"""A refusal as a page, for a visitor who followed a link or typed an address; scripts get it as JSON."""

from __future__ import annotations

import html

import flask

from dashboard.access import words
from dashboard.access.bare_page import bare_page
from dashboard.words import CAUTION, PRODUCT

_BODY = """<header class="top"><span class="product">{product}</span><p class="caution">{caution}</p></header>
<main id="page">
<h1>{title}</h1>
<p role="alert" class="problem">{problem}</p>
<p><a href="/">{back}</a></p>
</main>"""


def as_page(request: flask.Request, response: flask.Response) -> flask.Response:
    """Return a refusal as it is, or as a page where a person would else read JSON.

    Parameters
    ----------
    request : Request
        One by which a browser opens a page says so in `Sec-Fetch-Mode`.
    response : Response
        Of status 400 or more; one that is a page already stays.
    """
    told = response.get_json(silent=True) if response.is_json else None
    problem = told.get("problem") if isinstance(told, dict) else None
    if request.headers.get("Sec-Fetch-Mode") != "navigate" or not isinstance(problem, str):
        return response
    body = _BODY.format(
        title=words.NOT_DONE,
        product=PRODUCT,
        caution=html.escape(CAUTION),
        problem=html.escape(problem[:1].upper() + problem[1:]),
        back=words.TO_THE_PAGES,
    )
    response.set_data(bare_page(words.NOT_DONE, body))
    response.mimetype = "text/html"
    return response
