"""A set put down with its valve open after its wearer was tallied out, and one whose gauge may hang."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile

PROFILE = Profile.default()
OUT_S, STOOD_S = 660, 640


def worn(log: Any, bar_after: Any, *, moves: bool = True, still_s: bool = True, until_s: int = 1500) -> Any:
    """Tell 9 min 40 s at 0.1 bar/s, a tally out, and the gauge after that; return the desk."""
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    who = {"incident_id": "I-1", "wearer_id": "W-1", "set_id": "S-1", "team": "A"}
    desk.say(10, "incident", incident_id="I-1", state="open", name="Mill", place="Quay")
    desk.say(40, "tally", action="in", **who)
    one.breathe(60, STOOD_S - 60, start_bar=168.0, bar_s=0.1, closes=False, only_pressure=True)
    desk.say(OUT_S, "tally", action="out", **who)
    for second in range(STOOD_S, until_s):
        one.say(second, "pressure", pressure_bar=float(bar_after(second)))
        still = {"still_s": 0.0 if moves else float(second - STOOD_S)} if still_s else {}
        one.say(second + 0.1, "motion", motion_m_s2=1.0 if moves else 0.0, **still)
    return desk


def warms(second: int) -> float:
    return 110.0 + min((second - STOOD_S) // 60, 4)


def test_a_set_that_uses_no_air_is_last_until_a_desk_closes_it(log: Any, see: Any) -> None:
    """It was "Turn back, past 13:15 … still under air" for as long as it was on."""
    desk = worn(log, warms)
    (row,) = see(OUT_S + 290).rows
    assert (row.attention, row.started_at is not None) == ("turn_back", True)
    (row,) = see(OUT_S + 302).rows
    assert row.attention == "valve_closed"
    assert (row.started_at, row.turn_back, row.low_air, row.losing_min) == (None, None, None, None)
    assert row.pressure_bar == pytest.approx(warms(OUT_S + 302))
    reasons = {reason.code: reason.since_at for reason in row.reasons}
    assert reasons["said_out"] == pytest.approx(log.at(OUT_S).timestamp(), abs=0.1)
    assert log.at(STOOD_S - 20).timestamp() < reasons["put_down"] < log.at(STOOD_S + 1).timestamp()
    assert "valve_closed" not in reasons
    assert len(see(1200).rows) == 1  # it stays: nothing goes by itself
    desk.say(1210, "resolved", incident_id="I-1", set_id="S-1", text="set stands at the entry")
    assert see(1212).rows == ()
    assert "under_air_after_out" not in set(analyse(log.frames(), PROFILE)["findings"]["code"])


def test_it_is_under_air_again_as_soon_as_air_is_used(log: Any, see: Any) -> None:
    desk = worn(log, lambda second: warms(second) if second < 1100 else 114.0 - 0.1 * (second - 1100))
    desk.say(1050, "resolved", incident_id="I-1", set_id="S-1", text="set stands at the entry")
    assert see(1060).rows == ()
    (row,) = see(1190).rows
    assert (row.attention, row.pressure_bar) == ("turn_back", pytest.approx(105.0, abs=0.2))


@pytest.mark.parametrize(
    ("moves", "still_s", "known"),
    [(True, True, False), (True, False, False), (False, False, False), (False, True, True)],
    ids=["it moves", "no still_s", "no motion, no still_s", "it does not move"],
)
def test_a_gauge_that_stands_while_its_set_moves_may_hang(
    log: Any, see: Any, moves: bool, still_s: bool, known: bool
) -> None:
    """The record called it no air used, the board said "still under air": nobody knows."""
    desk = worn(log, lambda second: 110.0, moves=moves, still_s=still_s)
    for alarm in ("no_motion", "no_motion_prealarm"):
        desk.say(1190, "resolved", incident_id="I-1", set_id="S-1", alarm=alarm, text="set put down")
    (row,) = see(1200).rows
    assert (row.attention == "valve_closed") is known
    findings = {one["code"]: one for one in analyse(log.frames(), PROFILE)["findings"].to_dicts()}
    assert ("under_air_after_out" in findings) is not known
    if not known:
        assert "may have been used until" in findings["under_air_after_out"]["statement"]
