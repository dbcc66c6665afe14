"""The pages under attack, without a browser: what is forged, expired, stolen, foreign, too big or malformed.

Each is refused, nothing of the archive is in the answer, and a line in the log says so.
"""

from __future__ import annotations

import json
import logging
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from waitress import wasyncore
from waitress.server import create_server

from dashboard.access.attempts import ACCOUNT_FROM_HERE, FROM_HERE
from dashboard.access.log import read_log
from dashboard.access.protection import TOKEN_HEADER
from dashboard.access.reach import LARGEST_BODY_BYTES, Reach
from dashboard.access.sessions import IDLE_S, LASTS_S, form_token
from tests.dashboard.guarded_pages import BROWSER, GuardedPages, password_of

SHELL = "shell.children"
DRAW = "..review-lanes.figure...review-overview.figure...review-shown.children.."


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


# ---- sessions


@pytest.mark.parametrize(
    "token", ["x", "A" * 43, "../../etc/passwd", "' OR 1=1 --", "\u00e9" * 20, "a" * 3000, "%00", "null"]
)
def test_a_forged_session_opens_nothing(
    pages: GuardedPages, token: str, caplog: pytest.LogCaptureFixture
) -> None:
    caller = pages.client("review")
    caller.take(token)
    assert caller.get("/review/moment?incident=I-1").status_code == 401
    assert caller.page("/review").status_code == 401
    assert "refused: no such session" in caplog.text
    assert token not in caplog.text or len(token) < 10


def test_what_is_on_the_disk_or_in_a_log_opens_nothing(pages: GuardedPages) -> None:
    """Whoever reads the file of sessions, or an export of the log, has no session by that."""
    pages.client("review")
    (session,) = pages.sign_in.sessions.all()
    for found in (session.key, session.name, session.browser):
        thief = pages.client()
        thief.take(found)
        assert thief.get("/review/moment").status_code == 401


@pytest.mark.parametrize("after_s", [IDLE_S + 1, LASTS_S + 1])
def test_an_expired_session_opens_nothing(
    pages: GuardedPages, after_s: float, caplog: pytest.LogCaptureFixture
) -> None:
    caller = pages.client("review")
    assert caller.get("/review/moment?incident=I-1").status_code == 404
    pages.clock.ahead_s = after_s
    assert caller.get("/review/moment?incident=I-1").status_code == 401
    assert "the session has expired" in caplog.text


