"""The live page: Dash gives the shell, a small script in `assets/` paints what `/live.json` says.

Dash's own updates of an HTML table block the browser for seconds at 200 rows; one small JSON answer and a
keyed update of what changed does not.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import flask
import msgspec
from dash import Dash, html

from analysis.live.rows import Snapshot
from analysis.wears.calls import ACKNOWLEDGED_BY_VOICE
from dashboard.access import words as access_words
from dashboard.access.protection import refusal, sentence
from dashboard.access.roles import SEND, visitor
from dashboard.context import PageContext
from dashboard.elements import data
from dashboard.live import view as live_view
from dashboard.live import words as live_words
from dashboard.live.display import display_of
from dashboard.live.feed import Feed
from dashboard.own_incidents import why_not_sent
from dashboard.units import UNITS
from ingest.contract.errors import BrokerProblem, RefusedMessage
from ingest.contract.kinds import DESK_KINDS
from ingest.receipt_clock import steady_s

LARGEST_REQUEST_BYTES = 8 * 1024


def layout(context: PageContext, query: dict[str, str]) -> list[Any]:
    """Return the page's shell; the script fills `#live`."""
    del query
    may_write = visitor().may(SEND)
    words = {
        **live_words.PAGE,
        "order_by_voice": ACKNOWLEDGED_BY_VOICE,
        "may_send": context.desk is not None and may_write,
        "read_only": live_words.NO_DESK if may_write else access_words.WATCH_ONLY,
    }
    told = data(words=msgspec.json.encode(words).decode())
    return [html.H1(live_words.TITLE, className="unseen"), html.Div(id="live", **told)]


def register(app: Dash, context: PageContext) -> None:
    """Add the page's routes: the picture, the lines so far, and what a desk sends."""
    server: flask.Flask = app.server
    feed = context.feed
    if feed is None:
        return

    @server.get("/live.json")
    def live_json() -> flask.Response:
        if not feed.alive:
            return flask.jsonify(live_view.not_live(feed.token, live_words.FEED_STOPPED))
        display = display_of(flask.request.args.get("units"), flask.request.args.get("offset"))
        if display is None:
            return sentence(live_words.NO_SUCH_DISPLAY, 400)
        answer = feed.answer
        response = _packed(answer.packed(display))
        # A feed that hangs must not look alive: the page compares this age with its own limit.
        response.headers["Server-Timing"] = f"tick;dur={feed.last_tick_ms:.1f}"
        response.headers["X-Underair-Age-Ms"] = str(round((steady_s() - answer.made_s) * 1000))
        response.headers["X-Underair-Session-Ends"] = str(round(visitor().ends_at))
        return response

    @server.get("/live/lines.json")
    def lines_json() -> flask.Response:
        return _packed(feed.lines.packed())

    @server.post("/live/desk/<kind>")
    def send(kind: str) -> flask.Response:
        refused = refusal(feed.token, LARGEST_REQUEST_BYTES, live_words.TOO_LARGE)
        if refused is not None:
            return refused
        if context.desk is None:
            return sentence(live_words.NO_DESK, 409)
        if kind not in DESK_KINDS:
            return sentence(live_words.NO_SUCH_ACTION, 404)
        try:
            fields = flask.request.get_json(silent=True)
        except RecursionError:  # brackets in brackets: no page of ours sends any
            return sentence(access_words.NOT_READ, 400)
        if not isinstance(fields, dict):
            return sentence(access_words.NOT_READ, 400)
        services = _services_meant(feed, kind, fields)
        if not services:
            known = ", ".join(feed.services) or live_words.NO_SERVICE
            return sentence(live_words.WHICH_SERVICE.format(services=known), 409)
        if kind == "gauge" and not _read_in_bar(fields):
            return sentence(live_words.NO_PRESSURE, 400)
        reason = why_not_sent(context, kind, fields)
        if reason is not None:
            return sentence(reason, 409)
        desk, account, sent = context.desk, visitor().account, list[str]()
        try:
            for service in services:
                sent.append(desk.send(kind, service, fields, _standing(feed, desk.desk_id, service), account))
        except UnicodeEncodeError:  # half a character: no text at all
            return sentence(access_words.NOT_READ, 400)
        except RefusedMessage as problem:
            return sentence(problem.reason, 422)  # the path is for makers of sets
        except BrokerProblem as problem:
            said = live_words.NOT_SENT.format(problem=problem)
            if sent:
                done, left = (", ".join(some) for some in (services[: len(sent)], services[len(sent) :]))
                said = live_words.SENT_IN_PART.format(done=done, left=left, problem=said)
            return sentence(said, 502)
        return flask.jsonify(sent=" ".join(sent))


def _services_meant(feed: Feed, kind: str, fields: Mapping[str, Any]) -> tuple[str, ...]:
    """Return to whose sets and desks a message goes; none when that is not clear.

    A row and a line name their service. An order or a roll call for an incident is for everybody there, of
    whatever service; `chosen_service` is what the form says for whoever is new.
    """
    own, chosen = (fields.get(name) for name in ("service", "chosen_service"))
    if isinstance(own, str) and own:
        return (own,)
    there = _services_there(feed.snapshot, fields)
    if there and kind in ("order", "roll_call"):
        return there
    if isinstance(chosen, str) and chosen and (chosen in feed.services or not feed.services):
        return (chosen,)
    return next((found for found in (there, feed.services) if len(found) == 1), ())


def _services_there(snapshot: Snapshot | None, fields: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the services that have somebody at an incident; of a team, those that have such a team."""
    incident_id, team = fields.get("incident_id"), fields.get("team")
    if snapshot is None or not isinstance(incident_id, str):
        return ()
    rows = [row for row in snapshot.rows if team and row.team == team and incident_id in row.incidents]
    of_team = tuple(sorted({row.service for row in rows}))
    return of_team or snapshot.incident_services.get(incident_id, ())


def _read_in_bar(fields: dict[str, Any]) -> bool:
    """Put the pressure that was read off a gauge, in the page's units, into bar; return whether it is one."""
    shown, units = fields.get("pressure_shown"), fields.get("units")
    if not isinstance(shown, int | float) or units not in UNITS:
        return False
    fields["pressure_bar"] = round(shown / UNITS[units].factor["pressure"], 2)
    return True


def _standing(feed: Feed, desk_id: str, service: str) -> list[dict[str, Any]]:
    """Return the orders of this desk to a service that are in force by the archive."""
    orders = feed.snapshot.orders if feed.snapshot is not None else ()
    said = ("incident_id", "order", "team", "set_id")
    return [
        {name: getattr(one, name) for name in said if getattr(one, name) is not None}
        | {"since": datetime.fromtimestamp(one.given_at, UTC).isoformat(timespec="milliseconds")}
        for one in orders
        if one.desk_id == desk_id and one.service in ("", service)
    ]


def _packed(packed: bytes) -> flask.Response:
    return flask.Response(packed, mimetype="application/json", headers={"Content-Encoding": "gzip"})
