"""The review page: incidents and wears to find, and the investigator's bench for one incident.

The page's script (`assets/review.js`) owns the view and keeps it in the URL; the server draws what it is
asked for and thins anew at every zoom.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

import flask
from dash import Dash, Input, Output, Patch, ctx, dcc, html, no_update

from dashboard.charts import words
from dashboard.charts.figures import lanes_figure, lanes_update, x_range
from dashboard.charts.moment import clock_text, evidence_of, messages_behind, messages_of_evidence, readout
from dashboard.charts.overview import (
    ALARM_CHARACTERS,
    alarm_kinds,
    bin_width_s,
    labels,
    overview_figure,
)
from dashboard.charts.tables import (
    Setting,
    alarm_listing,
    clock_listing,
    finding_items,
    incident_listing,
    silence_listing,
    turn_back_listing,
    wear_listing,
)
from dashboard.charts.view import LANES, MOST_PEOPLE, BadView, Bench, Look, bench_of, request_of
from dashboard.context import Context
from dashboard.results_store import UnknownIncident, store_of
from dashboard.theme import GRAPH_CONFIG
from ingest.contract.errors import UnderairError

LANES_CONFIG: Any = {**GRAPH_CONFIG, "displayModeBar": False, "doubleClick": False, "responsive": True}
OVERVIEW_CONFIG: Any = {**GRAPH_CONFIG, "displayModeBar": False, "staticPlot": True, "responsive": True}


def layout(context: Context, query: dict[str, str]) -> Any:
    """Return the list of incidents and wears, or the bench when the query names an incident."""
    if not query.get("incident"):
        return _finder(context)
    try:
        look = bench_of(store_of(context)).look(request_of(query))
    except UnderairError as error:
        return html.Div([html.P(str(error), role="alert", className="problem"), _finder(context)])
    return _bench(look)


def register(app: Dash, context: Context) -> None:
    """Add the callback that draws a view, and the routes that tell a moment and its messages."""
    bench = bench_of(store_of(context))

    @app.callback(
        Output("review-lanes", "figure"),
        Output("review-overview", "figure"),
        Output("review-shown", "children"),
        Input("review-picture", "data"),
        Input("review-window", "data"),
        prevent_initial_call=True,
    )
    def draw(picture: dict[str, str], window: dict[str, str] | None) -> Any:
        look = bench.look(request_of({**picture, **(window or {})}), following=True)
        only_zoomed = {part["prop_id"] for part in ctx.triggered} == {"review-window.data"}
        return _zoomed(look) if only_zoomed else _drawn(look)

    server: flask.Flask = app.server

    @server.get("/review/moment")
    def moment() -> flask.Response:
        return _answer(lambda look: _moment(look), bench)

    @server.get("/review/messages")
    def messages() -> flask.Response:
        return _answer(lambda look: _messages(look), bench)

    @server.get("/review/evidence")
    def evidence() -> flask.Response:
        return _answer(lambda look: _evidence(look, flask.request.args.get("finding", "")), bench)

    @server.get("/review/export")
    def export() -> flask.Response:
        return _exported(bench)

    @server.get("/review/report")
    def report() -> flask.Response:
        return _reported(context, flask.request.args.get("incident", ""))


def _exported(bench: Bench) -> flask.Response:
    """Answer with the visible rows as a file."""
    from dashboard.evidence.export import rows_as_csv, rows_as_parquet

    form = flask.request.args.get("format", "csv")
    made = {"csv": (rows_as_csv, "text/csv"), "parquet": (rows_as_parquet, "application/vnd.apache.parquet")}
    try:
        if form not in made:
            raise BadView(f"format must be csv or parquet, got {form!r}")
        look = bench.look(request_of(flask.request.args.to_dict()), following=True)
        write, kind = made[form]
        answer = flask.Response(write(look), mimetype=kind)
    except (BadView, UnknownIncident) as problem:
        return flask.make_response({"problem": str(problem)}, 400)
    # Incident and window only: nothing that came in as text gets into a file's name.
    start = clock_text(look.window.start, decimals=0).replace(" ", "T").replace(":", "")
    name = f"{look.record.about['key']}-{start}Z.{form}"
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _reported(context: Context, incident_id: str) -> flask.Response:
    """Answer with the incident's report as a file."""
    from dashboard.evidence.case import incident_of_archive
    from dashboard.evidence.report import report_html

    try:
        record, origin = incident_of_archive(
            context.archive.folder, context.profile, incident_id, datetime.now(UTC)
        )
    except UnderairError as problem:
        return flask.make_response({"problem": str(problem)}, 404)
    answer = flask.Response(report_html(record, context.profile, origin), mimetype="text/html")
    answer.headers["Content-Disposition"] = f'attachment; filename="{record.about["key"]}.html"'
    return answer


