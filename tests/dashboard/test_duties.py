"""What is due: training against the yearly minimum, tests of sets and cylinders; workload and season."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import polars as pl
import pytest

from analysis.profile import Profile, Training
from analysis.trends.audit import duties_tables
from analysis.trends.comparisons import Signal
from analysis.trends.ledger import WEARS
from analysis.trends.measures import by_month
from analysis.trends.planning import training_of
from analysis.trends.roster import EQUIPMENT, ROSTER, BadRoster, equipment_beside, with_station_and_role
from dashboard.trends import sections, words
from dashboard.trends.figures import cut_off, monthly_figure, season_plots, work_plots
from dashboard.trends.summary import readme
from dashboard.trends.view import Choice, TrendsLook, chosen
from tests.three_years import three_years

MINIMUM = Training(hours_a_year=2.0, wears_a_year=4)
TODAY = date(2031, 7, 2)  # half of the year is over


def worn(who: str, kind: str, minutes: float, day: int = 40) -> dict[str, Any]:
    at = datetime(2031, 1, 1, 10, tzinfo=UTC) + timedelta(days=day)
    return {
        "wear_id": f"{who}{kind}{day}",
        "wearer_id": who,
        "kind": kind,
        "started": at,
        "under_air_min": minutes,
    }


def service(*rows: dict[str, Any]) -> tuple[pl.DataFrame, pl.DataFrame]:
    people = [("W-1", "North"), ("W-2", "North"), ("W-3", "South"), ("W-4", "South")]
    lines = [(who, place, "firefighter", date(2020, 1, 1), date(9999, 12, 31)) for who, place in people]
    left = ("W-9", "South", "firefighter", date(2020, 1, 1), date(2030, 12, 31))
    roster = pl.DataFrame([*lines, left], schema=ROSTER, orient="row")
    return with_station_and_role(pl.DataFrame(list(rows), schema=WEARS), roster), roster


def test_who_never_trained_is_first_and_incidents_do_not_count() -> None:
    wears, roster = service(
        *(worn("W-1", "training", 40.0, 30 * n) for n in range(4)),
        *(worn("W-2", "drill", 30.0, 30 * n) for n in range(3)),
        *(worn("W-3", "incident", 50.0, 30 * n) for n in range(6)),
    )
    table = training_of(wears, roster, 2031, TODAY, MINIMUM)
    assert table["wearer_id"].to_list() == ["W-3", "W-4", "W-2", "W-1"]  # W-9 left before the year
    by_name = {row["wearer_id"]: row for row in table.iter_rows(named=True)}
    assert (by_name["W-4"]["missing_hours"], by_name["W-4"]["missing_wears"]) == (2.0, 4)
    assert by_name["W-4"]["last"] is None
    assert (by_name["W-3"]["wears"], by_name["W-3"]["hours"]) == (0, 0.0)
    assert by_name["W-2"]["missing_hours"] == pytest.approx(0.5)
    assert [by_name[f"W-{n}"]["behind"] for n in (1, 2, 3, 4)] == [False, False, True, True]
    assert by_name["W-1"]["missing_hours"] == by_name["W-1"]["missing_wears"] == 0


def test_a_wear_after_today_or_of_another_year_does_not_count() -> None:
    wears, roster = service(worn("W-1", "training", 60.0, 300), worn("W-1", "training", 60.0, -20))
    assert training_of(wears, roster, 2031, TODAY, MINIMUM)["wears"].sum() == 0
    assert training_of(wears, roster, 2031, date(2032, 5, 1), MINIMUM)["wears"].sum() == 1


def look_of(wears: pl.DataFrame, roster: pl.DataFrame, equipment: pl.DataFrame | None = None) -> TrendsLook:
    tests = pl.DataFrame(schema=EQUIPMENT) if equipment is None else equipment
    return TrendsLook(
        {"wears": wears},
        roster_problem="",
        working=None,
        version=1,
        roster=roster,
        equipment=tests,
    )


def shown(section: Any) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(section.to_plotly_json()["props"]["data-listing"])
    return data


def test_the_page_says_how_many_lack_something_and_keeps_a_station_apart() -> None:
    wears, roster = service(*(worn("W-1", "training", 40.0, 30 * n) for n in range(4)))
    profile = msgspec.structs.replace(Profile.default(), training=MINIMUM)
    told = shown(sections.training(look_of(wears, roster), Choice(), profile, TODAY))
    assert "2 hours and 4 wears a year. 3 of 4 people still need hours or wears. 3 are behind" in told["note"]
    south = shown(sections.training(look_of(wears, roster), Choice(station="South"), profile, TODAY))
    assert {row[0] for row in south["rows"]} == {"W-3", "W-4"}
    none = sections.training(look_of(wears, roster), Choice(), Profile.default(), TODAY)
    assert words.NO_MINIMUM in str(none)


def cells(row: list[Any]) -> list[Any]:
    """Give what a row says; where a cell sorts by something else, that too."""
    return [(one["t"], one["v"]) if isinstance(one, dict) else one for one in row]


def test_every_line_of_the_training_table() -> None:
    """Word for word: who lacks both, wears alone and nothing; a year that is over counts to its last day."""
    wears, roster = service(
        *(worn("W-1", "training", 30.0, 30 * n) for n in range(4)),
        *(worn("W-2", "drill", 45.0, 30 * n) for n in range(3)),
        worn("W-3", "training", 15.0),
    )
    profile = msgspec.structs.replace(Profile.default(), training=MINIMUM)
    look = look_of(wears, roster)
    told = shown(sections.training(look, Choice(year="2031"), profile, date(2032, 3, 1)))
    assert [cells(row) for row in told["rows"]] == [
        ["W-4", "South", ("0", 0), ("0.0", 0.0), "–", ("2.0 h and 4 wears", 6.0), words.BEHIND],
        ["W-3", "South", ("1", 1), ("0.2", 0.25), "2031-02-10", ("1.8 h and 3 wears", 4.75), words.BEHIND],
        ["W-2", "North", ("3", 3), ("2.2", 2.25), "2031-03-02", ("1 wear", 1.0), words.BEHIND],
        ["W-1", "North", ("4", 4), ("2.0", 2.0), "2031-04-01", (words.NOTHING_MISSING, 0.0), words.ON_COURSE],
    ]
    assert (told["numeric"], told["page"]) == ([2, 3], 20)
    assert "3 of 4 people still need" in told["note"]
    assert "2031-12-31" in told["note"]
    running = shown(sections.training(look, Choice(), profile, TODAY))
    assert running["rows"][0] == told["rows"][0]
    assert f"{TODAY}" in running["note"]


@pytest.mark.parametrize(
    ("asked", "told", "lacking"),
    [
        (Training(hours_a_year=2.0), "2 hours a year. 1 of 4", "2.0 h"),
        (Training(wears_a_year=1), "1 wear a year. 1 of 4", "1 wear"),
    ],
)
def test_a_minimum_may_ask_for_hours_or_wears_alone(asked: Training, told: str, lacking: str) -> None:
    wears, roster = service(*(worn(f"W-{n}", "training", 120.0) for n in (2, 3, 4)))
    profile = msgspec.structs.replace(Profile.default(), training=asked)
    table = shown(sections.training(look_of(wears, roster), Choice(), profile, TODAY))
    assert told in table["note"]
    assert [cells(row)[5][0] for row in table["rows"]] == [lacking, *[words.NOTHING_MISSING] * 3]


def test_every_line_of_the_tests_of_equipment() -> None:
    """Word for word at the edges: due yesterday, today, in 59 and in 60 days; a cylinder named like a set."""
    known = [("set", "S-1", -1), ("set", "S-2", 0), ("set", "S-3", 59), ("set", "S-4", 60)]
    lines = [(what, name, None, None, TODAY + timedelta(days=n)) for what, name, n in known]
    tests = pl.DataFrame(
        [*lines, ("cylinder", "S-1", "flow", date(2030, 7, 2), date(2031, 7, 1))],
        schema=EQUIPMENT,
        orient="row",
    )
    wears, roster = service(worn("W-1", "training", 40.0), worn("W-1", "training", 40.0, 41))
    look = look_of(wears.with_columns(set_id=pl.lit("S-1")), roster, tests)
    odd = [
        Signal(part, "S-1", measure, "more", 0.001, 2.0, 1.0, 5, 50)
        for part, measure in (("set", "silent_wears"), ("station", "heat_dose"))
    ]
    told = shown(sections.equipment(look, odd, TODAY))
    assert [cells(row) for row in told["rows"]] == [
        ["Set S-1", "–", "–", "2031-07-01", ("overdue by 1 day", -1), "2031-02-11",
         f"◇ {words.MEASURE['silent_wears']}"],
        ["Set S-2", "–", "–", "2031-07-02", ("due in 0 days", 0), "–", "–"],
        ["Set S-3", "–", "–", "2031-08-30", ("due in 59 days", 59), "–", "–"],
        ["Set S-4", "–", "–", "2031-08-31", ("not due yet", 60), "–", "–"],
        ["Cylinder S-1", "flow", "2030-07-02", "2031-07-01", ("overdue by 1 day", -1), "–", "–"],
    ]  # fmt: skip
    assert told["page"] == 12
    assert told["note"].startswith("2 of 5 tests are overdue.")


def test_test_dates_come_from_either_file_and_the_overdue_are_first(tmp_path: Path) -> None:
    (tmp_path / "roster.toml").write_text(
        '[[wearer]]\nwearer = "W-1"\nstation = "North"\n\n'
        '[[equipment]]\nwhat = "set"\nid = "S-014"\ntest = "yearly"\ndue = 2031-06-20\n'
    )
    (tmp_path / "equipment.csv").write_text(
        "what,id,test,done,due\ncylinder,C-7,hydraulic,2026-07-10,2031-07-10\n"
    )
    found = equipment_beside(tmp_path)
    assert found.select("what", "id", "test").rows() == [
        ("set", "S-014", "yearly"),
        ("cylinder", "C-7", "hydraulic"),
    ]
    assert [(TODAY - due).days for due in found["due"]] == [12, -8]
    wears, roster = service(worn("W-1", "training", 40.0))
    told = shown(sections.equipment(look_of(wears, roster, found), [], TODAY))
    assert told["note"].startswith("1 of 2 tests are overdue.")
    assert "overdue by 12 days" in json.dumps(told["rows"][0])
    assert "due in 8 days" in json.dumps(told["rows"][1])
    nothing = sections.equipment(look_of(wears, roster), [], TODAY)
    assert words.NO_TESTS in str(nothing)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('what = "hose"\nid = "H-1"\ndue = 2031-01-01', "what must be set or cylinder, got 'hose'"),
        ('what = "set"\nid = "S-1"', "id and due are needed, such as id S-014 and due 2031-04-01"),
        ('what = "set"\nid = "S-1"\ndue = "soon"', "due must be a day such as 2031-04-01, got 'soon'"),
        ('what = "set"\nid = "S-1"\ndue = 2031-01-01\nby = "me"', "unknown key by; expected what, id, test"),
    ],
)
def test_a_wrong_line_is_refused_with_its_place(tmp_path: Path, line: str, sentence: str) -> None:
    (tmp_path / "roster.toml").write_text(f"[[equipment]]\n{line}\n")
    with pytest.raises(BadRoster, match=r"roster\.toml, equipment 1: ") as refused:
        equipment_beside(tmp_path)
    assert sentence in str(refused.value)


def test_workload_and_season_say_what_the_ledger_has() -> None:
    wears = three_years(1, incidents_a_month=6.0)[0]["wears"]
    months = by_month(wears)
    running = date(2031, 1, 1)
    (_, _, figure, sentence), hours = work_plots(months, running)
    assert sum(figure["data"][0]["y"]) == len(wears)
    assert sentence.startswith(f"{len(wears) / len(months):.0f}")
    assert "hours a month on average" in hours[3]
    seasons = season_plots(months, running)
    assert [name for name, *_ in seasons] == ["season-wears", "season-low_air_exits", "season-heat_dose"]
    every = seasons[0][2]
    assert every is not None
    means = dict(zip(every["data"][1]["x"], every["data"][1]["y"], strict=True))
    assert means["Jan"] == pytest.approx(months.filter(pl.col("month").dt.month() == 1)["wears"].mean())
    assert "over 3 years" in seasons[0][3]
    short = season_plots(months.head(20), date(2029, 9, 1))
    assert all(figure is None and sentence == words.SEASON_TOO_SHORT for _, _, figure, sentence in short)
    # Mended: years without an event were called not measured; a constant had a highest month.
    never = season_plots(months.with_columns(low_air_exits=pl.lit(0), wears=pl.lit(8)), running)
    assert never[0][3] == "8.0 in every month, over 3 years."
    assert never[1][3] == "0 in every month, over 3 years."


def test_far_limits_do_not_flatten_the_course_of_a_mean() -> None:
    table = pl.DataFrame(
        {
            "month": [date(2031, month, 1) for month in range(1, 5)],
            "wears": [8, 8, 8, 8],
            "value": [1.0, 2.0, 0.5, None],
            "upper_limit": [17.0, 17.0, 17.0, None],
            "lower_limit": [0.0, 0.0, 0.0, None],
            "solid": [True] * 4,
            "outside": [False] * 4,
        }
    )
    far, near = (
        SimpleNamespace(table=one, judged=None) for one in (table, table.with_columns(upper_limit=2.5))
    )
    assert cut_off(far)  # type: ignore[arg-type]
    assert not cut_off(near)  # type: ignore[arg-type]
    figure = monthly_figure(far)  # type: ignore[arg-type]
    assert 2.0 < figure["layout"]["yaxis"]["range"][1] <= 8.0


def test_trends_can_be_cut_by_near_misses() -> None:
    wears, _ = service(worn("W-1", "incident", 40.0), worn("W-2", "incident", 30.0))
    marked = wears.with_columns(near_miss=pl.when(pl.col("wearer_id") == "W-2").then(pl.lit("2031-17")))
    assert chosen(marked, Choice(near="only"))["wearer_id"].to_list() == ["W-2"]
    assert "near=only" in Choice(near="only").address()


def test_the_audit_has_training_and_test_dates_too() -> None:
    wears, roster = service(worn("W-1", "training", 40.0))
    tests = pl.DataFrame(
        [("set", "S-1", "flow", None, date(2031, 7, 12)), ("cylinder", "C-1", "", None, date(2031, 6, 30))],
        schema=EQUIPMENT,
        orient="row",
    )
    profile = msgspec.structs.replace(Profile.default(), training=MINIMUM)
    found = duties_tables(wears, roster, tests, profile, TODAY)
    assert found["training"]["wearer_id"].to_list() == ["W-2", "W-3", "W-4", "W-1"]
    assert found["tests"]["overdue_days"].to_list() == [-10, 2]
    assert "what the yearly minimum still asks" in readme("default", found)
    nothing = msgspec.structs.replace(profile, training=Training())
    assert duties_tables(wears, roster, tests.clear(), nothing, TODAY) == {}
