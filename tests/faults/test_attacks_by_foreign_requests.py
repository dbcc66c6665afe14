"""Requests from elsewhere: other sites, hosts, proxies; each is refused with a line in the log."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dashboard.access.protection import TOKEN_HEADER
from dashboard.access.sign_in import form_token
from tests.dashboard.guarded_pages import GuardedPages

SHELL = "shell.children"
DRAW = "..review-lanes.figure...review-overview.figure...review-shown.children.."


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


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
