"""Requests of every shape and size: each is refused with a sentence and a line in the log."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.access.log import read_log
from dashboard.access.protection import MOST_SLOW, ROOM
from dashboard.access.reach import LARGEST_BODY_BYTES
from dashboard.words import FAILED_BY
from tests.any_text import TEXT
from tests.dashboard.guarded_pages import GuardedPages

SHELL = "shell.children"
DRAW = "..review-lanes.figure...review-overview.figure...review-shown.children.."


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


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
    st.text(TEXT, max_size=60),
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


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
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


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.recursive(st.none() | st.booleans() | st.floats() | st.text(TEXT, max_size=8), st.lists, max_leaves=8)
)
def test_nothing_in_a_callbacks_values_gets_an_answer_with_data(pages: GuardedPages, value: Any) -> None:
    reviewer = pages.client("review")
    values = {"review-picture.data": value, "review-window.data": value, "address.pathname": value}
    pages.app.server.config["PROPAGATE_EXCEPTIONS"] = False
    answer = reviewer.update(DRAW, values)
    if answer.status_code < 400:  # a sentence about the fault, in the place made for it, and nothing else
        told = json.loads(answer.get_data())
        assert told["response"] == {}
        assert set(told["sideUpdate"]) == {"failed"}
        assert FAILED_BY.split("{")[0] in json.dumps(told["sideUpdate"])
    pages.sign_in.sessions.end(pages.sign_in.sessions.all()[0].name)


def test_an_address_that_is_no_text_is_refused(pages: GuardedPages, caplog: pytest.LogCaptureFixture) -> None:
    for path, search in ((5, [1]), (["/review"], ""), ("/review", {"a": 2}), (True, None)):
        answer = pages.client("review").update(SHELL, {"address.pathname": path, "address.search": search})
        assert answer.status_code == 400
    assert "an address is not text" in caplog.text


def test_an_address_cannot_drive_a_terminal_or_stop_the_log(pages: GuardedPages) -> None:
    """Escape sequences and half characters get into the log as plain letters, on one line."""
    for search in ("?\x1b[2J\r\nforged", "?\udcff"):
        body = json.dumps(
            {
                "output": SHELL,
                "outputs": {"id": "shell", "property": "children"},
                "inputs": [{"id": "address", "property": "pathname", "value": "/live"}],
                "state": [{"id": "address", "property": "search", "value": search}],
                "changedPropIds": ["address.pathname"],
            }
        )
        desk = pages.client("desk")
        answer = desk.ask("POST", "/_dash-update-component", data=body, content_type="application/json")
        assert answer.status_code == 200
    entries, faults = read_log(pages.archive)
    assert faults == []
    assert [entry.target for entry in entries] == ["/live?\\x1b[2J\\r\\nforged", "/live?\\udcff"]


def test_what_is_slow_leaves_room_for_the_live_page(
    pages: GuardedPages, caplog: pytest.LogCaptureFixture
) -> None:
    """Threads that all wait for a review would leave none to say who must turn back."""
    room = pages.app.server.extensions[ROOM]
    for _ in range(MOST_SLOW):
        assert room.acquire(blocking=False)
    refused = pages.client("review").get("/review/moment?incident=I-1")
    assert (refused.status_code, refused.headers["Retry-After"]) == (503, "2")
    assert "too many slow requests" in caplog.text
    assert pages.client("desk").get("/live.json").status_code == 200
    for _ in range(MOST_SLOW):
        room.release()
    for _ in range(MOST_SLOW + 1):  # each gives its place back, also one that is refused
        assert pages.client("review").get("/review/moment?incident=I-1").status_code != 503
        assert pages.client("watch").get("/review/moment?incident=I-1").status_code == 403
