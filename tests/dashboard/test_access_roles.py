"""Each role tries each route, callback and page directly; what has no rule is nobody's."""

from __future__ import annotations

import json
import logging
import re
from pathlib import Path

import pytest

from analysis.live.board import LiveBoard
from analysis.profile import Profile
from dashboard.access import roles
from dashboard.access.accounts import ROLES
from dashboard.access.log import read_log
from ingest.contract.frames import frames_from_heard
from tests.dashboard.guarded_pages import GuardedPages
from tests.faults.io_fault_driver import START, desk

# Who may, said once more and by itself: a slip in the table of rules must not pass because the test reads it
# too.
MAY = {
    "GET /live.json": {"watch", "desk"},
    "GET /live/lines.json": {"watch", "desk"},
    "POST /live/desk/<kind>": {"desk"},
    "GET /review/moment": {"review"},
    "GET /review/messages": {"review"},
    "GET /review/evidence": {"review"},
    "GET /review/export": {"review"},
    "GET /review/report": {"review"},
    "GET /trends/progress.json": {"review", "audit"},
    "GET /trends/export.zip": {"review", "audit"},
    "GET /trends/summary.html": {"review", "audit"},
    "GET /trends/inside.zip": {"review"},
    "GET /trends/inside.html": {"review"},
    "GET /register.csv": {"health"},
    "GET /access.csv": {"admin"},
    "POST /access/end/<name>": {"admin"},
    "POST /access/publish-anew/<period>": {"admin"},
    "GET /static/<path:filename>": set(),
}
OPEN = {
    "GET /api/v1/openapi.json",
    "GET /sign-in",
    "POST /sign-in",
    "GET /theme.css",
    "GET /assets/<path:filename>",
    "GET /health",
    "GET /_favicon.ico",
}
PAGES = {
    "/live": {"watch", "desk"},
    "/review": {"review"},
    "/trends": {"review", "audit"},
    "/access": {"admin"},
    "/register": {"health"},
    "/method": {"watch", "desk", "review", "audit", "health", "admin"},
}


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


