"""What the role `health` reads: the exposure register, whole or of one wearer, as CSV."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import flask

from analysis.tables import formula_safe
from dashboard.privacy.register import by_person, update
from dashboard.trends.view import keeper_of

if TYPE_CHECKING:
    from dashboard.context import PageContext


def add_routes(server: flask.Flask, context: PageContext) -> None:
    """Add the register; `dashboard.access.roles` says who may have it, and every look is logged."""

    @server.get("/register.csv")
    def register() -> flask.Response:
        wears = keeper_of(context).look().ledger["wears"]
        years = context.profile.retention.register_years
        lines = update(context.archive.folder, wears, datetime.now(UTC), years)
        table = by_person(lines, flask.request.args.get("wearer", ""))
        answer = flask.Response(formula_safe(table).write_csv(float_precision=3), mimetype="text/csv")
        answer.headers["Content-Disposition"] = 'attachment; filename="underair-register.csv"'
        return answer
