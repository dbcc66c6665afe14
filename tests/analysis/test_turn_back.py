"""Turn-back: each policy on wears whose moments can be computed by hand; teams, notes, the replay table."""

from __future__ import annotations

from typing import Any

import msgspec
import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Policy, Profile, shipped_profile

PROFILE = Profile.default()
BAR_S = 0.1


def with_policy(policy: Policy, **changes: Any) -> Profile:
    return msgspec.structs.replace(
        PROFILE, turn_back=msgspec.structs.replace(PROFILE.turn_back, policy=policy, **changes)
    )


def team(log: Any, starts: tuple[float, ...] = (300.0, 280.0), seconds: int = 2400) -> None:
    """Say a team whose members lose 6 bar a minute from 60 s on."""
    desk = log.desk()
    for number, start_bar in enumerate(starts, 1):
        talker = log.talker(f"S-{number}")
        talker.set_up(0)
        talker.breathe(60, seconds, start_bar=start_bar, bar_s=BAR_S, only_pressure=True)
        who = {"set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": "Larch"}
        desk.say(55, "tally", incident_id="I-1", action="in", **who)
        desk.say(60 + seconds, "tally", incident_id="I-1", action="out", **who)


def replayed(log: Any, profile: Profile, wear_id: str = "S-1/1/1") -> dict[str, dict[str, Any]]:
    table = analyse(log.frames(), profile)["turn_back"]
    return {row["policy"]: row for row in table.filter(pl.col("wear_id") == wear_id).to_dicts()}


def after(log: Any, moment: Any) -> float:
    return (moment - log.at(0)).total_seconds()


def test_half_of_usable(log: Any) -> None:
    team(log, (300.0,), seconds=2600)
    row = replayed(log, PROFILE)["half_of_usable"]
    # 55 + (300 - 55) / 2 = 177.5 bar, 122.5 bar and so 1225 s after the start
    assert after(log, row["at"]) == pytest.approx(60 + 1225, abs=8)
    assert row["pressure_bar"] == pytest.approx(177.5, abs=0.5)
    assert row["minutes_in_hand_low_air"] == pytest.approx(1225 / 60, abs=0.3)
    assert row["minutes_in_hand_leaving"] == pytest.approx((2600 - 1225) / 60, abs=0.3)


def test_half_of_usable_with_reserve_rounded_up(log: Any) -> None:
    team(log, (300.0,))
    row = replayed(log, shipped_profile("half_of_usable"))["half_of_usable"]
    assert row["pressure_bar"] == pytest.approx(180.0, abs=0.5)  # 60 + 240 / 2, a firefighters' forum


def test_thirds(log: Any) -> None:
    team(log, (300.0,))
    row = replayed(log, shipped_profile("thirds"))["half_of_usable"]
    assert row["pressure_bar"] == pytest.approx(200.0, abs=0.5)  # a third used on the way in, from memory


def test_double_return_from_the_desks_note(log: Any) -> None:
    team(log, (300.0,))
    log.desk("D-2").say(560, "note", incident_id="I-1", text="Larch: objective reached, loft", set_id="S-1")
    row = replayed(log, with_policy("double_return"))["double_return"]
    # 50 bar used on the way in: leave at 100 bar (worked example 12)
    assert row["pressure_bar"] == pytest.approx(100.0, abs=1.5)
    assert after(log, row["at"]) == pytest.approx(60 + 2000, abs=20)


def test_note_about_another_moment_counts_there(log: Any) -> None:
    team(log, (300.0,))
    about = log.at(560).isoformat()
    note = {"incident_id": "I-1", "text": "Larch: objective reached", "set_id": "S-1", "at": about}
    log.desk("D-2").say(900, "note", **note)
    row = replayed(log, with_policy("double_return"))["double_return"]
    assert row["pressure_bar"] == pytest.approx(100.0, abs=1.5)


def test_double_return_without_a_note_uses_the_profiles_way_in(log: Any) -> None:
    team(log, (300.0,))
    row = replayed(log, with_policy("double_return", way_in_min=10.0))["double_return"]
    assert row["pressure_bar"] == pytest.approx(120.0, abs=1.5)  # 60 bar in ten minutes


