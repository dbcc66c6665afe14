"""Accounts, sessions and attempts, each for itself."""

from __future__ import annotations

import functools
import json
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dashboard.access import accounts
from dashboard.access.accounts import AccountFile, BadAccounts
from dashboard.access.sign_in import (
    ACCOUNT,
    ACCOUNT_FROM_HERE,
    FROM_HERE,
    IDLE_S,
    LASTS_S,
    MOST_AN_ACCOUNT,
    Attempts,
    Limit,
    Sessions,
    form_token,
    network,
)
from tests.dashboard.guarded_pages import CHEAP_HASHER

PASSWORD = "nine green kettles sing"
UNDERAIR = [sys.executable, "-m", "dashboard.underair"]


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AccountFile:
    monkeypatch.setattr(accounts, "_hasher", CHEAP_HASHER)
    monkeypatch.setattr(accounts, "_nobody", functools.cache(accounts._nobody.__wrapped__))
    return AccountFile(tmp_path / "accounts.json")


def test_a_password_is_kept_only_as_an_argon2id_hash_that_its_owner_alone_can_read(file: AccountFile) -> None:
    file.add("desk-1", PASSWORD, ("desk",))
    kept = file.path.read_text()
    assert PASSWORD not in kept
    assert "$argon2id$" in kept
    assert stat.S_IMODE(file.path.stat().st_mode) == 0o600
    assert file.verify("desk-1", PASSWORD)
    assert not file.verify("desk-1", PASSWORD + " ")
    assert not file.verify("desk-2", PASSWORD)


def test_the_hash_costs_what_rfc_9106_recommends_for_little_memory(tmp_path: Path) -> None:
    """RFC 9106 (2021), section 4: second recommended option t=3, 64 MiB, 4 lanes (from memory)."""
    file = AccountFile(tmp_path / "accounts.json")
    file.add("desk-1", PASSWORD, ("desk",))
    assert "$m=65536,t=3,p=4$" in file.path.read_text()


