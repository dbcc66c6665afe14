"""Sessions under attack: forged, expired, stolen, ended; each is refused with a line in the log."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboard.access.sign_in import IDLE_S, LASTS_S
from tests.dashboard.guarded_pages import GuardedPages, password_of

SHELL = "shell.children"
DRAW = "..review-lanes.figure...review-overview.figure...review-shown.children.."


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


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