def test_double_return_never_plans_below_the_warning(log: Any) -> None:
    team(log, (300.0,), seconds=2600)
    row = replayed(log, with_policy("double_return", way_in_min=2.0))["double_return"]
    assert row["pressure_bar"] == pytest.approx(55.0, abs=1.0)


def test_fixed_margin_is_nominal_on_purpose(log: Any) -> None:
    team(log, (200.0,), seconds=2000)
    row = replayed(log, with_policy("fixed_margin"))["fixed_margin"]
    minutes = 6.8 * 200.0 / 40.0 - 10.0  # 24, and the warning after 24.2
    assert after(log, row["at"]) == pytest.approx(60 + minutes * 60, abs=1)


def test_forecast_leaves_while_the_early_end_covers_the_way_in(log: Any) -> None:
    team(log, (300.0,))
    messages = log.frames()
    results = analyse(messages, with_policy("forecast", way_in_min=8.0))
    row = results["turn_back"].row(by_predicate=pl.col("policy") == "forecast", named=True)
    air = results["air"].filter(pl.col("time") < row["at"])
    assert (air["low_air_lo_min"].drop_nulls() > 10.0).all()  # 8 in, 2 margin
    assert 0 < after(log, row["at"]) < 60 + 2400


@pytest.mark.parametrize(
    ("bar_s", "first_s", "last_s"),
    [
        (0.12, 400, 1440),  # 49 L/min: with 281 bar in the second minute nobody has to turn back
        (0.3, 180, 500),  # 120 L/min: 800 s to the warning, 10 min before it is 3 min 20 s
        (0.8, 60, 75),  # 330 L/min lost: 5 min to the warning, known after a minute
    ],
)
def test_forecast_orders_nobody_back_because_it_is_young_but_whoever_loses_air(
    log: Any, bar_s: float, first_s: float, last_s: float
) -> None:
    """In the second minute the early end is wide for everybody: two crews of three had to turn back."""
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(60, round(240 / bar_s), bar_s=bar_s)
    row = replayed(log, with_policy("forecast", way_in_min=8.0))["forecast"]
    assert first_s <= after(log, row["at"]) - 60 <= last_s


def test_never_reached_is_null(log: Any) -> None:
    team(log, (300.0,), seconds=300)
    rows = replayed(log, PROFILE)
    assert {row["at"] for row in rows.values()} == {None}
    assert {row["minutes_in_hand_leaving"] for row in rows.values()} == {None}


def test_team_turns_on_its_lowest_member(log: Any) -> None:
    team(log)
    wears = analyse(log.frames(), PROFILE)["wears"]
    # S-2 begins with 280 bar: 55 + 225 / 2 = 167.5 bar after 1125 s; S-1 alone would have 1225 s
    assert wears["turn_back_bar"].to_list() == pytest.approx([177.5, 167.5])
    assert [after(log, at) for at in wears["turn_back_at"]] == pytest.approx([60 + 1125] * 2, abs=8)
    table = analyse(log.frames(), PROFILE)["turn_back"].filter(pl.col("policy") == "half_of_usable")
    own = [after(log, at) for at in table["at"]]
    assert own == pytest.approx([60 + 1225, 60 + 1125], abs=8)


def test_teams_and_wears_apart_do_not_mix(log: Any) -> None:
    team(log, (300.0,))
    talker = log.talker("S-9")
    talker.set_up(5000)
    talker.breathe(5060, 2000, start_bar=200.0, bar_s=0.07)
    who = {"set_id": "S-9", "wearer_id": "W-9", "team": "Larch"}
    log.desk("D-2").say(5050, "tally", incident_id="I-1", action="in", **who)
    wears = analyse(log.frames(), PROFILE)["wears"]
    first, second = (after(log, at) for at in wears["turn_back_at"])
    assert first == pytest.approx(60 + 1225, abs=8)
    assert second > 5060


