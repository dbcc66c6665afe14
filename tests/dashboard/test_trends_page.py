"""The trends page's sentences, figures and empty state."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.profile import Profile
from analysis.trends.ledger import ledger_of
from analysis.trends.measures import MonthlyMean, MonthlyRate
from analysis.trends.statistics import mann_kendall
from dashboard.context import Context
from dashboard.demo.past_ledger import bring_in_three_years
from dashboard.pages import trends as trends_page
from dashboard.trends import words
from dashboard.trends.figures import mean_figure, rate_figure
from dashboard.trends.view import Keeper
from dashboard.trends.wear_ledger import bring_in
from ingest.archive.reading import Archive
from tests.dashboard.invented_incident import Incident

EXITS = next(plot for plot in words.PLOTS if plot.name == "low_air_exits")
MINUTES = next(plot for plot in words.PLOTS if plot.name == "under_air_min")


def rate(
    months: int, events: int, upper: float | None, outside: int | None = None, **more: Any
) -> MonthlyRate:
    table = pl.DataFrame(
        {
            "month": [date(2031, 1 + i, 1) for i in range(months)],
            "wears": [20] * months,
            "events": [events] * months,
            "exposure": [20.0] * months,
            "rate": [50.0 * events] * months,
            "low": [1.0] * months,
            "high": [300.0] * months,
            "lower_limit": pl.Series([0.0 if upper else None] * months, dtype=pl.Float64),
            "upper_limit": pl.Series([upper] * months, dtype=pl.Float64),
            "outside": [i == outside for i in range(months)],
            "solid": [True] * months,
        }
    )
    total = more.get("total", (events * months, 20.0 * months, 50.0 * events, 20.0, 104.0))
    return MonthlyRate(table, total, 50.0, more.get("trend"))


def test_too_few_wears_are_said_to_be_too_few() -> None:
    assert (
        words.rate_sentence(EXITS, rate(1, 1, None, total=None)) == "1 in 20 wears: too few wears for a rate."
    )


def test_a_rate_stands_with_count_exposure_and_interval() -> None:
    text = words.rate_sentence(EXITS, rate(3, 1, None))
    assert text == (
        "3 in 60 wears: 50 per 1000 wears (95 % interval 20 to 104). "
        "Too little for control limits (8 months and 10 events)."
    )


def test_a_month_outside_is_named_with_its_wears() -> None:
    found = rate(9, 2, 200.0, outside=4)
    found = MonthlyRate(
        found.table.with_columns(rate=pl.when(pl.col("outside")).then(400.0).otherwise(100.0)),
        found.total,
        found.centre,
        None,
    )
    text = words.rate_sentence(EXITS, found)
    assert "2031-05 (above, 20 wears) lies outside the control limits and is due a look; of 9" in text
    assert "Too few months to speak of a trend." in text
    figure = rate_figure(found)
    symbols = figure["data"][-1]["marker"]["symbol"]
    assert symbols.index("diamond-open") == 4
    assert symbols.count("diamond-open") == 1


def test_a_trend_is_told_with_its_test_and_size() -> None:
    rise = mann_kendall([float(i) for i in range(12)])
    assert "A steady rise of about 12 per 1000 wears a year (Mann-Kendall, p < 0.001" in words.rate_sentence(
        EXITS, rate(12, 2, 200.0, trend=rise)
    )
    flat = mann_kendall([1.0, 2.0] * 6)
    assert "No steady rise or fall" in words.rate_sentence(EXITS, rate(12, 2, 200.0, trend=flat))


def test_a_mean_without_any_value_says_not_measured() -> None:
    table = pl.DataFrame(
        {
            "month": [date(2031, 1, 1)],
            "wears": [0],
            "mean": pl.Series([None], dtype=pl.Float64),
            "outside": [False],
            "solid": [False],
            "moving_range": pl.Series([None], dtype=pl.Float64),
            "range_outside": [False],
        }
    )
    nothing = MonthlyMean(table, float("nan"), float("nan"), float("nan"), None)
    assert words.mean_sentence(MINUTES, nothing) == "Not measured in this period."
    assert mean_figure(nothing)["layout"]["yaxis"]["range"][0] == 0


def test_a_month_of_few_wears_beyond_the_scale_stands_on_its_edge() -> None:
    found = rate(12, 1, None)
    table = found.table.with_columns(
        rate=pl.when(pl.int_range(pl.len()) == 7).then(5000.0).otherwise(pl.col("rate")),
        solid=pl.int_range(pl.len()) != 7,
    )
    figure = rate_figure(MonthlyRate(table, found.total, 50.0, None))
    points, top = figure["data"][-1], figure["layout"]["yaxis"]["range"][1]
    assert points["marker"]["symbol"].index("triangle-up-open") == 7
    assert points["y"][7] == top < 5000
    assert points["customdata"][7][1] == "5,000"
    assert points["error_y"]["array"][7] == 0


def test_wears_stand_under_every_month_that_is_named() -> None:
    ticks = rate_figure(rate(12, 1, None))["layout"]["xaxis"]["ticktext"]
    assert ticks[:2] == ["01<br><b>20</b><br>2031", "02<br><b>20</b>"]
    assert len(ticks) == 12


def _text_of(component: Any) -> str:
    if isinstance(component, str):
        return component
    children = getattr(component, "children", None)
    parts = children if isinstance(children, list) else [children]
    return " ".join(_text_of(part) for part in parts if part is not None)


@pytest.fixture
def context_of(tmp_path: Path) -> Any:
    def make(incident: Incident | None) -> Context:
        if incident:
            bring_in(tmp_path, "made", ledger_of(incident.results, incident.messages))
        return Context(archive=Archive(tmp_path), profile=Profile.default())

    return make


def test_an_empty_archive_says_how_wears_come(context_of: Any) -> None:
    assert "No wears in this period" in _text_of(trends_page.layout(context_of(None), {}))


def test_three_wears_are_too_few_for_a_rate_and_say_so(context_of: Any) -> None:
    text = _text_of(trends_page.layout(context_of(Incident(3, 20)), {}))
    assert "3 wears by 3 wearers, 1.0 hours under air, 2031-05-04 to 2031-05-04." in text
    assert "3 wears in this period: too few for a rate (10 are needed)" in text
    assert "0 in 3 wears: too few wears for a rate." in text


def test_a_year_that_is_not_there_shows_all(context_of: Any) -> None:
    context = context_of(Incident(3, 20))
    assert _text_of(trends_page.layout(context, {"year": "1999"})) == _text_of(
        trends_page.layout(context, {})
    )
    assert "All years 2031" in _text_of(trends_page.layout(context, {"year": "2031"}))


@pytest.fixture
def three_years_of_wears(tmp_path: Path) -> Context:
    bring_in_three_years(tmp_path, datetime(2032, 3, 1, tzinfo=UTC))
    return Context(archive=Archive(tmp_path), profile=Profile.default())


def test_the_page_names_the_three_planted_truths_and_nothing_else(three_years_of_wears: Context) -> None:
    page = trends_page.layout(three_years_of_wears, {})
    out = next(part for part in page.children if getattr(part, "id", "") == "trends-out")
    leads = [item.children[0].children for item in out.children[1].children]
    assert {lead.split(":")[0] for lead in leads} == {"Set S-137", "Station 4", "Heat dose"}
    assert "Station 4: leaving below the low-air warning" in leads


def test_stations_and_roles_appear_only_with_a_roster(three_years_of_wears: Context, tmp_path: Path) -> None:
    with_roster = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "Station 4" in with_roster
    assert "Role All crew commander firefighter trainee" in with_roster
    (tmp_path / "roster.csv").unlink()
    without = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "Station 4" not in without
    assert "Stations and roles appear once a roster lies in the archive's folder" in without


def test_a_roster_that_cannot_be_read_is_said_and_left_out(
    three_years_of_wears: Context, tmp_path: Path
) -> None:
    (tmp_path / "roster.csv").write_text("wearer,station\nW-001,\n")
    text = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "The roster is left out: roster roster.csv, entry 1: wearer W-001 has no station." in text


def test_a_year_and_a_station_can_be_chosen(three_years_of_wears: Context) -> None:
    text = _text_of(trends_page.layout(three_years_of_wears, {"year": "2030", "station": "Station 4"}))
    assert "2030-01-0" in text
    assert "2029-" not in text
    assert "by 20 wearers" in text


def test_work_under_way_is_shown_with_a_bar(
    three_years_of_wears: Context, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Keeper, "progress", lambda self: (30, 120))
    text = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "Reading the archive" in text
    assert "25% of their messages read" in text