def test_an_unknown_name_is_hashed_as_a_known_one_is(
    file: AccountFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the time of the answer would tell which names exist."""
    file.add("desk-1", PASSWORD, ("desk",))
    verified = []

    class Counting:
        def verify(self, kept: str, password: str) -> bool:
            verified.append(kept.split("$")[3])
            return CHEAP_HASHER.verify(kept, password)

        hash = staticmethod(CHEAP_HASHER.hash)

    monkeypatch.setattr(accounts, "_hasher", Counting())
    assert not file.verify("desk-1", "not this one at all")
    assert not file.verify("nobody", "not this one at all")
    assert len(verified) == 2
    assert len(set(verified)) == 1, "at the same cost"


@pytest.mark.parametrize(
    "password",
    ["", "short", "x" * 14, "x" * 300, "aaaaaaaaaaaaaaaaaaaa", "desk-1desk-1desk-1", "password12112ab"],
)
def test_an_easy_password_is_refused_and_never_repeated(file: AccountFile, password: str) -> None:
    with pytest.raises(BadAccounts) as refusal:
        file.add("desk-1", password, ("desk",))
    assert not password or password not in str(refusal.value)


@pytest.mark.parametrize("name", ["", "../desk", "desk 1", "<b>", "-desk", "d" * 41, "desk\n", "dèsk"])
def test_a_name_is_plain(file: AccountFile, name: str) -> None:
    with pytest.raises(BadAccounts, match="A-Z a-z 0-9"):
        file.add(name, PASSWORD, ("desk",))


@pytest.mark.parametrize("roles", [(), ("root",), ("desk", "Admin")])
def test_roles_are_known(file: AccountFile, roles: tuple[str, ...]) -> None:
    with pytest.raises(BadAccounts, match="watch, desk, review, audit, health, admin"):
        file.add("desk-1", PASSWORD, roles)


def test_a_change_by_another_process_is_seen(file: AccountFile) -> None:
    file.add("desk-1", PASSWORD, ("desk",))
    other = AccountFile(file.path)
    assert list(other.accounts()) == ["desk-1"]
    file.remove("desk-1")
    assert other.accounts() == {}
    with pytest.raises(BadAccounts, match="there is no account"):
        other.end_sessions("desk-1")


def test_a_file_that_others_can_read_or_that_is_damaged_is_refused(file: AccountFile) -> None:
    file.add("desk-1", PASSWORD, ("desk",))
    file.path.chmod(0o644)
    with pytest.raises(BadAccounts, match="chmod 600"):
        AccountFile(file.path).accounts()
    file.path.chmod(0o600)
    file.path.write_text('{"accounts": {"desk-1": {"password": "secret words"')
    with pytest.raises(BadAccounts, match="damaged") as refusal:
        AccountFile(file.path).accounts()
    assert "secret words" not in str(refusal.value)


class Hand:
    def __init__(self) -> None:
        self.at = time.time()

    def __call__(self) -> float:
        return self.at


def test_sessions_expire_when_idle_and_after_a_shift(tmp_path: Path) -> None:
    clock = Hand()
    sessions = Sessions(tmp_path / "sessions", clock)
    token = sessions.begin("desk-1", "B")
    clock.at += IDLE_S - 1
    assert sessions.of(token, "B")[0] is not None
    clock.at += IDLE_S + 1
    assert sessions.of(token, "B") == (None, "the session has expired")
    assert sessions.of(token, "B") == (None, "no such session")
    token = sessions.begin("desk-1", "B")
    for _ in range(int(LASTS_S / (IDLE_S / 2))):
        assert sessions.of(token, "B")[0] is not None
        clock.at += IDLE_S / 2
    assert sessions.of(token, "B")[0] is None, "even one in use ends after a shift"


def test_a_stolen_session_ends_when_another_browser_shows_it(tmp_path: Path) -> None:
    sessions = Sessions(tmp_path / "sessions")
    token = sessions.begin("desk-1", "Browser A")
    found, why = sessions.of(token, "Browser B")
    assert found is None
    assert "another browser" in why
    assert token not in why
    assert sessions.of(token, "Browser A")[0] is None, "ended for the thief and the owner"


def test_sessions_outlive_a_restart_but_their_tokens_are_nowhere_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "sessions"
    token = Sessions(path).begin("desk-1", "B")
    assert token not in path.read_text()
    assert form_token(token) not in path.read_text()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    again = Sessions(path)
    assert again.of(token, "B")[0] is not None
    assert again.end(again.all()[0].name) is not None
    assert Sessions(path).of(token, "B")[0] is None
    path.write_text("{ torn")
    assert Sessions(path).all() == []


def test_an_account_has_a_bounded_number_of_sessions(tmp_path: Path) -> None:
    sessions = Sessions(tmp_path / "sessions")
    tokens = [sessions.begin("desk-1", "B") for _ in range(MOST_AN_ACCOUNT + 5)]
    assert len(sessions.all()) == MOST_AN_ACCOUNT
    assert sessions.of(tokens[0], "B")[0] is None
    assert sessions.of(tokens[-1], "B")[0] is not None


def test_attempts_are_limited_by_account_and_place_and_come_back(tmp_path: Path) -> None:
    clock = Hand()
    attempts = Attempts(clock)
    for _ in range(ACCOUNT_FROM_HERE.failures):
        assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0
    assert attempts.begin("desk-1", "192.0.2.1", known=True) == pytest.approx(ACCOUNT_FROM_HERE.within_s)
    assert attempts.begin("desk-1", "192.0.2.2", known=True) == 0.0, "a stranger does not lock the desk out"
    assert attempts.begin("desk-2", "192.0.2.1", known=True) == 0.0
    clock.at += ACCOUNT_FROM_HERE.within_s
    assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0


def test_unknown_names_count_against_the_place(tmp_path: Path) -> None:
    attempts = Attempts(Hand())
    for number in range(FROM_HERE.failures):
        assert attempts.begin(f"name-{number}", "192.0.2.1", known=False) == 0.0
    assert attempts.begin("nobody", "192.0.2.1", known=False) > 0.0
    assert attempts.begin("desk-1", "192.0.2.1", known=True) > 0.0


def test_one_account_is_not_guessed_from_many_places() -> None:
    attempts = Attempts(Hand())
    waits = [
        attempts.begin("desk-1", f"198.51.{i // 250}.{i % 250}", known=True)
        for i in range(ACCOUNT.failures + 20)
    ]
    assert sum(wait == 0.0 for wait in waits) == ACCOUNT.failures


def test_an_account_is_held_for_an_hour_after_a_hundred_failures_from_everywhere() -> None:
    """NIST SP 800-63B (2017), 5.2.2: no more than 100 failures in a row. The hour is our own rule."""
    attempts = Attempts(Hand())
    tried = [attempts.begin("desk-1", f"198.51.100.{place}", known=True) for place in range(100)]
    assert tried == [0.0] * 100
    assert attempts.begin("desk-1", "203.0.113.1", known=True) == pytest.approx(3600.0)


def test_a_good_sign_in_takes_its_attempt_back() -> None:
    attempts = Attempts(Hand())
    for _ in range(100):
        assert attempts.begin("desk-1", "192.0.2.1", known=True) == 0.0
        attempts.succeeded("desk-1", "192.0.2.1")


def test_an_ipv6_line_is_one_place() -> None:
    assert network("2001:db8:1:2::1") == network("2001:db8:1:2:ffff::9") != network("2001:db8:1:3::1")
    assert network("192.0.2.1") == "192.0.2.1"
    assert network("not an address\n") == "unknown"


def run(*arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run([*UNDERAIR, *arguments], input=typed, capture_output=True, text=True, timeout=60)


def test_the_verb_account_adds_lists_ends_and_removes(tmp_path: Path) -> None:
    path = str(tmp_path / "accounts.json")
    added = run(
        "account",
        "add",
        "desk-1",
        "--role",
        "desk",
        "--role",
        "watch",
        "--accounts",
        path,
        typed=f"{PASSWORD}\n",
    )
    assert added.returncode == 0, added.stderr
    assert PASSWORD not in added.stdout + added.stderr
    listed = run("account", "list", "--json", "--accounts", path)
    rows = [(row["name"], row["roles"]) for row in json.loads(listed.stdout)]
    assert rows == [("desk-1", ["watch", "desk"])]
    assert "argon2" not in listed.stdout
    before = AccountFile(Path(path)).accounts()["desk-1"]
    assert run("account", "end", "desk-1", "--accounts", path).returncode == 0
    ended = AccountFile(Path(path)).accounts()["desk-1"]
    assert ended.sessions_from > before.sessions_from
    changed = run("account", "password", "desk-1", "--accounts", path, typed=f"another {PASSWORD}\n")
    assert changed.returncode == 0
    assert AccountFile(Path(path)).verify("desk-1", f"another {PASSWORD}")
    assert run("account", "remove", "desk-1", "--accounts", path).returncode == 0
    assert run("account", "list", "--accounts", path).stdout == ""


@pytest.mark.parametrize(
    ("arguments", "typed", "code", "said"),
    [
        (("add", "desk-1", "--role", "desk"), "short\n", 1, "15 to 256 characters"),
        (("add", "desk-1", "--role", "king"), f"{PASSWORD}\n", 1, "watch, desk, review"),
        (("add", "desk-1"), f"{PASSWORD}\n", 2, "--role"),
        (("add", "desk-1", "--role", "desk", "--password", PASSWORD), "", 2, "--password"),
        (("remove", "desk-1"), "", 1, "there is no account"),
    ],
)
def test_the_verb_account_says_what_is_wrong(
    tmp_path: Path, arguments: tuple[str, ...], typed: str, code: int, said: str
) -> None:
    done = run("account", *arguments, "--accounts", str(tmp_path / "accounts.json"), typed=typed)
    assert done.returncode == code
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_name_is_given_once_and_a_boundless_password_is_not_hashed(
    file: AccountFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    file.add("desk-1", PASSWORD, ("desk",))
    with pytest.raises(BadAccounts, match="there is an account desk-1 already"):
        file.add("desk-1", f"another {PASSWORD}", ("admin",))
    assert file.accounts()["desk-1"].roles == ("desk",)
    assert file.verify("desk-1", PASSWORD)
    monkeypatch.setattr(accounts, "_hasher", None)  # it would raise
    assert not file.verify("desk-1", "x" * 100_000)


def test_a_place_that_holds_no_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    beside = AccountFile(tmp_path / "file" / "accounts.json")
    with pytest.raises(BadAccounts, match="cannot be read: Not a directory"):
        beside.accounts()
    folder = tmp_path / "accounts.json"
    folder.mkdir(mode=0o700)
    with pytest.raises(BadAccounts, match="cannot be read: Is a directory"):
        AccountFile(folder).accounts()


def test_sessions_that_cannot_be_written_sign_nobody_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A full disk."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("dashboard.access.sign_in.write_durably", full)
    sessions = Sessions(tmp_path / "sessions")
    token = sessions.begin("desk-1", "browser")
    assert "sessions are not kept over a restart" in caplog.text
    assert "No space left on device" in caplog.text
    assert sessions.of(token, "browser")[0] is not None


@pytest.mark.parametrize("limit", [ACCOUNT_FROM_HERE, FROM_HERE, ACCOUNT])
def test_a_lock_lasts_as_long_as_its_window_and_not_a_second_less(limit: Limit) -> None:
    clock = Hand()
    attempts = Attempts(clock)

    def attempt(number: int) -> float:
        name = f"name-{number}" if limit is FROM_HERE else "desk-1"
        address = f"198.51.{number // 250}.{number % 250}" if limit is ACCOUNT else "192.0.2.1"
        return attempts.begin(name, address, known=True)

    assert [attempt(number) for number in range(limit.failures)] == [0.0] * limit.failures
    clock.at += limit.within_s - 1.0
    assert attempt(limit.failures) == pytest.approx(1.0)
    clock.at += 1.0
    assert attempt(limit.failures + 1) == 0.0
