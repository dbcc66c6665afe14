"""The web application: one Dash shell around three pages, its routes, navigation and security headers.

A page module offers two functions:

- ``layout(context, query)`` returns the Dash components of the page; ``query`` is the URL's query as a
  dict of strings;
- ``register(app, context)`` adds callbacks and routes, once, before the first request.

To add a page, add its module to `PAGE_MODULES` and its name to `dashboard.words.PAGES`.
"""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import Any
from urllib.parse import parse_qsl

import flask
from dash import Dash, Input, Output, State, dcc, html

from dashboard import theme, words
from dashboard.context import Context

PAGE_MODULES = {
    "/live": "dashboard.live_page",
    "/review": "dashboard.review_page",
    "/trends": "dashboard.trends_page",
}

INDEX = f"""<!DOCTYPE html>
<html lang="en-GB">
<head>
{{%metas%}}
<title>{{%title%}}</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/theme.css">
<script src="/assets/early/theme.js"></script>
{{%css%}}
</head>
<body>
<noscript><p>{words.NEEDS_SCRIPT}</p></noscript>
{{%app_entry%}}
{{%config%}}
{{%scripts%}}
{{%renderer%}}
</body>
</html>"""


def create_app(context: Context, pages: dict[str, ModuleType] | None = None) -> Dash:
    """Return the application, ready to be served; nothing is started and no address is bound.

    Parameters
    ----------
    context : Context
        What the pages work on.
    pages : dict of str to module, optional
        Path to page module, instead of the three of the product (for tests of a single page).
    """
    modules = pages if pages is not None else _page_modules()
    app = Dash(
        __name__,
        title=words.PRODUCT,
        update_title="",
        index_string=INDEX,
        serve_locally=True,
        assets_path_ignore=["early"],
        # Else the layout's data is embedded in the index page for every visitor.
        suppress_callback_exceptions=True,
        health_endpoint="health",
        enable_mcp=False,
    )
    app.layout = html.Div(
        [
            dcc.Location(id="address", refresh=False),
            html.Div(html.Main(html.P(words.LOADING), id="page"), id="shell"),
        ]
    )

    @app.callback(Output("shell", "children"), Input("address", "pathname"), State("address", "search"))
    def show(pathname: str | None, search: str | None) -> list[Any]:
        path = "/live" if pathname in (None, "", "/") else str(pathname)
        query = dict(parse_qsl((search or "").lstrip("?")))
        module = modules.get(path)
        content = html.P(words.NOT_FOUND) if module is None else module.layout(context, query)
        return [*_header(path), html.Main(content, id="page", tabIndex="-1"), _footer(context)]

    for module in modules.values():
        module.register(app, context)
    _add_routes(app)
    return app


def _page_modules() -> dict[str, ModuleType]:
    return {path: importlib.import_module(name) for path, name in PAGE_MODULES.items()}


def _header(path: str) -> list[Any]:
    links = [
        # Plain links: a full load leaves nothing of one page running behind the next.
        html.Li(html.A(name, href=href, **_aria(current="page") if href == path else {}))
        for href, name in words.PAGES.items()
    ]
    return [
        html.A(words.SKIP, href="#page", className="skip"),
        html.Header(
            [
                html.Span(words.PRODUCT, className="product"),
                html.Nav(html.Ul(links), **_aria(label=words.NAVIGATION)),
                html.P(words.CAUTION, className="caution"),
                html.Button(words.THEME_BUTTON, id="theme-button", type="button"),
            ],
            className="top",
        ),
    ]


def _aria(**names: str) -> dict[str, Any]:
    return {f"aria-{name}": value for name, value in names.items()}


def _footer(context: Context) -> Any:
    return html.Footer(html.P(words.footer(context.profile.name)), className="bottom")


def _add_routes(app: Dash) -> None:
    server: flask.Flask = app.server
    # A foreign Host header is refused: a name that an attacker re-points to this machine reads nothing.
    server.config["TRUSTED_HOSTS"] = ["127.0.0.1", "localhost", "[::1]"]
    server.config["MAX_CONTENT_LENGTH"] = 256 * 1024
    style_sheet = theme.css()
    hashes: list[str] = []

    @server.get("/theme.css")
    def theme_css() -> flask.Response:
        return flask.Response(style_sheet, mimetype="text/css")

    @server.after_request
    def secure(response: flask.Response) -> flask.Response:
        if not hashes:  # known only when every callback is registered
            hashes.extend(app.csp_hashes())
        for name, value in security_headers(hashes).items():
            response.headers.setdefault(name, value)
        if not flask.request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers["Cache-Control"] = "no-store"
        return response


def security_headers(script_hashes: list[str]) -> dict[str, str]:
    """Return the headers of every response; scripts are ours or among the hashes, and nothing may frame us.

    Inline styles are allowed because plotly and Dash's components write them; inline scripts are not.
    """
    policy = {
        "default-src": "'none'",
        "script-src": " ".join(["'self'", *script_hashes]),
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self' data:",
        "connect-src": "'self'",
        "base-uri": "'none'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    return {
        "Content-Security-Policy": "; ".join(f"{key} {value}" for key, value in policy.items()),
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    }
