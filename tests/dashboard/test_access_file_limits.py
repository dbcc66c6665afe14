"""The limits of what access keeps in files: accounts, reach and the log. They are our own rules."""

from __future__ import annotations

import stat
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard.access import accounts
from dashboard.access.accounts import AccountFile, BadAccounts
from dashboard.access.log import AccessLog, access_table, head, read_log
from dashboard.access.reach import Reach
from ingest.contract.errors import BadSettings
from tests.dashboard.guarded_pages import GuardedPages, Hand, password_of

NOW = datetime(2031, 6, 1, 12, tzinfo=UTC)


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


class TestAccounts:
    @pytest.mark.parametrize(
        ("password", "fits"),
        [
            ("abcdefghijklmn", False),
            ("abcdefghijklmno", True),
            ("abcd" * 60 + "e" * 16, True),
            ("abcd" * 60 + "e" * 17, False),
            ("abcdabcdabcdabcdabcd", False),  # four different signs
            ("abcdeabcdeabcdeabcde", True),
            ("desk-1abcdPASSWORDunderair", False),
        ],
    )
    def test_fifteen_to_256_characters_of_five_kinds(
        self, pages: GuardedPages, password: str, fits: bool
    ) -> None:
        pages.accounts.remove("desk-1")
        if fits:
            pages.accounts.add("desk-1", password, ("desk",))
            assert pages.accounts.verify("desk-1", password)
            assert not pages.accounts.verify("desk-1", password + "x" * 256)
        else:
            with pytest.raises(BadAccounts, match="password"):
                pages.accounts.add("desk-1", password, ("desk",))

    @pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o610, 0o700 | 0o001])
    def test_nobody_else_may_read_or_write_the_file(self, pages: GuardedPages, mode: int) -> None:
        pages.accounts.path.chmod(mode)
        with pytest.raises(BadAccounts, match=f"mode {mode:o}"):
            AccountFile(pages.accounts.path).accounts()

    def test_a_field_that_nobody_knows_is_damage(self, pages: GuardedPages) -> None:
        for place in ('{"accounts": {}, "more": 1}', '{"accounts": {"a": {"more": 1}}}'):
            pages.accounts.path.write_text(place)
            with pytest.raises(BadAccounts, match="is damaged"):
                AccountFile(pages.accounts.path).accounts()

    def test_an_account_has_a_role_and_a_known_one(self, pages: GuardedPages) -> None:
        for given, named in (((), "none"), (("desk", "chef", "cook"), "chef, cook")):
            with pytest.raises(BadAccounts, match=f"got {named}$"):
                pages.accounts.add("new", password_of("new"), given)

    def test_two_passwords_are_hashed_at_once_and_four_wait(self) -> None:
        """A hash takes 64 MiB."""
        for room, most in ((accounts._hashing, 2), (accounts._MOST_WAITING, 4)):
            taken = 0
            while room.acquire(blocking=False):
                taken += 1
            for _ in range(taken):
                room.release()
            assert taken == most

    def test_a_name_has_forty_characters(self, pages: GuardedPages) -> None:
        pages.accounts.add("a" * 40, password_of("x"), ("desk",))
        with pytest.raises(BadAccounts, match="1 to 40"):
            pages.accounts.add("a" * 41, password_of("x"), ("desk",))


class TestReach:
    @pytest.mark.parametrize(
        ("url", "host"),
        [
            ("https://air.example", "air.example"),
            ("https://air.example:443/", "air.example"),
            ("https://air.example:8443", "air.example:8443"),
        ],
    )
    def test_names_of_the_proxy(self, url: str, host: str) -> None:
        assert Reach(public_url=url).hosts == [host]

    @pytest.mark.parametrize(
        "url",
        ["http://air.example", "https://air.example/x", "https://air.example?a", "https://air.example#a",
         "https://a@air.example", "https://", "https://air.example:99999"],
    )  # fmt: skip
    def test_what_is_no_such_name(self, url: str) -> None:
        with pytest.raises(BadSettings, match="public-url"):
            Reach(public_url=url).checked()

    def test_without_a_proxy_forwarded_headers_are_thrown_away(self) -> None:
        assert Reach().proxy_options == {"clear_untrusted_proxy_headers": True}
        options = Reach(public_url="https://air.example", proxy="10.0.0.1").proxy_options
        assert (options["trusted_proxy"], options["trusted_proxy_count"]) == ("10.0.0.1", 1)
        assert options["clear_untrusted_proxy_headers"] is True
        assert Reach(public_url="https://air.example").proxy_options["trusted_proxy"] == "127.0.0.1"
        assert Reach("::1", public_url="https://air.example").proxy_options["trusted_proxy"] == "::1"


class TestLog:
    def test_the_same_look_within_ten_minutes_is_one_line(self, tmp_path: Path) -> None:
        clock = Hand()
        log = AccessLog(tmp_path, clock)
        for step_s in (0.0, 599.0, 1.0, 599.0, 1.0):
            clock.at += step_s
            assert log.write("view", "incident=I-1", account="review-1", session="s", once=True)
        assert len(read_log(tmp_path)[0]) == 3
        clock.at += 1.0
        assert log.write("view", "incident=I-1", account="review-1", session="s")
        assert log.write("view", "incident=I-2", account="review-1", session="s", once=True)
        assert len(read_log(tmp_path)[0]) == 5

    def test_ten_thousand_looks_are_remembered_and_then_the_oldest_goes(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        written: list[str] = []
        monkeypatch.setattr(AccessLog, "_append", lambda _, entry: written.append(entry.target))
        log = AccessLog(tmp_path, Hand())
        for number in range(10_001):
            log.write("view", str(number), account="a", once=True)
        for again in ("1", "2", "0", "1"):  # the first is forgotten; and then the second
            log.write("view", again, account="a", once=True)
        assert written[10_001:] == ["0", "1"]

    def test_a_log_begins_where_no_folder_is_yet(self, tmp_path: Path) -> None:
        assert AccessLog(tmp_path / "a" / "archive", Hand()).write("view", "x", account="a")
        assert len(read_log(tmp_path / "a" / "archive")[0]) == 1

    def test_a_target_is_cut_at_500_and_only_the_owner_reads(self, tmp_path: Path) -> None:
        assert AccessLog(tmp_path, Hand()).write("view", "x" * 501, account="a")
        ((entry,), faults) = read_log(tmp_path)
        assert (len(entry.target), faults) == (500, [])
        assert stat.S_IMODE((tmp_path / "access").stat().st_mode) == 0o700

    def test_lines_longer_than_one_read_stay_chained(self, tmp_path: Path) -> None:
        log = AccessLog(tmp_path, Hand())
        for number in range(4):
            assert log.write("view", "é" * 500, account="a" * 9000 * (number % 2 + 1))
        entries, faults = read_log(tmp_path)
        assert (len(entries), faults) == (4, [])
        assert head(tmp_path) != head(tmp_path / "nothing")
        assert access_table(tmp_path).height == 4

    def test_a_clock_set_back_goes_on_in_the_latest_file(self, tmp_path: Path) -> None:
        clock = Hand()
        log = AccessLog(tmp_path, clock)
        log.write("view", "1", account="a")
        clock.at -= 86400.0
        log.write("view", "2", account="a")
        clock.at += 2 * 86400.0
        log.write("view", "3", account="a")
        entries, faults = read_log(tmp_path)
        assert ([one.target for one in entries], faults) == (["1", "2", "3"], [])
        assert len(list((tmp_path / "access").glob("*.ndjson"))) == 2
