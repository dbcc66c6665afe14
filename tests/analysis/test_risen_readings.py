"""A pressure that rises while no valve is closed: the course before it counts until a person explains it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis.incident import analyse
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from dashboard.live.view import lines
from tests.analysis.test_parity import assert_same, told_by_board, told_by_review

RISES_S = 320
BEFORE_BAR, AFTER_BAR = 210.0, 300.0  # 300 s at 0.3 bar/s, then another course
CHANGED = "the set reads 297 bar, no valve was closed: new cylinder?"


def rises(log: Any, *, pause_s: int = 1, closes: bool = False, more_s: int = 400) -> tuple[Any, Any]:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    one.breathe(20, RISES_S - 20, bar_s=0.3, closes=closes)
    one.breathe(RISES_S - 1 + pause_s, more_s, start_bar=AFTER_BAR, bar_s=0.1, opens=False, closes=False)
    return desk, one


def only(snapshot: Snapshot) -> Row:
    (row,) = snapshot.rows
    return row


def codes(row: Row) -> list[str]:
    return [reason.code for reason in row.reasons]


def found(log: Any) -> list[str]:
    return [
        code
        for code in analyse(log.frames(), Profile.default())["findings"]["code"].to_list()
        if code in ("pressure_rose", "cylinder_changed")
    ]


def test_the_course_before_the_rise_counts(log: Any, see: Any) -> None:
    rises(log)
    before = only(see(RISES_S - 1))
    assert before.low_air is not None
    shown = see(RISES_S + 30)
    row = only(shown)
    assert (row.pressure_bar, row.other_bar, row.entry_bar) == (BEFORE_BAR, 297.0, 300.0)
    assert (row.low_air, row.turn_back, row.rate_l_min) == (None, None, None)
    assert row.low_air_was_expected_at is not None
    assert row.low_air_was_expected_at[0] <= before.low_air.low * 60.0 + shown.at - 30.0
    assert row.turn_back_bar == before.turn_back_bar
    assert shown.teams[0].lowest_bar == BEFORE_BAR
    painted = row_view(row, shown.at, STANDARD)
    assert (painted["air"], painted["silent"]) == ("210 bar", True)  # crossed out
    assert CHANGED in painted["why"]


@pytest.mark.parametrize(("closes", "pause_s"), [(False, 1), (True, 90)])
def test_the_strip_has_the_course_before_a_rise_and_breaks_there(
    log: Any, see: Any, board: Any, closes: bool, pause_s: int
) -> None:
    """An odd jump, and a new cylinder: the row began anew, as if the wearer had just gone in."""
    rises(log, pause_s=pause_s, closes=closes)
    shown = see(RISES_S + pause_s + 120)
    (line,), at_s = board.lines().values(), log.at(0).timestamp()
    strip = row_view(only(shown), shown.at, STANDARD)["strip"]
    assert strip["from"] == pytest.approx(at_s + 1, abs=1.0)  # tallied in
    (gap,) = [number for number, (_, bar) in enumerate(line) if bar is None]
    before, after = line[:gap], line[gap + 1 :]
    assert [round(at - at_s) for at, _ in (before[0], before[-1], after[0])] == pytest.approx(
        [20, RISES_S - 5, RISES_S + pause_s - 1], abs=8
    )
    assert [bar for _, bar in (before[0], after[0])] == [300.0, 300.0]
    assert 208.0 < before[-1][1] < 216.0
    told = lines({"S-1": line})["S-1"]
    assert [bar for _, bar in told].count(None) == 1


def test_it_counts_on_when_the_set_falls_silent(log: Any, see: Any) -> None:
    rises(log, more_s=60)
    row = only(see(RISES_S + 120))
    assert (row.attention, row.pressure_bar, "risen" in codes(row)) == ("silent_past", BEFORE_BAR, True)


def test_who_breathes_harder_since_has_the_earlier_of_both_moments(log: Any, see: Any) -> None:
    _, one = rises(log, more_s=2)
    for second in range(60):
        one.say(RISES_S + 2 + second, "pressure", pressure_bar=float(300 - 4 * second))
    row = only(see(RISES_S + 61))
    assert (row.attention, row.pressure_bar) == ("losing_air", 68.0)
    assert row.losing_min is not None
    assert row.losing_min == pytest.approx(63.0 / 240.0, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "said", "explains"),
    [
        ("gauge", {"pressure_bar": 290.0}, True),
        ("gauge", {"pressure_bar": 200.0}, False),
        ("tally", {"action": "in", "wearer_id": "W-1", "team": "Larch"}, True),
    ],
)
def test_a_persons_word_explains_it(
    log: Any, see: Any, board: Any, kind: str, said: dict[str, Any], explains: bool
) -> None:
    desk, _ = rises(log)
    desk.say(RISES_S + 40, kind, incident_id="I-1", set_id="S-1", **said)
    assert "risen" in codes(only(see(RISES_S + 35)))
    row = only(see(RISES_S + 50))
    assert "risen" not in codes(row)  # of the lower gauge the row says that set and wearer differ
    assert (row.pressure_bar == 295.0) is explains
    see(RISES_S + 500)
    assert_same(told_by_board(board), told_by_review([heard for _, heard in log.heard()]))
    assert found(log) == ["cylinder_changed" if explains else "pressure_rose"]


@pytest.mark.parametrize(("pause_s", "explains"), [(9, False), (10, True)])
def test_a_pause_of_ten_seconds_explains_it(log: Any, see: Any, pause_s: int, explains: bool) -> None:
    rises(log, pause_s=pause_s)
    assert ("risen" not in codes(only(see(RISES_S + 60)))) is explains
    assert found(log) == ["cylinder_changed" if explains else "pressure_rose"]


def test_a_closed_valve_explains_it(log: Any, see: Any) -> None:
    rises(log, closes=True, pause_s=8)
    assert "risen" not in codes(only(see(RISES_S + 60)))
    assert found(log) == ["cylinder_changed"]


def test_afterwards_it_is_one_cylinder_and_a_finding_says_why(log: Any, see: Any, board: Any) -> None:
    rises(log)
    results = analyse(log.frames(), Profile.default())
    (entry,) = results["entries"].to_dicts()
    assert (entry["entry_bar"], entry["turn_back_bar"]) == (300.0, 177.5)
    (told,) = results["findings"].filter(code="pressure_rose").to_dicts()
    assert told["severity"] == "caution"
    assert "rose by 90 bar within 1 s: 210 bar at 10:05:19 UTC, 300 bar at 10:05:20 UTC" in told["statement"]
    assert "cylinder_changed" not in results["findings"]["code"].to_list()
    see(RISES_S + 500)
    assert_same(told_by_board(board), told_by_review([heard for _, heard in log.heard()]))


def test_of_two_courses_under_one_name_the_row_shows_the_one_that_its_figures_rest_on(
    log: Any, see: Any
) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    one.breathe(20, 100, start_bar=140.0, closes=False)
    for second in range(120, 320):  # every other reading is of a fuller cylinder
        bar = 300.0 if second % 2 else 140.0
        one.say(second, "pressure", pressure_bar=float(round(bar - 0.09 * (second - 20))))
    bars = [only(see(at_s + 0.5)).pressure_bar or 0.0 for at_s in range(200, 320)]
    assert max(bars) < 140.0


def test_a_rate_that_nobody_breathes_is_not_shown(log: Any, see: Any) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    noise = np.random.default_rng(4).uniform(-15.0, 15.0, 290)
    for number in range(290):
        bar = 300.0 - 0.2 * number + float(noise[number])
        one.say(20 + 2 * number, "pressure", pressure_bar=float(round(bar)))
    rows = [only(see(float(at_s))) for at_s in range(100, 600, 5)]
    known = [row.rate_l_min for row in rows if row.rate_l_min is not None and row.losing_min is None]
    assert known
    assert max(known) <= 600.0