def routes_of(pages: GuardedPages) -> list[tuple[str, str]]:
    found = []
    for rule in pages.app.server.url_map.iter_rules():
        found += [(method, rule.rule) for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"})]
    return found


def test_every_rule_names_roles_that_there_are_and_no_address_has_two() -> None:
    for name, rule in roles.RULES.items():
        assert rule.roles <= set(ROLES), name
        assert rule.open <= (not rule.roles), name
    for addresses in ("pages", "routes", "callbacks"):
        every = [one for rule in roles.RULES.values() for one in getattr(rule, addresses)]
        assert len(every) == len(set(every)), addresses


def address_of(pattern: str) -> str:
    parts = [
        ("<path:path>", "live"),
        ("<path:filename>", "shell.css"),
        ("<string:package_name>/<path:fingerprinted_path>", "dash/deps/polyfill@7.js"),
        ("<kind>", "note"),
    ]
    for name, value in parts:
        pattern = pattern.replace(name, value)
    return pattern.replace("<", "").replace(">", "")


def test_every_route_and_callback_has_a_rule(pages: GuardedPages) -> None:
    """A new one is refused to everybody who signs in until it stands in `dashboard/access/roles.toml`."""
    known = [f"{method} {rule}" for method, rule in routes_of(pages)]
    without = [route for route in known if route not in roles.ROUTES]
    assert without == [], "add these to the routes in dashboard/access/roles.toml: who may, and is it logged?"
    silent = [output for output in pages.app.callback_map if output not in roles.CALLBACKS]
    assert silent == [], (
        "add these to the callbacks in dashboard/access/roles.toml: who may, and is it logged?"
    )


def test_no_rule_outlives_its_route(pages: GuardedPages) -> None:
    known = {f"{method} {rule}" for method, rule in routes_of(pages)}
    assert set(roles.ROUTES) - known == set()
    assert set(roles.CALLBACKS) - set(pages.app.callback_map) == set()


def test_what_has_no_rule_is_refused_to_every_role(
    pages: GuardedPages, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.delitem(roles.ROUTES, "GET /live.json")
    monkeypatch.delitem(roles.CALLBACKS, "shell.children")
    for role in ROLES:
        assert pages.client(role).get("/live.json").status_code == 403
        assert pages.client(role).page("/live").status_code == 403
    assert caplog.text.count("refused:") == 2 * len(ROLES)


@pytest.mark.parametrize("role", ROLES)
def test_each_role_gets_through_each_route_or_is_refused(
    pages: GuardedPages, role: str, caplog: pytest.LogCaptureFixture
) -> None:
    for method, pattern in routes_of(pages):
        route = f"{method} {pattern}"
        if route in OPEN or pattern in ("/sign-out", "/_dash-update-component"):
            continue
        may = role in MAY.get(route, roles.ROUTES[route].roles)
        caplog.clear()
        response = pages.client(role).ask(method, address_of(pattern), json={} if method == "POST" else None)
        if may:
            assert response.status_code not in (401, 403), f"{role} {route}: {response.data[:200]!r}"
        else:
            assert response.status_code == 403, f"{role} {route}"
            assert "refused: not for the roles of" in caplog.text


@pytest.mark.parametrize("role", ROLES)
def test_each_role_gets_through_each_callback_or_is_refused(pages: GuardedPages, role: str) -> None:
    for output in pages.app.callback_map:
        rule = roles.CALLBACKS[output]
        response = pages.client(role).update(output)
        assert (response.status_code == 403) == (role not in rule.roles), f"{role} {output}"


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("path", PAGES)
def test_each_role_sees_its_pages_only(
    pages: GuardedPages, role: str, path: str, caplog: pytest.LogCaptureFixture
) -> None:
    told = pages.client(role).page(path).get_data(as_text=True).replace("\\u002f", "/")
    offered = set(re.findall(r'"href":\s*"(/[a-z]+)"', told)) & set(PAGES)
    assert offered == {each for each in PAGES if role in PAGES[each]}
    refused = "not for your role" in told
    assert refused == (role not in PAGES[path])
    assert ("is not for the roles of" in caplog.text) == refused


def test_the_first_page_is_one_that_the_role_may_open(pages: GuardedPages) -> None:
    for role, title in (("watch", "live"), ("audit", "trends"), ("admin", "access")):
        told = pages.client(role).page("/").get_data(as_text=True)
        assert "not for your role" not in told
        assert f'"className":"{title}"' in told.replace(" ", "") or f'"id":"{title}"' in told.replace(" ", "")


def test_without_a_session_nothing_but_the_form_is_given(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    stranger = pages.client()
    for method, pattern in routes_of(pages):
        if f"{method} {pattern}" in OPEN:
            continue
        response = stranger.ask(method, address_of(pattern), json={} if method == "POST" else None)
        expected = (400, 401) if pattern == "/_dash-update-component" else (401,)
        assert response.status_code in expected, pattern
        assert "html" not in response.mimetype
    assert stranger.page("/review").status_code == 401
    page = stranger.get("/review?incident=I-1", headers={"Accept": "text/html"})
    assert page.status_code == 303
    assert page.headers["Location"] == "/sign-in?next=/review%3Fincident%3DI-1"
    assert "not signed in" in caplog.text


def test_only_a_desk_is_offered_the_desk(pages: GuardedPages) -> None:
    assert '\\"may_send\\":true' in pages.client("desk").page("/live").get_data(as_text=True)
    assert '\\"may_send\\":false' in pages.client("watch").page("/live").get_data(as_text=True)


def test_what_a_desk_sends_is_logged_with_its_identity(pages: GuardedPages) -> None:
    board = LiveBoard(Profile.default())
    board.take(frames_from_heard([desk(0, "incident", incident_id="I-1", action="open")]))
    pages.feed.snapshot = board.snapshot(START)
    sent = pages.client("desk").ask(
        "POST", "/live/desk/note", json={"service": "trial", "incident_id": "I-1", "text": "door open"}
    )
    assert sent.status_code == 200
    assert len(pages.line.sent) == 1
    pages.client("watch").ask("POST", "/live/desk/note", json={})
    assert len(pages.line.sent) == 1
    entries, faults = read_log(pages.archive)
    assert faults == []
    assert [(one.account, one.action, one.outcome) for one in entries] == [
        ("desk-1", "send", "done"),
        ("watch-1", "refused", "refused"),
    ]
    assert json.loads(sent.get_data())["sent"] in entries[0].target


def test_views_of_a_record_are_logged_once(pages: GuardedPages) -> None:
    reviewer = pages.client("review")
    for _ in range(20):
        reviewer.get("/review/moment?incident=I-1&people=W-01&at=5")
    reviewer.get("/review/moment?incident=I-1&people=W-02&at=5")
    reviewer.page("/review", "?incident=I-1&people=W-02")
    entries, _ = read_log(pages.archive)
    assert [(one.action, one.target) for one in entries] == [
        ("view", "/review/moment incident=I-1 people=W-01"),
        ("view", "/review/moment incident=I-1 people=W-02"),
        ("page", "/review?incident=I-1&people=W-02"),
    ]
    assert {(one.account, one.roles, one.session != "") for one in entries} == {
        ("review-1", ("review",), True)
    }


def test_what_cannot_be_logged_is_refused_but_the_live_page_goes_on(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    (pages.archive / "access").write_text("in the way: no folder of this name can be made")
    with caplog.at_level(logging.ERROR):
        assert pages.client("review").get("/review/moment?incident=I-1").status_code == 503
        assert "could not be written" in pages.client("review").page("/review").get_data(as_text=True)
        assert pages.client("watch").get("/live.json").status_code == 200
        assert pages.client("watch").page("/live").status_code == 200
    assert "the access log cannot be written" in caplog.text


def test_the_admin_sees_and_ends_sessions_and_takes_the_log_away(pages: GuardedPages) -> None:
    admin, desk = pages.client("admin"), pages.client("desk")
    told = admin.page("/access").get_data(as_text=True)
    assert "desk-1" in told
    assert "argon2" not in told
    assert desk.token not in told
    (session,) = [one for one in pages.sign_in.sessions.all() if one.account == "desk-1"]
    assert admin.ask("POST", f"/access/end/{session.name}").get_json() == {"ended": "desk-1"}
    assert desk.get("/live.json").status_code == 401
    pages.sign_in.log.write("page", "=HYPERLINK(1)", account="review-1")
    answer = admin.get("/access.csv")
    assert answer.mimetype == "text/csv"
    assert "'=HYPERLINK(1)" in answer.get_data(as_text=True)
    assert "end-session" in answer.get_data(as_text=True)


def test_without_sign_in_everything_is_this_machines(tmp_path: Path) -> None:
    from analysis.profile import Profile
    from dashboard.app import create_app
    from dashboard.context import PageContext
    from ingest.archive.reading import Archive

    app = create_app(PageContext(Archive(tmp_path), Profile.default()))
    web = app.server.test_client()
    assert web.get("/").status_code == 200
    assert b"session.js" not in web.get("/").data
    assert b"/sign-in" not in {rule.rule.encode() for rule in app.server.url_map.iter_rules()}
    assert not (tmp_path / "access").exists()
