"""The routes of the HTTP interface: the live board, incidents, and every table of an incident's results."""

import json
from pathlib import Path
from typing import Any

import flask
import msgspec
import polars as pl
from dash import Dash

from analysis.incident import analyse
from analysis.pieces.archive_pieces import incident_piece, incidents_in
from analysis.tables import TABLES
from dashboard.access.protection import refuse
from dashboard.context import PageContext
from dashboard.out.state import board_states
from ingest.contract.errors import ArchiveProblem

DOCUMENT = Path(__file__).with_name("openapi.json")
NOT_YET = "The live board is not ready yet. Ask again in a few seconds."


def register(app: Dash, context: PageContext) -> None:
    """Add the routes."""
    server: flask.Flask = app.server

    @server.get("/api/v1/openapi.json")
    def openapi() -> flask.Response:
        return flask.Response(DOCUMENT.read_bytes(), mimetype="application/json")

    @server.get("/api/v1/board")
    def board() -> flask.Response:
        why_not = "no live board is served here" if context.feed is None else context.feed.why_not_present()
        snapshot = None if context.feed is None else context.feed.snapshot
        if why_not or snapshot is None:
            # A state that is no longer true must not look like one that is.
            return refuse(503, why_not or "starting", why_not or NOT_YET, **{"Retry-After": "5"})
        return _json({"states": list(board_states(snapshot).values())})

    @server.get("/api/v1/incidents")
    def incidents() -> flask.Response:
        found = incidents_in(context.archive.folder)
        return _json({"incidents": _rows(found.select("key", "incident_id", "first", "last"))})

    @server.get("/api/v1/incidents/<key>/<table>")
    def table(key: str, table: str) -> flask.Response:
        if table not in TABLES:
            return refuse(
                404, f"no table {table!r}", f"There is no such table; there are {', '.join(TABLES)}."
            )
        try:
            messages, scope = incident_piece(context.archive.folder, key)
        except ArchiveProblem as problem:
            return refuse(404, str(problem), "There is no such incident.")
        results = analyse(messages, context.profile, scope=scope)
        return _json({"table": table, "rows": _rows(results[table])})


def _rows(frame: pl.DataFrame) -> list[dict[str, Any]]:
    """Return rows with times as RFC 3339 texts in UTC; what is missing is null."""
    times = [name for name, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]
    written = frame.with_columns(pl.col(name).dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ") for name in times)
    rows: list[dict[str, Any]] = json.loads(written.write_json())
    return rows


def _json(content: Any) -> flask.Response:
    return flask.Response(msgspec.json.encode(content), mimetype="application/json")
