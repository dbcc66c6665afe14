"""The export: an attacker with the files alone computes no withheld count; the summary, the ZIP."""

from __future__ import annotations

import functools
import io
import re
import zipfile
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from analysis.profile import Profile
from analysis.simulation.three_years import three_years
from analysis.trends.audit import AHEAD_COUNTS, ALL, COUNTS, PARTS, Audit, audit
from analysis.trends.ledger import Ledger
from analysis.trends.roster import with_station_and_role
from analysis.trends.withholding import WITHHELD
from dashboard.trends.export import tables_of, zipped
from dashboard.trends.releases import finished_months
from dashboard.trends.summary import summary_html, summary_months

PROFILE = Profile.default()
SMALLEST = PROFILE.withholding.smallest_count
NOW = datetime(2032, 3, 1, tzinfo=UTC)


@functools.cache
def _made(incidents_a_month: float, seed: int) -> Ledger:
    ledger, roster = three_years(seed, incidents_a_month=incidents_a_month)
    return {**ledger, "wears": with_station_and_role(ledger["wears"], roster)}


def service(incidents_a_month: float, seed: int = 1) -> Ledger:
    return dict(_made(incidents_a_month, seed))


@functools.cache
def audit_of(incidents_a_month: float) -> Audit:
    """The audit of all that `service` has, made once."""
    return audit(service(incidents_a_month), PROFILE)


def read_back(made: Audit) -> dict[str, pl.DataFrame]:
    """What the attacker has: the CSV files of the ZIP, nothing else."""
    with zipfile.ZipFile(io.BytesIO(zipped(made, "", "default"))) as archive:
        names = [name for name in archive.namelist() if name.endswith(".csv")]
        texts = dict.fromkeys(("year", "ahead_min", *COUNTS), pl.String)
        return {
            name.removesuffix(".csv"): pl.read_csv(archive.read(name), schema_overrides=texts)
            for name in names
        }


@pytest.mark.parametrize("year", ["", "2029"])
def test_the_note_tells_of_the_tables_that_lie_beside_it_and_of_no_others(year: str) -> None:
    """Mended: the note in a year's export spoke of seven tables, of which two lay beside it."""
    made = audit_of(30.0)
    with zipfile.ZipFile(io.BytesIO(zipped(made, year, "default"))) as archive:
        names = {name.removesuffix(".csv") for name in archive.namelist() if name.endswith(".csv")}
        note = archive.read("README.txt").decode()
    told = {line.partition(":")[0] for line in note.rpartition("\n\n")[2].splitlines()}
    assert told == names
    assert names < made.tables.keys() if year else names == made.tables.keys()


Key = tuple[str, str, str, str]
MARKS = (f"<{SMALLEST}", WITHHELD)


