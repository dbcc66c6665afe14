"""Signing in and out: the form, the session's cookies, and who a request comes from."""

from __future__ import annotations

import hmac
import logging
import math
import secrets
import time
from collections.abc import Callable
from urllib.parse import urlsplit

import flask

from dashboard.access import roles, words
from dashboard.access.accounts import AccountFile, BadAccounts, TooBusy
from dashboard.access.attempts import Attempts
from dashboard.access.log import AccessLog
from dashboard.access.roles import Visitor
from dashboard.access.sessions import LASTS_S, Sessions, form_token
from ingest.archive.store import ArchivePath

FORM_LASTS_S = 3600
FORM_TOKEN_LENGTH = 48

log = logging.getLogger(__name__)


class SignIn:
    """Everything about who is signed in, for one application.

    - `archive`: the access log is kept in it.
    - `over_tls`: the browser reaches us by https: cookies never travel otherwise.
    """

    def __init__(
        self,
        accounts: AccountFile,
        archive: ArchivePath,
        *,
        over_tls: bool,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.accounts = accounts
        self.archive = archive
        self.sessions = Sessions(accounts.path.with_name(f"{accounts.path.name}.sessions"), clock)
        self.attempts = Attempts(clock)
        self.log = AccessLog(archive, clock)
        self._over_tls = over_tls
        # A browser takes a cookie of this prefix only over TLS, from this very host, for all its paths.
        self.cookie = "__Host-underair" if over_tls else "underair"
        self.form_cookie = f"{self.cookie}-form"

    def visitor_of(self, request: flask.Request) -> tuple[Visitor | None, str]:
        """Return the visitor behind a request, or None and why (empty when nothing was claimed)."""
        scheme, _, shown = request.headers.get("Authorization", "").partition(" ")
        token = request.cookies.get(self.cookie)
        try:
            if scheme.lower() == "bearer":
                return self._program(shown.strip(), request)
            return self._visitor(token, request) if token else (None, "")
        except BadAccounts as problem:
            log.error("%s", problem)
            return None, "the accounts cannot be read"

    def _program(self, token: str, request: flask.Request) -> tuple[Visitor | None, str]:
        """Return the program of a token: it reads the HTTP interface, and nothing else."""
        found = self.accounts.of_token(token)
        if found is None:
            return None, "an unknown token"
        name, account = found
        if request.method not in ("GET", "HEAD") or not request.path.startswith("/api/"):
            return None, f"the token of {name} is for the HTTP interface only"
        return Visitor(name, frozenset(account.roles)), ""

    def _visitor(self, token: str, request: flask.Request) -> tuple[Visitor | None, str]:
        session, why = self.sessions.of(token, request.user_agent.string)
        if session is None:
            return None, why
        account = self.accounts.accounts().get(session.account)
        if account is None or session.begun < account.sessions_from.timestamp():
            self.sessions.end(session.key)
            return None, f"the session of {session.account} was ended"
        return Visitor(session.account, frozenset(account.roles), session.name, token), ""

    def note(
        self, visitor: Visitor, action: str, target: str, outcome: str = "done", *, once: bool = False
    ) -> bool:
        """Write what a visitor does into the access log; False when that failed."""
        return self.log.write(
            action,
            target,
            account=visitor.account,
            roles=tuple(sorted(visitor.roles)),
            session=visitor.session,
            address=flask.request.remote_addr or "",
            outcome=outcome,
            once=once,
        )

    def add_routes(self, server: flask.Flask) -> None:
        """Add the routes of signing in and out."""

        @server.get("/sign-in")
        def sign_in_form() -> flask.Response:
            return self._form("", flask.request.args.get("next", ""), 200)

        @server.post("/sign-in")
        def sign_in() -> flask.Response:
            return self._try()

        @server.post("/sign-out")
        def sign_out() -> flask.Response:
            visitor = roles.visitor()
            self.sessions.end(visitor.session)
            self.note(visitor, "sign-out", "")
            response = flask.make_response("", 204)
            for name in (self.cookie, "_csrf_token"):
                response.delete_cookie(name, secure=self._over_tls, samesite="Strict")
            return response

    def _try(self) -> flask.Response:
        given = flask.request.form
        name, password, wanted = given.get("name", ""), given.get("password", ""), given.get("next", "")
        ours = flask.request.cookies.get(self.form_cookie, "")
        if not ours or not hmac.compare_digest(ours.encode(), given.get("form", "").encode()):
            flask.g.refusal = "a sign-in without the form's token"
            return self._form(words.FORM_OLD, wanted, 400)
        address = flask.request.remote_addr or ""
        try:
            accounts = self.accounts.accounts()
        except BadAccounts as problem:
            flask.g.refusal = str(problem)
            return self._form(words.NO_ACCOUNTS, wanted, 503)
        known = name if name in accounts else None
        wait_s = self.attempts.begin(name, address, known=known is not None)
        if wait_s > 0.0:
            flask.g.refusal = f"too many attempts to sign in as {known or 'somebody unknown'}"
            self.note(Visitor(known or ""), "sign-in", "too many attempts", "refused", once=True)
            response = self._form(words.WAIT.format(minutes=math.ceil(wait_s / 60.0)), wanted, 429)
            response.headers["Retry-After"] = str(int(wait_s) + 1)
            return response
        try:
            fits = self.accounts.verify(name, password)
        except TooBusy as problem:
            flask.g.refusal = str(problem)
            return self._form(words.BUSY, wanted, 503)
        if not fits or known is None:
            # Only a name that is an account is written: people type passwords into the wrong field.
            flask.g.refusal = f"a wrong sign-in as {known or 'somebody unknown'}"
            self.note(Visitor(known or ""), "sign-in", "", "refused")
            return self._form(words.WRONG, wanted, 401)
        self.attempts.succeeded(known, address)
        return self._begin(known, wanted)

    def _begin(self, account: str, wanted: str) -> flask.Response:
        before, _ = self.visitor_of(flask.request)
        if before is not None:
            self.sessions.end(before.session)
        token = self.sessions.begin(account, flask.request.user_agent.string)
        session, _ = self.sessions.of(token, flask.request.user_agent.string)
        self.note(Visitor(account, session="" if session is None else session.name), "sign-in", "")
        response = flask.make_response(flask.redirect(_safe_next(wanted), 303))
        self._set(response, self.cookie, token, LASTS_S)
        # The page's scripts read this one and send it back with every change.
        self._set(response, "_csrf_token", form_token(token), LASTS_S, for_scripts=True)
        response.delete_cookie(self.form_cookie, secure=self._over_tls, httponly=True, samesite="Strict")
        return response

    def _form(self, problem: str, wanted: str, status: int) -> flask.Response:
        # The same in every tab: a form that was open before is still good.
        token = flask.request.cookies.get(self.form_cookie, "")
        if len(token) != FORM_TOKEN_LENGTH or not token.isalnum():
            token = secrets.token_hex(FORM_TOKEN_LENGTH // 2)
        page = flask.render_template(
            "sign_in.html", title=words.TITLE, problem=problem, form=token, next=_safe_next(wanted)
        )
        response = flask.make_response(page, status)
        self._set(response, self.form_cookie, token, FORM_LASTS_S)
        return response

    def _set(
        self, response: flask.Response, name: str, value: str, lasts_s: float, *, for_scripts: bool = False
    ) -> None:
        response.set_cookie(
            name, value, int(lasts_s), secure=self._over_tls, httponly=not for_scripts, samesite="Strict"
        )


def _safe_next(wanted: str) -> str:
    """Return where to go after signing in: a page of ours with its query, or the first page."""
    try:
        parts = urlsplit(wanted)
    except ValueError:
        return "/"
    elsewhere = parts.scheme or parts.netloc or parts.path not in roles.PAGES
    if elsewhere or any(ord(sign) < 32 for sign in wanted):
        return "/"
    return parts._replace(fragment="").geturl()
