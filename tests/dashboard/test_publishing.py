"""What the verb and the pages give of what was published; the audit role gets it and nothing else."""

from __future__ import annotations

import errno
import io
import json
import re
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from analysis.profile import Profile
from analysis.simulation.shipped_years import read_three_years
from analysis.trends.false_marks import FalseMarks
from dashboard.access.log import read_log
from dashboard.demo.crew import bring_in_three_years
from dashboard.trends.outside import published_html, published_periods
from dashboard.trends.releases import FILE_NAME, faults, published
from dashboard.trends.view import keeper_of
from dashboard.trends.wear_ledger import bring_in
from dashboard.trends.words import INSIDE_ONLY
from dashboard.underair import root
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.past_year import build_past_incident
from tests.dashboard.guarded_pages import GuardedPages
from tests.dashboard.test_releases import at, lines
from tests.three_years import three_years

NOW = datetime.now(UTC)


def run(*arguments: str) -> Any:
    return CliRunner().invoke(root, ["audit", *arguments])


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("archive")
    bring_in_three_years(folder, NOW)
    return folder


def test_the_verb_publishes_and_writes_for_outside(archive: Path, tmp_path: Path) -> None:
    result = run("--archive", str(archive), "--out", str(tmp_path / "out"), "--json")
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    assert not said["inside_only"]
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names >= {"summary.html", "README.txt", "by_month.csv", "by_quarter.parquet", "planning_rates.csv"}
    assert units_of(tmp_path / "out")["planning_rates", "rate_l_min"] == ("L/min", "L/min")
    assert not any("sets" in name or "standing" in name for name in names)
    quarters = pl.read_parquet(tmp_path / "out" / "by_quarter.parquet")
    assert quarters["part"].unique().sort().to_list() == ["kind", "role", "service", "station"]
    text = "".join(p.read_text() for p in (tmp_path / "out").iterdir() if p.suffix != ".parquet")
    assert not re.search(r"\b[WS]-\d", text)
    assert INSIDE_ONLY not in text
    assert "Each figure covers at least 10 people" in text
    earlier = run("--archive", str(archive), "--out", str(tmp_path / "b"), "--to", f"{NOW.year - 1}-06-30")
    assert earlier.exit_code == 0
    months = pl.read_csv(tmp_path / "b" / "by_month.csv")
    assert months["period"].max() == f"{NOW.year - 1}-06"


def test_the_verb_writes_exact_tables_for_inside_and_publishes_nothing(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, NOW)
    profile = tmp_path / "ours.toml"
    profile.write_text(
        'name = "ours"\ntitle = "Ours"\ndecides = "Nobody: a test."\n[training]\nhours_a_year = 1.0\n'
    )
    (tmp_path / "equipment.csv").write_text(
        f"what,id,test,done,due\nset,S-1,yearly,{NOW.year - 2}-01-01,{NOW.year - 1}-01-01\n"
    )
    every = ("--before-after", f"{NOW.year - 1}-01-01", "--profile", str(profile), "--copies", "2")
    result = run("--archive", str(tmp_path), "--out", str(tmp_path / "in"), "--inside", *every)
    assert result.exit_code == 0, result.output
    assert INSIDE_ONLY in result.output
    assert INSIDE_ONLY in (tmp_path / "in" / "summary.html").read_text()
    assert {"sets.csv", "rest.csv", "standing_out.csv", "smallest_effects.csv", "chance.csv"} <= {
        p.name for p in (tmp_path / "in").iterdir()
    }
    assert not (tmp_path / FILE_NAME).exists()
    units = units_of(tmp_path / "in")
    assert {name for name, _ in units} >= {"training", "tests", "before_after", "chance"}
    assert units["by_month", "hours"] == ("h", "h")
    assert units["by_part", "distress_wears_rate"] == ("‰", "[ppth]")
    assert units["forecasts", "median_error_min"] == ("min", "min")


def units_of(folder: Path) -> dict[tuple[str, str], tuple[str, str]]:
    """Return each column's unit and its UCUM code as `columns.csv` has them, which are the Parquet files'."""
    told = pl.read_csv(folder / "columns.csv").fill_null("")
    for name, table in told.group_by("table", maintain_order=True):
        schema = pq.read_schema(folder / f"{name[0]}.parquet")
        assert table["column"].to_list() == schema.names
        notes = [field.metadata for field in schema]
        assert table["unit"].to_list() == [note.get(b"unit", b"").decode() for note in notes]
        assert table["ucum"].to_list() == [note.get(b"ucum", b"").decode() for note in notes]
        assert all(note[b"meaning"] for note in notes)
    assert set(told["table"]) == {path.stem for path in folder.glob("*.parquet")}
    return {(t, c): (u, code) for t, c, u, code in told.select("table", "column", "unit", "ucum").rows()}


