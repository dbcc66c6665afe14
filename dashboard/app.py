"""The web application: one Dash shell around the pages, its routes and navigation.

A page module offers two functions, the second where it needs it:

- ``layout(context, query)`` returns the Dash components of the page; ``query`` is the URL's query as a
  dict of strings;
- ``register(app, context)`` adds callbacks and routes, once, before the first request.

To add a page, add its module to `PAGE_MODULES` and its name to `dashboard.words.PAGES`. The page of the
method is apart: the footer of every page leads to it.
"""

import importlib
import logging
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import parse_qsl

import flask
from dash import Dash, Input, Output, State, ctx, dcc, html, set_props
from polars.exceptions import PanicException

from dashboard import damage, theme, words
from dashboard.access import roles
from dashboard.access import words as access_words
from dashboard.access.protection import after_sending, plain, protect, refused_page
from dashboard.access.reach import Reach
from dashboard.access.sign_in import SignIn
from dashboard.api import routes as api
from dashboard.context import PageContext
from dashboard.markup import from_html
from dashboard.pages import board, method
from dashboard.pages import register as register_page
from dashboard.pages.access import AccessPage
from dashboard.privacy import register_words
from ingest.contract.errors import UnderairError

log = logging.getLogger(__name__)

PAGE_MODULES = {
    "/live": "dashboard.pages.live",
    "/review": "dashboard.pages.review",
    "/trends": "dashboard.pages.trends",
}

INDEX = Path(__file__).with_name("templates").joinpath("index.html").read_text(encoding="utf-8")
SESSION_SCRIPT = '<script src="/assets/early/session.js"></script>'


class _Pages(flask.Flask):
    """Answers each request, whatever a library does."""

    def dispatch_request(self) -> Any:
        """Answer; what is no `Exception` would leave the browser waiting for ever."""
        try:
            return super().dispatch_request()
        except PanicException as error:
            raise RuntimeError(f"a library failed: {error}") from error


def create_app(
    context: PageContext,
    pages: dict[str, ModuleType] | None = None,
    reach: Reach | None = None,
    sign_in: SignIn | None = None,
) -> Dash:
    """Return the application, ready to be served; nothing is started and no address is bound.

    - `pages`: path to page module, instead of Live, Review and Trends (for tests of a single page).
    - `reach`: where the pages are reached; without one, on this machine only.
    - `sign_in`: without one, nobody has to sign in.
    """
    if pages is None:
        pages = {path: importlib.import_module(name) for path, name in PAGE_MODULES.items()}
    modules: dict[str, Any] = dict(pages)
    if sign_in is not None:
        modules["/access"] = AccessPage(sign_in)
        modules["/register"] = register_page
    modules["/method"] = method
    if "/review" in modules:
        modules["/board"] = board
    app = Dash(
        __name__,
        server=_Pages(__name__),  # type: ignore[arg-type] # it takes an application, too
        title=words.PRODUCT,
        update_title="",
        index_string=INDEX if sign_in is None else INDEX.replace("</head>", f"{SESSION_SCRIPT}\n</head>"),
        serve_locally=True,
        assets_path_ignore=["early"],
        # Else the layout's data is embedded in the index page for every visitor.
        suppress_callback_exceptions=True,
        health_endpoint="health",
        enable_mcp=False,
        on_error=_said,
    )
    protect(app, reach or Reach(), sign_in)
    style_sheet = theme.css()
    about: list[Any] = [words.footer(context.profile.name), " · ", html.A(words.METHOD, href="/method")]
    app.layout = html.Div(
        [
            dcc.Location(id="address", refresh=False),
            *damage.places(),
            html.Div(html.Main(html.P(words.LOADING), id="page"), id="shell"),
            html.Div(id="failed"),
        ]
    )

    @app.callback(Output("shell", "children"), Input("address", "pathname"), State("address", "search"))
    def show(pathname: str | None, search: str | None) -> Any:
        visitor = roles.visitor()
        allowed = [path for path in modules if visitor.may(roles.PAGES.get(path, roles.NOBODY))]
        path = allowed[0] if pathname in (None, "", "/") else str(pathname)
        query = dict(parse_qsl((search or "").lstrip("?")))
        module, rule = modules.get(path), roles.PAGES.get(path, roles.NOBODY)
        content: Any = html.P(words.NOT_FOUND)
        if module is not None and not visitor.may(rule):
            content = html.P(refused_page(sign_in, visitor, path), role="alert", className="problem")
        elif module is not None:
            subject = plain(f"{path}{search or ''}")
            action = rule.action if rule.each else "page"
            logged = sign_in is None or sign_in.note(visitor, action, subject, once=not rule.each)
            content = (
                module.layout(context, query) if logged or not rule.needs_log else html.P(access_words.NO_LOG)
            )
        return [
            *_header(path, allowed, visitor),
            html.Main(content, id="page", tabIndex="-1"),
            html.Footer(html.P(about), className="bottom"),
        ]

    for module in modules.values():
        if hasattr(module, "register"):
            module.register(app, context)
    damage.register(app, context)
    api.register(app, context)
    app.server.get("/theme.css", endpoint="theme")(lambda: flask.Response(style_sheet, mimetype="text/css"))
    if sign_in is not None:
        sign_in.add_routes(app.server)
        app.server.after_request(after_sending(sign_in))
    return app


def _said(error: Exception) -> Any:
    """Put a sentence in the place of what a callback could not make; else it would say "Loading" for ever."""
    known = isinstance(error, UnderairError)
    log.error("a callback failed: %s", error, exc_info=None if known else error)
    sentence = words.FAILED_BY.format(problem=error) if known else words.FAILED
    message = html.P(sentence, role="alert", className="problem")
    outputs = ctx.outputs_list
    if isinstance(outputs, dict) and outputs["property"] == "children":
        return message
    # A figure stays as it was; the sentence appears at the top.
    set_props("failed", {"children": message})
    return None


def _header(path: str, allowed: list[str], visitor: roles.Visitor) -> list[Any]:
    names = {**words.PAGES, "/register": register_words.REGISTER, "/access": access_words.ACCESS}
    return from_html(
        Path(__file__).with_name("templates") / "header.html.j2",
        words=words,
        # Plain links: a full load leaves nothing of one page running behind the next.
        links=[(href, names[href]) for href in names if href in allowed],
        path=path,
        leave=access_words.SIGN_OUT.format(account=visitor.account) if visitor.account else "",
    )