def _answer(what: Any, bench: Bench) -> flask.Response:
    """Answer a look with JSON: 400 for a view that makes no sense, 404 for an incident that is not there."""
    try:
        return flask.jsonify(what(bench.look(request_of(flask.request.args.to_dict()), following=True)))
    except BadView as problem:
        return flask.make_response({"problem": str(problem)}, 400)
    except UnknownIncident as problem:
        return flask.make_response({"problem": str(problem)}, 404)


def _drawn(look: Look) -> tuple[Any, Any, str]:
    view = look.request.view
    figure, shown = lanes_figure(look.lanes, look.desk, look.window, view, look.scales)
    return figure, _overview(look), shown.text()


def _overview(look: Look) -> dict[str, Any]:
    overview = overview_figure(look.record.results, look.everybody, look.whole, look.request.shift_ms)
    overview["layout"]["yaxis"]["ticktext"] = labels(look.everybody, look.chosen)
    return overview


def _zoomed(look: Look) -> tuple[Any, Any, str]:
    """Return only new arrays and the new range: a third of the bytes of a whole figure, and no new axes."""
    view = look.request.view
    changes, shown = lanes_update(look.lanes, look.desk, look.window, view, look.scales)
    lanes = Patch()
    for index, parts in changes.items():
        for name, value in parts.items():
            lanes["data"][index][name] = value
    lanes["layout"]["xaxis"]["range"] = x_range(look.window, view)
    return lanes, no_update, shown.text()


def _moment(look: Look) -> dict[str, Any]:
    at = look.request.at_ms
    if at is None:
        raise BadView("at must be a moment in milliseconds, got none")
    units, shift = look.request.view.units, look.request.shift_ms
    return {
        "clock": clock_text(at, shift),
        "zone": words.CLOCKS["utc" if shift == 0 else "local"],
        "note": words.DOSE_NOTE,
        "people": [
            {
                "title": words.person_title(person.wearer_id, person.team, person.set_ids),
                "rows": readout(person, at, units),
            }
            for person in look.lanes
        ],
    }


def _messages(look: Look) -> dict[str, Any]:
    at = look.request.at_ms
    if at is None:
        raise BadView("at must be a moment in milliseconds, got none")
    wear_ids = [wear for person in look.lanes for wear in person.wear_ids]
    wears, shift = look.record.results["wears"], look.request.shift_ms
    rows = messages_behind(look.record.messages, wears, wear_ids, at, shift)
    return {
        "title": words.MESSAGES,
        "note": words.MESSAGES_HINT if rows else words.NO_MESSAGES,
        "heads": words.MESSAGE_HEADS,
        "rows": rows,
    }


def _evidence(look: Look, finding_id: str) -> dict[str, Any]:
    named = evidence_of(look.record.results, finding_id)
    rows = messages_of_evidence(look.record.messages, named, look.request.shift_ms)
    note = words.EVIDENCE_NOTE.format(shown=len(rows), total=len(named))
    return {"title": words.EVIDENCE, "note": note, "heads": words.MESSAGE_HEADS, "rows": rows}


