"""Signing in and out in a real browser, with a real broker: what each role meets, and what ends a session."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import trustme
from playwright.sync_api import expect

from dashboard.access import accounts
from dashboard.access.accounts import AccountFile
from dashboard.access.log import read_log
from dashboard.access.reach import Reach
from dashboard.serving import Served
from ingest.listener import Listener
from tests.dashboard.guarded_pages import CHEAP_HASHER, password_of

pytestmark = [pytest.mark.browser, pytest.mark.broker]


@pytest.fixture
def accounts_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AccountFile:
    monkeypatch.setattr(accounts, "_hasher", CHEAP_HASHER)
    file = AccountFile(tmp_path / "accounts.json")
    for role in accounts.ROLES:
        file.add(f"{role}-1", password_of(f"{role}-1"), (role,))
    return file


@pytest.fixture
def listener(mosquitto: Any, tmp_path: Path, seals_here: None) -> Iterator[Listener]:
    listener = Listener(mosquitto.url, tmp_path / "archive")
    stop = threading.Event()
    thread = threading.Thread(target=listener.run, args=(stop,), daemon=True)
    thread.start()
    assert listener.subscribed.wait(60)
    yield listener
    stop.set()
    thread.join(60)


@pytest.fixture
def served(mosquitto: Any, listener: Listener, accounts_file: AccountFile) -> Iterator[Served]:
    served = Served(listener.archive, mosquitto.url, reach=Reach(accounts=accounts_file.path))
    served.start()
    yield served
    served.close()


@pytest.fixture
def visitor(page: Any) -> Iterator[Any]:
    # A browser names every answer of 400 and more in its console; these tests bring them about.
    page.expected_console = ["Failed to load resource: the server responded with a status of 40", "ERR_"]
    yield page
    page.goto("about:blank")


def sign_in(page: Any, name: str, password: str | None = None) -> None:
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password or password_of(name))
    page.get_by_role("button", name="Sign in").click()


def test_a_desk_signs_in_opens_an_incident_and_signs_out(
    visitor: Any, served: Served, axe: Callable[[Any], list[str]], listener: Listener
) -> None:
    visitor.goto(f"{served.url}/live")
    visitor.wait_for_url("**/sign-in?next=/live")
    assert axe(visitor) == []
    sign_in(visitor, "desk-1", "not the right one at all")
    expect(visitor.get_by_role("alert")).to_contain_text("Wrong name or password")
    sign_in(visitor, "desk-1")
    visitor.wait_for_url(f"{served.url}/live")
    visitor.wait_for_selector(".clock:not(:empty)")
    expect(visitor.locator(".top nav a")).to_have_text(["Live"])
    assert visitor.evaluate("document.cookie").startswith("_csrf_token="), "the session's own is out of reach"

    answer = visitor.evaluate(
        """async () => {
            const token = (await (await fetch('/live.json')).json()).token;
            const opened = {service: 'trial', incident_id: 'I-1', action: 'open'};
            const ask = {method: 'POST', body: JSON.stringify(opened),
                headers: {'Content-Type': 'application/json', 'X-Underair-Token': token}};
            return (await fetch('/live/desk/incident', ask)).status;
        }"""
    )
    assert answer == 200
    visitor.get_by_role("button", name="Sign out desk-1").click()
    visitor.wait_for_url("**/sign-in")
    visitor.go_back()
    visitor.wait_for_url("**/sign-in**")
    actions = [(one.account, one.action, one.outcome) for one in read_log(listener.archive)[0]]
    for expected in (("sign-in", "refused"), ("sign-in", "done"), ("send", "done"), ("sign-out", "done")):
        assert ("desk-1", *expected) in actions


def test_who_only_watches_is_offered_no_hand_and_is_led_nowhere_else_while_signing_out(
    visitor: Any, served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.access.sign_in.LASTS_S", 1200.0)
    visitor.goto(served.url)
    sign_in(visitor, "watch-1")
    visitor.locator(".session", has_text="Your session ends at ").wait_for()  # said before it ends
    visitor.wait_for_selector(".clock:not(:empty)")
    assert visitor.locator("form.send").count() == 0
    visitor.get_by_text("Your role watches").wait_for()
    visitor.goto(f"{served.url}/review")
    visitor.get_by_text("This is not for your role (watch)").wait_for()
    visitor.goto(f"{served.url}/live")
    visitor.wait_for_selector(".clock:not(:empty)")
    # What the page asks meanwhile is refused, and leads nowhere else.
    held: list[Any] = []
    visitor.route("**/sign-out", lambda route: held.append((route, route.fetch())))
    with visitor.expect_response(lambda answer: answer.status == 401):
        visitor.get_by_role("button", name="Sign out watch-1").click()
    visitor.wait_for_event("response", lambda answer: answer.status == 401)  # it stayed and asked again
    ((route, answer),) = held
    route.fulfill(response=answer)
    visitor.wait_for_url("**/sign-in")


LANDS_ON = {
    "review-1": ["Review", "Trends"],
    "audit-1": ["Trends"],
    "health-1": ["Exposure register"],
    "admin-1": ["Access"],
}


def test_each_role_lands_on_its_first_page(
    visitor: Any, served: Served, axe: Callable[[Any], list[str]]
) -> None:
    for name, pages in LANDS_ON.items():
        visitor.goto(served.url)
        sign_in(visitor, name)
        visitor.get_by_role("button", name=f"Sign out {name}").wait_for()
        expect(visitor.locator(".top nav a")).to_have_text(pages)
        assert visitor.locator("main h1").inner_text()
        if name == "admin-1":
            visitor.locator("#access-log table").wait_for()
            assert axe(visitor) == []
        visitor.get_by_role("button", name=f"Sign out {name}").click()
        visitor.wait_for_url("**/sign-in**")


def test_an_admin_ends_a_session_and_its_board_stays_with_what_was_typed_until_a_new_sign_in(
    visitor: Any, served: Served, chromium: Any
) -> None:
    visitor.goto(f"{served.url}/live")
    sign_in(visitor, "desk-1")
    visitor.wait_for_selector(".clock:not(:empty)")
    visitor.locator(".side summary", has_text="Write a note").click()
    visitor.locator("form.note textarea").fill("half a word")
    context = chromium.new_context()
    admin = context.new_page()
    admin.goto(served.url)
    sign_in(admin, "admin-1")
    admin.get_by_role("button", name="of desk-1").click()
    visitor.locator(".banner", has_text="Not live: you are signed out").wait_for()
    assert visitor.locator("#live.not-live .board").is_visible()
    admin.wait_for_function("() => !document.querySelector('[aria-label$=\"of desk-1\"]')")
    context.close()
    with visitor.expect_popup() as opened:
        visitor.get_by_role("link", name="Sign in again").click()
    sign_in(opened.value, "desk-1")
    visitor.locator("#live:not(.not-live)").wait_for()
    opened.value.close()
    assert visitor.locator("form.note textarea").input_value() == "half a word"
    expect(visitor.locator(".session")).to_be_hidden()


def test_another_sites_page_can_neither_post_nor_read(visitor: Any, served: Served, chromium: Any) -> None:
    """The same browser, signed in, on a page of another origin (another port is another origin)."""
    visitor.goto(f"{served.url}/live")
    sign_in(visitor, "desk-1")
    visitor.wait_for_selector(".clock:not(:empty)")
    evil = visitor.context.new_page()
    evil.route(
        "http://127.0.0.1:9/**", lambda route: route.fulfill(body="<p>evil</p>", content_type="text/html")
    )
    evil.goto("http://127.0.0.1:9/")
    told = evil.evaluate(
        """async (target) => {
            const ask = {method: 'POST', credentials: 'include'};
            const tries = {
                read: () => fetch(target + '/live.json', {credentials: 'include'}),
                send: () => fetch(target + '/live/desk/note', {...ask, body: '{}'}),
                blind: () => fetch(target + '/sign-out', {...ask, mode: 'no-cors'}),
            };
            const told = {};
            for (const [name, attempt] of Object.entries(tries))
                told[name] = await attempt().then((answer) => answer.status, () => 'refused');
            return told;
        }""",
        served.url,
    )
    assert told == {"read": "refused", "send": "refused", "blind": 0} or told["blind"] == "refused"
    assert visitor.evaluate("async () => (await fetch('/live.json')).status") == 200, "still signed in"
    evil.close()


class TlsProxy:
    """Ends TLS and passes requests on with the headers of a declared proxy; one request a connection."""

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        trustme.CA().issue_cert("127.0.0.1").configure_cert(context)
        plain = socket.create_server(("127.0.0.1", 0))
        self.port = plain.getsockname()[1]
        self._listening = context.wrap_socket(plain, server_side=True, do_handshake_on_connect=False)
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                line, _ = self._listening.accept()
                threading.Thread(target=self._pass_on, args=(line,), daemon=True).start()

    def _pass_on(self, line: ssl.SSLSocket) -> None:
        with suppress(OSError), line, socket.create_connection(("127.0.0.1", self._target_port)) as target:
            line.do_handshake()
            request = b""
            while b"\r\n\r\n" not in request:
                block = line.recv(65536)
                if not block:
                    return
                request += block
            head, _, body = request.partition(b"\r\n\r\n")
            lines = [one for one in head.split(b"\r\n") if not one.lower().startswith(b"connection:")]
            lengths = [int(one.split(b":")[1]) for one in lines if one.lower().startswith(b"content-length:")]
            while len(body) < sum(lengths):
                body += line.recv(65536)
            told = [b"X-Forwarded-Proto: https", b"X-Forwarded-For: 198.51.100.4", b"Connection: close"]
            target.sendall(b"\r\n".join([*lines, *told]) + b"\r\n\r\n" + body)
            while block := target.recv(65536):
                line.sendall(block)

    def close(self) -> None:
        self._listening.close()


def test_behind_tls_the_browser_keeps_the_session_to_itself(
    mosquitto: Any,
    listener: Listener,
    accounts_file: AccountFile,
    chromium: Any,
    free_port: Callable[[], int],
) -> None:
    port = free_port()
    proxy = TlsProxy(port)
    public = f"https://127.0.0.1:{proxy.port}"
    served = Served(
        listener.archive, mosquitto.url, port, reach=Reach(accounts=accounts_file.path, public_url=public)
    )
    served.start()
    context = chromium.new_context(ignore_https_errors=True)
    faults: list[str] = []
    page = context.new_page()
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(f"{public}/live")
    sign_in(page, "desk-1")
    page.wait_for_selector(".clock:not(:empty)")
    cookies = {one["name"]: one for one in context.cookies()}
    session = cookies["__Host-underair"]
    assert (session["secure"], session["httpOnly"], session["sameSite"]) == (True, True, "Strict")
    assert page.evaluate("document.cookie").startswith("_csrf_token=")
    page.get_by_role("button", name="Sign out desk-1").click()
    page.wait_for_url("**/sign-in")
    assert "__Host-underair" not in {one["name"] for one in context.cookies()}
    signed = [one for one in read_log(listener.archive)[0] if one.action == "sign-in"]
    assert [one.address for one in signed] == ["198.51.100.4"]
    page.goto("about:blank")
    context.close()
    served.close()
    proxy.close()
    assert faults == []
