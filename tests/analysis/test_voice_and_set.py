"""What a wearer says and what the set says: the lower one counts, and the row shows both."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.live.desk_record import DeskRecord
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view


def inside(log: Any, seconds: int = 600, *, bar_s: float = 0.1, stuck_from: float = 1e9) -> tuple[Any, Any]:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    one.breathe(20, seconds, bar_s=bar_s, closes=False, only_pressure=True)
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
    assert (row.pressure_bar, row.by_voice, row.other_bar) == (30.0, True, 262.0)  # 10 bar fallen since
    assert (row.attention, "set_differs" in codes(row)) == ("low_air", True)
    assert (row.low_air, row.rate_l_min, row.fan) == (None, None, ())
    assert shown.teams[0].lowest_bar == 30.0
    painted = row_view(row, shown.at, STANDARD)
    assert (painted["air"], painted["silent"]) == ("30 bar", True)  # crossed out, with its time
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


def test_what_the_set_reads_above_its_wearers_word_stays_with_it(log: Any, see: Any) -> None:
    """Once it had fallen to what was said minutes before, it was believed again, with 42 bar too much."""
    desk, _ = inside(log, 1200)
    says(desk, 300, 230.0)  # the set reads 272
    for at_s, reads in ((500, 252.0), (700, 232.0), (1000, 202.0)):
        shown = see(at_s)
        row = only(shown)
        assert (row.by_voice, row.other_bar, row.pressure_bar) == (True, reads, reads - 42.0)
        assert ("set_differs" in codes(row), row.low_air, row.rate_l_min) == (True, None, None)
        assert shown.teams[0].lowest_bar == reads - 42.0
        # By hard work from the wearer's word, 80 L/min: 6.8 L hold 1,497 L at 230 bar (Z 1.045, CoolProp)
        # and 380 L at 55 bar (Z 0.985): 838 s.
        assert row.low_air_was_expected_at is not None
        assert row.low_air_was_expected_at[0] == pytest.approx(log.at(300 + 838).timestamp(), abs=40)
    assert row_view(row, shown.at, STANDARD)["air_sub"] == "by voice 230 bar, 10:05"
    again = log.talker("S-1", boot=2)  # a restart ends no difference
    again.set_up(1225)
    again.breathe(1230, 300, start_bar=180.0, opens=False, bar_s=0.1, closes=False, only_pressure=True)
    row = only(see(1400))
    assert (row.by_voice, row.other_bar, row.pressure_bar) == (True, 163.0, 121.0)
    says(desk, 1450, 150.0)  # the set reads 158: the wearer's new word agrees with it
    row = only(see(1500))
    assert (row.by_voice, row.other_bar, row.pressure_bar) == (False, None, 153.0)
    assert row.low_air is not None
    (entry,) = analyse(log.frames(), Profile.default())["entries"].to_dicts()
    assert entry["lowest_bar"] == pytest.approx(116.0, abs=1.0)  # 158 less 42, just before that word


def test_by_what_the_wearer_said_the_warning_comes_before_the_sets_own(log: Any, see: Any) -> None:
    desk, _ = inside(log, 800, bar_s=0.3)
    says(desk, 100, 250.0)  # the set reads 276: 26 bar more
    row = only(see(700))  # 96 - 26: 15 bar of 6.8 L above the warning, by hard work 1 min
    assert (row.pressure_bar, row.attention == "low_air") == (70.0, False)
    assert row.low_air_was_expected_at is not None
    assert row.low_air_was_expected_at[0] <= log.at(780).timestamp()
    assert see(700).alarms == ()
    for at_s in (760, 800):  # at 81 bar, from 10:12:30 on
        shown = see(at_s)
        assert only(shown).attention == "low_air"
        (line,) = shown.alarms
        assert (line.alarm, line.raised_at) == ("low_air", pytest.approx(log.at(750).timestamp(), abs=2.0))
    results = analyse(log.frames(), Profile.default())
    (entry,) = results["entries"].to_dicts()
    assert entry["low_air_at"] == pytest.approx(log.at(750), abs=timedelta(seconds=2))
    assert entry["turn_back_at"] == pytest.approx(log.at(340), abs=timedelta(seconds=3))  # 178 + 26 bar
    said = results["findings"].filter(pl.col("code") == "gauge_contradicts")["statement"].item()
    assert "Until another gauge is read, the set counts with 26 bar less." in said
    said = results["findings"].filter(pl.col("code") == "turned_back_late")["statement"].item()
    assert "By what the wearer said, the set was at the warning of 55 bar at 10:12:" in said


def test_a_set_that_differs_and_falls_silent_gives_no_more_time(log: Any, see: Any) -> None:
    desk, _ = inside(log, 600)
    says(desk, 300, 150.0)  # the set reads 272: 122 bar more
    heard = only(see(615))
    silent = only(see(700))
    assert silent.silent_since_at is not None
    assert (silent.pressure_bar, silent.by_voice) == (118.0, True)
    assert silent.low_air_was_expected_at == heard.low_air_was_expected_at


def test_of_a_set_that_differs_and_loses_air_the_minutes_are_by_what_is_left(log: Any, see: Any) -> None:
    desk, one = inside(log, 400)
    says(desk, 300, 232.0)  # the set reads 272: 40 bar more
    one.breathe(420, 60, start_bar=260.0, opens=False, bar_s=2.0, closes=False, only_pressure=True)
    row = only(see(460.5))  # 180 bar by the set, 140 by its wearer: 135 bar at 2 bar/s
    assert (row.attention, row.pressure_bar) == ("losing_air", 140.0)
    assert row.losing_min == pytest.approx(135.0 / 120.0, abs=0.05)


def test_a_silent_set_that_comes_back_with_more_than_was_said_counts_with_less(log: Any, see: Any) -> None:
    desk, one = inside(log, 300)
    one.breathe(600, 400, start_bar=240.0, opens=False, bar_s=0.1, closes=False, only_pressure=True)
    says(desk, 450, 200.0)
    for at_s, reads in ((610, 239.0), (950, 205.0)):
        row = only(see(at_s))
        assert (row.by_voice, row.other_bar, row.pressure_bar) == (True, reads, reads - 40.0)
    told = analyse(log.frames(), Profile.default())["findings"]
    assert "gauge_contradicts" in told["code"].to_list()


def heard_late(log: Any, start_bar: float = 268.0, *, first_s: int = 300, silent_s: int = 20) -> Any:
    """A set whose first reading is heard long after its wearer went in, its messages before then lost."""
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    one.breathe(
        silent_s,
        1200,
        start_bar=start_bar,
        bar_s=0.1,
        opens=False,
        closes=False,
        silent=(0.0, first_s),
        only_pressure=True,
    )
    return desk


@pytest.mark.parametrize("start_bar", [268.0, 348.0])  # also above the rated pressure, as a full cylinder
def test_a_word_shortly_before_the_set_is_first_heard_stays(log: Any, see: Any, start_bar: float) -> None:
    desk, first_bar = heard_late(log, start_bar), start_bar - 28.0
    says(desk, 290, 205.0)
    above_bar = first_bar - 205.0  # nobody knows what was breathed between: none of it counts
    assert only(see(296)).pressure_bar == 205.0
    for at_s, reads in ((310, first_bar - 1), (900, first_bar - 60)):
        row = only(see(at_s))
        assert (row.by_voice, row.other_bar, row.pressure_bar) == (True, reads, reads - above_bar)
        assert ("set_differs" in codes(row), row.low_air, row.rate_l_min) == (True, None, None)
    results = analyse(log.frames(), Profile.default())
    (entry,) = results["entries"].to_dicts()
    assert entry["lowest_bar"] == pytest.approx(205.0 - 92.0, abs=1.0)
    said = results["findings"].filter(pl.col("code") == "gauge_contradicts")["statement"].item()
    assert f"the set sent {first_bar:.0f} bar at 10:05:00 UTC, after a silence" in said
    assert f"the set counts with {above_bar:.0f} bar less" in said


@pytest.mark.parametrize(("said_s", "counts"), [(239, False), (241, True)])
def test_a_minute_before_the_set_is_first_heard_a_word_is_of_another_cylinder(
    log: Any, see: Any, said_s: int, counts: bool
) -> None:
    desk = heard_late(log)
    says(desk, said_s, 205.0)
    assert only(see(400)).by_voice == counts
    told = analyse(log.frames(), Profile.default())["findings"]["code"].to_list()
    assert ("gauge_contradicts" in told) == counts


def test_a_word_above_the_first_reading_makes_nothing_better(log: Any, see: Any) -> None:
    desk = heard_late(log)
    before = only(see(400))
    says(desk, 290, 290.0)
    row = only(see(400))
    assert (row.pressure_bar, row.by_voice, row.low_air) == (before.pressure_bar, False, before.low_air)
    assert row.turn_back_bar == before.turn_back_bar


def change(log: Any) -> Any:
    """The set reads 42 bar above its wearer's word; then another cylinder is opened, 298 bar by the set."""
    desk, one = inside(log)
    says(desk, 300, 230.0)
    for second in range(620, 700):
        one.say(second, "pressure", pressure_bar=0.0)
    one.breathe(700, 400, start_bar=298, closes=False, only_pressure=True)
    return desk