class Attacker:
    """Knows the files, what adds up to what, both marks, and of every other withheld count that it is large.

    `truth` tells him which counts that read "withheld" are not small: more than he can know. Wears and exits
    are attacked together, for a wear ends below the warning once at most.
    """

    def __init__(
        self, files: dict[str, pl.DataFrame], measures: Sequence[str], truth: Mapping[Key, int] | None = None
    ) -> None:
        self.printed: dict[Key, str] = {}
        for measure in measures:
            for row in files["by_part"].iter_rows(named=True):
                self.printed[measure, row["part"], row["name"], row["year"]] = str(row[measure])
            for row in files["by_month"].iter_rows(named=True):
                self.printed[measure, "month", row["month"], row["year"]] = str(row[measure])
            if measure == "wears":
                for row in files["sets"].iter_rows(named=True):
                    self.printed[measure, "set", row["set_id"], ALL] = str(row["wears"])
        self.withheld = [key for key, text in self.printed.items() if text in MARKS]
        self.shown = {key: int(text) for key, text in self.printed.items() if text not in MARKS}
        self.place = {key: number for number, key in enumerate(self.printed)}
        low, high = np.ones(len(self.place)), np.full(len(self.place), 100_000.0)
        for key, at in self.place.items():
            if key in self.shown:
                low[at] = high[at] = self.shown[key]
            elif self.printed[key] == MARKS[0]:
                high[at] = SMALLEST - 1
            elif truth is not None and truth[key] >= SMALLEST:
                low[at] = SMALLEST
        self.bounds = Bounds(low, high)
        rows, ends = [], []
        for total, parts, most in self._sums(measures):
            row = np.zeros(len(self.place))
            row[self.place[total]] = 1
            row[[self.place[part] for part in parts]] = -1
            rows.append(row)
            ends.append(most)
        self.ties = LinearConstraint(np.array(rows), np.zeros(len(ends)), np.array(ends))

    def _sums(self, measures: Sequence[str]) -> Iterator[tuple[Key, list[Key], float]]:
        for measure in measures:
            keys = [key[1:] for key in self.printed if key[0] == measure]
            years = sorted({year for part, _, year in keys if part == "service" and year != ALL})
            yield (measure, "service", ALL, ALL), [(measure, "service", ALL, year) for year in years], 0
            for part in (*PARTS, "month", "set"):
                names = sorted({name for kind, name, _ in keys if kind == part})
                for year in [*years, ALL]:
                    parts = [(measure, part, name, year) for name in names if (part, name, year) in keys]
                    if parts:
                        yield (measure, "service", ALL, year), parts, 0
                for name in names if part in PARTS else []:
                    lines = [(measure, part, name, year) for year in years if (part, name, year) in keys]
                    yield (measure, part, name, ALL), lines, 0
        for key in list(self.printed) if "low_air_exits" in measures else []:
            if key[0] == "low_air_exits":
                yield ("wears", *key[1:]), [key], np.inf

    def range_of(self, key: Key) -> tuple[int, int]:
        ends = []
        for sign in (1.0, -1.0):
            aim = np.zeros(len(self.place))
            aim[self.place[key]] = sign
            found = milp(aim, integrality=np.ones(len(aim)), bounds=self.bounds, constraints=[self.ties])
            assert found.x is not None, "the published figures contradict each other"
            ends.append(round(float(found.x[self.place[key]])))
        return ends[0], ends[1]


def true_counts(ledger: Ledger, measures: Sequence[str]) -> dict[Key, int]:
    """Count anew, without the audit's code."""
    found: dict[Key, int] = {}
    wears = ledger["wears"].with_columns(
        pl.col("started").dt.strftime("%Y").alias("year"),
        pl.col("started").dt.strftime("%Y-%m").alias("month"),
        pl.lit(ALL).alias("service"),
        pl.lit(1).alias("wears"),
        pl.col("station", "role", "kind").fill_null("not known"),
        pl.col("set_id").alias("set"),
    )
    for measure in measures:
        for part in ("service", *PARTS, "month", "set"):
            for keys, lot in wears.group_by(part, "year"):
                found[measure, part, str(keys[0]), str(keys[1])] = int(lot[measure].sum())
            for keys, lot in wears.group_by(part):
                found[measure, part, str(keys[0]), ALL] = int(lot[measure].sum())
    return found


SYSTEMS = (("wears", "low_air_exits"), ("no_motion_alarms",), ("distress_alarms",))


@pytest.mark.parametrize("incidents_a_month", [0.5, 3.0, 30.0])
def test_no_withheld_count_can_be_computed_back(incidents_a_month: float) -> None:
    ledger = service(incidents_a_month)
    files = read_back(audit_of(incidents_a_month))
    attacked = 0
    for measures in SYSTEMS:
        truth = defaultdict(int, true_counts(ledger, measures))
        attacker = Attacker(files, measures, truth)
        bare = Attacker({name: without_counts(table) for name, table in files.items()}, measures, truth)
        assert all(truth[key] == count for key, count in attacker.shown.items())
        for key in attacker.withheld:
            low, high = attacker.range_of(key)
            assert low < high, f"{key} can be computed: {low}"
            if truth[key] < SMALLEST:
                attacked += 1
                least, most = bare.range_of(key)
                assert (low, min(high, SMALLEST - 1)) == (least, min(most, SMALLEST - 1)), (
                    f"{key} is narrowed"
                )
                assert most - least + 1 >= (SMALLEST - 1) / 2, (
                    f"the marks alone leave {key} {least} to {most}"
                )
    assert attacked > 20


