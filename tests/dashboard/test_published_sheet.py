"""The figures of a published month beside those of the months before, from figures made by hand."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from analysis.profile import Profile
from analysis.trends.cells import Cell, Percentile, Published
from analysis.trends.wear_arrays import month_of
from dashboard.trends.outside import planning_rows, published_html, published_page
from dashboard.trends.summary import chart
from dashboard.trends.words import AMOUNT, FLAG, NO_FIGURE

FIRST = 12 * 2030  # January


def month(number: int, wears: int | None, hours: int, ends: tuple[int, int]) -> Published:
    events = {flag: ends for flag in FLAG if flag != "distress_wears"}
    cell = (
        Cell(part="service")
        if wears is None
        else Cell(part="service", wears=wears, hours=hours, events=events)
    )
    return Published(period=month_of(number).name, cells=(cell,))


def rows_of(html: str) -> dict[str, list[str]]:
    """Give the cells of each row of the sheet's first table, by its head."""
    found = {}
    for row in re.findall(r"<tr>(.*?)</tr>", html, re.DOTALL):
        head, *cells = (
            re.sub(r"<.*?>", "", one).strip() for one in re.findall(r"<t[hd].*?</t[hd]>", row, re.DOTALL)
        )
        found.setdefault(head, cells)
    return found


def test_a_month_is_shown_beside_the_mean_of_the_twelve_before_it() -> None:
    months = [
        month(FIRST, 13_000, 1300, (998, 1002)),  # the thirteenth before: left out
        *(month(FIRST + number, 100, 10, (0, 2)) for number in range(1, 7)),
        month(FIRST + 7, None, 0, (0, 0)),  # too few people: it counts for nothing
        *(month(FIRST + number, 300, 30, (3, 7)) for number in range(8, 14)),
        month(FIRST + 14, 1400, 140, (8, 12)),
        month(FIRST + 15, 9000, 900, (98, 102)),  # later
    ]
    published = {one.period: one for one in months}
    html = published_html(published, "2031-03", Profile.default(), datetime(2031, 6, 1, tzinfo=UTC))
    rows = rows_of(html)
    assert rows["Wears"] == ["1,400", "200"]
    assert rows["Hours under air"] == ["140", "20"]
    assert rows[FLAG["low_air_exits"]] == ["8 to 12", "about 3"]
    assert rows[FLAG["distress_wears"]] == [NO_FIGURE, NO_FIGURE]


def test_the_page_counts_nothing_for_a_month_of_too_few_people() -> None:
    months = (
        month(FIRST, 13_000, 1300, (0, 2)),
        month(FIRST + 1, None, 0, (0, 2)),
        month(FIRST + 2, 5, 10, (0, 2)),
    )
    told = str(published_page({one.period: one for one in months}, "", 10)[0])
    assert "13,005 wears, about 1,310 hours under air, 2030-01 to 2030-03." in told


def test_amounts_that_few_people_have_are_drawn_and_listed_by_quarter(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    means = {"under_air_min": 20.0, "hard_min": 3.0, "heat_dose": 0.25}
    cell = Cell(part="service", wears=100, hours=40, means=means)
    known = {name: Published(period=name, cells=(cell,)) for name in ("2030-02", "2030-03", "2030-Q1")}
    plots = published_page(known, "", 10)[1]
    drawn = {name: plots[f"published-{name}"].figure["data"][0] for name in ("hours", *means)}
    assert {name: list(trace["x"]) for name, trace in drawn.items()} == {
        "hours": ["2030-02", "2030-03"],
        "under_air_min": ["2030-02", "2030-03"],
        "hard_min": ["2030-Q1"],
        "heat_dose": ["2030-Q1"],
    }
    assert list(drawn["heat_dose"]["y"]) == [0.25]
    charts: dict[str, list[str]] = {}

    def kept(title: str, names: list[str], values: list[float | None]) -> dict[str, object]:
        charts[title] = names
        return chart(title, names, values)

    monkeypatch.setattr("dashboard.trends.outside.chart", kept)
    html = published_html(known, "2030-03", Profile.default(), datetime(2031, 6, 1, tzinfo=UTC))
    assert [charts[AMOUNT[name]] for name in means] == [list(drawn[name]["x"]) for name in means]
    rows = rows_of(html)
    assert rows[AMOUNT["under_air_min"]] == ["20", "20"]
    assert not {AMOUNT["hard_min"], AMOUNT["heat_dose"]} & set(rows)


def test_a_task_has_its_three_planning_rates_and_a_dash_where_one_is_not_shown() -> None:
    planning = [
        *(Percentile(task="", quantile=share, rate_l_min=rate) for share, rate in ((0.5, 41.0), (0.9, 60.0))),
        Percentile(task="hose line", quantile=0.95, rate_l_min=120.0),
    ]
    year = Published(period="2030", cells=(), planning=tuple(planning))
    assert planning_rows(year) == [
        ["all tasks", "41", "60", NO_FIGURE],
        ["hose line", NO_FIGURE, NO_FIGURE, "120"],
    ]
