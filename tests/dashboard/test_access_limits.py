"""The limits of signing in, in figures: how long, how often, how large. They are our own rules."""

from __future__ import annotations

import stat
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest

from dashboard.access import roles, words
from dashboard.access.accounts import BadAccounts
from dashboard.access.log import read_log
from dashboard.access.protection import plain, security_headers
from dashboard.access.roles import THIS_MACHINE, Visitor, rule_of, sees_people, visitor
from dashboard.access.sign_in import Attempts, Sessions, _safe_next, form_token
from tests.dashboard.guarded_pages import BROWSER, GuardedPages, Hand, password_of

NOW = datetime(2031, 6, 1, 12, tzinfo=UTC)


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


class TestSessions:
    @pytest.mark.parametrize(
        ("step_s", "asked", "lasts"),
        [(1799.0, 3, True), (1800.0, 1, False), (1799.0, 24, True), (1799.0, 25, False)],
    )
    def test_half_an_hour_idle_or_twelve_hours(
        self, tmp_path: Path, step_s: float, asked: int, lasts: bool
    ) -> None:
        clock = Hand()
        sessions = Sessions(tmp_path / "sessions", clock)
        token = sessions.begin("desk-1", "b")
        for _ in range(asked):
            clock.at += step_s
            found, why = sessions.of(token, "b")
        assert (found is not None) is lasts
        assert lasts or why == "the session has expired"

    def test_the_list_has_none_that_ran_out_and_the_latest_first(self, tmp_path: Path) -> None:
        clock = Hand()
        sessions = Sessions(tmp_path / "sessions", clock)
        for name in ("a", "b", "c"):
            sessions.begin(name, "x")
            clock.at += 800.0
        assert [one.account for one in sessions.all()] == ["c", "b"]

    def test_the_twenty_first_ends_the_one_seen_longest_ago_of_the_same_account(self, tmp_path: Path) -> None:
        clock = Hand()
        sessions = Sessions(tmp_path / "sessions", clock)
        other = sessions.begin("review-1", "x")
        tokens = []
        for _ in range(20):
            clock.at += 1.0
            tokens.append(sessions.begin("desk-1", "x"))
        clock.at += 1.0
        assert all(sessions.of(token, "x")[0] for token in tokens)
        clock.at += 1.0
        assert sessions.of(tokens[0], "x")[0] is not None
        sessions.begin("desk-1", "x")
        assert [sessions.of(token, "x")[0] is None for token in tokens] == [False, True, *[False] * 18]
        assert sessions.of(other, "x")[0] is not None

    def test_a_restart_keeps_a_session_to_its_twelfth_hour_and_no_longer(self, tmp_path: Path) -> None:
        clock = Hand()
        token = Sessions(tmp_path / "sessions", clock).begin("desk-1", "x")
        assert stat.S_IMODE((tmp_path / "sessions").stat().st_mode) == 0o600
        clock.at += 12 * 3600.0 - 1.0
        assert Sessions(tmp_path / "sessions", clock).of(token, "x")[0] is not None
        clock.at += 1.0
        assert Sessions(tmp_path / "sessions", clock).all() == []
        assert Sessions(tmp_path / "sessions", clock).of(token, "x") == (None, "no such session")

    def test_a_session_is_ended_by_key_and_by_name(self, tmp_path: Path) -> None:
        sessions = Sessions(tmp_path / "sessions", Hand())
        first, second = (sessions.of(sessions.begin("desk-1", "x"), "x")[0] for _ in range(2))
        assert first is not None
        assert second is not None
        assert len(first.name) == 12
        assert sessions.end("nothing of the kind") is None
        assert sessions.end(first.name) == first
        assert sessions.end(second.key) == second
        assert sessions.all() == []
        assert Sessions(tmp_path / "sessions", Hand()).all() == []

    def test_the_token_for_forms_is_another_one(self) -> None:
        assert form_token("a") != form_token("b")
        assert len(form_token("a")) == 64


