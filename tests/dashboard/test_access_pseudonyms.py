"""The role audit never sees the desk's own pseudonym of a wearer."""

from __future__ import annotations

import io
import stat
import zipfile
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from analysis.simulation.three_years import three_years
from analysis.trends.comparisons import signals
from dashboard.access.pseudonyms import Pseudonyms
from dashboard.trends.wear_ledger import bring_in
from ingest.contract.errors import BadSettings
from tests.dashboard.guarded_pages import GuardedPages

KEY = bytes(range(32))


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    pages = GuardedPages(tmp_path, monkeypatch)
    ledger, _ = three_years(1, incidents_a_month=3.0)
    bring_in(pages.archive, "three-years", ledger)
    return pages


def test_the_trends_page_shows_audit_other_names_than_review(pages: GuardedPages) -> None:
    """Also in who stands out and who is due a look: nowhere in the answer is the desk's own word."""
    ledger, _ = three_years(1, incidents_a_month=3.0)
    theirs = set(ledger["wears"]["wearer_id"].drop_nulls())
    pages.client("review").page("/trends")  # what is compared is kept from the one for the other
    for search in ("", "?year=2029"):
        shown = pages.client("audit").page("/trends", search).get_data(as_text=True)
        assert '"trends-people' in shown
        assert [name for name in theirs if name in shown] == []
        assert "P-" in shown
        as_before = pages.client("review").page("/trends", search).get_data(as_text=True)
        assert sum(name in as_before for name in theirs) > 10, "review sees the desk's own"


def test_what_audit_takes_away_names_nobody(pages: GuardedPages) -> None:
    ledger, _ = three_years(1, incidents_a_month=3.0)
    theirs = set(ledger["wears"]["wearer_id"].drop_nulls())
    audit = pages.client("audit")
    with zipfile.ZipFile(io.BytesIO(audit.get("/trends/export.zip").data)) as files:
        told = "\n".join(files.read(name).decode() for name in files.namelist())
    told += audit.get("/trends/summary.html").get_data(as_text=True)
    assert len(told) > 10_000
    assert [name for name in theirs if name in told] == []


def test_who_stands_out_keeps_its_figures_and_changes_its_name() -> None:
    ledger, _ = three_years(1)
    found, _ = signals(ledger["wears"], ledger["set_events"])
    assert found
    people = [replace(found[0], part="wearer", name=name) for name in ("W-07", "W-08")]
    names = Pseudonyms(KEY)
    told = names.in_signals([*people, *found])
    assert [one.name for one in told[:2]] == [names.of("W-07"), names.of("W-08")]
    assert told[2:] == found
    assert [replace(one, name="") for one in told[:2]] == [replace(one, name="") for one in people]


def test_a_name_is_the_same_wearers_in_one_archive_and_nobodys_in_another(tmp_path: Path) -> None:
    accounts = tmp_path / "accounts.json"
    here, again = (Pseudonyms.beside(accounts, tmp_path / "a") for _ in range(2))
    there = Pseudonyms.beside(accounts, tmp_path / "b")
    assert here.of("W-07") == again.of("W-07") != there.of("W-07")
    assert here.of("W-07") != here.of("W-08")
    frame = pl.DataFrame({"wearer_id": ["W-07", None, "W-07"]})
    assert here.in_frame(frame)["wearer_id"].to_list() == [here.of("W-07"), None, here.of("W-07")]
    nobody = pl.DataFrame({"wearer_id": pl.Series([None], dtype=pl.String)})
    assert here.in_frame(nobody).equals(nobody)


def test_the_key_is_beside_the_accounts_and_its_owners_only(pages: GuardedPages) -> None:
    key = pages.accounts.path.with_name("accounts.json.audit-key")
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    kept = [path for path in pages.archive.rglob("*") if path.is_file()]
    assert kept
    assert all(key.read_bytes().strip() not in path.read_bytes() for path in kept)


@pytest.mark.parametrize(
    ("text", "mode", "said"), [("abc", 0o600, "hexadecimal"), ("0" * 64, 0o644, "chmod")]
)
def test_a_key_that_is_none_or_open_to_others_is_refused_without_being_told(
    tmp_path: Path, text: str, mode: int, said: str
) -> None:
    key = tmp_path / "accounts.json.audit-key"
    key.write_text(text)
    key.chmod(mode)
    with pytest.raises(BadSettings, match=said) as refused:
        Pseudonyms.beside(tmp_path / "accounts.json", tmp_path)
    assert text not in str(refused.value)
