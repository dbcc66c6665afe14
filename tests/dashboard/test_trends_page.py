"""The trends page's sentences, figures and empty state."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.profile import Profile
from analysis.statistics import mann_kendall
from analysis.trends import MonthlyMean, MonthlyRate
from dashboard import results_store, trends_page
from dashboard import trends_words as words
from dashboard.context import Context
from dashboard.trends_figures import mean_figure, rate_figure
from ingest.frames import no_messages
from tests.dashboard.invented_incident import ArchiveInMemory, Incident, store_with

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
    assert "2031-05 (above, 20 wears) lies outside the control limits and is due a look." in text
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
        }
    )
    nothing = MonthlyMean(table, float("nan"), float("nan"), float("nan"), None)
    assert words.mean_sentence(MINUTES, nothing) == "Not measured in this period."
    assert mean_figure(nothing)["layout"]["yaxis"]["range"][0] == 0


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
def context_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    def make(incident: Incident | None) -> Context:
        archive: Any = ArchiveInMemory(tmp_path, incident.messages if incident else no_messages())
        if incident:
            monkeypatch.setitem(results_store._stores, archive, store_with(incident, tmp_path))
        return Context(archive=archive, profile=Profile.default())

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
