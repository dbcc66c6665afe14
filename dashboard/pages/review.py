"""The review page: incidents and wears to find, the bench for one incident, and what its script asks.

The page's script (`assets/review.js`) owns the view and keeps it in the URL; the server draws what it is
asked for and thins it again at every zoom. If an analysis is needed first, the page says so at once.
"""

import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Any
from urllib.parse import urlencode

import flask
import polars as pl
from dash import Dash, Input, Output, Patch, ctx, dcc, html, no_update

from dashboard.access import words as access_words
from dashboard.access.protection import attached, refusal, sentence
from dashboard.access.roles import REVIEW, SEND, visitor
from dashboard.context import PageContext
from dashboard.elements import listing
from dashboard.evidence import notes
from dashboard.own_incidents import sees_incident
from dashboard.results_store import UnknownIncident, store_of
from dashboard.review import bench as bench_parts
from dashboard.review import words
from dashboard.review.clock import moment_of
from dashboard.review.figures import lanes_update, x_axis
from dashboard.review.moment import evidence_of, messages_behind, messages_of_evidence, readout
from dashboard.review.setting import cells, day_and_time, seconds
from dashboard.review.view import BadView, Bench, Look, request_of
from dashboard.rows import cell
from dashboard.units import UNITS
from ingest.contract.errors import BrokerProblem, RefusedMessage, UnderairError
from ingest.contract.times import rfc3339

# A form on a foreign page cannot know it; new with every start of the server.
TOKEN = secrets.token_urlsafe(24)
LARGEST_NOTE_BYTES = 16 * 1024


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
    """Add the callbacks that draw a view, and the routes that return a moment and its messages."""
    bench = Bench(store_of(context))

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

    _add_routes(app.server, context, bench)


def _content(context: PageContext, query: dict[str, str]) -> Any:
    if not query.get("incident"):
        return _finder(context)
    try:
        look = Bench(store_of(context)).look(request_of(query))
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


def incident_listing(incidents: pl.DataFrame) -> html.Div:
    """Return the list of incidents, each leading to its bench."""
    rows = []
    for row in incidents.iter_rows(named=True):
        if row["problem"]:
            # Its line says so; the others are unaffected.
            told = words.NOT_ANALYSED.format(problem=row["problem"])
            rows.append([told, "–", day_and_time(row["started"]), *["–"] * 5])
            continue
        name = row["name"] or row["incident_id"] or words.UNTALLIED_NAME
        title = f"{name} ({row['incident_id']})" if row["name"] and row["incident_id"] else name
        lasted = (row["ended"] - row["started"]).total_seconds() if row["started"] and row["ended"] else None
        graver = [(row["serious"], words.SEVERITY["serious"]), (row["cautions"], words.SEVERITY["caution"])]
        findings = (
            ", ".join(f"{count} {text}".replace(" ", "\N{NO-BREAK SPACE}") for count, text in graver if count)
            or words.NO_ROWS
        )
        rows.append(
            [
                cell(title, href="/review?" + urlencode({"incident": row["key"]})),
                *cells(row, "place", "started"),
                seconds(lasted),
                *cells(row, "wearers", "wears", "alarms"),
                cell(findings, value=1000 * row["serious"] + row["cautions"]),
            ]
        )
    return listing(
        "review-incidents",
        words.INCIDENTS,
        words.INCIDENT_HEADS,
        rows,
        empty=words.NO_INCIDENTS,
        search=(words.FIND, words.FIND_INCIDENT_HINT),
        numeric=(4, 5, 6),
    )


def wear_listing(wears: pl.DataFrame) -> html.Div:
    """Return the table of the wears of the whole archive."""
    rows = []
    for row in wears.sort("started", descending=True).iter_rows(named=True):
        address = {"incident": row["incident_key"], "people": row["wearer_id"] or row["set_id"]}
        rows.append(
            [
                *cells(row, "wearer_id", "team", "set_id"),
                row["incident_id"] or row["incident_key"],
                {**day_and_time(row["started"]), "href": "/review?" + urlencode(address)},
                seconds((row["ended"] - row["started"]).total_seconds()),
                *cells(row, "start_bar", "end_bar", "free_air_l", "mean_l_min", "low_air_s", "gap_s"),
            ]
        )
    return listing(
        "review-wears",
        words.WEARS,
        words.WEAR_HEADS,
        rows,
        empty=words.NO_ROWS,
        search=(words.FIND, words.FIND_WEAR_HINT),
        numeric=(5, 6, 7, 8, 9, 10, 11),
    )


def _add_routes(server: flask.Flask, context: PageContext, bench: Bench) -> None:
    """Add what the script asks for beside figures. `protect` answers 400 for a view that makes no sense."""
    server.register_error_handler(UnknownIncident, lambda problem: sentence(problem, 404))

    def looked(answer: Callable[[Look], flask.Response]) -> flask.Response:
        return answer(bench.look(request_of(flask.request.args.to_dict()), following=True))

    for path, view in {
        "moment": partial(looked, _moment),
        "messages": partial(looked, _messages),
        "evidence": partial(looked, _evidence),
        "export": partial(looked, _exported),
        "lanes.svg": partial(looked, _lanes_drawn),
        "report": partial(_reported, context),
        "note": partial(_kept, bench),
    }.items():
        server.add_url_rule(f"/review/{path}", f"review {path}", view)

    @server.post("/review/note")
    def note() -> flask.Response:
        checked = bool(visitor().account)
        refused = refusal(TOKEN, LARGEST_NOTE_BYTES, words.NOTE_TOO_LARGE, checked=checked)
        return refused or _written(bench, context)


