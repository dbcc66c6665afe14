"""What was said late, lost or by somebody else is given to the right wear, alarm and team, and said so."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile

PROFILE = Profile.default()


def findings_of(log: Any, code: str) -> list[dict[str, Any]]:
    return [row for row in analyse(log.frames(), PROFILE)["findings"].to_dicts() if row["code"] == code]


def worn(log: Any, *, on_after_s: int, name: str = "S-1") -> Any:
    """Return a set under air from 60 to 360 s that goes on speaking, its valve closed."""
    talker = log.talker(name)
    talker.set_up(0)
    talker.breathe(60, 300, only_pressure=True)
    for second in range(370, 370 + on_after_s, 5):
        talker.say(second, "pressure", pressure_bar=0.0)
    return talker


@pytest.mark.parametrize(("tallied_s", "known"), [(500.0, True), (1500.0, False)])
def test_a_tally_only_after_the_wear_gives_the_wearer_and_is_called_late(
    log: Any, tallied_s: float, known: bool
) -> None:
    """Mended: such a wear had no wearer."""
    worn(log, on_after_s=2000)
    entry = {"incident_id": "I-1", "action": "in", "set_id": "S-1", "wearer_id": "W-1", "team": "T-1"}
    log.desk().say(tallied_s, "tally", **entry)
    wears = analyse(log.frames(), PROFILE)["wears"]
    assert wears["wearer_id"].to_list() == ["W-1" if known else None]
    assert bool(findings_of(log, "no_tally")) is not known
    if known:
        (late,) = findings_of(log, "tally_late")
        assert "only after the wear had ended" in late["statement"]


def test_a_tally_before_the_next_wear_is_not_the_last_ones(log: Any) -> None:
    talker = worn(log, on_after_s=100)
    talker.breathe(600, 300, only_pressure=True)
    entry = {"incident_id": "I-1", "action": "in", "set_id": "S-1", "wearer_id": "W-1"}
    log.desk().say(480, "tally", **entry)
    assert analyse(log.frames(), PROFILE)["wears"]["wearer_id"].to_list() == [None, "W-1"]


@pytest.mark.parametrize(
    ("acknowledged", "lost", "again_s", "alarms"),
    [
        (True, True, 30.0, 2),  # answered, so it is no repetition
        (False, True, 120.0, 2),  # too long after for a repetition
        (False, True, 10.0, 1),
        (True, False, 30.0, 1),  # nothing was lost: the set repeats itself
    ],
)
def test_a_lost_cleared_does_not_join_two_alarms(
    log: Any, acknowledged: bool, lost: bool, again_s: float, alarms: int
) -> None:
    talker = worn(log, on_after_s=10)
    talker.say(100.5, "alarm", alarm="distress", state="raised")
    if acknowledged:
        talker.say(103.5, "alarm", alarm="distress", state="acknowledged")
    if lost:
        talker.say(106.5, "alarm", alarm="distress", state="cleared", lost=True)
    talker.say(103.6 + again_s, "alarm", alarm="distress", state="raised")
    talker.say(150.5 + again_s, "alarm", alarm="distress", state="cleared")
    table = analyse(log.frames(), PROFILE)["alarms"]
    assert table.height == alarms
    assert table["cleared"].null_count() == alarms - 1
    assert len(findings_of(log, "clear_not_heard")) == alarms - 1


def test_turn_back_says_whether_it_was_the_teams_moment_or_the_wearers_own(log: Any) -> None:
    desk = log.desk()
    for number, fall_bar_s in enumerate((0.12, 0.11), 1):
        talker = log.talker(f"S-{number}")
        talker.set_up(0)
        talker.breathe(60, 2350, bar_s=fall_bar_s, only_pressure=True)
        entry = {"set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": "T-1"}
        desk.say(50 + number, "tally", incident_id="I-1", action="in", **entry)
    first, second = sorted(findings_of(log, "turned_back_late"), key=lambda row: row["set_id"])
    assert "by this wearer's own gauge" in first["statement"]
    assert "for the team, by its lowest member" in second["statement"]
    assert "half of the usable air" in second["statement"]
    assert "half_of_usable" not in second["statement"]


def test_a_clock_that_jumped_is_not_said_to_have_been_wrong_all_along(log: Any) -> None:
    """Mended: "all its times are corrected by that" of a clock that was right before its jump."""
    stepped = log.talker("S-1", clock=lambda true_s: true_s + (3600.0 if true_s > 150.0 else 0.0))
    fast = log.talker("S-2", clock=lambda true_s: true_s + 90.0)
    for talker in (stepped, fast):
        talker.set_up(0)
        talker.breathe(60, 300, only_pressure=True)
    said = {row["set_id"]: row["statement"] for row in findings_of(log, "clock_wrong")}
    assert "1 h fast over the longest stretch between its jumps" in said["S-1"]
    assert "1 min 30 s fast; all its times are corrected." in said["S-2"]


@pytest.mark.parametrize(
    ("bar", "said"),
    [(269.0, "269 bar, 89.7\xa0% of"), (269.8, "269.8 bar, 89.9\xa0% of"), (200.0, "200 bar, 67\xa0% of")],
)
def test_less_than_the_profile_asks_for_is_never_rounded_up_to_it(log: Any, bar: float, said: str) -> None:
    """It said "90 % of the rated 300 bar; the profile asks for at least 90 %"."""
    talker = log.talker("S-1")
    talker.set_up(0)
    for at_s, each in enumerate((0.0, 90.0, *[bar] * 60), 50):
        talker.say(at_s, "pressure", pressure_bar=each)
    (told,) = findings_of(log, "started_below_ready")
    assert (
        f"Started with {said} the rated 300 bar; the profile asks for at least 90\xa0%." == told["statement"]
    )