@pytest.mark.parametrize(("said_s", "late"), [(1300, False), (1700, True), (None, True)])
def test_turned_back_late(log: Any, said_s: float | None, late: bool) -> None:
    """Due at about 1285 s; the warning comes at 2510 s, the wear ends at 2660 s."""
    team(log, (300.0,), seconds=2600)
    if said_s is not None:
        note = {"incident_id": "I-1", "text": "Larch: turning back", "set_id": "S-1"}
        log.desk("D-2").say(said_s, "note", **note)
    findings = analyse(log.frames(), PROFILE)["findings"]
    found = findings.filter(pl.col("code") == "turned_back_late").to_dicts()
    assert bool(found) is late
    if found:
        assert ("The desk noted the turn at 10:28:20 UTC" in found[0]["statement"]) is (said_s is not None)
        assert len(found[0]["evidence"]) >= 3


@pytest.mark.parametrize(
    ("noted_s", "seconds", "told"),
    [
        (400, 880, None),  # inside for 340 s, the planned way is longer: until 940 s
        (400, 900, "8 min 20 s"),
        (1000, 1930, None),  # inside for 940 s before: until 2000 s
        (1000, 1990, "17 min 30 s"),
    ],
)
def test_a_noted_turn_with_an_exit_far_later_is_told(
    log: Any, noted_s: int, seconds: int, told: str | None
) -> None:
    """A team's note stood for the turn of somebody who breathed on inside for another 17 min."""
    team(log, (300.0,), seconds=seconds)
    log.desk("D-2").say(noted_s, "note", incident_id="I-1", text="Team Larch: turning back")
    found = analyse(log.frames(), PROFILE)["findings"].filter(code="long_way_back").to_dicts()
    assert bool(found) == (told is not None)
    if told is not None:
        assert found[0]["severity"] == "caution"


@pytest.mark.parametrize(("seconds", "late"), [(1750, False), (1780, True), (2000, True), (2480, True)])
def test_who_leaves_later_than_the_planned_way_back_is_late_whether_or_not_the_warning_came(
    log: Any, seconds: int, late: bool
) -> None:
    """Due at about 1285 s; 8 min of way and 1 min of margin end at 1825 s, 1765 s after the start."""
    team(log, (300.0,), seconds=seconds)
    findings = analyse(log.frames(), PROFILE)["findings"]
    found = findings.filter(pl.col("code") == "turned_back_late").to_dicts()
    assert bool(found) is late
    if late and seconds < 2450:  # the warning comes 2450 s after the start
        assert found[0]["severity"] == "caution"
        assert "longer than the planned 8 min" in found[0]["statement"]