def _finder(context: Context) -> Any:
    store = store_of(context)
    incidents, wears = store.incidents(), store.wears()
    return html.Div(
        [
            html.H1(words.FINDER_TITLE),
            incident_listing(incidents),
            wear_listing(wears, "review-wears"),
        ],
        className="review finder",
    )


def _bench(look: Look) -> Any:
    about = look.record.about
    figure, overview, shown = _drawn(look)
    results = look.record.results
    owner = {wear: row["key"] for row in look.everybody.iter_rows(named=True) for wear in row["wear_ids"]}
    request = look.request
    setting = Setting(owner, look.whole, request.view.units, request.shift_ms)
    state: dict[str, Any] = {
        "incident": about["key"],
        "people": look.chosen,
        "everybody": list(look.everybody["key"]),
        "most": MOST_PEOPLE,
        "lanes": list(look.request.lanes or LANES),
        "allLanes": list(LANES),
        "units": look.request.units,
        "shift": look.request.shift_ms,
        "whole": [look.whole.start, look.whole.end],
        "window": [look.window.start, look.window.end],
        "at": look.request.at_ms,
        "findings": finding_items(results["findings"], setting),
        "words": words.FOR_SCRIPT,
    }
    picture = {
        "incident": about["key"],
        "people": ",".join(look.chosen),
        "lanes": ",".join(look.request.lanes),
        "units": look.request.units,
        "shift": str(look.request.shift_ms),
    }
    attributes: dict[str, Any] = {"data-view": json.dumps(state, ensure_ascii=False)}
    return html.Div(
        [
            dcc.Store(id="review-picture", data=picture),
            dcc.Store(id="review-window"),
            _heading(about),
            html.Div([_overview_panel(look, overview), _findings_panel()], className="bench-row first"),
            html.Div([_lanes_panel(look, figure, shown), _side_panel()], className="bench-row"),
            *layout_tables(look, setting),
        ],
        id="review-bench",
        className="review bench",
        **attributes,
    )


def layout_tables(look: Look, setting: Setting) -> list[html.Div]:
    """Return the tables under the lanes."""
    results = look.record.results
    return [
        alarm_listing(results["alarms"], results["alarm_rates"], setting),
        turn_back_listing(results["turn_back"], results["wears"], setting),
        silence_listing(results["gaps"], setting),
        wear_listing(results["wears"], "review-wears", setting),
        clock_listing(results["clocks"]),
    ]


def _heading(about: dict[str, Any]) -> Any:
    started, ended = about["started"], about["ended"]
    facts = [
        about["place"] or "",
        about["type"] or "",
        f"{started:%Y-%m-%d %H:%M} – {ended:%H:%M} UTC" if started and ended else "",
        words.counted(about["wearers"], "wearer"),
        words.counted(about["wears"], "wear"),
    ]
    name = about["name"] or (about["incident_id"] or words.UNTALLIED_NAME)
    title = f"{name} · {about['incident_id']}" if about["name"] and about["incident_id"] else name
    return html.Header(
        [
            html.A(words.ALL_INCIDENTS, href="/review", className="back"),
            html.H1(title),
            html.P(" · ".join(fact for fact in facts if fact)),
        ],
        className="heading",
    )


def _overview_panel(look: Look, overview: dict[str, Any]) -> Any:
    signs = [
        html.Span([html.B(ALARM_CHARACTERS[kind]), f" {words.ALARMS[kind]}"])
        for kind in alarm_kinds(look.record.results)
    ]
    legend = [
        html.Span([html.I(className="swatch shade"), f" {words.LEGEND_SHADE}"]),
        html.Span([html.I(className="swatch hatched"), f" {words.SILENT}"]),
        *signs,
    ]
    return html.Section(
        [
            html.H2(words.OVERVIEW),
            html.P(words.OVERVIEW_EXPLAINED.format(bin_s=bin_width_s(look.whole)), className="note"),
            html.Div(
                [
                    dcc.Graph(
                        id="review-overview",
                        figure=overview,
                        config=OVERVIEW_CONFIG,
                        style={"height": overview["layout"]["height"]},
                    ),
                    *(html.Div(id=f"review-{part}", hidden=True) for part in ("before", "inside", "after")),
                ],
                id="review-overview-frame",
                role="img",
                **_aria(label=words.OVERVIEW_LABEL),
            ),
            html.P(legend, className="legend"),
        ],
        className="panel everybody",
    )


