"""The trends page under a choice: whose events, whose sensors, which month; and who waits for whom."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.profile import Profile
from analysis.simulation.shipped_years import read_three_years
from analysis.trends.before_after import Change
from analysis.trends.ledger import SET_EVENTS, WEARS, Ledger, empty_ledger
from analysis.trends.planning import short_rests
from dashboard.context import PageContext
from dashboard.demo.crew import bring_in_three_years
from dashboard.once import Once
from dashboard.pages import trends as trends_page
from dashboard.trends import sections, view, words
from dashboard.trends.view import Choice, TrendsLook, chosen, events_in, keeper_of, rests_in
from dashboard.trends.wear_ledger import bring_in
from ingest.archive.reading import Archive

NOW = datetime(2032, 3, 10, tzinfo=UTC)


def text_of(component: Any) -> str:
    if isinstance(component, str):
        return component
    children = getattr(component, "children", None)
    tables = (str(getattr(component, f"data-{kind}", "")) for kind in ("listing", "plain"))
    parts = children if isinstance(children, list) else [children]
    return " ".join([*tables, *(text_of(part) for part in parts if part is not None)])


def page_over(folder: Path, ledger: Ledger, query: dict[str, str] | None = None) -> str:
    bring_in(folder, "made", ledger)
    return text_of(
        trends_page.layout(PageContext(archive=Archive(folder), profile=Profile.default()), query or {})
    )


@pytest.fixture(scope="module")
def ledger() -> Ledger:
    return read_three_years(NOW)[0]


def test_without_a_heat_sensor_nothing_is_said_of_heat(tmp_path: Path, ledger: Ledger) -> None:
    cold = ledger["wears"].with_columns(pl.lit(None, dtype=pl.Float64).alias("heat_dose"))
    text = page_over(tmp_path, {**ledger, "wears": cold})
    assert text.count(words.NOT_MEASURED) == 2
    assert "Class I / II / III / IV: " not in text
    assert not re.search(r"\d / \d", text)


def test_a_wear_without_a_heat_sensor_is_no_cool_wear(tmp_path: Path, ledger: Ledger) -> None:
    wears = ledger["wears"].with_columns(
        pl.when(pl.int_range(pl.len()) % 2 == 0).then(pl.col("heat_dose")).alias("heat_dose")
    )
    with_sensor = wears.filter(pl.col("heat_dose").is_not_null())
    hot = float(wears["class_2_s"].sum()) / 60 / len(with_sensor)
    text = page_over(tmp_path, {**ledger, "wears": wears})
    assert f" / {hot:.2f} / " in text
    assert f"{len(with_sensor):,} wears with a heat sensor" in text


def test_events_of_incidents_are_not_counted_over_drills(tmp_path: Path, ledger: Ledger) -> None:
    bring_in(tmp_path, "made", ledger)
    look = keeper_of(PageContext(archive=Archive(tmp_path), profile=Profile.default())).look()
    every = events_in(look, Choice()).height
    shares = [events_in(look, Choice(kind=kind)).height for kind in view.KINDS]
    assert sum(shares) == every
    assert all(0 < share < every for share in shares)


def test_the_month_that_is_not_over_says_so(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(view, "utc_now", lambda: NOW)
    text = page_over(tmp_path, ledger)
    assert "2032-03 is not over: its counts are those so far." in text
    assert "2032-03 so far" in text
    monkeypatch.setattr(view, "utc_now", lambda: datetime(2032, 4, 1, tzinfo=UTC))
    assert "so far" not in text_of(
        trends_page.layout(PageContext(archive=Archive(tmp_path), profile=Profile.default()), {})
    )


def test_lines_that_are_brought_in_after_a_look_are_seen_by_the_next(tmp_path: Path, ledger: Ledger) -> None:
    context = PageContext(archive=Archive(tmp_path), profile=Profile.default())
    assert keeper_of(context).look().ledger["wears"].is_empty()
    bring_in(tmp_path, "made", ledger)
    assert not keeper_of(context).look().ledger["wears"].is_empty()


def test_nobody_waits_for_the_comparisons_of_another_choice() -> None:
    once: Once[str, int] = Once()
    slow, asked = threading.Event(), threading.Event()

    def work() -> int:
        asked.set()
        assert slow.wait(60)
        return 1

    thread = threading.Thread(target=once.get, args=("2031", work))
    thread.start()
    assert asked.wait(60)
    assert once.get("2032", lambda: 2) == 2  # while the other is still worked out
    slow.set()
    thread.join()
    assert once.get("2031", lambda: 3) == 1


def test_what_failed_is_tried_again() -> None:
    once: Once[str, float] = Once()
    with pytest.raises(ZeroDivisionError):
        once.get("2031", lambda: 1 / 0)
    assert once.get("2031", lambda: 1.0) == 1.0


def test_another_archive_has_comparisons_of_its_own(tmp_path: Path, ledger: Ledger) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "other").mkdir()
    bring_in_three_years(tmp_path / "one", NOW)
    few = {**ledger, "wears": ledger["wears"].head(30), "set_events": pl.DataFrame(schema=SET_EVENTS)}
    for _ in range(2):  # a keeper that is gone leaves its place in memory to the next one
        contexts = [
            PageContext(archive=Archive(tmp_path / name), profile=Profile.default())
            for name in ("one", "other")
        ]
        assert "Station 4" in text_of(trends_page.layout(contexts[0], {}))
        bring_in(tmp_path / "other", "made", few)
        assert "Station 4" not in text_of(trends_page.layout(contexts[1], {}))
        del contexts


def test_who_is_left_out_of_those_due_a_look_is_counted(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sections, "MOST_DUE", 3)
    text = page_over(tmp_path, ledger)
    assert "more, each for fewer short rests" in text


def test_a_wearer_stands_at_the_station_of_late(tmp_path: Path, ledger: Ledger) -> None:
    bring_in_three_years(tmp_path, NOW)
    # The later wears stand before the earlier ones, as archives that were brought in may.
    backwards = ledger["wears"].sort("started", descending=True)
    bring_in(tmp_path, "three-years", {**ledger, "wears": backwards})
    roster = pl.read_csv(tmp_path / "roster.csv")
    moved = roster.with_columns(
        pl.lit("2031-12-31").alias("until"), pl.lit(None, dtype=pl.String).alias("from")
    )
    now = roster.with_columns(
        pl.lit("Newly built").alias("station"),
        pl.lit("2032-01-01").alias("from"),
        pl.lit(None, dtype=pl.String).alias("until"),
    )
    pl.concat([moved, now.select(moved.columns)], how="vertical_relaxed").write_csv(tmp_path / "roster.csv")
    context = PageContext(archive=Archive(tmp_path), profile=Profile.default())
    page = trends_page.layout(context, {})
    due = next(part for part in page.children if getattr(part, "id", "") == "trends-due")
    table = next(part for part in due.children if type(part).__name__ == "Table")
    assert {row.children[1].children for row in table.children[1].children} == {"Newly built"}


def test_a_page_is_made_once_while_ledger_and_day_stay(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring_in(tmp_path, "made", ledger)
    context = PageContext(archive=Archive(tmp_path), profile=Profile.default())
    made: list[int] = []
    planning = sections.planning

    def counted(wears: pl.DataFrame, *more: Any) -> Any:
        made.append(len(wears))
        return planning(wears, *more)

    monkeypatch.setattr(sections, "planning", counted)
    first = text_of(trends_page.layout(context, {}))
    assert text_of(trends_page.layout(context, {})) == first
    assert len(made) == 1
    trends_page.layout(context, {"year": str(NOW.year - 1)})
    assert len(made) == 2
    tomorrow = datetime(2032, 3, 11, tzinfo=UTC)
    monkeypatch.setattr(trends_page, "utc_now", lambda: tomorrow)
    trends_page.layout(context, {})
    assert len(made) == 3


def test_old_answers_make_room_for_new_ones() -> None:
    kept: Once[int, int] = Once(most=2)
    asked: list[int] = []
    for key in (1, 2, 3, 3, 1):
        kept.get(key, lambda key=key: asked.append(key) or key)  # type: ignore[misc,func-returns-value]
    assert asked == [1, 2, 3, 1]


def test_chance_is_measured_in_the_background_once_a_day(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch, wait_until: Callable[..., Any]
) -> None:
    bring_in(tmp_path, "made", ledger)
    context = PageContext(archive=Archive(tmp_path), profile=Profile.default())
    monkeypatch.setattr(view, "DRAWS", 2)
    monkeypatch.setattr(view, "RESTS", 0.0)
    keeper = keeper_of(context)
    assert "This is not measured on your own wears yet." in text_of(trends_page.layout(context, {}))
    look = keeper.look()
    keeper.measure_chance(look)
    wait_until(lambda: keeper.chance.drawn == 2)
    assert "We made 2 copies of your wears without any difference." in text_of(
        trends_page.layout(context, {})
    )

    def measuring() -> bool:
        return any(thread.name == "chance" for thread in threading.enumerate())

    wait_until(lambda: not measuring())
    keeper.measure_chance(look)  # within a day: no second thread
    assert not measuring()


def test_a_rest_before_a_drill_is_judged_by_the_incident_before_it() -> None:
    """Only drills are shown, and the short rest came after two cylinders at an incident."""
    rows: list[dict[str, Any]] = []
    for number, kind in enumerate(("incident", "incident", "drill")):
        began = NOW + timedelta(minutes=25 * number)
        ended = began + timedelta(minutes=20)
        rows.append(
            {
                "wear_id": f"W-1/{number}",
                "wearer_id": "W-1",
                "set_id": f"S-{number}",
                "kind": kind,
                "started": began,
                "ended": ended,
                "under_air_min": 20.0,
                "start_bar": 300.0,
                "end_bar": 100.0,
            }
        )
    wears = pl.DataFrame(rows, schema=WEARS)
    rest = Profile.default().rest
    assert [one.wear_id for one in short_rests(wears, rest)] == ["W-1/2"]
    look = TrendsLook({**empty_ledger(), "wears": wears}, False, "", None, 1)
    drills = chosen(wears.with_columns(station=pl.lit(None, dtype=pl.String)), Choice(kind="drill"))
    assert [one.wear_id for one in rests_in(look, drills, rest)] == ["W-1/2"]
    incidents = chosen(wears, Choice(kind="incident"))
    assert rests_in(look, incidents, rest) == []


def test_before_and_after_count_all_wears_although_a_row_leaves_some_out() -> None:
    """It said 545 and 526 wears of 549 and 533: those whose exit was heard."""
    of = {"before": 1.0, "after": 1.0, "ratio": 1.0, "low": 0.5, "high": 2.0, "season": False, "clear": False}
    found = [Change("low_air_exit", 545, 526, **of), Change("distress", 549, 533, **of)]
    assert (
        sections.change_lead(found, date(2025, 6, 1))
        == "Before 2025-06-01: 549 wears. From that day: 533 wears."
    )
