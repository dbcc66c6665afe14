"""Publishing a period again: for the role admin only, with a reason, logged. For corrections only."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import flask

from dashboard.access.roles import visitor
from dashboard.context import PageContext
from dashboard.markup import from_html
from dashboard.trends import words
from dashboard.trends.releases import published, replace
from dashboard.trends.view import keeper_of
from ingest.archive.store import work_folder
from ingest.contract.errors import UnderairError

LONGEST_REASON = 500


def section(context: PageContext) -> Any:
    """Return the form, or nothing while no period is published."""
    periods = sorted(published(work_folder(context.archive.folder)), reverse=True)
    if not periods:
        return None
    return from_html(Path(__file__).with_suffix(".html.j2"), words=words, periods=periods)


def add_route(server: flask.Flask, context: PageContext) -> None:
    """Add the route; `dashboard.access.roles` gives it to the admin alone and logs it first."""

    @server.post("/access/publish-anew/<period>")
    def publish_anew(period: str) -> tuple[flask.Response, int]:
        body = flask.request.get_json(silent=True)
        reason = body.get("reason", "") if isinstance(body, dict) else ""
        if not isinstance(reason, str) or not 0 < len(reason.strip()) <= LONGEST_REASON:
            return flask.jsonify(problem=words.ANEW_NO_REASON.format(most=LONGEST_REASON)), 400
        look = keeper_of(context).look()
        if look.working is not None or look.update_problem or look.roster_problem:
            return flask.jsonify(problem=words.ANEW_NOT_NOW), 409
        folder, fewest = work_folder(context.archive.folder), context.profile.disclosure.fewest_people
        wears, now = look.ledger["wears"], datetime.now(UTC)
        try:
            replace(folder, wears, period, reason.strip(), visitor().account, now, fewest)
        except UnderairError as problem:
            return flask.jsonify(problem=str(problem)), 400
        return flask.jsonify(told=words.ANEW_DONE.format(period=period)), 200
