"""Who may do what: one table of every route and callback. What is not in it is refused to everybody
who has to sign in; a test walks all routes and callbacks of the application and fails on one without a rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import flask

from dashboard.access.accounts import ROLES


@dataclass(frozen=True)
class Rule:
    """What one route, callback or page asks for."""

    roles: frozenset[str] = frozenset()  # one of these is enough; empty means nobody
    open: bool = False  # not even sign-in is needed: it holds nothing of the archive
    action: str = ""  # what the access log calls it; empty for what is not logged
    # Refused when the log cannot be written. Not so the live page: a full disk must not blind a command unit.
    needs_log: bool = False
    each: bool = False  # of a page: every look is logged as the action, not the first of a session alone


def _for(*roles: str, action: str = "", needs_log: bool = False, each: bool = False) -> Rule:
    unknown = set(roles) - set(ROLES)
    if unknown:
        raise ValueError(f"unknown roles {unknown}")
    return Rule(frozenset(roles), action=action, needs_log=needs_log, each=each)


NOBODY = Rule()
OPEN = Rule(open=True)
SIGNED_IN = _for(*ROLES)
LIVE = _for("watch", "desk")
SEND = _for("desk", action="send")
REVIEW = _for("review", action="view", needs_log=True)
EXPORT = _for("review", action="export", needs_log=True)
TRENDS = _for("review", "audit")
TRENDS_EXPORT = _for("review", "audit", action="export", needs_log=True)
HEALTH = _for("health", action="register", needs_log=True, each=True)
ADMIN = _for("admin")
BY_CALLBACK = SIGNED_IN  # and then by CALLBACKS

PAGES: dict[str, Rule] = {
    "/live": LIVE,
    "/review": REVIEW,
    "/board": REVIEW,
    "/trends": TRENDS,
    "/access": ADMIN,
    "/register": HEALTH,
    "/method": SIGNED_IN,
}

# By method and the route's own pattern, as Flask knows it.
ROUTES: dict[str, Rule] = {
    "GET /": SIGNED_IN,
    "GET /<path:path>": SIGNED_IN,
    "GET /_dash-layout": SIGNED_IN,
    "GET /_dash-dependencies": SIGNED_IN,
    "GET /_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": SIGNED_IN,
    "GET /_reload-hash": SIGNED_IN,
    "POST /_dash-update-component": BY_CALLBACK,
    "GET /_favicon.ico": OPEN,
    "GET /health": OPEN,
    "GET /static/<path:filename>": NOBODY,
    "GET /theme.css": OPEN,
    "GET /assets/<path:filename>": OPEN,
    "GET /sign-in": OPEN,
    "POST /sign-in": OPEN,
    "POST /sign-out": SIGNED_IN,
    "POST /access/end/<name>": _for("admin", action="end-session", needs_log=True),
    "POST /access/publish-anew/<period>": _for("admin", action="publish-anew", needs_log=True),
    "GET /access.csv": _for("admin", action="export", needs_log=True),
    "GET /live.json": LIVE,
    "GET /api/v1/openapi.json": OPEN,
    "GET /api/v1/board": LIVE,
    "GET /api/v1/incidents": REVIEW,
    "GET /api/v1/incidents/<key>/<table>": EXPORT,
    "GET /live/lines.json": LIVE,
    "POST /live/desk/<kind>": SEND,
    "GET /board.json": REVIEW,
    "GET /board/lines.json": REVIEW,
    "GET /review/moment": REVIEW,
    "GET /review/messages": REVIEW,
    "GET /review/evidence": REVIEW,
    "GET /review/note": REVIEW,
    "POST /review/note": SEND,
    "GET /trends/progress.json": TRENDS,
    "GET /trends/export.zip": TRENDS_EXPORT,
    "GET /trends/summary.html": TRENDS_EXPORT,
    "GET /trends/inside.zip": EXPORT,
    "GET /trends/inside.html": EXPORT,
    "GET /register.csv": HEALTH,
    "GET /review/export": EXPORT,
    "GET /review/lanes.svg": EXPORT,
    "GET /review/report": EXPORT,
}

# By the callback's output, as Dash knows it.
CALLBACKS: dict[str, Rule] = {
    "shell.children": SIGNED_IN,  # and then by PAGES
    "damage.children": SIGNED_IN,
    "review-content.children": REVIEW,
    "..review-lanes.figure...review-overview.figure...review-shown.children..": REVIEW,
}


@dataclass(frozen=True)
class Visitor:
    """Who makes the request."""

    account: str = ""  # empty where nobody has to sign in
    roles: frozenset[str] = frozenset()
    session: str = ""  # its name; empty without one
    token: str = ""  # of the session

    def may(self, rule: Rule) -> bool:
        """Return whether a rule lets this visitor through."""
        return rule.open or bool(self.roles & rule.roles)


STRANGER = Visitor()
THIS_MACHINE = Visitor(roles=frozenset(ROLES))


def sees_people(one: Visitor) -> bool:
    """Return whether a visitor may see wearers and exact counts; others see what is published."""
    return "review" in one.roles


def visitor() -> Visitor:
    """Return who makes the request under way; outside of a request, this machine itself."""
    if not flask.has_request_context():
        return THIS_MACHINE
    known: Visitor = flask.g.get("visitor", STRANGER)
    return known


def rule_of(method: str, pattern: str | None) -> Rule:
    """Return the rule of a route; HEAD and OPTIONS ask for no more than GET does, and never for less."""
    if method == "OPTIONS":
        return NOBODY
    return ROUTES.get(f"{'GET' if method == 'HEAD' else method} {pattern}", NOBODY)