@pytest.mark.parametrize(
    ("text", "set_id", "counts"),
    [
        ("Larch: turning back", "S-1", True),
        ("W-1 turning back, heat alarm", "S-1", True),
        ("W-1 free, turning back", "S-1", True),
        ("gone-0fa6403d6b free, turning back", "S-1", True),  # a name that was dropped
        ("stairs gone, turning back", "S-1", False),
        ("turning back", "S-1", True),
        ("Larch turning back", None, True),
        ("Team Larch: W-1 turning back", None, True),
        ("turning back, Larch", None, True),
        ("Turning back: team Larch.", None, True),
        ("turning back Larch", None, True),
        ("All teams turning back", None, True),
        ("Turning back: everybody", None, True),
        ("turning back, Larch-2", None, False),
        ("turning back to the stairs at Larch", None, False),
        ("No reply from Larch, turning back?", None, False),
        ("W-1 says NOT turning back, goes on", "S-1", False),
        ("Team 3 wants to know when turning back", None, False),
        ("Person at window, floor Larch, turning back to the stairs", None, False),
        ("Larch-2: turning back", None, False),
        ("turning back", None, False),
        ("10:21 Larch: W-1 turning back with W-2", "S-1", True),
        ("Larch: turning back, 10:21", "S-1", True),
        ("Turning back not possible, stairs gone", "S-1", False),
        ("turning back?", "S-1", False),
        ("Turning back, no: goes on to the cellar", "S-1", False),
        ("turning back at 100 bar planned", "S-1", False),
        ("turning back in 5 min at 100 bar", "S-1", False),
        ("turning back, in 5 min", "S-1", False),
        ("turning back, not possible", "S-1", False),
        ("Team Larch turning back, no casualty found", "S-1", True),
        ("turning back, cellar searched, nobody in there", "S-1", True),
        ("turning back, will report at the door", "S-1", True),
        ("Team Larch turning back as ordered", "S-1", True),
        ("turning back before the stairs, W-1 low", "S-1", True),
        ("turning back after a burst of hot gas", "S-1", True),
        ("turning back, next team ready", "S-1", True),
        ("turning back at 130 bar", "S-1", True),
        ("Team Larch turning back refused by W-1", "S-1", False),
        ("W-1 says: turning back in 5 min", "S-1", False),
        ("turning back, when the search is done", "S-1", False),
        ("turning back, Larch?", None, False),
        ("Team Larch turning back - negative", "S-1", False),
        ("Asked: Team Larch turning back", "S-1", False),
        ("Asked, Team Larch turning back", "S-1", False),
        ("Order: Team Larch turning back", "S-1", False),
        ("Command: turning back", "S-1", False),
        ("Told team Larch: turning back", "S-1", False),
        ("Not true: team Larch turning back", "S-1", False),
        ("False: Team Larch turning back", "S-1", False),
        ("Nobody: turning back", "S-1", False),
        ("Until then: team Larch turning back", "S-1", False),
        ("Team Larch turning back. Cancel that", "S-1", False),
        ("Team Larch turning back, soon", "S-1", False),
        ("Team Larch turning back soon", "S-1", False),
        ("Team Larch turning back, cannot get out", "S-1", False),
        ("Team Larch turning back, can't find the way", "S-1", False),
        ("Team Larch turning back, way out blocked", "S-1", False),
        ("Team Larch turning back, stairs gone", "S-1", False),
        ("Team Larch turning back, one more room first", "S-1", False),
        ("Team Larch turning back, wants to search one more room first", "S-1", False),
        ("Team Larch turning back, W-1 refuses", "S-1", False),
        ("Team Larch turning back, W-1 stays", "S-1", False),
        ("Team Larch turning back with W-2, W-1 goes on", "S-1", False),
        ("Team Larch turning back with W-2 - W-1 missing", "S-1", False),
        ("Team Larch turning back after this room", "S-1", False),
        ("Team Larch turning back after the search", "S-1", False),
        ("Team Larch turning back after next room", "S-1", False),
        ("Team Larch turning back after 12 min", "S-1", False),
        ("Team Larch turning back without W-2", "S-1", False),
        ("Team Larch turning back (ordered)", "S-1", False),
        ("Team Larch turning back, no longer needed", "S-1", False),
        ("Team Larch turning back, not yet", "S-1", False),
        ("No. Team Larch turning back", "S-1", False),
        ("Team Larch: no, turning back", "S-1", False),
        ("Team Larch turning back, wait", "S-1", False),
        ("W-2 turning back, W-1 stays", "S-1", False),
        ("Team Larch turning back - low air", "S-1", True),
        ("Team Larch turning back, as ordered", "S-1", True),
        ("turning back, at 130 bar", "S-1", True),
        ("Team Larch turning back now", "S-1", True),
        ("Team Larch turning back 10:21", "S-1", True),
        ("Team Larch turning back with casualty", "S-1", True),
        ("Team Larch turning back due to heat", "S-1", True),
        ("Team Larch turning back. No smoke on stairs", "S-1", True),
        ("W-1 turning back with W-3; W-2 stays at the branch", "S-1", True),
        ("Team Larch turning back, disregard", "S-1", False),
        ("Team Larch turning back, scratch that", "S-1", False),
        ("Team Larch turning back, door jammed", "S-1", False),
        ("Team Larch turning back, W-1 unconscious", "S-1", False),
        ("Team Larch turning back, W-1 inside", "S-1", False),
        ("Team Larch turning back, W-1 cut off", "S-1", False),
        ("about to move, Team Larch turning back", "S-1", False),
        ("Team Larch turning back, delayed", "S-1", False),
        ("Team Larch is turning back", "S-1", True),
        ("Larch now turning back", "S-1", True),
        ("W-1 and W-2 turning back", "S-1", True),
        ("W-12 and W-1 turning back", "S-1", True),
        ("Larch: W-12 turning back", None, False),
        ("Team Larch is not turning back", "S-1", False),
        ("W-2 and W-3 turning back, W-1 and W-4 stay", "S-1", False),
        ("Larch: W-1 turning back; W-2 stays", None, True),
        ("Larch: W-2 turning back; W-1 stays", None, False),
        ("Larch: W-2 turning back", None, False),
    ],
)
def test_a_note_that_says_the_opposite_or_is_about_another_is_no_turn(
    log: Any, text: str, set_id: str | None, counts: bool
) -> None:
    """The words were looked for anywhere in the text, the team's name too."""
    team(log, (300.0,), seconds=2000)
    log.desk("D-2").say(1300, "note", incident_id="I-1", text=text, **({"set_id": set_id} if set_id else {}))
    (entry,) = analyse(log.frames(), PROFILE)["entries"].to_dicts()
    assert (entry["turn_back_noted_at"] is not None) is counts


