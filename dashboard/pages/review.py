"""The review page: incidents and wears to find, and the investigator's bench for one incident.

The page's script (`assets/review.js`) owns the view and keeps it in the URL; the server draws what it is
asked for and thins it again at every zoom. If an analysis is needed first, the page says so at once.
"""

from __future__ import annotations

import secrets
from typing import Any

from dash import Dash, Input, Output, Patch, ctx, dcc, html, no_update

from dashboard.access.roles import SEND, visitor
from dashboard.context import PageContext
from dashboard.evidence.routes import add_routes
from dashboard.results_store import store_of
from dashboard.review import bench as bench_parts
from dashboard.review import words
from dashboard.review.figures import lanes_update, x_axis
from dashboard.review.finder import incident_listing, wear_listing
from dashboard.review.view import BadView, Look, bench_of, request_of
from ingest.contract.errors import UnderairError

# A form on a foreign page cannot know it; new with every start of the server.
TOKEN = secrets.token_urlsafe(24)


def layout(context: PageContext, query: dict[str, str]) -> Any:
    """Return the list of incidents and wears, or the bench when the query names an incident.

    What is not analysed yet comes by a callback of its own, so that the page says at once what is going on.
    """
    key = query.get("incident")
    if store_of(context).is_ready(key):
        return _content(context, query)
    waiting = words.ANALYSING.format(incident=key) if key else words.ANALYSING_ALL
    return html.Div(
        [
            dcc.Store(id="review-wanted", data=query),
            html.Div(
                html.Div(
                    [html.P(waiting, role="status"), html.P(words.ANALYSING_NOTE, className="note")],
                    className="review waiting",
                ),
                id="review-content",
            ),
        ]
    )


def register(app: Dash, context: PageContext) -> None:
    """Add the callbacks that draw a view, and the routes that tell a moment and its messages."""
    bench = bench_of(store_of(context))

    @app.callback(Output("review-content", "children"), Input("review-wanted", "data"))
    def analysed(query: dict[str, str]) -> Any:
        return _content(context, query)

    @app.callback(
        Output("review-lanes", "figure"),
        Output("review-overview", "figure"),
        Output("review-shown", "children"),
        Input("review-picture", "data"),
        Input("review-window", "data"),
        prevent_initial_call=True,
    )
    def draw(picture: dict[str, str], window: dict[str, str] | None) -> Any:
        if not isinstance(picture, dict) or not isinstance(window, dict | None):
            raise BadView("a view must be an object of texts")
        look = bench.look(request_of({**picture, **(window or {})}), following=True)
        only_zoomed = {part["prop_id"] for part in ctx.triggered} == {"review-window.data"}
        return _zoomed(look) if only_zoomed else bench_parts.drawn(look)

    add_routes(app.server, context, TOKEN)


def _content(context: PageContext, query: dict[str, str]) -> Any:
    if not query.get("incident"):
        return _finder(context)
    try:
        look = bench_of(store_of(context)).look(request_of(query))
    except UnderairError as error:
        return html.Div([html.P(str(error), role="alert", className="problem"), _finder(context)])
    # A note must have an incident to name.
    writes = visitor().may(SEND) and look.record.about["incident_id"] is not None
    return bench_parts.bench(look, TOKEN if writes else None)


def _finder(context: PageContext) -> Any:
    store = store_of(context)
    return html.Div(
        [html.H1(words.FINDER_TITLE), incident_listing(store.incidents()), wear_listing(store.wears())],
        className="review finder",
    )


def _zoomed(look: Look) -> tuple[Any, Any, str]:
    """Return only new arrays, range and ticks: a third of the bytes of a whole figure, and no new axes."""
    view = look.view
    changes, shown = lanes_update(look.lanes, look.desk, look.window, view, look.scales)
    lanes = Patch()
    for index, parts in changes.items():
        for name, value in parts.items():
            lanes["data"][index][name] = value
    for name, value in x_axis(look.window, view.clock, view.plot_px).items():
        lanes["layout"]["xaxis"][name] = value
    return lanes, no_update, shown.text()