class TestAttempts:
    def test_five_a_place_and_account_twenty_a_place_in_fifteen_minutes(self) -> None:
        clock = Hand()
        attempts = Attempts(clock)
        assert [attempts.begin("desk-1", "192.0.2.1", known=True) for _ in range(6)] == [0.0] * 5 + [900.0]
        waits = [attempts.begin(f"other-{n}", "192.0.2.1", known=True) for n in range(16)]
        assert waits == [0.0] * 15 + [900.0]
        clock.at += 899.0
        assert attempts.begin("desk-1", "192.0.2.1", known=True) == 1.0
        clock.at += 1.0
        assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0

    def test_a_held_attempt_is_not_counted(self) -> None:
        """Who waits as told gets in: attempts while held do not make the wait longer."""
        clock = Hand()
        attempts = Attempts(clock)
        for _ in range(5):
            attempts.begin("desk-1", "192.0.2.1", known=True)
        for _ in range(30):
            clock.at += 29.0
            assert attempts.begin("desk-1", "192.0.2.1", known=True) > 0.0
        clock.at += 30.0
        assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0

    def test_an_attempt_half_a_second_too_early_is_not_counted(self) -> None:
        clock = Hand()
        attempts = Attempts(clock)
        for _ in range(5):
            attempts.begin("desk-1", "192.0.2.1", known=True)
        clock.at += 899.5
        assert [attempts.begin("desk-1", "192.0.2.1", known=True) for _ in range(5)] == [0.5] * 5
        clock.at += 0.5
        assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0

    def test_success_clears_this_place_and_only_the_last_failure_elsewhere(self) -> None:
        attempts = Attempts(Hand())
        for _ in range(4):
            attempts.begin("desk-1", "192.0.2.1", known=True)
        attempts.begin("desk-1", "192.0.2.1", known=True)
        attempts.succeeded("desk-1", "192.0.2.1")
        assert [attempts.begin("desk-1", "192.0.2.1", known=True) for _ in range(6)] == [0.0] * 5 + [900.0]
        # Of the place four failures stay, and five more now: eleven others are let through.
        waits = [attempts.begin(f"n-{n}", "192.0.2.1", known=True) for n in range(12)]
        assert waits == [0.0] * 11 + [900.0]

    def test_ten_thousand_places_are_remembered_and_then_the_oldest_quarter_goes(self) -> None:
        clock = Hand()
        attempts = Attempts(clock)
        for _ in range(5):
            attempts.begin("desk-1", "192.0.2.1", known=True)
        for number in range(3331):  # three keys each: place, both, and of no account
            attempts.begin(f"n-{number}", f"10.{number // 250}.{number % 250}.1", known=False)
        assert attempts.begin("desk-1", "192.0.2.1", known=True) > 0.0
        for number in range(4):
            attempts.begin(f"m-{number}", f"11.0.{number}.1", known=False)
        assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0, "the oldest place is forgotten"
        for number in range(94):
            assert attempts.begin("desk-1", f"12.0.0.{number}", known=True) == 0.0
        # What an account has against it as a whole stays: 5 + 1 + 94 are its hundred.
        assert attempts.begin("desk-1", "13.0.0.1", known=True) > 0.0