def _findings_panel() -> Any:
    return html.Section(
        [html.H2(words.FINDINGS, id="review-findings-title"), html.Ol(id="review-findings")],
        className="panel found",
        **_aria(labelledby="review-findings-title"),
    )


def _choices(caption: str, name: str, choices: dict[str, str]) -> Any:
    """A group of native buttons; the script reads `data-set` and keeps `aria-pressed`."""
    buttons = []
    for value, text in choices.items():
        attributes: dict[str, Any] = {"data-set": f"{name}:{value}"}
        buttons.append(html.Button(text, type="button", **attributes))
    return html.Div(
        [html.Span(caption, className="group-name"), *buttons],
        className="group",
        role="group",
        **_aria(label=caption),
    )


def _downloads(look: Look) -> Any:
    """Links whose addresses the script keeps on the view that is shown."""
    links = []
    for form, text in words.EXPORTS.items():
        attributes: dict[str, Any] = {"data-export": form}
        address = "/review/export?" + urlencode({"incident": look.record.about["key"], "format": form})
        links.append(html.A(text, href=address, download="", **attributes))
    if look.record.about["incident_id"]:
        address = "/review/report?" + urlencode({"incident": look.record.about["incident_id"]})
        links.append(html.A(words.REPORT, href=address, download=""))
    return html.Div(
        [html.Span(words.EXPORT, className="group-name"), *links],
        className="group",
        role="group",
        **_aria(label=words.EXPORT),
    )


def _lanes_panel(look: Look, figure: dict[str, Any], shown: str) -> Any:
    people = {
        row["key"]: row["wearer_id"] or f"{words.SET} {row['key']}"
        for row in look.everybody.iter_rows(named=True)
    }
    move = {"earlier": words.EARLIER, "later": words.LATER, "in": words.ZOOM_IN, "out": words.ZOOM_OUT}
    return html.Section(
        [
            html.Div(
                [
                    _choices(words.WINDOW, "span", words.WINDOWS),
                    _choices(words.MOVE, "move", move),
                    _choices(words.PEOPLE, "person", people),
                    _choices(words.SHOW_LANES, "lane", words.LANES),
                    _choices(words.UNITS, "units", words.UNIT_CHOICES),
                    _choices(words.CLOCK, "clock", words.CLOCKS),
                    _downloads(look),
                ],
                className="controls",
            ),
            html.P(id="review-said", role="status", className="said"),
            html.P(shown, id="review-shown", className="note"),
            html.Div(
                [
                    dcc.Graph(id="review-lanes", figure=figure, config=LANES_CONFIG),
                    html.Div(html.Span(id="review-cursor-time"), id="review-cursor", hidden=True),
                ],
                id="review-lanes-frame",
                tabIndex="0",
                role="group",
                **_aria(label=words.LANES_LABEL),
            ),
        ],
        className="panel",
    )


def _side_panel() -> Any:
    return html.Aside(
        [
            html.H2(words.AT_CURSOR),
            html.P(words.CURSOR_HINT, id="review-moment-hint", className="note"),
            html.Div(id="review-moment"),
            html.Div(id="review-messages"),
        ],
        className="panel side",
        # It scrolls by itself, therefore the keyboard must reach it.
        tabIndex="0",
        **_aria(label=words.AT_CURSOR),
    )


def _aria(**names: str) -> dict[str, Any]:
    return {f"aria-{name}": value for name, value in names.items()}
