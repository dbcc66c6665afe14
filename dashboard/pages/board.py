"""The board as it was: the live page of any past moment, `/board?at=2031-05-04T19:53:00Z`."""

from typing import Any

import flask
import msgspec
from dash import Dash, html

from dashboard.access.protection import sentence
from dashboard.context import PageContext
from dashboard.elements import data
from dashboard.live import view as live_view
from dashboard.live import words as live_words
from dashboard.live.as_it_was import NoMoment, PastBoards, moment
from dashboard.live.display import display_of


def layout(context: PageContext, query: dict[str, str]) -> list[Any]:
    """Return the shell; the live page's own script fills it, and neither sends nor sounds."""
    del context
    try:
        at = moment(query.get("at", ""))
    except NoMoment as problem:
        return [html.H1(live_words.BOARD_TITLE), html.P(str(problem), role="alert", className="problem")]
    words = {
        **live_words.PAGE,
        **live_words.PAST_PAGE,
        "may_send": False,
        "read_only": live_words.PAST_READ_ONLY,
    }
    shown_at = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    told = data(words=msgspec.json.encode(words).decode(), at=shown_at)
    return [html.H1(live_words.BOARD_TITLE, className="unseen"), html.Div(id="live", **told)]


def register(app: Dash, context: PageContext) -> None:
    """Add the routes that the script asks for a past moment; `protect` answers 400 for one that is none."""
    server: flask.Flask = app.server
    past = PastBoards(context.archive, context.profile)

    @server.get("/board.json")
    def board_json() -> flask.Response:
        display = display_of(flask.request.args.get("units"), flask.request.args.get("offset"))
        if display is None:
            return sentence(live_words.NO_SUCH_DISPLAY, 400)
        response = flask.jsonify(past.picture(moment(flask.request.args.get("at", "")), display))
        response.headers["X-Underair-Age-Ms"] = "0"
        return response

    @server.get("/board/lines.json")
    def board_lines_json() -> flask.Response:
        return flask.jsonify(live_view.lines(past.lines(moment(flask.request.args.get("at", "")))))
