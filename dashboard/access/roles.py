"""Who may do what: `roles.toml` has every page, route and callback. What is not in it is refused to everybody
who has to sign in; a test walks all routes and callbacks of the application and fails on one without a rule.
"""

from dataclasses import dataclass
from pathlib import Path

import flask
import msgspec

from dashboard.access.accounts import ROLES


class Rule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What some pages, routes and callbacks ask for."""

    roles: frozenset[str] = frozenset()  # one of these is enough; empty means nobody
    open: bool = False  # not even sign-in is needed: it holds nothing of the archive
    action: str = ""  # what the access log calls it; empty for what is not logged
    # Refused when the log cannot be written. Not so the live page: a full disk must not blind a command unit.
    needs_log: bool = False
    each: bool = False  # of a page: every look is logged as the action, not the first of a session alone
    pages: tuple[str, ...] = ()
    routes: tuple[str, ...] = ()  # by method and the route's own pattern, as Flask knows it
    callbacks: tuple[str, ...] = ()  # by the callback's output, as Dash knows it


RULES = msgspec.toml.decode(Path(__file__).with_suffix(".toml").read_bytes(), type=dict[str, Rule])
NOBODY, SIGNED_IN, LIVE, SEND, REVIEW = (
    RULES[name] for name in ("NOBODY", "SIGNED_IN", "LIVE", "SEND", "REVIEW")
)
PAGES = {page: rule for rule in RULES.values() for page in rule.pages}
ROUTES = {route: rule for rule in RULES.values() for route in rule.routes}
CALLBACKS = {callback: rule for rule in RULES.values() for callback in rule.callbacks}


@dataclass(frozen=True)
class Visitor:
    """Who makes the request."""

    account: str = ""  # empty where nobody has to sign in
    roles: frozenset[str] = frozenset()
    session: str = ""  # its name; empty without one
    token: str = ""  # of the session
    ends_at: float = 0.0  # when the session does, seconds since 1970; 0 without one

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
