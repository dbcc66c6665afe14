"""Checks before every page and route: host, origin, sizes, sign-in, role, token, log; headers after it.

Every refusal leaves a line in the server's log. What a request holds is written there escaped and cut.
"""

import hmac
import logging
import re
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import flask
import msgspec
from dash import Dash
from dash.exceptions import DependencyException
from werkzeug.exceptions import HTTPException

from dashboard.access import roles, words
from dashboard.access.reach import LARGEST_BODY_BYTES, Reach
from dashboard.access.roles import Visitor
from dashboard.access.sign_in import SignIn, form_token
from dashboard.words import CAUTION, FAILED, PRODUCT
from ingest.contract.errors import UnderairError
from ingest.contract.messages import depth_exceeds

# Dash's own name: its script copies the cookie `_csrf_token` into this header.
TOKEN_HEADER = "X-CSRFToken"  # noqa: S105  # the header's name
PAGE_TOKEN_HEADER = "X-Underair-Token"  # noqa: S105  # the header's name
SIGN_IN_HEADER = "X-Underair-Sign-In"
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
EVERY_PATH = "/<path:path>"
DASH_UPDATE = "/_dash-update-component"
SHELL = "shell.children"
ROOM = "underair-room"
SUBJECTS = ("incident", "people", "wearer", "wear", "finding", "year", "month", "station", "set")
# What reads and works out; some of the server's threads are always left to the live page.
SLOW_PATHS = ("/review", "/trends", "/access", "/api/v1/incidents", DASH_UPDATE)
MOST_SLOW = 10
_SHOWN = 200
_HEADERS = msgspec.toml.decode(
    Path(__file__).with_name("headers.toml").read_bytes(), type=dict[str, dict[str, str]]
)
# RFC 9110, 7.2: a name or address and a port, nothing else.
_HOST = re.compile(r"(?P<name>[A-Za-z0-9.-]+|\[[0-9A-Fa-f:.]+\])(?::(?P<port>[0-9]{1,5}))?")

log = logging.getLogger(__name__)


def protect(app: Dash, reach: Reach, sign_in: SignIn | None) -> None:
    """Put the checks before every request of the application and the headers on every answer.

    - `app`: before any route of ours is added.
    - `sign_in`: None where nobody has to sign in.
    """
    server: flask.Flask = app.server
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY_BYTES
    server.config["MAX_FORM_MEMORY_SIZE"] = LARGEST_BODY_BYTES
    hosts = {urlsplit(f"//{host}").hostname for host in reach.hosts}
    hashes: list[str] = []
    room = server.extensions[ROOM] = threading.BoundedSemaphore(MOST_SLOW)

    @server.before_request
    def check() -> flask.Response | None:
        flask.g.visitor = roles.STRANGER
        if flask.request.path.startswith(SLOW_PATHS):
            if not room.acquire(blocking=False):
                return refuse(503, "too many slow requests at once", words.BUSY_PAGES, **{"Retry-After": "2"})
            flask.g.has_room = True
        request = flask.request
        refusal = _foreign(request, hosts, reach.public_url)
        no_page = request.path.rstrip("/") not in roles.PAGES  # Dash would answer each with its shell
        if refusal is None and request.url_rule and request.url_rule.rule == EVERY_PATH and no_page:
            refusal = refuse(404, "no such address", words.NOT_THERE)
        if refusal is None and request.path == DASH_UPDATE and request.method == "POST":
            refusal = _malformed_update(app, request)
        if refusal is not None:
            return refusal
        if sign_in is None:
            flask.g.visitor = roles.THIS_MACHINE
            return None
        return _admitted(sign_in, request)

    @server.teardown_request
    def make_room(error: BaseException | None) -> None:
        del error
        if flask.g.pop("has_room", False):
            room.release()

    @server.errorhandler(UnderairError)
    def explain(error: UnderairError) -> flask.Response:
        return refuse(400, str(error), str(error))

    @server.errorhandler(DependencyException)
    def no_such_file(error: DependencyException) -> flask.Response:
        return refuse(404, str(error), words.NOT_UNDERSTOOD)

    @server.errorhandler(HTTPException)
    def said(error: HTTPException) -> flask.Response:
        status = error.code or 500
        sentence = words.NOT_THERE if status == 404 else FAILED if status >= 500 else words.NOT_UNDERSTOOD
        allow = {name: value for name, value in error.get_headers() if name == "Allow"}
        return refuse(status, f"{status} {error.name}", sentence, **allow)

    @server.after_request
    def secure(response: flask.Response) -> flask.Response:
        if not hashes:  # known only when every callback is registered
            hashes.extend(app.csp_hashes())
        for name, value in security_headers(hashes).items():
            response.headers.setdefault(name, value)
        if reach.public_url is not None:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        if not flask.request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers["Cache-Control"] = "no-store"
        if response.status_code >= 400:
            reason = flask.g.get("refusal", response.status)
            log.warning("refused: %s; %s", plain(reason), _who_and_what())
            return _as_page(flask.request, response)
        return response

    @server.context_processor
    def shared() -> dict[str, Any]:
        return {"product": PRODUCT, "caution": CAUTION, "words": words}