def test_a_note_that_the_turn_is_not_possible_is_quoted_and_the_exit_counts(log: Any) -> None:
    """It stood for the turn, late by 0 s: a refused turn was the cleanest entry of the report."""
    team(log, (300.0,), seconds=2000)
    text = "Turning back not possible, stairs gone"
    log.desk("D-2").say(1300, "note", incident_id="I-1", set_id="S-1", text=text)
    found = analyse(log.frames(), PROFILE)["findings"].filter(code="turned_back_late")
    (statement,) = found["statement"]
    assert (
        f"No note says for certain that this wearer turned (one of 10:21:40 UTC reads “{text}”)" in statement
    )


@pytest.mark.parametrize(
    ("text", "bar"),
    [
        ("objective reached, loft", 100.0),
        ("objective reached, goes on to search the loft first", 100.0),
        ("objective reached in the loft", 100.0),
        ("objective reached?", 120.0),
        ("objective reached - negative", 120.0),
        ("Asked: objective reached", 120.0),
    ],
)
def test_an_objective_that_is_only_asked_for_is_not_reached(log: Any, text: str, bar: float) -> None:
    """50 bar on a way in that is known, else 60 bar by the profile's 10 min: too early a word allows more."""
    team(log, (300.0,))
    log.desk("D-2").say(560, "note", incident_id="I-1", set_id="S-1", text=text)
    row = replayed(log, with_policy("double_return", way_in_min=10.0))["double_return"]
    assert row["pressure_bar"] == pytest.approx(bar, abs=1.5)


@pytest.mark.parametrize(("set_id", "quoted"), [(None, True), ("S-1", True), ("S-9", False)])
def test_a_late_turn_quotes_the_note_that_may_have_been_about_it(
    log: Any, set_id: str | None, quoted: bool
) -> None:
    """Who is judged late must not read "nobody noted" where a note only does not say whose turn it was."""
    team(log, (300.0,), seconds=2000)
    text = "W-1 of Larch reports turning back"
    log.desk("D-2").say(1300, "note", incident_id="I-1", text=text, **({"set_id": set_id} if set_id else {}))
    findings = analyse(log.frames(), PROFILE)["findings"].filter(pl.col("code") == "turned_back_late")
    (statement,) = findings["statement"]
    assert ("No note says for certain that this wearer turned (one of 10:21:40 UTC" in statement) is quoted
    assert (text in statement) is quoted
    assert ("Nobody noted the turn" in statement) is not quoted


@pytest.mark.parametrize(("incident_id", "late"), [("I-1", False), ("I-2", True)])
def test_a_note_about_a_team_of_the_same_name_elsewhere_is_not_about_this_one(
    log: Any, incident_id: str, late: bool
) -> None:
    team(log, (300.0,), seconds=2000)
    log.desk("D-2").say(1300, "note", incident_id=incident_id, text="Larch: turning back")
    findings = analyse(log.frames(), PROFILE)["findings"]
    assert ("turned_back_late" in findings["code"].to_list()) is late
