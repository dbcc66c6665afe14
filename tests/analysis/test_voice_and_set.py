"""What a wearer says and what the set says: the lower one counts, and the row shows both."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from analysis.live.desk_record import DeskRecord
from analysis.live.rows import Row, Snapshot
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view


def inside(log: Any, seconds: int = 600, *, bar_s: float = 0.1, stuck_from: float = 1e9) -> tuple[Any, Any]:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    one.breathe(20, seconds, bar_s=bar_s, closes=False)
    for place, (at_s, kind, lost, kept, _) in enumerate(one.said):
        if kind == "pressure" and at_s >= stuck_from:
            one.said[place] = at_s, kind, lost, kept, {"pressure_bar": 250.0}
    return desk, one


def says(desk: Any, at_s: float, bar: float, **more: Any) -> None:
    desk.say(at_s, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=bar, **more)


def only(snapshot: Snapshot) -> Row:
    (row,) = snapshot.rows
    return row


def codes(row: Row) -> list[str]:
    return [reason.code for reason in row.reasons]


def test_a_wearer_who_says_far_less_than_the_set_counts_with_that(log: Any, see: Any) -> None:
    desk, _ = inside(log)
    says(desk, 300, 40.0)
    shown = see(400)
    row = only(shown)
    assert (row.pressure_bar, row.by_voice, row.other_bar) == (40.0, True, 262.0)
    assert (row.attention, "set_differs" in codes(row)) == ("low_air", True)
    assert (row.low_air, row.rate_l_min, row.fan) == (None, None, ())
    assert shown.teams[0].lowest_bar == 40.0
    painted = row_view(row, shown.at, STANDARD)
    assert (painted["air"], painted["silent"]) == ("40 bar", True)  # crossed out, with its time
    assert "set and wearer differ: the set reads 262 bar" in painted["why"]


def test_a_gauge_above_the_warning_runs_down_at_the_planning_rate_or_by_hard_work(log: Any, see: Any) -> None:
    desk, _ = inside(log, 1200)
    says(desk, 300, 100.0)
    row = only(see(310))
    assert row.low_air is None
    assert row.low_air_was_expected_at is not None
    # 45 bar of 6.8 L at 40 L/min: 7 to 8 min (nominal litres, by hand); of hard work, 80 L/min, half of that.
    early, late = (at - log.at(300).timestamp() for at in row.low_air_was_expected_at)
    assert (early, late) == pytest.approx((225, 450), abs=40)
    assert only(see(1000)).attention == "low_air"  # that moment is over


def test_a_wearer_who_says_about_what_the_set_says_changes_nothing(log: Any, see: Any) -> None:
    desk, _ = inside(log)
    says(desk, 300, 260.0)
    row = only(see(400))
    assert (row.pressure_bar, row.by_voice, row.other_bar) == (262.0, False, None)


def test_a_corrected_gauge_or_a_later_one_that_agrees_ends_the_difference(log: Any, see: Any) -> None:
    desk, _ = inside(log)
    says(desk, 300, 40.0)
    says(desk, 350, 268.0)
    assert "set_differs" in codes(only(see(340)))
    assert "set_differs" not in codes(only(see(360)))


def test_a_gauge_that_is_higher_than_before_does_not_replace_the_lower_figure(log: Any, see: Any) -> None:
    desk, _ = inside(log, 600, bar_s=0.3)  # 120 bar at the end
    says(desk, 700, 250.0)
    before, row = only(see(690)), only(see(710))
    assert (row.pressure_bar, row.by_voice, row.other_bar) == (before.pressure_bar, False, 250.0)
    assert row.low_air_was_expected_at == before.low_air_was_expected_at
    assert "voice_higher" in codes(row)
    painted = row_view(row, log.at(710).timestamp(), STANDARD)
    assert "250 bar by voice is higher than before" in painted["why"]
    says(desk, 720, 110.0)  # the slip is put right by what the wearer reads
    row = only(see(730))
    assert (row.pressure_bar, row.by_voice, row.other_bar) == (110.0, True, None)


def test_of_a_set_never_heard_the_lowest_gauge_counts_until_it_is_corrected(log: Any, see: Any) -> None:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1")
    for at_s, bar in ((200, 280.0), (500, 30.0), (650, 200.0)):
        says(desk, at_s, bar)
    says(desk, 700, 230.0, corrects={"desk_id": "D-1", "boot": 1, "seq": 3})
    row = only(see(660))
    assert (row.pressure_bar, row.other_bar) == (30.0, 200.0)
    assert "low_air" in codes(row)
    assert row.gauge is not None
    assert row.gauge.bar == 30.0  # what can be corrected
    row = only(see(710))
    assert (row.pressure_bar, row.other_bar) == (200.0, None)


def test_what_was_said_of_the_cylinder_before_says_nothing_of_the_next(log: Any, see: Any) -> None:
    desk, one = inside(log)
    says(desk, 300, 270.0)
    for second in range(620, 700):
        one.say(second, "pressure", pressure_bar=0.0)
    one.breathe(700, 200, start_bar=298, closes=False)
    row = only(see(890))
    assert (row.by_voice, row.other_bar) == (False, None)


def test_a_reading_that_does_not_move_makes_no_forecast_longer(log: Any, see: Any) -> None:
    inside(log, 1500, bar_s=0.2, stuck_from=270)
    before, row, later = only(see(265)), only(see(600)), only(see(1200))
    assert before.low_air is not None
    for one in (row, later):
        assert "stuck" in codes(one)
        assert (one.low_air, one.fan) == (None, ())
        assert one.low_air_was_expected_at is not None
        early_at = log.at(265).timestamp() + 60.0 * before.low_air.low
        assert one.low_air_was_expected_at[0] == pytest.approx(early_at, abs=30.0)
    assert later.low_air_was_expected_at == row.low_air_was_expected_at


@pytest.mark.parametrize(("since_at", "spoken"), [(99.0, True), (100.0, True), (100.1, False)])
def test_a_word_at_the_very_moment_counts_as_said_since(since_at: float, spoken: bool) -> None:
    said = SimpleNamespace(set_id="S-1", at=100.0)
    by_note = SimpleNamespace(words=SimpleNamespace(gauge=lambda set_id: None), notes=[said])
    by_gauge = SimpleNamespace(words=SimpleNamespace(gauge=lambda set_id: said), notes=[])
    for record in (by_note, by_gauge):
        assert DeskRecord.spoken_of(record, "S-1", since_at) is spoken  # type: ignore[arg-type]
    assert not DeskRecord.spoken_of(by_note, "S-2", since_at)  # type: ignore[arg-type]


def test_a_gauge_below_the_warning_is_a_line_that_sounds_until_it_is_seen(log: Any, see: Any) -> None:
    desk, _ = inside(log, 300)
    says(desk, 400, 40.0)
    desk.say(450, "seen", set_id="S-1", alarm="low_air")
    desk.say(500, "resolved", incident_id="I-1", set_id="S-1", alarm="low_air", text="on the way out")
    (line,) = see(410).alarms
    assert (line.alarm, line.wearer_id, line.seen_at) == ("low_air", "W-1", None)
    assert "by voice" in (line.detail or "")
    (line,) = see(460).alarms
    assert line.seen_by == "D-1"
    assert see(510).alarms == ()