def without_counts(table: pl.DataFrame) -> pl.DataFrame:
    """Return what the marks and noughts alone would be."""
    counts = [name for name in COUNTS if name in table.columns]
    kept = ("0", *MARKS)
    return table.with_columns(
        pl.when(pl.col(name).is_in(kept)).then(pl.col(name)).otherwise(pl.lit(WITHHELD)).alias(name)
        for name in counts
    )


def test_where_the_wears_of_the_service_are_withheld_no_other_table_bounds_them() -> None:
    """Planning rates of 22 wears, forecasts of 21 or 20 rests too short would each say: at least as many."""
    ledger = service(3.0)
    ledger["wears"] = ledger["wears"].unique("set_id", maintain_order=True).head(22)
    ledger["forecasts"] = ledger["forecasts"].head(60)
    files = read_back(audit(ledger, PROFILE))
    whole = files["by_part"].filter((pl.col("part") == "service") & (pl.col("year") == ALL))
    assert whole["wears"].to_list() == [WITHHELD]
    planning = files["planning_rates"]
    assert len(planning)
    assert set(planning["wears"]) == {WITHHELD}
    assert planning["rate_l_min"].null_count() == 0
    for name, counts in (("forecasts", AHEAD_COUNTS), ("rest", ["too_short"])):
        for count in counts:
            assert set(files[name][count].cast(pl.String)) <= {"0", *MARKS}


def test_small_counts_carry_their_mark() -> None:
    ledger = service(30.0)
    files, truth = read_back(audit_of(30.0)), true_counts(ledger, COUNTS)
    attacker = Attacker(files, COUNTS)
    small = [key for key in attacker.withheld if truth[key] < SMALLEST]
    marked = [key for key in attacker.withheld if attacker.printed[key] == f"<{SMALLEST}"]
    assert len(small) > 100
    assert set(marked) <= set(small)
    # A small total of many parts may lose its mark; no more than one in ten does.
    assert len(marked) > 0.9 * len(small)


def test_no_figure_of_a_line_tells_what_is_withheld_in_it() -> None:
    files = read_back(audit_of(3.0))
    for name in ("by_part", "by_month"):
        table = files[name]
        for event in COUNTS[1:]:
            away = table.filter(pl.col(event).is_in(MARKS))
            assert len(away)
            assert not [end for end in ("rate", "low", "high") if away[f"{event}_{end}"].count()]
        gone = table.filter(pl.col("wears").is_in(MARKS))
        words = ("part", "name", "year", "month", "withheld")
        told = [column for column in gone.columns if column not in words and gone[column].count()]
        assert set(told) == set(COUNTS)
        for count in COUNTS[1:]:  # noughts of events, which tell nothing of wears
            assert set(gone[count]) <= {"0", *MARKS}
        assert gone["withheld"].all()
    away = files["sets"].filter(pl.col("withheld"))
    assert len(away)
    assert set(away["wears"]) <= set(MARKS)
    assert not away.select("readings_stuck", "silent_wears", "decline").count().sum_horizontal()[0]


def test_no_slope_of_months_tells_what_is_withheld_in_one_of_them() -> None:
    """All months but the withheld one, and the slope over them, would give its figure and so its wears."""
    made = audit(service(8.0, seed=3), PROFILE)
    months, signals = made.tables["by_month"], made.tables["standing_out"]
    rises = signals.filter((pl.col("part") == "service") & (pl.col("measure") == "heat_dose"))
    assert rises["how"].to_list() == ["rise"]
    assert months["wears"].null_count()
    whole = made.tables["by_part"].filter((pl.col("part") == "service") & (pl.col("year") == ALL))
    assert not whole["wears"].null_count()  # the months alone are why
    assert rises["withheld"].all()
    assert not rises.select("value", "rest", "false_rate").count().sum_horizontal()[0]
    # Not withheld in vain: with every month shown, the rise has its figures.
    plenty = audit(service(30.0, seed=3), PROFILE).tables["standing_out"]
    shown = plenty.filter((pl.col("part") == "service") & (pl.col("measure") == "heat_dose"))
    assert shown["value"].to_list() == [pytest.approx(0.016, abs=0.005)]