def test_after_a_change_of_cylinder_the_row_says_that_the_set_read_more_until_the_next_word(
    log: Any, see: Any
) -> None:
    desk = change(log)
    assert "set_differed" not in codes(only(see(600)))
    row = only(see(890))
    assert (row.by_voice, row.other_bar, "set_differed" in codes(row)) == (False, None, True)
    painted = row_view(row, log.at(890).timestamp(), STANDARD)
    assert "with another cylinder the set read more than its wearer said: ask for the gauge" in painted["why"]
    told = analyse(log.frames(), Profile.default())["findings"]
    said = told.filter(pl.col("code") == "gauge_contradicts")["statement"].item()
    assert said.endswith(
        "From 10:11:40 UTC on, with another cylinder, no gauge was read: the set counts as it reads."
    )
    says(desk, 900, 280.0)
    assert "set_differed" not in codes(only(see(910)))
    told = analyse(log.frames(), Profile.default())["findings"]
    said = told.filter(pl.col("code") == "gauge_contradicts")["statement"].item()
    assert "no gauge was read" not in said


def test_a_set_that_agreed_with_the_last_word_has_no_remark_with_another_cylinder(log: Any, see: Any) -> None:
    desk = change(log)
    says(desk, 500, 250.0)
    assert "set_differed" not in codes(only(see(890)))
    told = analyse(log.frames(), Profile.default())["findings"]["statement"].to_list()
    assert not any("no gauge was read" in said for said in told)


