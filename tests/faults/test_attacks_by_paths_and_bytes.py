"""Raw requests to a served page: traversal, forwarded headers, no HTTP; each is refused."""

from __future__ import annotations

import json
import logging
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard.access.log import read_log
from dashboard.access.reach import Reach
from tests.dashboard.guarded_pages import BROWSER, GuardedPages
from tests.served_pages import served as served_on_a_port

SHELL = "shell.children"
DRAW = "..review-lanes.figure...review-overview.figure...review-shown.children.."


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


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
    with served_on_a_port(pages.app.server, threads=4, **Reach().proxy_options) as port:
        yield pages, port


def raw(port: int, request: bytes) -> bytes:
    """Send bytes as they are: clients tidy up paths before they send them."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
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
        with socket.create_connection(("127.0.0.1", port), timeout=60) as line:
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