class TestPages:
    def test_cookies_and_the_wait(self, pages: GuardedPages) -> None:
        caller = pages.client()
        form = caller.get("/sign-in").headers.getlist("Set-Cookie")
        assert any("Max-Age=3600" in one and "HttpOnly" in one and "SameSite=Strict" in one for one in form)
        cookies = {
            one.partition("=")[0]: one
            for one in caller.try_password("desk-1", password_of("desk-1")).headers.getlist("Set-Cookie")
        }
        assert "Max-Age=43200" in cookies["underair"]
        assert "HttpOnly" in cookies["underair"]
        assert "Max-Age=43200" in cookies["_csrf_token"]
        assert "HttpOnly" not in cookies["_csrf_token"]
        assert "Max-Age=0" in cookies["underair-form"]
        guesser = pages.client()
        for _ in range(5):
            guesser.try_password("desk-1", "wrong wrong wrong", "203.0.113.9")
        held = guesser.try_password("desk-1", "wrong wrong wrong", "203.0.113.9")
        assert held.status_code == 429
        assert "15 minutes" in held.text
        assert 895 < int(held.headers["Retry-After"]) <= 900

    @pytest.mark.parametrize(
        ("passed_s", "minutes", "seconds"),
        [(0.0, "15 minutes", "901"), (839.5, "2 minutes", "61"), (899.5, "1 minute", "1")],
    )
    def test_the_wait_is_rounded_up(
        self, pages: GuardedPages, passed_s: float, minutes: str, seconds: str
    ) -> None:
        clock = Hand()
        pages.sign_in.attempts = Attempts(clock)
        for _ in range(5):
            pages.client().try_password("desk-1", "wrong wrong wrong")
        clock.at += passed_s
        held = pages.client().try_password("desk-1", password_of("desk-1"))
        assert (held.status_code, held.headers.get("Retry-After")) == (429, seconds)
        assert f" {minutes}" in held.text

    def test_a_session_that_began_when_its_account_was_made_is_good(
        self, pages: GuardedPages, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        made_s = pages.accounts.accounts()["desk-1"].sessions_from.timestamp()
        monkeypatch.setattr(pages.clock, "ahead_s", 0.0)
        monkeypatch.setattr(type(pages.clock), "__call__", lambda _: made_s)
        assert pages.client("desk").get("/live.json").status_code == 200

    def test_signing_in_again_and_again_locks_nobody_out(self, pages: GuardedPages) -> None:
        for _ in range(6):
            assert pages.client().try_password("desk-1", password_of("desk-1")).status_code == 303

    def test_the_forms_token_stays_the_same_and_a_planted_one_is_replaced(self, pages: GuardedPages) -> None:
        caller = pages.client()
        first = caller.form_token()
        assert len(first) == 48
        assert caller.form_token() == first
        for planted in ("a" * 47, "a" * 49, '"><script>' + "a" * 38):
            caller.web.set_cookie(pages.sign_in.form_cookie, planted, domain="localhost")
            assert caller.form_token() not in (planted, first)

    @pytest.mark.parametrize(
        ("wanted", "goes"),
        [
            ("/live", "/live"),
            ("/review?incident=I-1#top", "/review?incident=I-1"),
            ("/nowhere", "/"),
            ("//elsewhere.example/live", "/"),
            ("https://elsewhere.example/live", "/"),
            ("/live\x1f", "/"),
            ("/live?a=\x1f", "/"),
            ("/live?a= ", "/live?a= "),
            ("http://[", "/"),
            ("", "/"),
        ],
    )
    def test_where_signing_in_leads(self, wanted: str, goes: str) -> None:
        assert _safe_next(wanted) == goes

    @pytest.mark.parametrize(
        ("host", "status"),
        [
            ("localhost", 200),
            ("LOCALHOST:65535", 200),
            ("[::1]:8050", 200),
            ("localhost:65536", 400),
            ("localhost:", 400),
            ("elsewhere.example", 400),
            ("localhost.elsewhere.example", 400),
        ],
    )
    def test_which_host_is_ours(self, pages: GuardedPages, host: str, status: int) -> None:
        assert pages.client().get("/sign-in", headers={"Host": host}).status_code == status

    def test_a_body_of_a_quarter_megabyte_and_no_more(self, pages: GuardedPages) -> None:
        caller = pages.client("desk")
        limit = 256 * 1024

        def answer(size: int) -> int:
            return caller.ask(
                "POST", "/live/desk/note", data=b" " * size, content_type="application/json"
            ).status_code

        assert pages.app.server.config["MAX_CONTENT_LENGTH"] == limit
        assert pages.app.server.config["MAX_FORM_MEMORY_SIZE"] == limit
        assert answer(limit + 1) == 413
        assert answer(8 * 1024 + 1) == 413, "a desk's message"
        assert answer(8 * 1024) == 400, "what is in it is not understood"

    @pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", ""])
    def test_a_body_of_a_kind_that_a_plain_form_can_send_is_refused(
        self, pages: GuardedPages, kind: str
    ) -> None:
        body = b'{"incident_id": "I-1", "text": "door open"}'
        answer = pages.client("desk").ask("POST", "/live/desk/note", data=body, content_type=kind)
        assert (answer.status_code, answer.get_json()) == (415, {"problem": words.NOT_READ})
        assert pages.line.sent == []

    def test_ten_slow_requests_at_once_and_the_live_page_beside_them(self, pages: GuardedPages) -> None:
        caller, room = pages.client("review"), pages.app.server.extensions["underair-room"]
        taken = 0
        while room.acquire(blocking=False):
            taken += 1
        assert taken == 10
        assert caller.get("/review/moment").status_code == 503
        assert pages.client("desk").get("/live.json").status_code == 200
        room.release()
        first, second = (caller.get("/review/moment").status_code for _ in range(2))
        assert 503 not in (first, second), "each gives its room back"

    @pytest.mark.parametrize(
        ("headers", "status"),
        [
            ({}, 200),
            ({"Sec-Fetch-Site": "same-origin"}, 200),
            ({"Sec-Fetch-Site": "cross-site"}, 403),
            ({"Sec-Fetch-Site": "same-site"}, 403),
            ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}, 200),
        ],
    )
    def test_other_sites_may_link_to_us_and_no_more(
        self, pages: GuardedPages, headers: dict[str, str], status: int
    ) -> None:
        assert pages.client().get("/sign-in", headers=headers).status_code == status

    @pytest.mark.parametrize(
        ("headers", "status"),
        [
            ({}, 204),
            ({"Origin": "http://elsewhere.example"}, 403),
            ({"Sec-Fetch-Site": "cross-site"}, 403),
            ({"X-CSRFToken": ""}, 403),
        ],
    )
    def test_a_change_comes_from_our_page_with_the_sessions_token(
        self, pages: GuardedPages, headers: dict[str, str], status: int
    ) -> None:
        assert pages.client("desk").ask("POST", "/sign-out", headers=headers).status_code == status

    def test_headers_of_every_answer(self, pages: GuardedPages) -> None:
        answer = pages.client().get("/sign-in")
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["X-Frame-Options"] == "DENY"
        assert answer.headers["Cache-Control"] == "no-store"
        assert "Strict-Transport-Security" not in answer.headers
        assert "script-src 'self' 'sha256-x'" in security_headers(["'sha256-x'"])["Content-Security-Policy"]

    def test_a_program_reads_the_interface_and_nothing_else(self, pages: GuardedPages) -> None:
        token = pages.accounts.add_token("reader", ("watch",))
        with_token = {"Authorization": f"Bearer {token}"}
        caller = pages.client()
        # The feed of this test does not run: 503 is the board's own answer.
        assert caller.get("/api/v1/board", headers=with_token).status_code == 503
        assert caller.ask("HEAD", "/api/v1/board", headers=with_token).status_code == 503
        assert caller.get("/live.json", headers=with_token).status_code in (401, 403)
        assert caller.ask("POST", "/api/v1/board", headers=with_token).status_code in (401, 403, 405)
        assert caller.get("/api/v1/board", headers={"Authorization": "Bearer x"}).status_code in (401, 403)
        assert caller.get("/api/v1/board", headers={"Authorization": f"Basic {token}"}).status_code in (
            401,
            403,
        )
        with pytest.raises(BadAccounts, match="admin"):
            pages.accounts.add_token("other", ("admin", "watch"))

    def test_what_is_logged_and_what_is_refused_when_it_cannot_be(self) -> None:
        logged = {name: rule.action for name, rule in roles.ROUTES.items() if rule.action}
        needing = {name for name, rule in roles.ROUTES.items() if rule.needs_log}
        assert {name for name in logged if name not in needing} == {
            "POST /live/desk/<kind>",
            "POST /review/note",
        }
        assert needing == {
            *(f"POST /access/{name}" for name in ("end/<name>", "publish-anew/<period>")),
            *(f"GET /trends/{name}" for name in ("export.zip", "summary.html", "inside.zip", "inside.html")),
            *(f"GET /review/{name}" for name in ("moment", "messages", "evidence", "note", "export")),
            *(f"GET /review/{name}" for name in ("lanes.svg", "report")),
            "GET /board.json", "GET /board/lines.json", "GET /access.csv", "GET /register.csv",
            "GET /api/v1/incidents", "GET /api/v1/incidents/<key>/<table>",
        }  # fmt: skip
        assert {path for path, rule in roles.PAGES.items() if rule.needs_log} == {
            "/review",
            "/board",
            "/register",
        }
        assert {path for path, rule in roles.PAGES.items() if rule.each} == {"/register"}
        assert all(rule.needs_log for name, rule in roles.CALLBACKS.items() if rule is not roles.SIGNED_IN)
        everybody = {name for name, rule in roles.ROUTES.items() if rule.open}
        assert everybody == {
            "GET /_favicon.ico", "GET /health", "GET /theme.css", "GET /assets/<path:filename>",
            "GET /sign-in", "POST /sign-in", "GET /api/v1/openapi.json",
        }  # fmt: skip

    def test_a_refused_look_is_one_line_that_says_what_was_asked_for(self, pages: GuardedPages) -> None:
        caller = pages.client("watch")
        for _ in range(2):
            assert caller.update("review-content.children").status_code == 403
            assert caller.get("/review/moment?incident=I-1&people=W-1&x=y").status_code == 403
        lines = [(one.target, one.outcome) for one in read_log(pages.archive)[0] if one.action == "refused"]
        assert lines == [
            ("review-content.children", "refused"),
            ("/review/moment incident=I-1 people=W-1", "refused"),
        ]

    def test_what_signing_in_and_out_writes_and_takes_back(
        self, pages: GuardedPages, caplog: pytest.LogCaptureFixture
    ) -> None:
        caller = pages.client()
        signed = caller.try_password("desk-1", password_of("desk-1")).headers.getlist("Set-Cookie")
        (form,) = [one for one in signed if one.startswith("underair-form=")]
        assert "HttpOnly" in form
        assert "SameSite=Strict" in form
        assert "Secure" not in form
        (session,) = pages.sign_in.sessions.all()
        again = pages.client()
        again.take(caller.web.get_cookie("underair").value)
        again.try_password("desk-1", password_of("desk-1"))
        (later,) = pages.sign_in.sessions.all()
        assert later.key != session.key, "whoever signs in anew ends the session before"
        again.take(again.web.get_cookie("underair").value)
        out = again.ask("POST", "/sign-out").headers.getlist("Set-Cookie")
        assert {one.partition("=")[0] for one in out if "Max-Age=0" in one} == {"underair", "_csrf_token"}
        assert all("SameSite=Strict" in one and "Secure" not in one for one in out)
        assert pages.sign_in.sessions.all() == []
        lines = [(one.action, one.account, one.session) for one in read_log(pages.archive)[0]]
        assert lines == [
            ("sign-in", "desk-1", session.name),
            ("sign-in", "desk-1", later.name),
            ("sign-out", "desk-1", later.name),
        ]
        for name, who, account in (("nobody", "somebody unknown", ""), ("desk-1", "desk-1", "desk-1")):
            for _ in range(7):
                pages.client().try_password(name, "wrong wrong wrong", "203.0.113.9")
            assert f"a wrong sign-in as {who}" in caplog.text
            assert f"too many attempts to sign in as {who}" in caplog.text
            refused = [one for one in read_log(pages.archive)[0] if one.outcome == "refused"]
            assert [one.account for one in refused[-6:]] == [account] * 6, "five tried, and one line for more"
            assert {one.address for one in refused} == {"203.0.113.9"}

    def test_a_refusal_names_who_asked(self, pages: GuardedPages, caplog: pytest.LogCaptureFixture) -> None:
        for role, who in (("watch", "watch-1"), (None, "nobody signed in")):
            caplog.clear()
            assert pages.client(role).get("/review/moment?incident=I-1").status_code in (401, 403)
            (line,) = [one.getMessage() for one in caplog.records if "refused" in one.getMessage()]
            assert line.endswith(f"GET /review/moment from 127.0.0.1, {who}")

    def test_a_page_that_is_not_for_a_role_is_one_line_however_often_it_is_asked_for(
        self, pages: GuardedPages
    ) -> None:
        caller = pages.client("watch")
        for _ in range(2):
            assert "not for your role" in caller.page("/review").text
        refused = [one.target for one in read_log(pages.archive)[0] if one.action == "refused"]
        assert refused == ["/review"]

    @pytest.mark.parametrize("changed", ["abc", [1], {"a": 1}, None])
    def test_what_changed_is_a_list_of_names(
        self, pages: GuardedPages, changed: object, caplog: pytest.LogCaptureFixture
    ) -> None:
        body = {
            "output": "shell.children",
            "outputs": {"id": "shell", "property": "children"},
            "inputs": [{"id": "address", "property": "pathname", "value": "/live"}],
            "state": [{"id": "address", "property": "search", "value": ""}],
            "changedPropIds": changed,
        }
        answer = pages.client("desk").ask("POST", "/_dash-update-component", json=body)
        assert answer.status_code == 400
        assert "changedPropIds is not a list of names" in caplog.text

    def test_a_callback_request_that_is_no_json_is_called_so(
        self, pages: GuardedPages, caplog: pytest.LogCaptureFixture
    ) -> None:
        kind = {"data": b"{", "content_type": "application/json"}
        assert pages.client("desk").ask("POST", "/_dash-update-component", **kind).status_code == 400
        assert "callback request: no object with an output" in caplog.text

    def test_who_sees_people(self) -> None:
        assert visitor() is THIS_MACHINE
        assert sees_people(THIS_MACHINE)
        assert not sees_people(Visitor("a", frozenset({"audit", "admin", "watch", "desk", "health"})))
        assert rule_of("HEAD", "/live.json") == rule_of("GET", "/live.json") == roles.LIVE
        assert rule_of("OPTIONS", "/sign-in") == rule_of("DELETE", "/live.json") == roles.NOBODY

    def test_what_is_written_of_a_request_is_cut_and_drives_no_terminal(self) -> None:
        assert plain("a\n\x1b[2Jb") == "a\\n\\x1b[2Jb"
        assert len(plain("x" * 1000)) == 200


def test_sessions_file_holds_no_token(tmp_path: Path) -> None:
    token = Sessions(tmp_path / "sessions", Hand()).begin("desk-1", BROWSER)
    kept = (tmp_path / "sessions").read_bytes()
    assert token.encode() not in kept
    assert BROWSER.encode() not in kept
    assert len(msgspec.json.decode(kept)) == 1
