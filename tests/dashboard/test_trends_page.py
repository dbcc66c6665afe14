"""The trends page's sentences, figures and empty state."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.profile import Profile
from analysis.trends.ledger import WEARS, ledger_of
from analysis.trends.measures import Monthly, by_month, judged_months, monthly
from analysis.trends.prediction import MonthMark, Predicted
from analysis.trends.statistics import Rate, mann_kendall
from dashboard.context import PageContext
from dashboard.demo.crew import bring_in_three_years
from dashboard.pages import trends as trends_page
from dashboard.trends import sentences, words
from dashboard.trends.figures import classes_figure, monthly_figure
from dashboard.trends.view import AGAIN_AFTER_S, Choice, Keeper, choice_of, keeper_of, known_of
from dashboard.trends.wear_ledger import bring_in
from ingest.archive.reading import Archive
from tests.dashboard.invented_incident import Incident
from tests.three_years import three_years

EXITS = next(plot for plot in sentences.PLOTS if plot.name == "low_air_exits")
MINUTES = next(plot for plot in sentences.PLOTS if plot.name == "under_air_min")


def rate(months: int, events: int, marks: tuple[MonthMark, ...] | None = None, **more: Any) -> Monthly:
    nothing = np.full(months, np.nan)
    table = pl.DataFrame(
        {
            "month": [date(2031, 1 + i, 1) for i in range(months)],
            "wears": [20] * months,
            "events": [events] * months,
            "value": [50.0 * events] * months,
            "low": [1.0] * months,
            "high": [300.0] * months,
            "lower_limit": pl.Series([None] * months, dtype=pl.Float64),
            "upper_limit": pl.Series([None if marks is None else 200.0] * months, dtype=pl.Float64),
            "outside": [any(m.first == i and m.months == 1 for m in marks or ()) for i in range(months)],
            "solid": [True] * months,
        }
    )
    overall = more.get("overall", Rate(50.0 * events, 20.0, 104.0))
    judged = None if marks is None else Predicted(nothing, nothing, nothing, nothing, marks)
    return Monthly(table, overall, more.get("trend"), judged)


def test_too_few_wears_are_said_to_be_too_few() -> None:
    assert (
        sentences.plot_sentence(EXITS, rate(1, 1, overall=None)) == "1 in 20 wears: too few wears for a rate."
    )


def test_a_rate_has_its_count_wears_and_interval() -> None:
    assert sentences.plot_sentence(EXITS, rate(3, 1)) == (
        "3 of 60 wears: 50 per 1000 (95\u00a0% interval 20 to 104). The last months cannot be compared yet: "
        "more than 24 months and 10 events are needed. Too few months to see a trend."
    )


def test_months_that_stand_out_are_named_the_longest_run_first() -> None:
    found = rate(12, 2, (MonthMark(4, 1, True), MonthMark(0, 6, True), MonthMark(1, 6, True)))
    text = sentences.plot_sentence(EXITS, found)
    assert (
        "2031-01 to 2031-06 together are above what was expected. 2031-05 is above what chance explains."
        in text
    )
    figure = monthly_figure(found)
    points = next(trace for trace in figure["data"] if trace["mode"] == "lines+markers")
    assert points["marker"]["symbol"].index("diamond-open") == 4
    assert sum(trace["line"].get("width") == 5 for trace in figure["data"]) == 2
    assert "The last months are like the 24 before them." in sentences.plot_sentence(EXITS, rate(12, 2, ()))


def test_a_single_month_beyond_chance_is_named_also_before_the_last_months_can_be_judged() -> None:
    found = rate(12, 2, (MonthMark(4, 1, True),))
    assert found.judged is not None
    early = replace(found, judged=replace(found.judged, too_early=True))
    assert early.judged is not None
    text = sentences.plot_sentence(EXITS, early)
    assert "2031-05 is above what chance explains. The last months cannot be compared yet" in text
    months, nothing = early.table, rate(12, 2, ()).judged
    assert nothing is not None
    assert sentences.months_out({EXITS.name: nothing}, months) == sentences.months_out({}, months) == ""
    assert sentences.months_out({EXITS.name: early.judged}, months) == (
        f"Single months that stand out, see their charts: {EXITS.title} (2031-05)."
    )


def test_a_trend_is_told_with_its_size() -> None:
    rise = mann_kendall([float(i) for i in range(12)])
    told = "A steady rise of about 12 per 1000 wears a year (95\u00a0% interval 12 to 12)."
    assert told in sentences.plot_sentence(EXITS, rate(12, 2, (), trend=rise))
    assert "No steady rise or fall is visible" in sentences.plot_sentence(
        EXITS, rate(12, 2, (), trend=rise), holds=False
    )


def test_a_mean_without_any_value_says_not_measured() -> None:
    table = pl.DataFrame(
        {
            "month": [date(2031, 1, 1)],
            "wears": [0],
            "value": pl.Series([None], dtype=pl.Float64),
            "lower_limit": pl.Series([None], dtype=pl.Float64),
            "upper_limit": pl.Series([None], dtype=pl.Float64),
            "outside": [False],
            "solid": [False],
        }
    )
    nothing = Monthly(table, None, None)
    assert sentences.plot_sentence(MINUTES, nothing) == "Not measured in this period."
    assert monthly_figure(nothing)["layout"]["yaxis"]["range"][0] == 0


def test_a_month_of_few_wears_beyond_the_scale_stands_on_its_edge() -> None:
    found = rate(12, 1)
    table = found.table.with_columns(
        value=pl.when(pl.int_range(pl.len()) == 7).then(5000.0).otherwise(pl.col("value")),
        solid=pl.int_range(pl.len()) != 7,
    )
    figure = monthly_figure(Monthly(table, found.overall, None))
    points, top = figure["data"][-1], figure["layout"]["yaxis"]["range"][1]
    assert points["marker"]["symbol"].index("triangle-up-open") == 7
    assert points["y"][7] == top < 5000
    assert points["customdata"][7][1] == "5,000"
    assert points["error_y"]["array"][7] == 0


def test_wears_stand_under_every_month_that_is_named() -> None:
    ticks = monthly_figure(rate(12, 1))["layout"]["xaxis"]["ticktext"]
    assert ticks[:2] == ["01<br><b>20</b><br>2031", "02<br><b>20</b>"]
    assert len(ticks) == 12


def test_a_year_stands_at_the_first_named_month_of_it() -> None:
    found = rate(12, 1)
    months = [date(2029 + (9 + i) // 12, (9 + i) % 12 + 1, 1) for i in range(40)]
    table = pl.concat([found.table] * 4).head(40).with_columns(month=pl.Series(months))
    ticks = monthly_figure(Monthly(table, found.overall, None))["layout"]["xaxis"]["ticktext"]
    assert [one.split("<br>")[2] for one in ticks if one.count("<br>") == 2] == [
        "2029",
        "2030",
        "2031",
        "2032",
    ]


def _with_a_thin_month(mean_of: Any) -> pl.DataFrame:
    wears = [20] * 6 + [2] + [20] * 6
    return pl.DataFrame(
        {
            "month": [date(2031 + i // 12, i % 12 + 1, 1) for i in range(13)],
            "wears": wears,
            "heat_dose_wears": wears,
            "under_air_min": [size * mean_of(i) for i, size in enumerate(wears)],
        }
    )


def test_a_point_of_few_wears_is_hollow() -> None:
    found = monthly(_with_a_thin_month(lambda i: 20.0 + i % 2), "under_air_min")
    points = next(trace for trace in monthly_figure(found)["data"] if trace["mode"] != "lines")
    assert points["marker"]["symbol"].index("circle-open") == 6


def test_limits_of_a_mean_are_drawn_around_the_judged_months_only() -> None:
    wears = three_years(1)[0]["wears"]
    judged = judged_months(wears, date(2031, 1, 1))
    found = monthly(by_month(wears), "under_air_min", date(2031, 1, 1), judged["under_air_min"])
    shown = found.table["upper_limit"].is_not_null().to_list()
    assert sum(shown) == 12
    table = found.table.filter(pl.col("upper_limit").is_not_null())
    inside = (table["value"] < table["upper_limit"]) & (table["value"] > table["lower_limit"])
    assert (inside == ~table["outside"]).all()


def test_time_in_each_thermal_class_is_drawn_and_told() -> None:
    months = by_month(three_years(1, incidents_a_month=3.0)[0]["wears"])
    figure = classes_figure(months)
    assert [trace["name"] for trace in figure["data"]] == ["class II", "class III", "class IV"]
    assert len({trace["marker"]["pattern"]["shape"] for trace in figure["data"]}) == 3
    hot = float(months["class_2_s"].sum()) / 60 / float(months["wears"].sum())
    assert f"/ {hot:.2f} /" in sentences.classes_sentence(months)


def test_a_fault_of_the_update_is_said_and_the_next_try_clears_it(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, datetime(2032, 3, 1, tzinfo=UTC))
    context = PageContext(archive=Archive(tmp_path), profile=Profile.default())
    keeper = keeper_of(context)
    kept = keeper._ledger.update
    keeper._ledger.update = lambda *_: 1 / 0  # type: ignore[assignment,method-assign]
    text = _text_of(trends_page.layout(context, {}))
    assert "The figures are not up to date" in text
    assert "ZeroDivisionError" in text
    keeper._ledger.update, keeper._looked = kept, -1e9  # type: ignore[method-assign]
    assert "not up to date" not in _text_of(trends_page.layout(context, {}))


def test_before_the_first_message_is_read_the_page_does_not_say_that_there_are_no_wears(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    context = PageContext(archive=Archive(tmp_path), profile=Profile.default())
    keeper, go_on = keeper_of(context), threading.Event()
    keeper._ledger.update = lambda *_: go_on.wait(60)  # type: ignore[method-assign]
    try:
        look = keeper.look(patience_s=0.0)
        assert look.working == (0, 0)
        monkeypatch.setattr(keeper, "look", lambda: look)
        shown = _text_of(trends_page.layout(context, {}))
        assert words.NOTHING not in shown
        assert words.WORKING_TITLE in shown
    finally:
        go_on.set()


def test_an_update_that_ends_during_a_look_does_not_make_its_lines_look_whole(tmp_path: Path) -> None:
    keeper, go_on = (
        Keeper(PageContext(archive=Archive(tmp_path), profile=Profile.default())),
        threading.Event(),
    )
    keeper._ledger.update = lambda *_: go_on.wait(60)  # type: ignore[method-assign]
    tables = keeper._ledger.tables

    def ends_after_the_tables_were_taken() -> Any:
        taken = tables()
        go_on.set()
        assert keeper._worker is not None
        keeper._worker.join(60)
        return taken

    keeper._ledger.tables = ends_after_the_tables_were_taken  # type: ignore[method-assign]
    assert keeper.look(patience_s=0.0).working is not None


def test_a_page_that_is_loaded_after_a_long_update_does_not_begin_another(tmp_path: Path) -> None:
    keeper = Keeper(PageContext(archive=Archive(tmp_path), profile=Profile.default()))
    updates = []

    def slow(*_: Any) -> bool:
        updates.append(1)
        keeper._looked -= 2 * AGAIN_AFTER_S  # as long as that
        return False

    keeper._ledger.update = slow  # type: ignore[method-assign]
    keeper.look(60.0)
    keeper.look(60.0)
    assert updates == [1]


def test_a_cylinder_that_is_no_number_is_the_usual_one() -> None:
    wears = pl.DataFrame(schema={**WEARS, "station": pl.String, "role": pl.String})
    assert choice_of({"cylinder": "²"}, known_of(wears)).cylinder == 1


def _text_of(component: Any) -> str:
    if isinstance(component, str):
        return component
    children = getattr(component, "children", None)
    parts = children if isinstance(children, list) else [children]
    if plain := getattr(component, "data-plain", None):  # a script makes a table of it
        told = json.loads(plain)
        parts = [text for row in (told["heads"], *told["rows"]) for text in row]
    return " ".join(_text_of(part) for part in parts if part is not None)


@pytest.fixture
def context_of(tmp_path: Path) -> Any:
    def make(incident: Incident | None) -> PageContext:
        if incident:
            bring_in(tmp_path, "made", ledger_of(incident.results, incident.messages))
        return PageContext(archive=Archive(tmp_path), profile=Profile.default())

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
def three_years_of_wears(tmp_path: Path) -> PageContext:
    bring_in_three_years(tmp_path, datetime(2032, 3, 1, tzinfo=UTC))
    return PageContext(archive=Archive(tmp_path), profile=Profile.default())


def test_the_page_names_the_three_planted_truths_and_nothing_else(three_years_of_wears: PageContext) -> None:
    page = trends_page.layout(three_years_of_wears, {})
    out = next(part for part in page.children if getattr(part, "id", "") == "trends-out")
    leads = [item.children[0].children for item in out.children[1].children]
    assert {lead.split(":")[0] for lead in leads} == {"Set S-137", "Station 4", "Heat dose"}
    assert "Station 4: leaving below the low-air warning" in leads


def test_stations_and_roles_appear_only_with_a_roster(
    three_years_of_wears: PageContext, tmp_path: Path
) -> None:
    with_roster = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "Station 4" in with_roster
    assert "Role All crew commander firefighter trainee" in with_roster
    (tmp_path / "roster.csv").unlink()
    without = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "Station 4" not in without
    assert "Stations and roles appear once a roster is in the archive's folder" in without


def test_a_roster_that_cannot_be_read_is_said_and_left_out(
    three_years_of_wears: PageContext, tmp_path: Path
) -> None:
    (tmp_path / "roster.csv").write_text("wearer,station\nW-001,\n")
    text = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "The roster is left out: roster roster.csv, entry 1: wearer W-001 has no station." in text


def test_a_year_and_a_station_can_be_chosen(three_years_of_wears: PageContext) -> None:
    text = _text_of(trends_page.layout(three_years_of_wears, {"year": "2030", "station": "Station 4"}))
    assert "2030-01-0" in text
    assert "2029-" not in text
    assert "by 20 wearers" in text


def test_work_under_way_is_shown_with_a_bar(
    three_years_of_wears: PageContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Keeper, "progress", lambda self: (30, 120))
    text = _text_of(trends_page.layout(three_years_of_wears, {}))
    assert "Reading the archive" in text
    assert "25\u00a0% of their messages read" in text


def test_the_units_can_be_changed_and_stay_in_every_link(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, datetime(2032, 3, 1, tzinfo=UTC))
    context = PageContext(archive=Archive(tmp_path), profile=Profile.default())
    metric, imperial = (_text_of(trends_page.layout(context, {"units": name})) for name in ("", "imperial"))
    assert "40 L/min" in metric
    assert "1.41 ft³/min" in imperial  # 40 / 28.316847
    assert "6.8 L, 4,351 psi" in imperial
    assert "Half are below, L/min" not in imperial
    assert Choice(units="imperial").address(year="2031") == "/trends?year=2031&units=imperial"
