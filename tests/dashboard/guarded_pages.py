"""Pages behind sign-in, with one account a role, for tests that attack them without a browser."""

from __future__ import annotations

import functools
import time
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from werkzeug.test import TestResponse

from analysis.profile import Profile
from dashboard.access import accounts
from dashboard.access.accounts import ROLES, AccountFile
from dashboard.access.protection import TOKEN_HEADER
from dashboard.access.reach import Reach
from dashboard.access.sign_in import SignIn, form_token
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.live.desk import Desk
from dashboard.live.feed import Feed
from ingest.archive.reading import Archive

BROWSER = "Browser of the test/1"
ORIGIN = "http://localhost"
CHEAP_HASHER = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)


def password_of(name: str) -> str:
    return f"{name} keeps nine green kettles"


class Line:
    """Stands for the broker."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, bytes]] = []

    def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 60.0) -> None:
        self.sent.append((topic, payload))

    def close(self, timeout_s: float = 1.0) -> None:
        pass


class Clock:
    """A clock that the test sets."""

    def __init__(self) -> None:
        self.ahead_s = 0.0

    def __call__(self) -> float:
        return time.time() + self.ahead_s


class GuardedPages:
    """The whole application with sign-in on; nothing listens, requests go straight in."""

    def __init__(self, folder: Path, monkeypatch: Any, public_url: str | None = None) -> None:
        monkeypatch.setattr(accounts, "_hasher", CHEAP_HASHER)
        monkeypatch.setattr(accounts, "_nobody", functools.cache(accounts._nobody.__wrapped__))
        self.archive = folder / "archive"
        self.archive.mkdir(exist_ok=True)
        self.accounts = AccountFile(folder / "accounts.json")
        for role in ROLES:
            self.accounts.add(f"{role}-1", password_of(f"{role}-1"), (role,))
        self.clock = Clock()
        self.sign_in = SignIn(self.accounts, self.archive, over_tls=public_url is not None, clock=self.clock)
        self.line = Line()
        archive = Archive(self.archive)
        self.feed = Feed(archive, Profile.default())
        self.desk = Desk(lambda: self.line, "D-1")  # type: ignore[arg-type,return-value]
        self.context = PageContext(archive, Profile.default(), self.feed, self.desk)
        self.app = create_app(self.context, reach=Reach(public_url=public_url), sign_in=self.sign_in)

    def client(self, role: str | None = None) -> Caller:
        """A caller that is signed in with this role, or not at all."""
        caller = Caller(self)
        if role is not None:
            token = self.sign_in.sessions.begin(f"{role}-1", BROWSER)
            caller.take(token)
        return caller


class Caller:
    """A browser's cookies and headers, and no browser: it may leave out or forge each of them."""

    def __init__(self, pages: GuardedPages) -> None:
        self.pages = pages
        self.web = pages.app.server.test_client()
        self.token = ""

    def take(self, token: str) -> None:
        self.token = token
        self.web.set_cookie(self.pages.sign_in.cookie, token, domain="localhost")

    def ask(self, method: str, path: str, headers: dict[str, str] | None = None, **rest: Any) -> TestResponse:
        given = {"User-Agent": BROWSER}
        if method not in ("GET", "HEAD"):
            given |= {"Origin": ORIGIN, "Sec-Fetch-Site": "same-origin"}
            if self.token:
                given[TOKEN_HEADER] = form_token(self.token)
            if path.startswith("/live/desk"):
                given["X-Underair-Token"] = self.pages.feed.token
        chosen = {name: value for name, value in (given | (headers or {})).items() if value is not None}
        return self.web.open(path, method=method, headers=chosen, **rest)

    def get(self, path: str, **rest: Any) -> TestResponse:
        return self.ask("GET", path, **rest)

    def update(self, output: str, values: dict[str, Any] | None = None, **rest: Any) -> TestResponse:
        """Call a callback as Dash's script does, with these values by `id.property`."""
        known = self.pages.app.callback_map[output]
        values = values or {}

        def filled(parts: list[dict[str, Any]]) -> list[dict[str, Any]]:
            return [{**part, "value": values.get(f"{part['id']}.{part['property']}")} for part in parts]

        inputs = filled(known["inputs"])
        body = {
            "output": output,
            "outputs": _outputs(output),
            "inputs": inputs,
            "state": filled(known["state"]),
            "changedPropIds": [f"{part['id']}.{part['property']}" for part in known["inputs"]],
        }
        return self.ask("POST", "/_dash-update-component", json=body, **rest)

    def page(self, path: str, search: str = "") -> TestResponse:
        """Ask for what stands on a page."""
        return self.update("shell.children", {"address.pathname": path, "address.search": search})

    def form_token(self) -> str:
        self.get("/sign-in")
        cookie = self.web.get_cookie(self.pages.sign_in.form_cookie)
        assert cookie is not None
        return cookie.value

    def try_password(
        self, name: str, password: str, address: str = "127.0.0.1", wanted: str = ""
    ) -> TestResponse:
        fields = {"name": name, "password": password, "form": self.form_token(), "next": wanted}
        return self.ask("POST", "/sign-in", data=fields, environ_base={"REMOTE_ADDR": address})


def _outputs(output: str) -> Any:
    if not output.startswith(".."):
        name, prop = output.rsplit(".", 1)
        return {"id": name, "property": prop}
    parts = [part.rsplit(".", 1) for part in output.strip(".").split("...")]
    return [{"id": name, "property": prop} for name, prop in parts]


class Hand:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.at = 1_000_000.0

    def __call__(self) -> float:
        return self.at
