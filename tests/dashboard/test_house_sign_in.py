"""Sign-in by the house: the proxy's word counts with the secret only, and gives the roles of its groups."""

from __future__ import annotations

import http.client
from pathlib import Path
from typing import Any

import pytest
from werkzeug.test import Client, TestResponse

from analysis.profile import Profile
from dashboard.access.house_sign_in import EXAMPLE, HouseSignIn, load_house
from dashboard.access.protection import TOKEN_HEADER
from dashboard.access.reach import Reach
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.live.feed import Feed
from dashboard.serving import Served
from ingest.archive.reading import Archive
from ingest.contract.errors import BadSettings

SECRET = "s" * 40
URL = "https://air.example"


class House:
    """Our pages behind a proxy that has signed somebody in."""

    def __init__(self, folder: Path) -> None:
        self.archive = folder / "archive"
        self.archive.mkdir()
        secret = folder / "secret"
        secret.write_text(SECRET + "\n")
        secret.chmod(0o600)
        self.settings = settings = folder / "house.toml"
        settings.write_text(EXAMPLE.read_text().replace("/etc/underair/proxy-secret", str(secret)))
        sign_in = HouseSignIn(settings, self.archive, over_tls=True)
        context = PageContext(
            Archive(self.archive),
            Profile.default(),
            Feed(Archive(self.archive), Profile.default()),
            None,
        )
        reach = Reach(public_url=URL, house=settings).checked()
        self.client = Client(create_app(context, reach=reach, sign_in=sign_in).server)

    def ask(
        self, path: str, user: str = "", groups: str = "", secret: str = SECRET, **more: Any
    ) -> TestResponse:
        headers = {"X-Forwarded-User": user, "X-Forwarded-Groups": groups, "X-Underair-Proxy": secret}
        headers |= more.pop("headers", {})
        return self.client.open(path, base_url=URL, headers=headers, **more)


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_a_group_of_the_house_gives_its_role_and_nothing_more(house: House) -> None:
    signed = house.ask("/sign-in?next=/live", "kim@air.example", "staff, fire-control")
    assert (signed.status_code, signed.headers["Location"]) == (303, "/live")
    assert house.ask("/live.json", "kim@air.example", "fire-control").status_code == 200
    assert house.ask("/trends/export.zip", "kim@air.example", "fire-control").status_code == 403
    assert "kim@air.example" in "".join(path.read_text() for path in (house.archive / "access").iterdir())


@pytest.mark.parametrize(
    ("user", "status"), [("k", 303), ("k" * 80, 303), ("k" * 81, 403), ("", 403), (" ", 403), ("k\x7f", 403)]
)
def test_a_name_has_one_to_eighty_characters_that_can_be_printed(
    house: House, user: str, status: int
) -> None:
    assert house.ask("/sign-in", user, "fire-control").status_code == status


def test_without_the_secret_nobody_is_believed(house: House) -> None:
    for secret in ("", "x" * 40, SECRET[:-1]):
        assert house.ask("/sign-in", "kim", "fire-control", secret).status_code == 403
        assert house.ask("/live.json", "kim", "fire-control", secret).status_code == 401


@pytest.mark.parametrize(("proxy", "status"), [(None, 303), ("192.0.2.1", 403)])
def test_headers_from_another_address_than_the_proxys_are_not_believed(
    tmp_path: Path, proxy: str | None, status: int
) -> None:
    """Even with the right secret: 192.0.2.1 (RFC 5737) is the proxy, and this machine is not."""
    settings = House(tmp_path).settings
    served = Served(tmp_path / "archive", reach=Reach(public_url=URL, proxy=proxy, house=settings))
    served.start()
    try:
        line = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
        headers = {
            "Host": "air.example",
            "X-Forwarded-Proto": "https",
            "X-Forwarded-For": "203.0.113.9",
            "X-Forwarded-User": "kim",
            "X-Forwarded-Groups": "fire-control",
            "X-Underair-Proxy": SECRET,
        }
        line.request("GET", "/sign-in?next=/live", headers=headers)
        assert line.getresponse().status == status
        line.close()
    finally:
        served.close()


@pytest.mark.parametrize(
    ("user", "groups"), [("", "fire-control"), ("kim", ""), ("kim", "staff"), ("k" * 99, "fire-control")]
)
def test_nobody_and_somebody_without_a_role_are_refused(house: House, user: str, groups: str) -> None:
    refused = house.ask("/sign-in", user, groups)
    assert refused.status_code == 403
    assert "sign-in named nobody with a role" in refused.get_data(as_text=True)


def test_a_session_ends_when_the_proxy_names_somebody_else_or_takes_the_group_away(house: House) -> None:
    house.ask("/sign-in", "kim", "fire-control")
    assert house.ask("/live.json", "kim", "fire-control").status_code == 200
    assert house.ask("/live.json", "kim", "staff").status_code == 401
    assert house.ask("/live.json", "lee", "fire-control").status_code == 401
    assert house.ask("/live.json", "kim", "fire-control").status_code == 401  # it has ended


def test_a_change_needs_the_sessions_token_as_with_our_own_accounts(house: House) -> None:
    house.ask("/sign-in", "kim", "fire-control")
    refused = house.ask("/sign-out", "kim", "fire-control", method="POST")
    assert refused.status_code == 403
    token = house.client.get_cookie("_csrf_token", domain="air.example")
    assert token is not None
    done = house.ask("/sign-out", "kim", "fire-control", method="POST", headers={TOKEN_HEADER: token.value})
    assert done.status_code == 204
    assert house.ask("/live.json", "kim", "fire-control").status_code == 401


def test_no_password_is_taken(house: House) -> None:
    answer = house.ask("/sign-in", "", "", method="POST", data={"name": "kim", "password": "x"})
    assert answer.status_code == 403


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('["desk"]', '["chief"]', "roles of 'fire-control': expected watch, desk"),
        ("user_header", "user_headr", "unknown key 'user_headr'"),
        ('separator = ","', 'separator = ""', "separator"),
        ('secret_file = "/etc/underair/proxy-secret"', "", "secret_file"),
    ],
)
def test_wrong_settings_are_refused(tmp_path: Path, before: str, after: str, said: str) -> None:
    (tmp_path / "house.toml").write_text(EXAMPLE.read_text().replace(before, after))
    with pytest.raises(BadSettings) as refused:
        load_house(tmp_path / "house.toml")
    assert said in str(refused.value)


def test_a_secret_that_others_can_read_or_guess_is_refused(tmp_path: Path) -> None:
    secret, settings = tmp_path / "secret", tmp_path / "house.toml"
    settings.write_text(EXAMPLE.read_text().replace("/etc/underair/proxy-secret", str(secret)))
    for content, mode, said in [
        (None, 0, "cannot be read"),
        (SECRET, 0o644, "chmod 600"),
        ("s" * 31, 0o600, "at least 32 characters, got 31"),
        *((SECRET, 0o600 | bit, "chmod 600") for bit in (0o40, 0o20, 0o10, 0o4, 0o2, 0o1)),
    ]:
        if content is not None:
            secret.write_text(content)
            secret.chmod(mode)
        with pytest.raises(BadSettings, match=said):
            HouseSignIn(settings, tmp_path, over_tls=True)
    secret.chmod(0o600)
    secret.write_text("s" * 32)
    HouseSignIn(settings, tmp_path, over_tls=True)


def test_the_house_needs_a_proxy_and_excludes_own_accounts(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="--public-url"):
        Reach(house=tmp_path).checked()
    with pytest.raises(BadSettings, match="exclude each other"):
        Reach(house=tmp_path, accounts=tmp_path, public_url=URL).checked()