def test_a_word_before_another_cylinder_is_opened_is_not_about_that_one(log: Any, see: Any) -> None:
    desk = change(log)
    says(desk, 690, 60.0)
    row = only(see(890))
    assert (row.by_voice, row.other_bar) == (False, None)
    (entry,) = analyse(log.frames(), Profile.default())["entries"].to_dicts()
    assert entry["lowest_bar"] == 60.0


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


def test_a_slip_of_the_tongue_takes_nothing_off_what_was_read_until_the_next_word(log: Any) -> None:
    """208 bar by the set, 105 by voice, then 165 by both: the lowest was 64, which nobody ever read."""
    desk, _ = inside(log, 900, bar_s=0.15)  # 165 bar at the end, 300 s after the slip 220
    says(desk, 560, 105.0)
    (entry,) = analyse(log.frames(), Profile.default())["entries"].to_dicts()
    assert entry["lowest_bar"] == pytest.approx(165.0 - (219.0 - 105.0), abs=1.0)  # no later word
    says(desk, 860, 175.0)
    (entry,) = analyse(log.frames(), Profile.default())["entries"].to_dicts()
    assert entry["lowest_bar"] == 105.0  # it was said
    (apart,) = analyse(log.frames(), Profile.default())["findings"].filter(code="gauge_contradicts")[
        "statement"
    ]
    assert "105" in apart


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
    one.breathe(700, 200, start_bar=298, closes=False, only_pressure=True)
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
    by_note = SimpleNamespace(gauges=[], notes=[said])
    by_gauge = SimpleNamespace(gauges=[SimpleNamespace(set_id="S-1", at_us=100_000_000)], notes=[])
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