def test_a_stolen_session_opens_nothing_on_another_browser(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    owner, thief = pages.client("review"), pages.client()
    thief.take(owner.token)
    stolen = thief.get("/review/moment?incident=I-1", headers={"User-Agent": "Another browser/2"})
    assert stolen.status_code == 401
    assert "came from another browser" in caplog.text
    assert owner.token not in caplog.text
    assert owner.get("/review/moment?incident=I-1").status_code == 401, "whoever it belongs to signs in anew"


@pytest.mark.parametrize("deed", ["end", "remove", "password", "sign-out"])
def test_an_ended_session_opens_nothing(pages: GuardedPages, deed: str) -> None:
    caller = pages.client("review")
    assert caller.get("/review/moment?incident=I-1").status_code == 404
    if deed == "end":
        pages.accounts.end_sessions("review-1")
    elif deed == "remove":
        pages.accounts.remove("review-1")
    elif deed == "password":
        pages.accounts.set_password("review-1", "another nine green kettles")
    else:
        assert caller.ask("POST", "/sign-out").status_code == 204
    caller.take(caller.token)
    assert caller.get("/review/moment?incident=I-1").status_code == 401


def test_a_role_taken_away_holds_at_once(pages: GuardedPages) -> None:
    caller = pages.client("desk")
    assert caller.get("/live.json").status_code == 200
    text = pages.accounts.path.read_text().replace('"desk"', '"audit"')
    pages.accounts.path.write_text(text)
    assert caller.get("/live.json").status_code == 403


def test_a_file_of_accounts_that_others_can_write_lets_nobody_in(pages: GuardedPages) -> None:
    caller = pages.client("desk")
    pages.accounts.path.chmod(0o666)
    pages.accounts.path.write_text(pages.accounts.path.read_text() + "\n")
    assert caller.get("/live.json").status_code == 401
    assert pages.client().try_password("desk-1", password_of("desk-1")).status_code == 503


# ---- signing in


def test_the_right_password_gets_a_session_and_the_wrong_one_does_not(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    caller = pages.client()
    wrong = caller.try_password("review-1", "not the right one at all")
    assert wrong.status_code == 401
    assert wrong.get_data() == caller.try_password("nobody-9", "not the right one at all").get_data()
    assert "a wrong sign-in as review-1" in caplog.text
    assert "nobody-9" not in caplog.text, "it may be a password in the wrong field"
    right = caller.try_password("review-1", password_of("review-1"), wanted="/review?incident=I-1")
    assert right.status_code == 303
    assert right.headers["Location"] == "/review?incident=I-1"
    assert caller.get("/review/moment?incident=I-1").status_code == 404
    assert password_of("review-1") not in caplog.text
    outcomes = [(one.account, one.action, one.outcome) for one in read_log(pages.archive)[0]]
    assert outcomes[:3] == [
        ("review-1", "sign-in", "refused"),
        ("", "sign-in", "refused"),
        ("review-1", "sign-in", "done"),
    ]


def test_the_cookies_are_for_this_browser_this_host_and_tls_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = GuardedPages(tmp_path, monkeypatch, public_url="https://air.example")
    web = pages.app.server.test_client()
    base: Any = {"base_url": "https://air.example", "headers": {"User-Agent": BROWSER}}
    form = web.get("/sign-in", **base).headers["Set-Cookie"]
    token = form.split("=", 1)[1].split(";")[0]
    fields = {"name": "desk-1", "password": password_of("desk-1"), "form": token}
    given = {**base["headers"], "Origin": "https://air.example", "Cookie": form.split(";")[0]}
    answer = web.post("/sign-in", base_url="https://air.example", headers=given, data=fields)
    assert answer.status_code == 303
    cookies = {one.split("=")[0]: one for one in answer.headers.getlist("Set-Cookie")}
    for wanted in ("Secure", "HttpOnly", "SameSite=Strict", "Path=/"):
        assert wanted in cookies["__Host-underair"]
    assert "Domain" not in cookies["__Host-underair"]
    assert "Secure" in cookies["_csrf_token"]
    assert "max-age=31536000" in answer.headers["Strict-Transport-Security"]


@pytest.mark.parametrize(
    "wanted",
    [
        "https://evil.example/",
        "//evil.example/live",
        "/\\evil.example",
        "javascript:alert(1)",
        "/live\r\nX: y",
    ],
)
def test_signing_in_leads_nowhere_else(pages: GuardedPages, wanted: str) -> None:
    right = pages.client().try_password("desk-1", password_of("desk-1"), wanted=wanted)
    assert right.headers["Location"] == "/"


def test_markup_in_the_form_stays_text(pages: GuardedPages) -> None:
    told = pages.client().get('/sign-in?next=/live?x="><script>alert(1)</script>').get_data(as_text=True)
    assert "<script>alert" not in told


def test_a_sign_in_without_the_forms_token_is_refused(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    caller = pages.client()
    fields = {"name": "desk-1", "password": password_of("desk-1"), "form": "x" * 48, "next": ""}
    assert caller.ask("POST", "/sign-in", data=fields).status_code == 400
    caller.form_token()
    assert caller.ask("POST", "/sign-in", data=fields).status_code == 400
    assert caller.ask("POST", "/sign-in", data={**fields, "form": ""}).status_code == 400
    assert "a sign-in without the form's token" in caplog.text
    assert pages.sign_in.sessions.all() == []


def test_signing_in_gives_a_new_session_and_ends_the_one_before(pages: GuardedPages) -> None:
    caller = pages.client("desk")
    planted = caller.token
    caller.try_password("review-1", password_of("review-1"))
    assert pages.sign_in.sessions.of(planted, BROWSER)[0] is None


def test_brute_force_is_held_up_and_the_desk_can_still_come_in(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    attacker = pages.client()
    answers = [
        attacker.try_password("desk-1", f"guess number {number} of many", "203.0.113.9").status_code
        for number in range(ACCOUNT_FROM_HERE.failures + 10)
    ]
    assert answers == [401] * ACCOUNT_FROM_HERE.failures + [429] * 10
    assert attacker.try_password("desk-1", password_of("desk-1"), "203.0.113.9").status_code == 429
    held = attacker.try_password("desk-1", "guess", "203.0.113.9")
    assert 0 < int(held.headers["Retry-After"]) <= ACCOUNT_FROM_HERE.within_s + 1
    assert "too many attempts to sign in as desk-1" in caplog.text
    assert pages.client().try_password("desk-1", password_of("desk-1"), "203.0.113.10").status_code == 303


def test_guessing_names_is_held_up_too(pages: GuardedPages) -> None:
    attacker = pages.client()
    answers = [
        attacker.try_password(f"name-{number}", "one password for all", "203.0.113.9").status_code
        for number in range(FROM_HERE.failures + 5)
    ]
    assert answers == [401] * FROM_HERE.failures + [429] * 5


def test_eight_guesses_at_once_are_eight_guesses(pages: GuardedPages) -> None:
    callers = [pages.client() for _ in range(8)]
    codes: list[int] = []

    def guess(number: int) -> None:
        for again in range(3):
            name = f"guess number {number} {again} now"
            codes.append(callers[number].try_password("desk-1", name, "203.0.113.9").status_code)

    threads = [threading.Thread(target=guess, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert codes.count(401) == ACCOUNT_FROM_HERE.failures
    assert codes.count(429) == 24 - ACCOUNT_FROM_HERE.failures


def test_a_megabyte_of_password_is_not_hashed(pages: GuardedPages) -> None:
    answer = pages.client().try_password("desk-1", "x" * (LARGEST_BODY_BYTES + 1))
    assert answer.status_code in (400, 413)


# ---- requests from elsewhere


FOREIGN: list[dict[str, Any]] = [
    {TOKEN_HEADER: ""},
    {TOKEN_HEADER: "0" * 64},
    {TOKEN_HEADER: form_token("another session")},
    {TOKEN_HEADER: "\u00e9"},
    {"Origin": "https://evil.example"},
    {"Origin": "null"},
    {"Origin": "http://localhost.evil.example"},
    {"Origin": "https://localhost"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
]


@pytest.mark.parametrize("headers", FOREIGN)
def test_a_change_that_is_not_our_pages_own_is_refused(
    pages: GuardedPages, headers: dict[str, Any], caplog: pytest.LogCaptureFixture
) -> None:
    desk, admin = pages.client("desk"), pages.client("admin")
    note = {"service": "trial", "incident_id": "I-1", "text": "forged"}
    session = pages.sign_in.sessions.all()[-1]
    refused = [
        desk.ask("POST", "/live/desk/note", json=note, headers=headers),
        desk.update(SHELL, {"address.pathname": "/live"}, headers=headers),
        desk.ask("POST", "/sign-out", headers=headers),
        admin.ask("POST", f"/access/end/{session.name}", headers=headers),
    ]
    assert [answer.status_code for answer in refused] == [403] * 4
    assert caplog.text.count("refused:") == 4
    assert pages.line.sent == []
    assert len(pages.sign_in.sessions.all()) == 2


def test_the_token_of_one_session_does_nothing_in_another(pages: GuardedPages) -> None:
    desk, other = pages.client("desk"), pages.client("desk")
    answer = desk.update(SHELL, headers={TOKEN_HEADER: form_token(other.token)})
    assert answer.status_code == 403


def test_the_live_pages_own_token_is_asked_for_besides(pages: GuardedPages) -> None:
    answer = pages.client("desk").ask("POST", "/live/desk/note", json={}, headers={"X-Underair-Token": "x"})
    assert answer.status_code == 403


def test_another_site_cannot_load_what_we_answer(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    desk = pages.client("desk")
    answer = desk.get("/live.json", headers={"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"})
    assert answer.status_code == 403
    assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"
    link = desk.get("/", headers={"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"})
    assert link.status_code == 200, "a link to our page may be followed"
    assert "asked for by another site" in caplog.text


@pytest.mark.parametrize(
    "host",
    ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "", "a b", "[::1", "127.0.0.1@x"],
)
@pytest.mark.parametrize("signed_in", [True, False])
def test_a_foreign_host_is_refused(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    host: str,
    signed_in: bool,
    caplog: pytest.LogCaptureFixture,
) -> None:
    pages = GuardedPages(tmp_path, monkeypatch)
    caller = pages.client("desk" if signed_in else None)
    for path in ("/", "/live.json", "/sign-in", "/health", "/assets/shell.css"):
        answer = caller.get(path, headers={"Host": host})
        assert answer.status_code == 400, path
        assert b"<" not in answer.data
    assert "is not ours" in caplog.text


@pytest.mark.parametrize("host", ["127.0.0.1:8050", "localhost:8050", "[::1]:8050", "LOCALHOST"])
def test_our_own_names_are_answered(pages: GuardedPages, host: str) -> None:
    assert pages.client().get("/health", headers={"Host": host}).status_code == 200


def test_behind_a_proxy_only_its_tls_and_its_name_are_answered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    pages = GuardedPages(tmp_path, monkeypatch, public_url="https://air.example")
    web = pages.app.server.test_client()
    assert web.get("/sign-in", base_url="https://air.example").status_code == 200
    assert web.get("/sign-in", base_url="http://air.example").status_code == 403
    assert web.get("/sign-in", base_url="https://127.0.0.1").status_code == 400
    assert "not over TLS" in caplog.text


# ---- sizes, shapes and names


BODIES: list[bytes] = [
    b"",
    b"[]",
    b"null",
    b'"text"',
    b"[" * 100_000,
    b'{"a":' * 50_000,
    b'{"output":5}',
    b'{"output":"no.such"}',
    b'{"output":"shell.children"}',
    b'{"output":"shell.children","inputs":5,"state":{}}',
    b'{"output":"shell.children","inputs":[1,2],"state":[null]}',
    b'{"output":"shell.children","inputs":[{"id":"x","property":"y"}],"state":[]}',
    b'{"n":' + b"9" * 100_000 + b"}",
    b'{"n":1e999}',
    b"\xff\xfe\x00",
    b'{"output":"\\ud800"}',
    b"\x00" * 1000,
]


@pytest.mark.parametrize("body", BODIES, ids=lambda body: repr(body[:24]))
def test_a_malformed_body_is_refused_with_a_sentence(
    pages: GuardedPages, body: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    for role, path in (("desk", "/_dash-update-component"), ("desk", "/live/desk/note")):
        answer = pages.client(role).ask("POST", path, data=body, content_type="application/json")
        assert 400 <= answer.status_code < 500, (path, answer.status_code)
        assert "Traceback" not in answer.get_data(as_text=True)
    assert "refused:" in caplog.text
    assert pages.line.sent == []


def test_a_body_that_is_too_big_is_not_read(pages: GuardedPages, caplog: pytest.LogCaptureFixture) -> None:
    big = b'{"text":"' + b"x" * LARGEST_BODY_BYTES + b'"}'
    for path in ("/_dash-update-component", "/live/desk/note"):
        answer = pages.client("desk").ask("POST", path, data=big, content_type="application/json")
        assert answer.status_code == 413
    assert "413" in caplog.text


nasty_texts = st.one_of(
    st.text(max_size=60),
    st.sampled_from(
        [
            "../../../etc/passwd",
            "%2e%2e%2f",
            "\x00",
            "1e400",
            "nan",
            "-inf",
            "9" * 400,
            "<svg/onload=1>",
            "'--",
        ]
    ),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(nasty_texts, nasty_texts, nasty_texts, nasty_texts)
def test_nothing_in_a_query_makes_the_server_stumble(
    pages: GuardedPages, incident: str, people: str, at: str, window: str
) -> None:
    reviewer = pages.client("review")
    query = {"incident": incident, "people": people, "at": at, "from": window, "to": at, "finding": window}
    for path in ("/review/moment", "/review/messages", "/review/evidence"):
        answer = reviewer.get(path, query_string=query)
        assert answer.status_code in (400, 404), (path, query, answer.status_code)
    search = "?" + "&".join(f"{name}={value}" for name, value in query.items())
    for page in ("/review", "/trends", incident):
        assert reviewer.page(page, search).status_code == 200
    pages.sign_in.sessions.end(pages.sign_in.sessions.all()[0].name)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=8), st.lists, max_leaves=8))
def test_nothing_in_a_callbacks_values_gets_an_answer_with_data(pages: GuardedPages, value: Any) -> None:
    reviewer = pages.client("review")
    values = {"review-picture.data": value, "review-window.data": value, "address.pathname": value}
    pages.app.server.config["PROPAGATE_EXCEPTIONS"] = False
    assert reviewer.update(DRAW, values).status_code >= 400
    pages.sign_in.sessions.end(pages.sign_in.sessions.all()[0].name)


TRAVERSALS = [
    "/assets/../app.py",
    "/assets/..%2fapp.py",
    "/assets/%2e%2e/app.py",
    "/assets/..%5capp.py",
    "/assets//etc/passwd",
    "/assets/early/../../accounts.py",
    "/_dash-component-suites/dash/../../../etc/passwd",
    "/_dash-component-suites/dash/%2e%2e%2f%2e%2e%2fdash.py",
    "/_dash-component-suites/os/path.py",
    "/_dash-component-suites/dashboard/access/accounts.py",
    "/static/../app.py",
    "/review/evidence?incident=../../accounts.json&finding=../../x",
    "/review/moment?incident=..%2f..%2faccounts.json&at=1",
]


@pytest.fixture
def served(pages: GuardedPages) -> Iterator[tuple[GuardedPages, int]]:
    server = create_server(pages.app.server, host="127.0.0.1", port=0, threads=4, **Reach().proxy_options)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield pages, server.effective_port
    server.task_dispatcher.shutdown(timeout=2)
    server.trigger.pull_trigger(lambda: wasyncore.close_all(server._map))
    thread.join(5)


def raw(port: int, request: bytes) -> bytes:
    """Send bytes as they are: clients tidy up paths before they send them."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        line.sendall(request)
        told = b""
        while block := line.recv(65536):
            told += block
    return told


def get_raw(pages: GuardedPages, port: int, path: str, role: str | None, *more: str) -> tuple[int, bytes]:
    head = [f"GET {path} HTTP/1.1", f"Host: 127.0.0.1:{port}", f"User-Agent: {BROWSER}", "Connection: close"]
    if role is not None:
        head.append(f"Cookie: {pages.sign_in.cookie}={pages.client(role).token}")
    told = raw(port, "\r\n".join([*head, *more, "", ""]).encode())
    status, _, rest = told.partition(b"\r\n")
    return int(status.split()[1]), rest.partition(b"\r\n\r\n")[2]


@pytest.mark.parametrize("path", TRAVERSALS)
def test_no_name_leads_out_of_its_folder(
    served: tuple[GuardedPages, int], path: str, caplog: pytest.LogCaptureFixture
) -> None:
    pages, port = served
    secret = pages.accounts.path.read_bytes()
    for role in (None, "review"):
        status, body = get_raw(pages, port, path, role)
        for private in (b"def ", b"import ", b"root:", b"argon2", secret):
            assert private not in body
        index = b"react-entry-point" in body
        assert status >= 300 or index, (role, status, body[:200])
    assert "refused:" in caplog.text or path.startswith("/static")


@pytest.mark.parametrize(
    ("claim", "value"),
    [
        ("X-Forwarded-For", "127.0.0.1"),
        ("X-Forwarded-Proto", "https"),
        ("X-Forwarded-Host", "evil.example"),
        ("Forwarded", "for=127.0.0.1;host=evil.example;proto=https"),
    ],
)
def test_what_nobody_declared_a_proxy_claims_is_not_believed(
    served: tuple[GuardedPages, int], claim: str, value: str
) -> None:
    pages, port = served
    status, body = get_raw(pages, port, "/sign-in", None, f"{claim}: {value}")
    assert status == 200
    assert b"evil.example" not in body


def test_requests_that_are_no_http_or_two_at_once_are_refused(served: tuple[GuardedPages, int]) -> None:
    _, port = served
    smuggled = (
        f"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 6\r\n"
        "Transfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /live.json HTTP/1.1\r\n\r\n"
    )
    two_hosts = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: evil.example\r\nConnection: close\r\n\r\n"
    for request in (
        b"\x16\x03\x01\x02\x00",
        smuggled.encode(),
        two_hosts.encode(),
        b"GET / HTTP/1.1\r\n\r\n",
    ):
        with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
            line.sendall(request)
            line.shutdown(socket.SHUT_WR)
            told = line.recv(65536)
        assert b" 200 " not in told.split(b"\r\n")[0]
        assert b'"rows"' not in told


def test_a_log_line_is_one_line_whatever_a_request_holds(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    caller = pages.client("watch")
    caller.get("/review/moment%0aWARNING%20forged%20line%1b[2J")
    caller.page("/review\nWARNING forged line")
    caller.get("/health", headers={"Host": "evil\x1b[31m.example"})
    with caplog.at_level(logging.WARNING):
        for record in caplog.records:
            assert "\n" not in record.getMessage()
            assert "\x1b" not in record.getMessage()
    entries, faults = read_log(pages.archive)
    assert faults == []
    assert all(one.at < datetime.now(UTC) for one in entries)
    json.dumps([one.as_row() for one in entries])