def refuse(status: int, reason: str, sentence: str, **headers: str) -> flask.Response:
    """Return a refusal: `reason` for the log, `sentence` for the visitor."""
    flask.g.refusal = reason
    response = flask.jsonify(problem=sentence)
    response.status_code = status
    response.headers.update(headers)
    return response


def _as_page(request: flask.Request, response: flask.Response) -> flask.Response:
    """Return a refusal as it is, or as a page to a browser that opens one: a person would else read JSON."""
    told = response.get_json()
    problem = told.get("problem") if isinstance(told, dict) else None
    if request.headers.get("Sec-Fetch-Mode") != "navigate" or not isinstance(problem, str):
        return response
    problem = problem[:1].upper() + problem[1:]
    response.set_data(flask.render_template("refused.html", title=words.NOT_DONE, problem=problem))
    response.mimetype = "text/html"
    return response


def _foreign(request: flask.Request, hosts: set[str | None], public_url: str | None) -> flask.Response | None:
    """Return the refusal of what was not addressed to us, or does not come from a page of ours."""
    given = _HOST.fullmatch(request.environ.get("HTTP_HOST", ""))
    if given is None or given["name"].strip("[]").lower() not in hosts or int(given["port"] or 0) > 65_535:
        return refuse(400, f"host {request.environ.get('HTTP_HOST', '')!r} is not ours", words.NOT_FROM_HERE)
    if public_url is not None and request.scheme != "https":
        return refuse(403, "not over TLS through the proxy", words.NO_TLS.format(url=public_url))
    site = request.headers.get("Sec-Fetch-Site", "none")
    if request.method in SAFE_METHODS:
        navigates = request.headers.get("Sec-Fetch-Mode") == "navigate"
        if site not in ("none", "same-origin") and not navigates:
            return refuse(403, f"asked for by another site ({site})", words.NOT_FROM_HERE)
        return None
    ours = public_url.rstrip("/") if public_url is not None else request.host_url.rstrip("/")
    origin = request.headers.get("Origin", ours)
    if origin != ours or site not in ("none", "same-origin"):
        return refuse(403, f"a change asked for by another site ({origin!r})", words.NOT_FROM_HERE)
    return None


def _malformed_update(app: Dash, request: flask.Request) -> flask.Response | None:
    """Return the refusal of a callback request that no script of Dash sends: Dash would stumble over it."""

    def not_understood(why: str) -> flask.Response:
        return refuse(400, f"callback request: {why}", words.NOT_UNDERSTOOD)

    if depth_exceeds(request.get_data()):
        return not_understood("nested too deep")
    body = request.get_json(silent=True)
    if not isinstance(body, dict) or not isinstance(body.get("output"), str):
        return not_understood("no object with an output")
    known = app.callback_map.get(body["output"])
    if known is None:
        return not_understood(f"no callback {body['output']!r}")
    for ours, theirs in (("inputs", body.get("inputs", [])), ("state", body.get("state", []))):
        named = isinstance(theirs, list) and all(isinstance(one, dict) for one in theirs)
        if not named or [(one.get("id"), one.get("property")) for one in theirs] != [
            (one["id"], one["property"]) for one in known[ours]
        ]:
            return not_understood(f"{ours} are not those of the callback")
    told = [*body.get("inputs", []), *body.get("state", [])] if body["output"] == SHELL else []
    if not all(isinstance(one.get("value"), str | None) for one in told):
        return not_understood("an address is not text")
    changed = body.get("changedPropIds", [])
    if not isinstance(changed, list) or not all(isinstance(one, str) for one in changed):
        return not_understood("changedPropIds is not a list of names")
    return None