def test_shown_counts_are_the_true_ones_and_none_is_small() -> None:
    ledger = service(30.0)
    made = audit_of(30.0)
    truth = true_counts(ledger, COUNTS)
    shown = Attacker(read_back(made), COUNTS).shown
    assert len([count for count in shown.values() if count]) > 150
    assert all(value == truth.get(key, 0) for key, value in shown.items())
    for table in (made.tables["by_part"], made.tables["by_month"]):
        for measure in COUNTS:
            values = table[measure].drop_nulls()
            assert not ((values > 0) & (values < SMALLEST)).any()


def test_persons_do_not_leave_the_house() -> None:
    made = audit_of(30.0)
    text = " ".join(table.write_csv() for table in made.tables.values())
    summary = summary_html(made, summary_months(made)[-1], PROFILE, NOW)
    assert "W-0" not in text
    assert "W-0" not in summary


def test_a_years_export_is_cut_from_the_whole() -> None:
    made = audit_of(3.0)
    year = tables_of(made, "2029")
    assert set(year) == {"by_month", "by_part"}
    assert year["by_month"].equals(made.tables["by_month"].filter(pl.col("year") == "2029"))


def test_the_summary_prints_on_one_page_and_keeps_the_secrets(tmp_path: Path, page: Any) -> None:
    made = audit_of(30.0)
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


def test_the_summary_tells_what_is_withheld_from_what_is_not_there() -> None:
    ledger = service(3.0)
    month = ledger["wears"]["started"].dt.strftime("%Y-%m")
    few = ledger["wears"].filter(month.is_in(["2028-01", "2028-03"])).unique("set_id").sort("started")
    made = audit({**ledger, "wears": few.with_columns(pl.lit(None, pl.Float64).alias("heat_dose"))}, PROFILE)
    months = made.tables["by_month"]
    small = months["month"][0]

    def figures(month: str) -> dict[str, list[str]]:
        rows = re.findall(r"<tr><td>(.*?)</tr>", summary_html(made, month, PROFILE, NOW))
        cells = ([unescape(re.sub("<[^>]+>", "", cell)) for cell in row.split("</td>")] for row in rows)
        return {row[0]: row[1:4] for row in cells}

    first = figures(small)
    assert first["Wears"][0] == f"<{SMALLEST}"
    assert first["Hours under air"] == [WITHHELD, "", "–"]
    assert first["Heat dose, a wear"][2] == "–"  # no month before
    assert "No month has a figure that is shown." in summary_html(made, small, PROFILE, NOW)
    # A month without a wear has none to withhold.
    empty = months.filter(pl.col("wears") == 0)["month"]
    assert empty.to_list() == ["2028-02"]
    assert figures("2028-02")["Minutes breathing hard, a wear"][0] == "–"
    assert figures("2028-02")["Heat dose, a wear"][0] == "–"


def test_the_rest_of_the_stations_does_not_tell_how_many_have_none() -> None:
    """Five wears of nobody's station: the others' rate and the service's sums would give their exits."""
    ledger = service(30.0)
    own = audit_of(30.0).tables["standing_out"].filter(pl.col("part") == "station")
    assert own["value"].count() > 0
    few = pl.int_range(pl.len()) < 5
    station = pl.when(few).then(None).otherwise(pl.col("station")).alias("station")
    told = audit({**ledger, "wears": ledger["wears"].with_columns(station)}, PROFILE).tables
    lines = told["by_part"].filter((pl.col("part") == "station") & (pl.col("name") == "not known"))
    assert lines["wears_mark"].to_list() == ["<16", "<16"]
    found = told["standing_out"].filter(pl.col("part") == "station")
    assert len(found)
    assert not found.select("value", "rest").count().sum_horizontal()[0]


def test_the_running_month_is_left_out_until_it_is_over() -> None:
    ledger = service(30.0)
    left = finished_months(ledger, datetime(2029, 5, 15, tzinfo=UTC))
    gone = ledger["wears"].join(left["wears"], on="wear_id", how="anti")["started"]
    assert set(gone.dt.strftime("%Y-%m")) == {"2029-05"}
