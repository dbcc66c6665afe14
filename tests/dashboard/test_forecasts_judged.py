"""Said against happened by month and by how hard the wearer worked, as the trends page draws it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest

from analysis.trends.forecast_audit import ForecastAccount, ForecastLines, by_hardness, by_month, lines_of
from dashboard.trends import figures, sentences


def ledger() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Make three months of 30 wears: in June every third warning comes before the early end."""
    rows = []
    for number in range(90):
        month = 4 + number // 30
        early = month == 6 and number % 3 == 0
        rows.append(
            {
                "wear_id": f"S-{number}/1/1",
                "at": datetime(2031, month, 2, 10, number % 30, tzinfo=UTC),
                "ahead_min": 10,
                "said_min": 10.0,
                "early_min": 7.0,
                "late_min": 14.0,
                "happened_min": 5.0 if early else 10.0,
                "watched_min": 12.0,
            }
        )
    lines = pl.DataFrame(rows)
    rates = [90.0 if row["happened_min"] == 5.0 else 50.0 for row in rows]
    return lines, pl.DataFrame({"wear_id": lines["wear_id"], "mean_l_min": rates})


def made() -> tuple[ForecastLines, pl.DataFrame]:
    lines, wears = ledger()
    return lines_of(lines, wears), wears


@pytest.fixture(scope="module")
def months() -> list[ForecastAccount]:
    return by_month(made()[0])


def traces(said: list[ForecastAccount]) -> dict[str, dict[str, Any]]:
    return {trace["name"]: trace for trace in figures.groups_figure(said)["data"]}


def test_each_month_has_both_shares_with_their_intervals(months: list[ForecastAccount]) -> None:
    drawn = traces(months)
    inside, early = drawn["inside the 90\u00a0% interval"], drawn["before its early end"]
    assert inside["x"] == early["x"] == ["2031-04", "2031-05", "2031-06"]
    assert inside["y"] == pytest.approx([100.0, 100.0, 100 * 20 / 30])
    assert early["y"] == pytest.approx([0.0, 0.0, 100 * 10 / 30])
    # The exact 95 % interval of 10 of 30 is 17.3 to 52.8 % (Clopper and Pearson 1934).
    assert early["y"][2] - early["error_y"]["arrayminus"][2] == pytest.approx(17.3, abs=0.1)
    assert early["y"][2] + early["error_y"]["array"][2] == pytest.approx(52.8, abs=0.1)


def test_shapes_tell_the_shares_apart_and_hollow_marks_are_few(months: list[ForecastAccount]) -> None:
    drawn = traces(months)
    assert set(drawn["inside the 90\u00a0% interval"]["marker"]["symbol"]) == {"circle"}
    assert set(drawn["before its early end"]["marker"]["symbol"]) == {"square"}
    lines, wears = ledger()
    hard = by_hardness(lines_of(lines, wears), wears)
    assert [one.group for one in hard] == ["40 to 60 L/min", "above 80 L/min"]
    assert traces(hard)["before its early end"]["marker"]["symbol"] == ["square", "square-open"]


def test_the_section_says_and_tabulates_what_it_draws() -> None:
    text = str(figures.forecasts(*made()))
    told = sentences.groups_sentence(by_month(made()[0]))
    assert told == "Fewest inside: 67\u00a0% (2031-06). Most before the early end: 33.3\u00a0% (2031-06)."
    assert text.count(repr(told)[1:-1]) == 2, "under the plot, and as its name for who cannot see it"
    assert "Forecasts by how hard the wearer worked" in text
    assert text.count("Graph(") == 3
    assert sentences.group_row(by_month(made()[0])[2]) == [
        "2031-06",
        "30",
        "30",
        "67\u00a0%",
        "0\u00a0%",
        "0.0 min",
        "33.3\u00a0% of 30",
    ]


def test_without_enough_outcomes_nothing_is_drawn() -> None:
    lines, wears = ledger()
    section = str(figures.forecasts(lines_of(lines.head(5), wears), wears))
    assert "too few" in section
    assert "Graph(" not in section
