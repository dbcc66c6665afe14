"""Who comes first on the live page when somebody is in danger, and what a team can rely on."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.live.outlook import minutes_to_empty
from analysis.live.rows import ORDER, Row, Snapshot
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from dashboard.live.sentences import duration


def inside(log: Any, *wearers: tuple[str, float], seconds: int = 400) -> list[Any]:
    """Tally in wearers of one team, each under air with its own use of air; return the sets."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    sets = []
    for number, (set_id, bar_s) in enumerate(wearers, 1):
        one = log.talker(set_id)
        one.set_up(0)
        desk.say(number, "tally", incident_id="I-1", action="in", set_id=set_id,
                 wearer_id=f"W-{number}", team="Alder")  # fmt: skip
        one.breathe(20, seconds, bar_s=bar_s, closes=False, only_pressure=True)
        sets.append(one)
    return sets


def first(snapshot: Snapshot) -> Row:
    return snapshot.rows[0]


def test_whose_cylinder_ran_empty_inside_stays_on_top_with_last_pressure_and_alarm(
    log: Any, see: Any
) -> None:
    low, _ = inside(log, ("S-1", 0.74), ("S-2", 0.1))
    low.say(360, "alarm", alarm="low_air", state="raised")
    for second in range(420, 480):
        low.say(second, "pressure", pressure_bar=0.0)
    row = first(see(475))
    assert (row.wearer_id, row.attention) == ("W-1", "not_accounted")
    assert row.lost is not None
    assert row.lost.code == "empty"
    (team,) = see(476).teams
    assert (team.lowest_wearer_id, team.not_accounted) == ("W-1", 1)
    assert team.lowest_bar is not None
    assert team.lowest_bar < 10


@pytest.mark.parametrize(("state", "code"), [("off", "off"), (None, "restarted")])
def test_a_set_that_goes_off_or_restarts_inside_is_not_accounted_for_and_its_distress_goes_on(
    log: Any, see: Any, state: str | None, code: str
) -> None:
    one, _ = inside(log, ("S-1", 0.1), ("S-2", 0.1))
    one.say(300, "alarm", alarm="distress", state="raised")
    if state is not None:
        one.say(421, "power", state=state)
    else:
        again = log.talker("S-1", boot=2)
        again.say(421, "power", state="on")
    snapshot = see(430)
    assert first(snapshot).attention == "distress"
    assert first(snapshot).lost is not None
    assert first(snapshot).lost.code == code  # type: ignore[union-attr]
    (line,) = [line for line in snapshot.alarms if line.alarm == "distress"]
    assert (line.seen_at, line.ended_at) == (None, None)
    assert line.unknown_since_at == pytest.approx(log.at(421).timestamp(), abs=0.2)


