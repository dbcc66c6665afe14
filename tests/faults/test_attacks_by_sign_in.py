"""Signing in under attack: guessing, foreign forms, where it leads; each is refused, with a log line."""

from __future__ import annotations

import re
import threading
from pathlib import Path
from typing import Any

import pytest

from dashboard.access import accounts
from dashboard.access.log import read_log
from dashboard.access.reach import LARGEST_BODY_BYTES
from dashboard.access.sign_in import ACCOUNT, ACCOUNT_FROM_HERE, FROM_HERE, MOST_KEYS, Attempts
from tests.dashboard.guarded_pages import BROWSER, GuardedPages, password_of

SHELL = "shell.children"
DRAW = "..review-lanes.figure...review-overview.figure...review-shown.children.."


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


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


def test_thousands_of_addresses_neither_break_signing_in_nor_fill_the_memory() -> None:
    """An entry whose failures had run out ended every later sign-in with a fault of ours."""
    now = [0.0]
    attempts = Attempts(lambda: now[0])
    attempts.begin("desk-1", "192.0.2.1", known=True)
    attempts.succeeded("desk-1", "192.0.2.1")  # leaves entries without a failure
    for number in range(MOST_KEYS + 50):
        address = f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}"
        attempts.begin(f"name-{number}", address, known=False)
    assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0
    assert len(attempts._failures) <= MOST_KEYS
    # What stands against an account is not what goes for want of room.
    for number in range(ACCOUNT.failures):
        attempts.begin("review-1", f"172.16.{number}.1", known=True)
    for number in range(MOST_KEYS + 50):
        address = f"11.{number >> 16}.{number >> 8 & 255}.{number & 255}"
        attempts.begin(f"name-{number}", address, known=False)
    assert attempts.begin("review-1", "198.51.100.7", known=True) > 0.0


def test_a_name_without_an_account_is_answered_and_held_as_one_with(pages: GuardedPages) -> None:
    """Known names were held after five guesses and unknown ones were not: that told which are accounts."""

    def answers(name: str, address: str) -> list[tuple[int, bytes, set[str]]]:
        attacker = pages.client()
        found = []
        for number in range(ACCOUNT_FROM_HERE.failures + 3):
            answer = attacker.try_password(name, f"guess number {number} of many", address)
            body = re.sub(rb'name="form" value="[0-9a-f]+"', b"", answer.data)
            found.append((answer.status_code, body, set(answer.headers.keys())))
        return found

    assert answers("desk-1", "203.0.113.9") == answers("nobody-1", "203.0.113.10")


def test_a_crowd_of_sign_ins_is_told_to_wait_and_holds_no_thread(
    pages: GuardedPages, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(accounts, "_MOST_WAITING", threading.BoundedSemaphore(1))
    assert accounts._MOST_WAITING.acquire()
    answer = pages.client().try_password("desk-1", password_of("desk-1"))
    assert answer.status_code == 503
    assert "too many sign-ins" in caplog.text
    accounts._MOST_WAITING.release()
    assert pages.client().try_password("desk-1", password_of("desk-1")).status_code == 303