def _admitted(sign_in: SignIn, request: flask.Request) -> flask.Response | None:
    rule = roles.rule_of(request.method, request.url_rule.rule if request.url_rule else None)
    if rule.open:
        return None
    found, why = sign_in.visitor_of(request)
    if found is None:
        if request.method == "GET" and "text/html" in request.headers.get("Accept", ""):
            if why:
                log.warning("refused: %s; %s", plain(why), _who_and_what())
            wanted = quote(request.full_path.rstrip("?"), safe="/")
            return flask.make_response(flask.redirect(f"/sign-in?next={wanted}", 303))
        return refuse(401, why or "not signed in", words.SIGN_IN_FIRST, **{SIGN_IN_HEADER: "/sign-in"})
    flask.g.visitor = found
    body: dict[str, Any] = {}
    if request.path == DASH_UPDATE:
        body = request.get_json()
        rule = roles.CALLBACKS.get(body["output"], roles.NOBODY)
    subject = f"{request.path} {_subject(request.args)}".strip() if not body else _subject_of_update(body)
    if not found.may(rule):
        return refuse(403, *_not_for(sign_in, found, subject))
    if request.method not in SAFE_METHODS:
        given = request.headers.get(TOKEN_HEADER, "")
        if not hmac.compare_digest(given.encode(), form_token(found.token).encode()):
            return refuse(403, "a change without the session's token", words.NOT_FROM_HERE)
    if rule.action in ("", "send"):
        return None  # what a desk sends is logged with the message's identity, once it has one
    if not sign_in.note(found, rule.action, subject, once=rule.action == "view") and rule.needs_log:
        return refuse(503, "the access log cannot be written", words.NO_LOG)
    return None


def refused_page(sign_in: SignIn | None, visitor: Visitor, path: str) -> str:
    """Keep in both logs that a page is not for this visitor's roles; return the sentence for its place."""
    why, told = _not_for(sign_in, visitor, plain(path))
    log.warning("refused: the page %s is %s", plain(path), why)
    return told


def _not_for(sign_in: SignIn | None, visitor: Visitor, subject: str) -> tuple[str, str]:
    """Note in the access log that something is not for a visitor's roles; return why, and the sentence."""
    if sign_in is not None:
        sign_in.note(visitor, "refused", subject, outcome="refused", once=True)
    their = ", ".join(sorted(visitor.roles))
    return f"not for the roles of {visitor.account} ({their})", words.NOT_YOURS.format(roles=their)


def _subject(values: Mapping[str, Any]) -> str:
    return " ".join(f"{name}={plain(values[name])}" for name in SUBJECTS if values.get(name))


def _subject_of_update(body: dict[str, Any]) -> str:
    told = [one.get("value") for one in [*body.get("inputs", []), *body.get("state", [])]]
    parts = [_subject(value) if isinstance(value, dict) else plain(value) for value in told if value]
    return " ".join(part for part in parts if part) or body["output"]


def _who_and_what() -> str:
    request = flask.request
    known = roles.visitor()
    who = known.account or "nobody signed in"
    return f"{plain(request.method)} {plain(request.path)} from {plain(request.remote_addr)}, {who}"


def plain(value: object) -> str:
    """Return text that can neither begin a new line in a log nor drive a terminal."""
    return str(value)[:_SHOWN].encode("unicode_escape").decode("ascii")


def after_sending(sign_in: SignIn) -> Callable[[flask.Response], flask.Response]:
    """Return what logs a desk's messages: who sent which, by its identity in the archive."""

    def note(response: flask.Response) -> flask.Response:
        route, known = flask.request.url_rule, roles.visitor()
        rule = roles.rule_of(flask.request.method, route.rule if route else None)
        if rule.action == "send" and known.account and known.may(rule):
            told = response.get_json()
            identity = told.get("sent", "") if isinstance(told, dict) else ""
            outcome = "done" if identity else "refused"
            sign_in.note(known, "send", f"{flask.request.path} {identity}".strip(), outcome=outcome)
        return response

    return note


def security_headers(script_hashes: list[str]) -> dict[str, str]:
    """Return the headers of every response (`headers.toml`); scripts are ours or among the hashes."""
    policy = dict(_HEADERS["policy"])
    policy["script-src"] = " ".join([policy["script-src"], *script_hashes])
    told = "; ".join(f"{name} {value}" for name, value in policy.items())
    return {"Content-Security-Policy": told, **_HEADERS["headers"]}


def sentence(text: object, status: int) -> flask.Response:
    """Return a sentence for the page to show."""
    return flask.make_response({"problem": str(text)}, status)


def attached(content: str | bytes, kind: str, name: str) -> flask.Response:
    """Return a file to be kept under a name."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return flask.Response(content, mimetype=kind, headers=headers)


def refusal(
    token: str, largest_bytes: int, too_large: str, *, checked: bool = False
) -> flask.Response | None:
    """Return the refusal of a request that does not come from a page of ours, None when it does.

    Three independent checks: the browser's Origin, a token that only our own pages can read, and a content
    type that no plain form on a foreign page can send.

    - `checked`: Origin and the session's own token were checked before the route.
    """
    request = flask.request
    same_origin = request.headers.get("Origin") == request.host_url.rstrip("/")
    given = request.headers.get(PAGE_TOKEN_HEADER, "").encode()
    if not checked and not (same_origin and hmac.compare_digest(given, token.encode())):
        return sentence(words.NOT_OURS, 403)
    if request.mimetype != "application/json":
        return sentence(words.NOT_READ, 415)
    if (request.content_length or 0) > largest_bytes:
        return sentence(too_large, 413)
    return None