def test_a_full_disk_leaves_what_was_there(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "by_month.csv").write_text("of last month")

    def full_disk(*_: Any, **__: Any) -> bytes:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("dashboard.trends.export.arrow_bytes", full_disk)
    failed = run("--archive", str(archive), "--out", str(out))
    assert failed.exit_code == 1
    assert f"cannot write into {out}: the disk is full: free space and run this again" in str(
        failed.exception
    )
    assert {path.name: path.read_text() for path in out.iterdir()} == {"by_month.csv": "of last month"}
    assert run("--archive", str(archive), "--out", str(tmp_path / "a" / "b")).exit_code == 1
    assert not (tmp_path / "a").exists()


def test_the_verb_refuses_what_makes_no_sense(archive: Path, tmp_path: Path) -> None:
    there, out = str(archive), str(tmp_path / "out")
    wrong = run("--archive", there, "--out", out, "--from", "2031-02-01", "--to", "2031-01-01")
    assert wrong.exit_code == 2
    assert "2031-01-01 is before --from 2031-02-01" in wrong.stderr
    missing = run("--archive", str(tmp_path / "none"), "--out", out)
    assert missing.exit_code == 2
    assert "there is no folder" in missing.stderr
    alone = run("--archive", there, "--out", out, "--replace", "2031-01")
    assert alone.exit_code == 2
    assert "--replace PERIOD needs --reason TEXT" in alone.stderr
    empty = run("--archive", there, "--out", out, "--from", "2090-01-01")
    assert empty.exit_code == 1
    assert "no wears in this period" in str(empty.exception)
    bare = tmp_path / "bare"
    bare.mkdir()
    nothing = run("--archive", str(bare), "--out", out)
    assert "there are no wears in the archive" in str(nothing.exception)
    assert "underair import LOG" in str(nothing.exception)


def test_the_verb_says_when_nothing_is_published(tmp_path: Path) -> None:
    """A newcomer tried the sample and got empty tables without a word."""
    seal_messages(tmp_path / "a", frames_from_heard(build_past_incident(1, at("2029-05-01")).heard), "past")
    told = run("--archive", str(tmp_path / "a"), "--out", str(tmp_path / "out"))
    assert told.exit_code == 0, told.output
    assert "No table has a row: no period is over, or too few people were at work in it." in told.output
    assert pl.read_csv(tmp_path / "out" / "by_month.csv").is_empty()


# What the audit role gets, in every answer of the server.


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with pytest.MonkeyPatch.context() as patch:
        pages = GuardedPages(tmp_path_factory.mktemp("pages"), patch)
        bring_in_three_years(pages.archive, NOW)
        yield pages


def answers(pages: GuardedPages, role: str) -> dict[str, str]:
    """Every answer about trends that a role gets, filters that it sets included."""
    caller = pages.client(role)
    years = ("", f"?year={NOW.year - 1}")
    filters = (
        *years,
        "?station=Station+1",
        "?role=trainee&kind=drill",
        f"?year={NOW.year - 1}&station=Station+4",
    )
    found = {f"page{text}": caller.page("/trends", text).get_data(as_text=True) for text in filters}
    for address in ("/trends/summary.html", "/trends/progress.json"):
        found[address] = caller.get(address).get_data(as_text=True)
    for text in years:
        with zipfile.ZipFile(io.BytesIO(caller.get(f"/trends/export.zip{text}").data)) as files:
            found[f"export{text}"] = "\n".join(files.read(name).decode() for name in files.namelist())
    return found


def test_no_answer_to_the_audit_role_has_a_person_a_set_or_a_day(pages: GuardedPages) -> None:
    told = answers(pages, "audit")
    assert all(len(text) > 500 for name, text in told.items() if name != "/trends/progress.json")
    for name, text in told.items():
        shown = re.sub(r"Made \d{4}-\d\d-\d\d \d\d:\d\d UTC", "", text)
        assert not re.findall(r"\b(?:[WSP]-[0-9a-z]{3,}|\d{4}-\d\d-\d\d)\b", shown), name
    # The same page as review has it: what is looked for can be found.
    seen = pages.client("review").page("/trends").get_data(as_text=True)
    assert re.search(r"\bW-\d{3}\b", seen)


