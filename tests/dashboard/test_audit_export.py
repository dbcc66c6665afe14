"""The export: an attacker with the files alone computes no withheld count; the verb, the summary, the ZIP."""

from __future__ import annotations

import io
import json
import re
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner
from scipy.optimize import Bounds, LinearConstraint, milp

from analysis.profile import Profile
from analysis.simulation.three_years import three_years
from analysis.trends.audit import ALL, COUNTS, PARTS, Audit, audit
from analysis.trends.ledger import Ledger
from analysis.trends.roster import with_station_and_role
from dashboard.app import create_app
from dashboard.context import Context
from dashboard.demo.past_ledger import bring_in_three_years
from dashboard.pages import trends as trends_page
from dashboard.trends.export import tables_of, zipped
from dashboard.trends.releases import finished_months
from dashboard.trends.summary import summary_html, summary_months
from dashboard.trends.summary_words import WITHHELD
from dashboard.underair import root
from ingest.archive.reading import Archive

PROFILE = Profile.default()
SMALLEST = PROFILE.withholding.smallest_count
NOW = datetime(2032, 3, 1, tzinfo=UTC)


def service(incidents_a_month: float, seed: int = 1) -> Ledger:
    ledger, roster = three_years(seed, incidents_a_month=incidents_a_month)
    return {**ledger, "wears": with_station_and_role(ledger["wears"], roster)}


def read_back(made: Audit) -> dict[str, pl.DataFrame]:
    """What the attacker has: the CSV files of the ZIP, nothing else."""
    with zipfile.ZipFile(io.BytesIO(zipped(made, "", "default"))) as archive:
        names = [name for name in archive.namelist() if name.endswith(".csv")]
        return {
            name.removesuffix(".csv"): pl.read_csv(
                archive.read(name), schema_overrides={"year": pl.String, "ahead_min": pl.String}
            )
            for name in names
        }


class Attacker:
    """Knows the files, that months and parts add up to years and years to the whole, and the rule."""

    def __init__(self, files: dict[str, pl.DataFrame], measure: str) -> None:
        self.cells: dict[tuple[str, str, str], int | None] = {}
        for row in files["by_part"].iter_rows(named=True):
            self.cells[row["part"], row["name"], row["year"]] = row[measure]
        for row in files["by_month"].iter_rows(named=True):
            self.cells["month", row["month"], row["year"]] = row[measure]
        if measure == "wears":
            for row in files["sets"].iter_rows(named=True):
                self.cells["set", row["set_id"], ALL] = row["wears"]
        self.names = [key for key, value in self.cells.items() if value is None]
        place = {key: number for number, key in enumerate(self.names)}
        rows, right = [], []
        for total, parts in self._sums():
            row, known = np.zeros(len(self.names)), 0
            for key, sign in ((total, 1), *((part, -1) for part in parts)):
                value = self.cells[key]
                if value is None:
                    row[place[key]] += sign
                else:
                    known -= sign * value
            if row.any():
                rows.append(row)
                right.append(known)
            else:
                assert known == 0, f"{measure} of {total} is not the sum of its parts"
        self.rows, self.right, self.place = np.array(rows), np.array(right), place

    def _sums(self) -> list[tuple[tuple[str, str, str], list[tuple[str, str, str]]]]:
        years = sorted({year for part, _, year in self.cells if part == "service" and year != ALL})
        every = ("service", ALL, ALL)
        found = [(every, [("service", ALL, year) for year in years])]
        for part in (*PARTS, "month", "set"):
            names = sorted({name for kind, name, _ in self.cells if kind == part})
            for year in [*years, ALL]:
                parts = [(part, name, year) for name in names if (part, name, year) in self.cells]
                if parts and not (part == "month" and year == ALL):
                    found.append((("service", ALL, year), parts))
            for name in names if part in PARTS else []:
                parts = [(part, name, year) for year in years if (part, name, year) in self.cells]
                found.append(((part, name, ALL), parts))
        return found

    def range_of(self, key: tuple[str, str, str]) -> tuple[int, int]:
        ends = []
        for sign in (1.0, -1.0):
            aim = np.zeros(len(self.names))
            aim[self.place[key]] = sign
            ties = [LinearConstraint(self.rows, self.right, self.right)] if len(self.rows) else []
            result = milp(aim, integrality=np.ones(len(aim)), bounds=Bounds(1.0, 100_000), constraints=ties)
            assert result.x is not None, "the published figures contradict each other"
            ends.append(round(result.x[self.place[key]]))
        return ends[0], ends[1]


