"""The access page: who has an account, who is signed in, who did what. For the role admin only."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import flask
from dash import Dash, html

from analysis.tables import formula_safe
from dashboard.access import words
from dashboard.access.log import access_table, head, read_log
from dashboard.access.protection import attached
from dashboard.access.sign_in import SignIn
from dashboard.context import PageContext
from dashboard.elements import listing
from dashboard.markup import from_html
from dashboard.trends.export import add_publish_anew, publish_anew_form

SHOWN_ENTRIES = 500


class AccessPage:
    """The page; unlike the others it exists only where people sign in."""

    def __init__(self, sign_in: SignIn) -> None:
        self._sign_in = sign_in

    def layout(self, context: PageContext, query: dict[str, str]) -> Any:
        """Return the page."""
        del query
        parts = from_html(
            Path(__file__).with_suffix(".html.j2"),
            words=words,
            sessions=self._sign_in.sessions.all(),
            moment=_moment,
            accounts=self._accounts(),
            publishing=publish_anew_form(context),
            log=self._log(),
        )
        return html.Div(parts, className="access")

    def register(self, app: Dash, context: PageContext) -> None:
        """Add the routes that end a session and publish a period again, and the log as CSV."""
        server: flask.Flask = app.server
        add_publish_anew(server, context)

        @server.post("/access/end/<name>")
        def end_session(name: str) -> flask.Response:
            ended = self._sign_in.sessions.end(name)
            return flask.jsonify(ended=ended.account if ended is not None else None)

        @server.get("/access.csv")
        def log_csv() -> flask.Response:
            text = formula_safe(access_table(self._sign_in.archive)).write_csv(null_value="")
            return attached(text, "text/csv", "access.csv")

    def _accounts(self) -> Any:
        rows = [
            (name, ", ".join(one.roles), f"{one.made:%Y-%m-%d}")
            for name, one in sorted(self._sign_in.accounts.accounts().items())
        ]
        return listing("access-accounts", words.ACCOUNTS, words.ACCOUNT_HEADS, rows, note=words.ACCOUNTS_NOTE)

    def _log(self) -> Any:
        entries, faults = read_log(self._sign_in.archive)
        chain = (
            words.CHAIN_BROKEN.format(fault=faults[0])
            if faults
            else words.CHAIN_HOLDS.format(head=head(self._sign_in.archive))
        )
        shown = entries[-SHOWN_ENTRIES:][::-1]
        return listing(
            "access-log",
            words.LOG,
            words.LOG_HEADS,
            [[f"{one.at:%Y-%m-%d %H:%M:%S}", *list(one.as_row().values())[1:]] for one in shown],
            note=words.LOG_NOTE.format(shown=len(shown), total=len(entries), chain=chain),
            search=(words.FIND, words.FIND_HINT),
        )


def _moment(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S} UTC"
