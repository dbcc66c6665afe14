"""What is refused or fails is a page where a person opened it, and JSON where a script asked."""

from __future__ import annotations

from html import unescape
from pathlib import Path
from typing import Any

import pytest

from analysis.profile import Profile
from dashboard import words
from dashboard.access import words as access_words
from dashboard.app import create_app
from dashboard.context import PageContext
from ingest.archive.reading import Archive
from tests.dashboard.guarded_pages import GuardedPages

OPENED = {"Sec-Fetch-Mode": "navigate", "Accept": "text/html"}


@pytest.fixture
def app(tmp_path: Path) -> Any:
    return create_app(PageContext(Archive(tmp_path), Profile.default()))


def test_nothing_at_an_address(app: Any) -> None:
    web = app.server.test_client()
    page = web.get("/assets/nothing.css", headers=OPENED)
    assert (page.status_code, page.mimetype) == (404, "text/html")
    for part in (access_words.NOT_THERE, words.CAUTION.replace("'", "&#39;"), 'href="/"'):
        assert part in page.text
    script = web.get("/assets/nothing.css")
    assert (script.status_code, script.get_json()) == (404, {"problem": access_words.NOT_THERE})


def test_an_incident_that_is_not_there_is_named_and_stays_text(app: Any) -> None:
    page = app.server.test_client().get("/review/export?incident=<b>I-1</b>&format=csv", headers=OPENED)
    assert page.status_code >= 400
    assert page.mimetype == "text/html"
    assert "&lt;b&gt;I-1&lt;/b&gt;" in page.text
    assert "<b>" not in page.text


def test_a_fault_of_the_server(
    app: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setitem(app.server.view_functions, "theme", lambda: 1 / 0)
    web = app.server.test_client()
    page = web.get("/theme.css", headers=OPENED)
    assert (page.status_code, page.mimetype) == (500, "text/html")
    assert words.FAILED in unescape(page.text)
    assert "division" not in page.text
    assert "ZeroDivisionError" in caplog.text
    assert web.get("/theme.css").get_json() == {"problem": words.FAILED}


def test_a_method_that_is_not_offered_says_which_are(app: Any) -> None:
    answer = app.server.test_client().post("/theme.css")
    assert answer.status_code == 405
    assert "GET" in answer.headers["Allow"]


def test_a_role_that_may_not_is_told_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    watcher = GuardedPages(tmp_path, monkeypatch).client("watch")
    page = watcher.get("/trends/summary.html", headers=OPENED)
    assert (page.status_code, page.mimetype) == (403, "text/html")
    assert "This is not for your role (watch)" in page.text