def true_counts(ledger: Ledger, measure: str) -> dict[tuple[str, str, str], int]:
    shown = audit(ledger, _with_smallest(2))
    attacker = Attacker(shown.tables, measure)
    return {key: value for key, value in attacker.cells.items() if value is not None}


def _with_smallest(count: int) -> Profile:
    import msgspec

    part = msgspec.structs.replace(PROFILE.withholding, smallest_count=count)
    return msgspec.structs.replace(PROFILE, withholding=part)


@pytest.mark.parametrize("incidents_a_month", [0.5, 3.0])
def test_no_withheld_count_can_be_computed_back(incidents_a_month: float) -> None:
    ledger = service(incidents_a_month)
    files = read_back(audit(ledger, PROFILE))
    attacked = 0
    for measure in COUNTS:
        attacker, truth = Attacker(files, measure), true_counts(ledger, measure)
        for key in attacker.names:
            low, high = attacker.range_of(key)
            assert low < high, f"{measure} of {key} can be computed: {low}"
            if 0 < truth.get(key, 1) < SMALLEST:
                attacked += 1
                assert high >= SMALLEST - 1, f"{measure} of {key} is narrowed to {low}..{high}"
    assert attacked > 20


def test_no_figure_of_a_line_tells_what_is_withheld_in_it() -> None:
    files = read_back(audit(service(3.0), PROFILE))
    for name in ("by_part", "by_month"):
        table = files[name]
        for event in COUNTS[1:]:
            away = table.filter(pl.col(event).is_null())
            assert len(away)
            assert not [end for end in ("rate", "low", "high") if away[f"{event}_{end}"].count()]
        gone = table.filter(pl.col("wears").is_null())
        words = ("part", "name", "year", "month", "withheld")
        told = [column for column in gone.columns if column not in words and gone[column].count()]
        assert set(told) <= set(COUNTS[1:])  # noughts of events, which tell nothing of wears
        assert not sum(gone[column].sum() for column in told)
        assert gone["withheld"].all()
    away = files["sets"].filter(pl.col("withheld"))
    assert len(away)
    assert not away.select("wears", "readings_stuck", "silent_wears", "decline").count().sum_horizontal()[0]


def test_shown_counts_are_the_true_ones_and_none_is_small() -> None:
    ledger = service(30.0)
    made = audit(ledger, PROFILE)
    truth = true_counts(ledger, "wears")
    shown = {key: value for key, value in Attacker(made.tables, "wears").cells.items() if value is not None}
    assert len(shown) > 40
    assert all(value == truth[key] for key, value in shown.items())
    for table in (made.tables["by_part"], made.tables["by_month"]):
        for measure in COUNTS:
            values = table[measure].drop_nulls()
            assert not ((values > 0) & (values < SMALLEST)).any()


def test_persons_do_not_leave_the_house() -> None:
    made = audit(service(30.0), PROFILE)
    text = " ".join(table.write_csv() for table in made.tables.values())
    summary = summary_html(made, summary_months(made)[-1], PROFILE, NOW)
    assert "W-0" not in text
    assert "W-0" not in summary


def test_a_years_export_is_cut_from_the_whole() -> None:
    made = audit(service(3.0), PROFILE)
    year = tables_of(made, "2029")
    assert set(year) == {"by_month", "by_part"}
    assert year["by_month"].equals(made.tables["by_month"].filter(pl.col("year") == "2029"))


def test_the_summary_prints_on_one_page_and_keeps_the_secrets(tmp_path: Path, page: Any) -> None:
    made = audit(service(30.0), PROFILE)
    month = summary_months(made, "2029")[-1]
    target = tmp_path / "summary.html"
    target.write_text(summary_html(made, month, PROFILE, NOW, summary_months(made)), encoding="utf-8")
    page.goto(target.as_uri())
    assert page.inner_text("h1") == "Under air: summary of 2029-12"
    assert WITHHELD in page.inner_text("main")
    assert "Station 4: leaving below the low-air warning" in page.inner_text("main")
    assert page.locator("svg polyline").count() >= 4
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", printed)) == 1
    page.emulate_media(media="print")
    assert not page.is_visible(".months")


def run(*arguments: str) -> Any:
    return CliRunner().invoke(root, ["audit", *arguments])


