"""An alarm that is raised again after a person's word, or long after the last word, is a new alarm."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile


def one_inside(log: Any) -> tuple[Any, Any]:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    one.set_up(0)
    one.breathe(20, 600, closes=False)
    return desk, one


def distress(log: Any) -> Any:
    return analyse(log.frames(), Profile.default())["alarms"]


def test_a_distress_after_a_resolved_one_is_shown_though_nothing_was_lost(log: Any, see: Any) -> None:
    desk, one = one_inside(log)
    one.say(100, "alarm", alarm="distress", state="raised")
    desk.say(120, "resolved", incident_id="I-1", set_id="S-1", alarm="distress", text="pressed by mistake")
    one.say(130.5, "alarm", alarm="distress", state="raised")
    assert not see(125).alarms
    (shown,) = see(140).alarms
    assert (shown.alarm, shown.set_id, shown.ended_at) == ("distress", "S-1", None)
    assert shown.raised_at - log.at(130.5).timestamp() < 1.0
    assert distress(log).height == 2


def test_a_distress_long_after_an_acknowledged_one_is_shown_and_goes_with_the_word_of_both(
    log: Any, see: Any
) -> None:
    desk, one = one_inside(log)
    one.say(100, "alarm", alarm="distress", state="raised")
    one.say(105, "alarm", alarm="distress", state="acknowledged")
    desk.say(110, "seen", set_id="S-1", alarm="distress")
    one.say(300.5, "alarm", alarm="distress", state="raised")
    one.say(320.5, "alarm", alarm="distress", state="cleared")
    assert [line.alarm for line in see(310).alarms] == ["distress"]
    assert [line.alarm for line in see(330).alarms] == ["distress"]  # over, and nobody has seen it
    desk.say(340, "seen", set_id="S-1", alarm="distress")
    assert not see(350).alarms
    rows = distress(log)
    assert rows.height == 2
    assert rows["cleared"].null_count() == 0


def test_a_set_that_repeats_its_distress_raises_it_once(log: Any) -> None:
    _, one = one_inside(log)
    for second in (100.5, 130.5, 160.5, 190.5):
        one.say(second, "alarm", alarm="distress", state="raised")
    assert distress(log).height == 1


def test_a_distress_that_is_repeated_within_a_minute_is_one_and_later_another(log: Any) -> None:
    _, one = one_inside(log)
    for at_s in (100.0, 160.0):
        one.say(at_s, "alarm", alarm="distress", state="raised")
    assert distress(log).height == 1
    one.say(220.5, "alarm", alarm="distress", state="raised")
    assert distress(log).height == 2


def test_an_alarm_that_comes_again_and_again_is_shown_with_its_newest_time_and_how_often(
    log: Any, see: Any
) -> None:
    """Nobody presses Seen: the board said the first, minutes old, while the newest was over for seconds."""
    _, one = one_inside(log)
    for second in range(100, 400, 60):
        one.say(second + 0.5, "alarm", alarm="no_motion", state="raised")
        one.say(second + 4.5, "alarm", alarm="no_motion", state="cleared")
    since = log.at(100.5).timestamp()

    def line_and_reason(second: float) -> tuple[Any, Any]:
        snapshot = see(second)
        (line,), (row,) = snapshot.alarms, snapshot.rows
        return line, row.reasons[0]

    line, reason = line_and_reason(108)  # the first: it has not come again
    assert (line.repeated, reason.repeated) == (None, None)
    line, reason = line_and_reason(283)  # it is on for the fourth time
    assert (line.ended_at, reason.code) == (None, "no_motion")
    assert line.repeated == reason.repeated == (4, pytest.approx(since, abs=0.1))
    line, reason = line_and_reason(348)
    assert line.raised_at == pytest.approx(log.at(340.5).timestamp(), abs=0.1)
    assert line.ended_at == pytest.approx(log.at(344.5).timestamp(), abs=0.1)
    assert (reason.code, reason.since_at) == ("no_motion_ended", line.ended_at)
    assert line.repeated == reason.repeated == (5, pytest.approx(since, abs=0.1))
    log.desk().say(350, "seen", set_id="S-1", alarm="no_motion")
    assert not see(352).alarms


@pytest.mark.parametrize("named", [{"wearer_id": "W-9"}, {"incident_id": "I-9"}])
def test_a_word_about_another_wearer_or_incident_closes_no_distress(
    log: Any, see: Any, named: dict[str, str]
) -> None:
    """The distress was gone, or silenced as seen, by a word about somebody who never had the set."""
    desk, one = one_inside(log)
    one.say(200, "alarm", alarm="distress", state="raised")
    word = {"incident_id": "I-1", "set_id": "S-1", "alarm": "distress", "text": "button hit"}
    desk.say(210, "resolved", **(word | named))
    shown = see(230)
    (line,) = shown.alarms
    assert (line.alarm, line.seen_at, line.ended_at) == ("distress", None, None)
    (remark,) = shown.contradictions
    assert (remark.kind, remark.about, remark.first) == ("not_theirs", "S-1", ("D-1", *named.values()))
    (row,) = distress(log).filter(alarm="distress").to_dicts()
    assert row["seen"] is None
    desk.say(240, "resolved", **word)
    assert see(250).alarms == ()


@pytest.mark.parametrize("kind", ["heat", "battery", "fault", "low_air", "evacuate"])
def test_any_alarm_that_the_set_cleared_stays_until_a_desk_has_seen_it(log: Any, see: Any, kind: str) -> None:
    desk, one = one_inside(log)
    one.say(100, "alarm", alarm=kind, state="raised")
    one.say(110, "alarm", alarm=kind, state="cleared")
    desk.say(300, "seen", set_id="S-1", alarm=kind)
    for at_s in (115, 290):
        (shown,) = see(at_s).alarms
        assert (shown.alarm, shown.seen_at) == (kind, None)
        assert shown.ended_at == pytest.approx(log.at(110).timestamp(), abs=0.1)
        assert only_code(see(at_s)) == "under_air"  # it is over: the row is where its air puts it
    assert not see(310).alarms


def test_the_first_stage_of_no_motion_goes_by_itself(log: Any, see: Any) -> None:
    _, one = one_inside(log)
    one.say(100, "alarm", alarm="no_motion_prealarm", state="raised")
    one.say(110, "alarm", alarm="no_motion_prealarm", state="cleared")
    assert len(see(105).alarms) == 1
    assert not see(115).alarms


def only_code(shown: Any) -> str:
    (row,) = shown.rows
    return str(row.attention)