def test_who_is_tallied_in_and_never_heard_is_not_accounted_for(log: Any, see: Any) -> None:
    desk = log.desk()
    desk.say(0, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    assert first(see(100)).attention == "no_air_yet"
    row = first(see(125))
    assert (row.attention, row.lost.code if row.lost else None) == ("not_accounted", "never_heard")


def test_a_silent_member_never_makes_the_teams_turn_back_later(log: Any, see: Any) -> None:
    inside(log, ("S-1", 0.24), ("S-2", 0.05), seconds=300)
    (heard,) = see(319).teams
    assert heard.turn_back is not None
    by_at = log.at(319).timestamp() + 60 * heard.turn_back.low
    for second in range(320, 400):
        log.talkers[-1].say(second, "pressure", pressure_bar=285.0)
    (team,) = see(390).teams
    assert team.silent == 1
    assert team.turn_back_by_at is not None
    assert team.turn_back_by_at <= by_at + 1
    (past,) = see(by_at - log.at(0).timestamp() + 30).teams
    assert past.turn_back_reached_at == pytest.approx(team.turn_back_by_at)


@pytest.mark.parametrize("what", ["valve closed", "off", "restarted"])
def test_a_team_stays_past_turn_back_when_its_member_is_lost_from_sight(
    log: Any, see: Any, what: str
) -> None:
    """It read "past turn-back"; the valve closed inside, and it read nothing at all."""
    (one,) = inside(log, ("S-1", 0.4))
    (heard,) = see(415).teams
    assert heard.turn_back_reached_at is not None
    if what == "valve closed":
        for second in range(420, 450):
            one.say(second, "pressure", pressure_bar=0.0)
    elif what == "off":
        one.say(421, "power", state="off")
    else:
        log.talker("S-1", boot=2).say(421, "power", state="on")
    shown = see(450)
    (team,) = shown.teams
    row = first(shown)
    assert row.lost is not None
    assert team.turn_back_reached_at == pytest.approx(heard.turn_back_reached_at, abs=1.0)
    # The row says so as well, and counts in the page's head.
    assert {reason.code: reason.since_at for reason in row.reasons}["turn_back"] == team.turn_back_reached_at


@pytest.mark.parametrize("what", ["valve closed", "off", "restarted"])
def test_a_member_lost_from_sight_counts_in_the_team_with_the_last_forecast(
    log: Any, see: Any, what: str
) -> None:
    """The team read "turn back by 20:06"; a closed valve was heard, and it read "not known"."""
    one, other = inside(log, ("S-1", 0.24), ("S-2", 0.05), seconds=300)
    by_at = see(340).teams[0].turn_back_by_at
    for second in range(320, 900):
        other.say(second, "pressure", pressure_bar=285.0)
        if what == "valve closed" and second >= 345:
            one.say(second, "pressure", pressure_bar=0.0)
    if what == "off":
        one.say(345, "power", state="off")
    if what == "restarted":
        log.talker("S-1", boot=2).say(345, "power", state="on")
    (team,) = see(360).teams
    assert team.not_accounted == 1
    assert team.turn_back_unknown == 0
    assert team.turn_back_by_at == pytest.approx(by_at, abs=1.0)
    shown = see(by_at - log.at(0).timestamp() + 30)
    assert shown.teams[0].turn_back_reached_at == pytest.approx(by_at, abs=1.0)
    assert first(shown).attention == "not_accounted"
    mate = shown.rows[1]
    assert (mate.wearer_id, mate.attention) == ("W-2", "turn_back")  # a team turns back together
    assert mate.reasons[-1].code == "team_turn_back"
    assert mate.reasons[-1].since_at == pytest.approx(by_at, abs=1.0)


def test_a_row_keeps_its_teams_turn_back_when_its_own_set_restarts(log: Any, see: Any) -> None:
    """The moment counted only for older wears: the restart of a mate's own set took it back."""
    inside(log, ("S-1", 0.4), ("S-2", 0.05))
    (team,) = see(415).teams
    again = log.talker("S-2", boot=2)
    again.set_up(425)
    for second in range(430, 480):
        again.say(second, "pressure", pressure_bar=280.0)
    (mate,) = [row for row in see(480).rows if row.wearer_id == "W-2"]
    reasons = {reason.code: reason.since_at for reason in mate.reasons}
    assert reasons["team_turn_back"] == pytest.approx(team.turn_back_reached_at, abs=1.0)


def test_a_row_counts_from_its_teams_earlier_moment_also_when_its_own_is_reached(log: Any, see: Any) -> None:
    """It read "past 5:00" with its team, and "past 0:01" when its own moment came."""
    inside(log, ("S-1", 0.4), ("S-2", 0.2), seconds=700)
    team_at = see(500).teams[0].turn_back_reached_at
    (mate,) = [row for row in see(690).rows if row.wearer_id == "W-2"]
    assert mate.turn_back_reached_at is not None
    assert mate.turn_back_reached_at > team_at + 200
    assert {one.code: one.since_at for one in mate.reasons}["team_turn_back"] == team_at
    shown = row_view(mate, log.at(690).timestamp(), STANDARD)
    assert (shown["turn"], shown["turn_range"]) == (
        f"past {duration(log.at(690).timestamp() - team_at)}",
        "with its team",
    )


@pytest.mark.parametrize("what", ["off", "restarted"])
def test_who_is_past_turn_back_with_the_team_still_is_when_the_set_goes_off(
    log: Any, see: Any, what: str
) -> None:
    inside(log, ("S-1", 0.4), ("S-2", 0.05))
    team_at = see(415).teams[0].turn_back_reached_at
    if what == "off":
        log.talkers[-1].say(421, "power", state="off")
    else:
        log.talker("S-2", boot=2).say(421, "power", state="on")
    (mate,) = [row for row in see(450).rows if row.wearer_id == "W-2"]
    assert mate.lost is not None
    assert {one.code: one.since_at for one in mate.reasons}["team_turn_back"] == team_at


def test_losing_air_stands_above_low_air_with_its_minutes(log: Any, see: Any) -> None:
    leaking, low = inside(log, ("S-1", 0.1), ("S-2", 0.6), seconds=420)
    for second in range(20):
        leaking.say(440 + second, "pressure", pressure_bar=258.0 - round(0.71 * second))
        low.say(440 + second, "pressure", pressure_bar=44.0)
    rows = see(460).rows
    assert [row.attention for row in rows] == ["losing_air", "low_air"]
    assert rows[0].losing_min == pytest.approx((245 - 5) / 43, rel=0.3)
    assert rows[1].to_empty is not None
    assert rows[1].to_empty.low < rows[1].to_empty.median


def test_a_set_that_seldom_reports_loses_air_at_its_second_reading(log: Any, see: Any) -> None:
    """Two readings with 26 bar in 35 s were set aside: "low air 26 min", and never losing air."""
    log.desk().say(-10, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one = log.talker("S-1")
    one.set_up(-5)
    for second in range(0, 421, 35):
        one.say(second, "pressure", pressure_bar=float(round(300 - 0.1 * second)))
    for number in (1, 2):
        one.say(420 + 35 * number, "pressure", pressure_bar=258.0 - 26.0 * number)
    (row,) = see(492).rows
    assert row.attention == "losing_air"
    assert row.losing_min == pytest.approx((206 - 5) / 26 * 35 / 60 - 2 / 60, abs=0.002)
    assert row.low_air is not None
    assert row.low_air.median <= (206 - 55) / 26 * 35 / 60
    assert row.turn_back is not None
    assert row.turn_back.median <= (206 - 177.5) / 26 * 35 / 60


def test_hard_breathing_is_not_losing_air() -> None:
    """100 L/min from 6.8 L: 0.25 bar a second on a gauge of 1 bar steps."""
    readings = [(float(second), float(round(200 - 0.25 * second))) for second in range(60)]
    for last in range(2, 60):
        assert minutes_to_empty(readings[:last], 6.8, Profile.default()) is None


def test_the_first_minute_has_the_planned_figure_and_says_so(log: Any, see: Any) -> None:
    inside(log, ("S-1", 0.1), seconds=30)
    row = first(see(30))
    assert row.planned
    assert row.low_air is not None
    # 40 L/min; less than nominal litres give, since air near 300 bar is less than ideal gas.
    assert 33 < row.low_air.low == row.low_air.high < (300 - 55) * 6.8 / 40


def test_the_order_is_the_order_of_need() -> None:
    order = sorted(ORDER, key=ORDER.__getitem__)
    assert order[:9] == [
        "distress",
        "no_motion",
        "not_accounted",
        "losing_air",
        "low_air",
        "silent_past",
        "silent",
        "turn_back",
        "turn_back_soon",
    ]


def test_an_alarm_that_still_sounds_comes_before_one_that_its_set_cleared(log: Any, see: Any) -> None:
    """Mended: the row whose set had cleared its distress first was above those whose distress went on."""
    one, two, silent = inside(log, ("S-1", 0.1), ("S-2", 0.1), ("S-3", 0.1))
    one.say(300, "alarm", alarm="distress", state="raised")
    one.say(330, "alarm", alarm="distress", state="cleared")
    two.say(340, "alarm", alarm="distress", state="raised")
    silent.say(310, "alarm", alarm="distress", state="raised")
    silent.say(335, "alarm", alarm="distress", state="cleared")
    assert [row.wearer_id for row in see(350).rows] == ["W-2", "W-1", "W-3"]
    # Of whoever is not heard after it nobody knows: it counts as going on.
    for number, said in enumerate(silent.said):
        silent.said[number] = (*said[:2], said[0] > 350 or said[2], *said[3:])
    for second in range(420, 480):
        one.say(second, "pressure", pressure_bar=240.0)
        two.say(second, "pressure", pressure_bar=240.0)
    assert [row.wearer_id for row in see(475).rows] == ["W-3", "W-2", "W-1"]