def test_the_verb_writes_tables_and_summary(tmp_path: Path) -> None:
    archive, out = tmp_path / "archive", tmp_path / "out"
    archive.mkdir()
    bring_in_three_years(archive, NOW)
    result = run("--archive", str(archive), "--out", str(out), "--to", "2030-06-30", "--json")
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    assert said["wears"] == pl.read_parquet(out / "by_part.parquet")["wears"].max()
    assert {path.name for path in out.iterdir()} >= {
        "summary.html",
        "README.txt",
        "by_month.csv",
        "sets.parquet",
    }
    assert pl.read_csv(out / "by_month.csv")["month"].max() == "2030-06"
    assert "Under air: summary of 2030-06" in (out / "summary.html").read_text()
    assert "Counts from 1 to 15 are withheld" in (out / "README.txt").read_text()


def test_the_verb_refuses_what_makes_no_sense(tmp_path: Path) -> None:
    there, out = str(tmp_path), str(tmp_path / "out")
    wrong = run("--archive", there, "--out", out, "--from", "2031-02-01", "--to", "2031-01-01")
    assert wrong.exit_code == 2
    assert "2031-01-01 lies before --from 2031-02-01" in wrong.stderr
    missing = run("--archive", str(tmp_path / "none"), "--out", out)
    assert missing.exit_code == 1
    assert "there is no archive at" in str(missing.exception)


def test_an_archive_without_wears_says_how_they_come(tmp_path: Path) -> None:
    archive, out = tmp_path / "archive", tmp_path / "out"
    archive.mkdir()
    result = run("--archive", str(archive), "--out", str(out))
    assert result.exit_code == 1
    assert "there are no wears in the archive" in str(result.exception)
    assert "underair import LOG" in str(result.exception)
    assert not out.exists()


def test_a_period_without_wears_names_the_days_that_have_some(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, NOW)
    result = run("--archive", str(tmp_path), "--out", str(tmp_path / "out"), "--from", "2040-01-01")
    assert result.exit_code == 1
    assert "no wears in this period" in str(result.exception)
    assert "lie from 2029-03-" in str(result.exception)


def test_two_periods_that_overlap_would_tell_a_withheld_count_and_are_refused(tmp_path: Path) -> None:
    """The attacker takes one release from the other: what is left is a month by station, all of it small."""
    bring_in_three_years(tmp_path, NOW)

    def release(name: str, last: str, *more: str) -> Any:
        period = ("--from", "2030-01-01", "--to", last)
        return run("--archive", str(tmp_path), "--out", str(tmp_path / name), *period, *more)

    assert release("one", "2030-11-30").exit_code == 0
    refused = release("two", "2030-12-31")
    assert refused.exit_code == 1
    assert "tables of 2030-01-01 to 2030-11-30 were handed out on" in str(refused.exception)
    assert not (tmp_path / "two").exists()
    assert release("again", "2030-11-30").exit_code == 0  # the very same figures tell nothing new

    # That it is not refused in vain: made all the same, the difference gives small counts away.
    assert release("two", "2030-12-31", "--overlapping").exit_code == 0
    one, two = (pl.read_parquet(tmp_path / name / "by_part.parquet") for name in ("one", "two"))
    both = one.join(two, on=["part", "name", "year"], suffix="_two").filter(pl.col("part") == "role")
    told = [
        late - early
        for measure in COUNTS
        for early, late in both.select(measure, f"{measure}_two").drop_nulls().iter_rows()
    ]
    assert any(0 < count < SMALLEST for count in told)
    noted = [json.loads(line) for line in (tmp_path / "releases.ndjson").read_text().splitlines()]
    assert [line["overlapping"] for line in noted] == [False, True]

    # A period of its own is handed out as before.
    after = run("--archive", str(tmp_path), "--out", str(tmp_path / "three"), "--from", "2031-01-01")
    assert after.exit_code == 0, after.exception


def test_the_page_refuses_an_export_that_overlaps_another(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, NOW)
    first = run("--archive", str(tmp_path), "--out", str(tmp_path / "out"), "--to", "2030-06-30")
    assert first.exit_code == 0, first.exception
    context = Context(archive=Archive(tmp_path), profile=PROFILE)
    client = create_app(context, pages={"/trends": trends_page}).server.test_client()
    refused = client.get("/trends/export.zip")
    assert refused.status_code == 409
    assert "can tell a withheld count" in refused.text
    assert client.get("/trends/export.zip?overlapping=yes").status_code == 200
    assert client.get("/trends/export.zip?year=2031").status_code == 200  # cut from the same figures


def test_the_running_month_is_left_out_until_it_is_over() -> None:
    ledger = service(30.0)
    left = finished_months(ledger, datetime(2029, 5, 15, tzinfo=UTC))
    gone = ledger["wears"].join(left["wears"], on="wear_id", how="anti")["started"]
    assert set(gone.dt.strftime("%Y-%m")) == {"2029-05"}