def test_no_answer_of_any_route_names_anybody_to_the_audit_role(pages: GuardedPages) -> None:
    """Every route that answers, also those that nobody thought of: no wearer, no set, no incident."""
    ledger, _ = read_three_years(NOW)
    names = {one for column in ("wearer_id", "set_id", "incident_id") for one in ledger["wears"][column]}
    caller, answered = pages.client("audit"), 0
    asked = {"path": "trends", "key": next(iter(ledger["wears"]["incident_id"])), "table": "wears"}
    for rule in pages.app.server.url_map.iter_rules():
        if "GET" not in (rule.methods or ()) or "_dash-component" in rule.rule:
            continue
        address = re.sub(r"<(?:\w+:)?(\w+)>", lambda found: asked.get(found[1], "shell.css"), rule.rule)
        answer = caller.get(address)
        body = answer.data
        answer.close()
        if answer.status_code != 200:
            continue
        answered += 1
        if body[:2] == b"PK":
            with zipfile.ZipFile(io.BytesIO(body)) as files:
                body = b"\n".join(files.read(name) for name in files.namelist())
        told = set(re.findall(r"[\w-]+", body.decode("utf-8", "replace")))
        assert not told & names, address
    assert answered >= 8


def test_a_filter_shows_the_audit_role_nothing_more(pages: GuardedPages) -> None:
    told = answers(pages, "audit")
    assert told["page?station=Station+1"] == told["page"]
    assert told["page?role=trainee&kind=drill"] == told["page"]


def test_the_audit_role_reads_only_what_was_published(pages: GuardedPages) -> None:
    """Every count on its page and in its files is one of a published cell."""
    told = answers(pages, "audit")
    known = published(pages.archive)
    counts = {cell.wears for one in known.values() for cell in one.cells}
    months = re.findall(r'"children": ?"(\d{4}-\d\d)"', told["page"])
    assert set(months) <= set(known)
    with zipfile.ZipFile(io.BytesIO(pages.client("audit").get("/trends/export.zip").data)) as files:
        for name in ("by_month", "by_quarter", "by_year"):
            table = pl.read_csv(files.read(f"{name}.csv"))
            assert set(table["wears"].drop_nulls()) <= counts
        assert b"planning_rates,rate_l_min,L/min,L/min," in files.read("columns.csv")
    for address in ("/trends/inside.zip", "/trends/inside.html"):
        assert pages.client("audit").get(address).status_code == 403
        assert pages.client("review").get(address).status_code == 200


def zip_of(answer: Any) -> tuple[str, dict[str, pl.DataFrame]]:
    """Give a ZIP archive's name and its tables."""
    name = re.findall(r'filename="(.*)"', answer.headers["Content-Disposition"])[0]
    with zipfile.ZipFile(io.BytesIO(answer.data)) as files:
        found = [one for one in files.namelist() if one.endswith(".csv") and one != "columns.csv"]
        return name, {one.removesuffix(".csv"): pl.read_csv(files.read(one)) for one in found}


def test_each_download_holds_the_year_that_was_asked_for(
    pages: GuardedPages, monkeypatch: pytest.MonkeyPatch
) -> None:
    review, year = pages.client("review"), f"{NOW.year - 1}"
    name, every = zip_of(review.get("/trends/export.zip"))
    assert name == "underair-trends-published.zip"
    name, one = zip_of(review.get(f"/trends/export.zip?year={year}"))
    assert name == f"underair-trends-published-{year}.zip"
    assert set(one["by_month"]["period"].str.head(4)) == {year} < set(every["by_month"]["period"].str.head(4))
    for none in ("20x5", f"{year}5", "1999"):
        assert set(zip_of(review.get(f"/trends/inside.zip?year={none}"))[1]) > {"by_month", "sets"}, none
    assert zip_of(review.get("/trends/export.zip?year=20x5"))[0] == "underair-trends-published.zip"
    assert zip_of(review.get(f"/trends/export.zip?year={year}5"))[0] == "underair-trends-published.zip"

    keeper = keeper_of(pages.context)
    monkeypatch.setattr(keeper, "chance", FalseMarks())
    assert "chance" not in zip_of(review.get("/trends/inside.zip"))[1]
    monkeypatch.setattr(keeper, "chance", FalseMarks(drawn=4, naming=1, marking=2))
    name, every = zip_of(review.get("/trends/inside.zip"))
    assert name == "underair-trends-inside.zip"
    assert every["chance"]["share"].to_list() == [0.25, 0.5]
    name, one = zip_of(review.get(f"/trends/inside.zip?year={year}"))
    assert (name, set(one)) == (f"underair-trends-inside-{year}.zip", {"by_month", "by_part"})
    assert set(one["by_month"]["month"].str.head(4)) == set(one["by_part"]["year"].cast(str)) == {year}


