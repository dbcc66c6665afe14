"""Signing in and out: how many attempts, sessions, the form and its cookies, who a request comes from.

Attempts are too few for guessing, and no stranger locks everybody out. Sessions are kept beside the
accounts, so that a restart in the middle of an incident signs nobody out; only hashes of the tokens are kept.
"""

import hmac
import ipaddress
import logging
import math
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import flask
import msgspec

from dashboard.access import roles, words
from dashboard.access.accounts import AccountFile, BadAccounts, TooBusy, digest_of
from dashboard.access.log import AccessLog
from dashboard.access.roles import Visitor
from ingest.archive.durable import write_durably
from ingest.archive.store import ArchivePath


@dataclass(frozen=True)
class Limit:
    """The most failed attempts within a time."""

    failures: int
    within_s: float


# Our own rule. One account from one place is held soonest; an account as a whole last, because wrong
# passwords from elsewhere must not lock out the desk (NIST SP 800-63B, 5.2.2, allows up to 100).
ACCOUNT_FROM_HERE = Limit(5, 900.0)
FROM_HERE = Limit(20, 900.0)
ACCOUNT = Limit(100, 3600.0)
MOST_KEYS = 10_000
_NO_ACCOUNT = "\0"  # in no account's name


class Attempts:
    """Failures by account, by place, and by both.

    `clock`: seconds, never going back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._failures: dict[tuple[str, str], deque[float]] = {}
        self._lock = threading.Lock()

    def begin(self, name: str, address: str, *, known: bool) -> float:
        """Count an attempt, and return 0; or count nothing and return the seconds to wait before the next.

        It counts before the password is checked, so that eight attempts at once count as eight.

        - `known`: whether there is such an account. A name without one is held just as a name with one:
          otherwise the answer would show which names are accounts.
        """
        now = self._clock()
        with self._lock:
            # A digest: people type passwords into the wrong field, and a name may be of any length.
            keys = self._keys(name if known else _NO_ACCOUNT + digest_of(name), address)
            wait_s = max(self._wait_s(key, limit, now) for key, limit in keys)
            if wait_s <= 0.0:
                for key, _ in keys:
                    # The latest comes last, so that the oldest is forgotten when there is no room.
                    self._failures[key] = self._failures.pop(key, deque())
                    self._failures[key].append(now)
                if len(self._failures) > MOST_KEYS:
                    self._forget_old(now)
            return max(0.0, wait_s)

    def succeeded(self, account: str, address: str) -> None:
        """Take back the attempt just counted, and forget this account's failures from this place."""
        with self._lock:
            for key, limit in self._keys(account, address):
                if limit is ACCOUNT_FROM_HERE:
                    self._failures.pop(key, None)
                elif self._failures.get(key):
                    self._failures[key].pop()

    def _keys(self, account: str, address: str) -> list[tuple[tuple[str, str], Limit]]:
        place = network(address)
        return [(("", place), FROM_HERE), ((account, place), ACCOUNT_FROM_HERE), ((account, ""), ACCOUNT)]

    def _wait_s(self, key: tuple[str, str], limit: Limit, now: float) -> float:
        failures = self._failures.get(key)
        if failures is None:
            return 0.0
        while failures and now - failures[0] >= limit.within_s:
            failures.popleft()
        return failures[0] + limit.within_s - now if len(failures) >= limit.failures else 0.0

    def _forget_old(self, now: float) -> None:
        longest = max(limit.within_s for limit in (ACCOUNT_FROM_HERE, FROM_HERE, ACCOUNT))
        recent = {k: times for k, times in self._failures.items() if times and now - times[-1] < longest}
        # Somebody with thousands of addresses fills no memory; what an account has against it stays. A
        # quarter at once, else each attempt from then on would look through them all.
        places = [key for key in recent if key[1] or key[0].startswith(_NO_ACCOUNT)]
        for key in places[: max(0, len(recent) - MOST_KEYS * 3 // 4)]:
            del recent[key]
        self._failures = recent


def network(address: str) -> str:
    """Return the place of an address: itself, or its /64, because one IPv6 line has a whole /64."""
    try:
        known = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if known.version == 6:
        return str(ipaddress.ip_network((known, 64), strict=False))
    return str(known)


LASTS_S = 12 * 3600.0  # a shift
IDLE_S = 30 * 60.0  # an open page asks all the time: this is a closed one, or a laptop asleep
MOST_AN_ACCOUNT = 20
_FOR_FORMS = b"underair form token"
FORM_LASTS_S = 3600
FORM_TOKEN_LENGTH = 48

log = logging.getLogger(__name__)


class Session(msgspec.Struct):
    """One browser that is signed in; moments in seconds since 1970."""

    key: str  # SHA-256 of the token, which only the browser has
    account: str
    browser: str  # SHA-256 of what the browser calls itself
    begun: float
    seen: float

    @property
    def name(self) -> str:
        """What the session is called where people choose one to end; it opens nothing."""
        return self.key[:12]


class Sessions:
    """All sessions.

    - `path`: where they are kept; only the owner can read it.
    """

    def __init__(self, path: Path, clock: Callable[[], float] = time.time) -> None:
        self._path = path
        self._clock = clock
        self._lock = threading.Lock()
        self._sessions: dict[str, Session] = {}
        try:
            kept = msgspec.json.decode(path.read_bytes(), type=list[Session])
        except (OSError, msgspec.MsgspecError):
            kept = []
        now = clock()
        # When each was last seen is not written at every request: one that has not run out counts as seen
        # now.
        self._sessions = {
            one.key: msgspec.structs.replace(one, seen=now) for one in kept if now - one.begun < LASTS_S
        }

    def begin(self, account: str, browser: str) -> str:
        """Begin a session and return its token, which only this browser gets and nothing keeps."""
        token = secrets.token_urlsafe(32)
        now = self._clock()
        with self._lock:
            self._forget_old(now)
            own = sorted(
                (one for one in self._sessions.values() if one.account == account), key=lambda s: s.seen
            )
            for one in own[: max(0, len(own) - MOST_AN_ACCOUNT + 1)]:
                del self._sessions[one.key]
            session = Session(digest_of(token), account, digest_of(browser), now, now)
            self._sessions[session.key] = session
            self._write()
        return token

    def of(self, token: str, browser: str) -> tuple[Session | None, str]:
        """Return the session of a token, or None and why there is none.

        A token that comes from another browser than the one it was given to has been stolen: its session
        ends.
        """
        now = self._clock()
        with self._lock:
            session = self._sessions.get(digest_of(token))
            if session is None:
                return None, "no such session"
            expired = now - session.begun >= LASTS_S or now - session.seen >= IDLE_S
            if expired or not hmac.compare_digest(session.browser, digest_of(browser)):
                del self._sessions[session.key]
                self._write()
                stolen = f"the session of {session.account} came from another browser; ended"
                return None, "the session has expired" if expired else stolen
            session.seen = now
            return session, ""

    def end(self, key: str) -> Session | None:
        """End the session of this key or name; return it."""
        with self._lock:
            for one in list(self._sessions.values()):
                if key in (one.key, one.name):
                    del self._sessions[one.key]
                    self._write()
                    return one
        return None

    def all(self) -> list[Session]:
        """Return the sessions that have not run out, the latest first."""
        with self._lock:
            self._forget_old(self._clock())
            return sorted(self._sessions.values(), key=lambda one: -one.begun)

    def _forget_old(self, now: float) -> None:
        for one in list(self._sessions.values()):
            if now - one.begun >= LASTS_S or now - one.seen >= IDLE_S:
                del self._sessions[one.key]

    def _write(self) -> None:
        try:
            write_durably(self._path, msgspec.json.encode(list(self._sessions.values())), 0o600)
        except OSError as error:  # a full disk must not sign anybody out
            log.warning(
                "sessions are not kept over a restart: %s cannot be written: %s", self._path, error.strerror
            )


def form_token(token: str) -> str:
    """Return what must come with every change in the session of `token`, by HMAC-SHA-256 (RFC 2104)."""
    return hmac.digest(token.encode(), _FOR_FORMS, "sha256").hex()


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
        ends_at = session.begun + LASTS_S
        return Visitor(session.account, frozenset(account.roles), session.name, token, ends_at), ""

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
            return self._form(wanted=flask.request.args.get("next", ""))

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
        if wait_s:
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

    def _form(self, problem: str = "", wanted: str = "", status: int = 200) -> flask.Response:
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