def _at(look: Look) -> float:
    if look.request.at_ms is None:
        raise BadView("at must be a moment in milliseconds, got none")
    return look.request.at_ms


def _moment(look: Look) -> flask.Response:
    at = _at(look)
    return flask.jsonify(
        clock=look.clock.date_and_time(at),
        time=look.clock.date_and_time(at)[len("2031-05-04 ") :],
        zone=look.clock.name(moment_of(at)),
        note=words.DOSE_NOTE,
        board=f"/board?{urlencode({'at': rfc3339(moment_of(at))})}",
        people=[
            {"title": person.title(), "rows": readout(person, at, look.view.units)} for person in look.lanes
        ],
    )


def _messages(look: Look) -> flask.Response:
    wear_ids = [wear for person in look.lanes for wear in person.wear_ids]
    rows = messages_behind(look.record, wear_ids, _at(look), look.clock)
    note = words.MESSAGES_HINT if rows else words.NO_MESSAGES
    return flask.jsonify(title=words.MESSAGES, note=note, heads=words.MESSAGE_HEADS, rows=rows)


def _evidence(look: Look) -> flask.Response:
    code, named = evidence_of(look.record.results, flask.request.args.get("finding", ""))
    rows = messages_of_evidence(look.record, named, look.clock)
    note = words.EVIDENCE_NOTE.format(shown=len(rows), total=len(named))
    about = {"text": words.ABOUT_FINDING, "href": f"/method?document=findings#{code}"}
    return flask.jsonify(title=words.EVIDENCE, note=note, about=about, heads=words.MESSAGE_HEADS, rows=rows)


def _exported(look: Look) -> flask.Response:
    """Answer with the visible rows as a file."""
    from dashboard.evidence.export import rows_as_csv, rows_as_parquet

    form = flask.request.args.get("format", "csv")
    if form == "csv":
        return _file(look, rows_as_csv(look), "text/csv", form)
    if form == "parquet":
        return _file(look, rows_as_parquet(look), "application/vnd.apache.parquet", form)
    raise BadView(f"format must be csv or parquet, got {form!r}")


def _lanes_drawn(look: Look) -> flask.Response:
    """Answer with the lanes as the page shows them, as an SVG file."""
    from dashboard.evidence.svg import svg_of
    from dashboard.review.figures import lanes_figure

    figure, _ = lanes_figure(look.lanes, look.desk, look.window, look.view, look.scales)
    drawn = svg_of(figure, look.view.plot_px, words.LANES_LABEL, alone=True)
    return _file(look, drawn, "image/svg+xml", "svg")


def _file(look: Look, content: bytes | str, kind: str, ending: str) -> flask.Response:
    # Incident and window only: nothing that came in as text gets into a file's name.
    name = f"{look.record.about['key']}-{moment_of(look.window.start):%Y-%m-%dT%H%M%SZ}.{ending}"
    return attached(content, kind, name)


def _reported(context: PageContext) -> flask.Response:
    """Answer with the incident's report as a file."""
    from dashboard.evidence.case import incident_of_archive
    from dashboard.evidence.report import report_html

    asked = request_of(flask.request.args.to_dict())
    try:
        record, origin = incident_of_archive(
            context.archive.folder, context.profile, asked.incident, datetime.now(UTC)
        )
    except UnderairError as problem:
        return sentence(problem, 404)
    # As the page shows it.
    page = report_html(record, context.profile, origin, UNITS[asked.units], asked.zone)
    return attached(page, "text/html", f"{record.about['key']}.html")


def _written(bench: Bench, context: PageContext) -> flask.Response:
    form = flask.request.get_json(silent=True)
    if not isinstance(form, dict):
        return sentence(access_words.NOT_READ, 400)
    incident = str(form.get("incident", ""))
    if not sees_incident(context, incident):
        # The same answer as for a missing incident, so that nobody learns which incidents exist.
        return sentence(words.NOTE_NOT_YOURS, 404)
    try:
        look = bench.look(request_of({"incident": incident}))
        if look.record.about["incident_id"] is None:
            return sentence(words.NOTE_NEEDS_INCIDENT, 409)
        fields = notes.fields_of(form, look.record, look.notes)
        if visitor().account:
            fields["account"] = visitor().account
        sent = notes.keep(fields, look.record, context.desk, context.archive.folder)
    except UnknownIncident as problem:  # it names those that there are
        return sentence(problem if visitor().may(REVIEW) else words.NOTE_NOT_YOURS, 404)
    except RefusedMessage as problem:
        return sentence(problem.reason, 422)
    except BrokerProblem as problem:
        return sentence(words.NOTE_NOT_SENT.format(problem=problem), 502)
    except UnderairError as problem:
        return sentence(problem, 400 if isinstance(problem, notes.BadNotes) else 409)
    return flask.jsonify(sent=sent)


def _kept(bench: Bench) -> flask.Response:
    """Say whether a note is in the record by now."""
    identity = flask.request.args.get("identity", "")
    look = bench.look(request_of({"incident": flask.request.args.get("incident", "")}))
    return flask.jsonify(kept=any(note.identity == identity for note in look.notes))