def test_each_sheet_is_of_the_period_that_was_asked_for(pages: GuardedPages) -> None:
    review, year = pages.client("review"), f"{NOW.year - 1}"
    review.get("/trends/export.zip")  # publishes
    newest = published_periods(published(pages.archive))[-1]
    # On the first of a month nobody wore a set in it yet.
    inside = str(zip_of(review.get("/trends/inside.zip"))[1]["by_month"]["month"].max())
    for address, last in (("/trends/summary.html", newest), ("/trends/inside.html", inside)):
        for query, period in (
            (f"?period={year}-04", f"{year}-04"),
            (f"?period={year}", year),
            ("?period=1999-01", last),
            ("", last),
            (f"?year={year}", f"{year}-12"),
        ):
            assert f"summary of {period}<" in review.get(address + query).text, address + query
    assert "Before and after" not in review.get("/trends/inside.html").text
    assert "Before and after" in review.get(f"/trends/inside.html?since={year}-01-01").text


def test_a_fault_of_the_roster_names_nobody_to_the_audit_role(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = GuardedPages(tmp_path, monkeypatch)
    ledger, _ = three_years(1, incidents_a_month=3.0)
    bring_in(pages.archive, "three-years", ledger)
    (pages.archive / "roster.csv").write_text("wearer,station,from\nW-123,North,never\n")
    text = pages.client("audit").page("/trends").get_data(as_text=True)
    assert "the role review sees why" in text
    assert "W-123" not in text
    assert not (pages.archive / FILE_NAME).exists()  # nothing is published without its stations


def test_only_the_admin_publishes_anew_on_the_page_and_it_is_logged(pages: GuardedPages) -> None:
    pages.client("audit").get("/trends/export.zip")
    count, period = len(lines(pages.archive)), f"{NOW.year - 1}-04"
    address, reason = f"/access/publish-anew/{period}", {"reason": "a log was counted twice; the chief"}
    for role in ("audit", "review", "health", "desk", "watch"):
        assert pages.client(role).ask("POST", address, json=reason).status_code == 403
    admin = pages.client("admin")
    assert admin.ask("POST", address, json={"reason": "  "}).status_code == 400
    unknown = admin.ask("POST", "/access/publish-anew/2095-01", json=reason)
    assert (unknown.status_code, "was never published" in unknown.text) == (400, True)
    assert len(lines(pages.archive)) == count
    done = admin.ask("POST", address, json=reason)
    assert (done.status_code, done.json) == (200, {"told": f"{period} is published again."})
    added = lines(pages.archive)[count:]
    assert [(one["published"]["period"], one["by"], one["reason"]) for one in added] == [
        (period, "admin-1", reason["reason"])
    ]
    assert faults(pages.archive) == (count + 1, [])
    told = [(one.account, one.action, one.target) for one in read_log(pages.archive)[0]]
    assert ("admin-1", "publish-anew", address) in told
    before, named, _ = admin.page("/access").text.partition("anew-period")
    assert named
    choice = re.findall(r'"value":"(\d{4}[^"]*)"', before)
    assert choice == sorted(published(pages.archive), reverse=True), "the newest comes first"


def test_the_sheet_prints_on_one_page(archive: Path, tmp_path: Path, page: Any) -> None:
    run("--archive", str(archive), "--out", str(tmp_path / "out"))
    known = published(archive)
    target = tmp_path / "sheet.html"
    months = published_periods(known)
    target.write_text(published_html(known, months[-1], Profile.default(), NOW, months), encoding="utf-8")
    page.goto(target.as_uri())
    assert page.inner_text("h1") == f"Under air: summary of {months[-1]}"
    assert page.locator("svg polyline").count() >= 3
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", printed)) == 1
    page.emulate_media(media="print")
    assert not page.is_visible(".months")
    page.set_viewport_size({"width": 1000, "height": 1400})
    page.screenshot(path=str(tmp_path / "sheet.png"))


def test_a_year_has_a_sheet_for_outside_and_one_for_inside(archive: Path, tmp_path: Path) -> None:
    year = NOW.year - 1
    outside, inside = tmp_path / "out", tmp_path / "in"
    assert run("--archive", str(archive), "--out", str(outside)).exit_code == 0
    assert run("--archive", str(archive), "--out", str(inside), "--inside", "--copies", "0").exit_code == 0
    for folder in (outside, inside):
        sheet = (folder / f"summary-{year}.html").read_text()
        assert f"Under air: summary of {year}" in sheet
        assert "The year in figures" in sheet
        assert "A year before (mean of up to 3)" in sheet
    cell = published(archive)[str(year)].cells[0]
    told = (outside / f"summary-{year}.html").read_text()
    assert f">{cell.wears:,}<" in told
    assert f"Stations, roles and kinds in {year}<" in told
    wears = pl.read_parquet(inside / "by_part.parquet").filter(part="service", year=str(year))["wears"][0]
    assert f">{wears:,}<" in (inside / f"summary-{year}.html").read_text()
    assert "Doctrine plans" in (inside / f"summary-{year}.html").read_text()
