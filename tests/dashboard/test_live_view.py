"""What the live page says, word for word: no forecast without its interval, no old number as if live."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from analysis.air.forecast import Scenario
from analysis.live.rows import (
    ORDER,
    AlarmLine,
    FanPoint,
    Hearing,
    Interval,
    Lost,
    NoteLine,
    OrderLine,
    Reason,
    Row,
    Snapshot,
    Team,
)
from dashboard.live import sentences
from dashboard.live import words as live_words
from dashboard.live.view import System, page
from dashboard.words import ALARMS as ALARM_NAMES
from ingest.status import Status

NOW = datetime(2031, 5, 4, 10, 30, tzinfo=UTC).timestamp()

ROW = Row(
    key="trial/S-1",
    set_id="S-1",
    wearer_id="W-1",
    team="Alder",
    task="search",
    incident_id="I-1",
    tallied_in_at=NOW - 700,
    tallied_out_at=None,
    attention="under_air",
    reasons=(),
    started_at=NOW - 600,
    ended_at=None,
    pressure_bar=182.0,
    pressure_at=NOW - 1,
    silent_since_at=None,
    cylinder_known=True,
    start_bar=290.0,
    low_air_bar=55.0,
    turn_back_bar=172.5,
    turn_back_reached_at=None,
    rate_l_min=43.4,
    low_air=Interval(15.9, 11.2, 22.3),
    turn_back=Interval(11.7, 8.9, 14.1),
    low_air_was_expected_at=None,
    entered_at=NOW - 700,
    entry_bar=290.0,
    fan=(FanPoint(120.0, 5.0, 7.0, 9.0), FanPoint(55.0, 11.2, 15.9, 22.3)),
)
HEARING = Hearing(NOW - 1, 600, 0, None, 0.21)
LISTENER = Status(listener="l", state="up", at=datetime.fromtimestamp(NOW - 2, UTC), connected=True)
SYSTEM = System((LISTENER,), 80_000_000_000, True, "token")


def picture(*rows: Row, system: System = SYSTEM, **more: Any) -> dict[str, Any]:
    nothing: dict[str, Any] = dict.fromkeys(
        ("teams", "alarms", "prompts", "notes", "incidents", "desk_heard", "set_ids", "services"), ()
    )
    given = {"at": NOW, "window_from_at": NOW - 900, "rows": rows, "hearing": HEARING} | nothing | more
    return page(Snapshot(**given), system)


def only(row: Row) -> dict[str, Any]:
    (shown,) = picture(row)["rows"]
    return dict(shown)


def test_each_column_has_one_quantity_with_its_interval_rounded_to_the_cautious_side() -> None:
    row = only(ROW)
    assert (row["turn"], row["turn_range"], row["turn_bar"]) == ("11 min", "8 to 15", "at 172 bar")
    assert (row["low"], row["low_range"]) == ("15 min", "11 to 23")
    assert (row["air"], row["air_sub"]) == ("182 bar", "1 s ago · 43 L/min")
    assert (row["entry"], row["entered"], row["inside"]) == ("290 bar", "at 10:18", "11 min")
    assert row["out_by"] == "out by 10:41"  # before the early end of the warning
    past = replace(ROW, turn_back=None, reasons=(Reason("turn_back", NOW - 65),), attention="turn_back")
    assert only(past)["turn"] == "past 1:05"
    team = replace(ROW, attention="turn_back", reasons=(Reason("team_turn_back", NOW - 65),))
    assert (only(team)["turn"], only(team)["turn_range"]) == ("past 1:05", "with its team")
    row = only(replace(ROW, turn_back=Interval(0.6, 0.3, 0.9)))
    assert (row["turn"], row["turn_range"]) == ("< 1 min", "0 to 1")


def system_line(**more: Any) -> str:
    return " · ".join(part["text"] for part in picture(ROW, **more)["system"])


def test_a_unit_that_began_to_receive_lately_says_that_what_was_before_is_not_known() -> None:
    began = replace(HEARING, began_at=NOW - 800)
    said = "First message at 10:16:40 UTC: what was said before is not known here"
    assert said in system_line(hearing=began)
    assert "First message" not in system_line(hearing=replace(HEARING, began_at=NOW - 13 * 3600))
    in_midst = replace(ROW, reasons=(Reason("beginning_not_heard"),))
    for row, is_bad in ((ROW, False), (in_midst, True)):
        assert {"text": said, "bad": is_bad} in picture(row, hearing=began)["system"]


def test_what_the_listener_may_have_missed_is_on_the_page() -> None:
    lost = replace(LISTENER, possible_loss="some messages came at QoS 0: those lost are not sent again. More")
    parts = picture(ROW, system=replace(SYSTEM, listeners=(lost,)))["system"]
    assert {
        "text": "Listener: some messages came at QoS 0: those lost are not sent again",
        "bad": True,
    } in parts


def test_an_interval_that_is_over_at_once_does_not_end_before_a_minute() -> None:
    """Mended: "0 to 0" beside "< 1 min" looked like a fault."""
    row = only(replace(ROW, turn_back=Interval(0.0, 0.0, 0.0)))
    assert (row["turn"], row["turn_range"]) == ("< 1 min", "0 to 1")


def test_a_planned_figure_says_so() -> None:
    row = only(
        replace(ROW, planned=True, low_air=Interval(28.4, 28.4, 28.4), turn_back=Interval(13.1, 13.1, 13.1))
    )
    assert (row["turn"], row["turn_range"]) == ("13 min", "planned")
    assert (row["low"], row["low_range"]) == ("28 min", "planned")


def test_a_young_wear_shows_the_early_end_only_and_the_hard_scenario_beside_it() -> None:
    early = replace(ROW, low_air=Interval(30.0, 18.4, 44.0, early_only=True), if_hardest=Scenario(14.7, 95.2))
    row = only(early)
    assert (row["low"], row["low_range"], row["low_what"]) == ("18 min", "at least", "hard: 14 min")
    assert row["hardest"] == "If it stays as hard as the hardest 3 min: 14 min (95 L/min)"
    assert row["strip"]["fan"] == []
    assert sentences.interval_in_line(Interval(30.0, 18.4, 44.0, early_only=True)) == "at least 18 min"


def test_the_page_names_the_constants_of_its_forecasts() -> None:
    ours = System((LISTENER,), 80_000_000_000, True, "token", forecast="learnt 2031-05-04 from 14 people")
    assert picture(ROW, system=ours)["forecast"] == "Forecast constants: learnt 2031-05-04 from 14 people."


def test_a_silent_set_has_no_live_forecast_and_its_number_carries_its_time() -> None:
    row = only(
        replace(
            ROW,
            attention="silent",
            reasons=(Reason("silent", NOW - 83),),
            silent_since_at=NOW - 83,
            pressure_at=NOW - 83,
            low_air=None,
            turn_back=None,
            fan=(),
            low_air_was_expected_at=(NOW + 560, NOW + 1270),
            turn_back_was_expected_at=(NOW + 300, NOW + 600),
            rate_l_min=None,
        )
    )
    assert row["silent"]
    assert (row["turn"], row["turn_range"]) == ("by 10:35", "as last heard")
    assert (row["low"], row["low_range"]) == ("by 10:39", "as last heard")
    assert (row["air"], row["air_sub"]) == ("182 bar", "at 10:28:37")
    assert row["why"] == "nothing heard for 1:23"
    assert row["strip"]["fan"] == []


def test_a_moment_that_is_over_does_not_read_as_one_that_comes() -> None:
    """The day after, "by 10:13" and "at 10:10:00" read as minutes away; it was a day ago."""
    day = 86_400.0
    silent = replace(
        ROW,
        attention="silent",
        silent_since_at=NOW - 83,
        low_air=None,
        turn_back=None,
        fan=(),
        rate_l_min=None,
        low_air_was_expected_at=(NOW - 97, NOW + 300),
        turn_back_was_expected_at=(NOW - day - 7500, NOW - 60),
        pressure_at=NOW - day,
        entered_at=NOW - day - 3000,
    )
    team = Team(
        "Alder", "I-1", 1, 1, 1, "S-1", "W-1", 182.0, NOW - 83, None, None, "silent", turn_back_by_at=NOW - 97
    )
    shown = picture(silent, teams=(team,))
    (row,) = shown["rows"]
    assert (row["turn"], row["low"]) == ("past 1 d 2 h", "past 1:37")
    assert (row["turn_range"], row["low_range"]) == ("as last heard", "as last heard")
    assert (row["air_sub"], row["entered"], row["inside"]) == ("at 3 May 10:30:00", "at 3 May 09:40", "24 h")
    assert shown["teams"][0]["left"] == "past turn-back 1:37, as last heard"
    # Half a day from now a clock alone is clear, over midnight too.
    assert only(replace(silent, pressure_at=NOW - 40_000))["air_sub"] == "at 23:23:20"


def test_below_the_warning_the_minutes_to_empty_stand() -> None:
    low = replace(ROW, attention="low_air", pressure_bar=40.0, low_air=None, turn_back=None)
    row = only(replace(low, to_empty=Interval(6.2, 4.4, 8.9)))
    assert (row["low"], row["low_range"], row["low_what"]) == ("6 min", "4 to 9", "to empty")
    row = only(low)
    assert (row["low"], row["low_range"]) == ("–", "below 55 bar")
    row = only(replace(low, losing_min=3.7))
    assert (row["low"], row["low_what"]) == ("3 min", "to empty at this rate")


def test_not_accounted_for_says_why_since_when_and_the_last_pressure() -> None:
    lost = replace(
        ROW, attention="not_accounted", lost=Lost("empty", NOW - 65), started_at=None, pressure_bar=6.0,
        reasons=(Reason("lost_empty", NOW - 65),),
    )  # fmt: skip
    shown = picture(lost)
    (row,) = shown["rows"]
    assert (row["state"], row["why"]) == ("Not accounted for", "cylinder empty for 1:05")
    assert row["air"] == "6 bar"
    (alarm,) = shown["alarms"]
    assert (alarm["sound"], alarm["new"], alarm["who"]) == ("not_accounted", True, "W-1")
    seen = NoteLine("n", NOW - 5, alarm["note"], "I-1", "D-2", "S-1", None)
    (alarm,) = picture(lost, notes=(seen,))["alarms"]
    assert not alarm["new"]
    assert "seen by D-2 10:29:55" in alarm["state"]
    early = replace(seen, at=NOW - 70)  # before it was lost: another time
    assert picture(lost, notes=(early,))["alarms"][0]["new"]


def test_who_is_lost_by_silence_is_not_called_silent_twice() -> None:
    reasons = (Reason("lost_silent", NOW - 70), Reason("silent", NOW - 70))
    row = replace(ROW, lost=Lost("silent", NOW - 70), silent_since_at=NOW - 70, reasons=reasons)
    assert only(row)["why"] == "silent for 1:10, air may be used up"


def test_an_order_says_how_many_acknowledged_who_is_out_and_who_has_not() -> None:
    order = OrderLine("k", "I-1", "evacuate", None, None, None, NOW - 31, "D-1", 4, 2, 1, ("trial/S-1",))
    (line,) = picture(ROW, orders=(order,))["orders"]
    assert line["text"] == "Evacuate ordered 10:29:29, 2 of 4 acknowledged, 1 out"
    assert line["who"] == "Not yet: W-1"
    assert line["new"]  # after half a minute, and not before
    (line,) = picture(ROW, orders=(replace(order, still_under_air=("trial/S-1",)),))["orders"]
    assert line["who"] == "Not yet: W-1; tallied out, but perhaps still inside: W-1"
    alone = replace(order, meant=0, acknowledged=0, waiting=(), still_under_air=("trial/S-1",))
    (line,) = picture(ROW, orders=(alone,))["orders"]
    assert (line["late"], line["new"]) == (True, True)  # nobody else may be left who could answer
    assert list(line["waiting"]) == ["trial/S-1"]  # so the row has the button
    (line,) = picture(ROW, orders=(replace(order, waiting=(), lifted_by=("D-2",)),))["orders"]
    assert line["who"] == "D-2 lifted it. It stays until D-1, who gave it, lifts it"
    assert not picture(ROW, orders=(replace(order, given_at=NOW - 29),))["orders"][0]["new"]


@pytest.mark.parametrize(
    ("attention", "code", "said"),
    [
        ("distress", "distress", "for 1:05"),
        ("low_air", "distress", "distress for 1:05"),
        ("other_alarm", "heat", "for 1:05"),
        ("turn_back_soon", "turn_back_soon", ""),  # its column says it
        ("not_accounted", "lost_off", "set switched off for 1:05"),
        ("under_air", "no_tally", "not tallied in"),
    ],
)
def test_a_reason_does_not_repeat_what_the_state_has_named(attention: Any, code: str, said: str) -> None:
    row = only(replace(ROW, attention=attention, reasons=(Reason(code, NOW - 65),)))
    assert row["why"] == said


def test_every_state_every_alarm_and_every_reason_has_its_words() -> None:
    assert live_words.ATTENTION.keys() == ORDER.keys()
    for kind in ALARM_NAMES:
        assert "1:05" in sentences.reason(kind, NOW - 65, NOW, "")
    assert len(set(live_words.ATTENTION.values())) == len(ORDER)


def test_every_state_has_a_shape_of_its_own() -> None:
    """Nobody needs to see colours: each state has its word and its outline, filled or open."""
    script = (Path(live_words.__file__).parents[1] / "assets" / "live_strip.js").read_text()
    block = script.split("const SHAPES = {")[1].split("};")[0]
    shapes = dict(re.findall(r"(\w+): \"([^\"]+)\"", block))
    assert shapes.keys() == ORDER.keys()
    assert len(set(shapes.values())) == len(ORDER)


def test_an_alarm_says_since_when_who_has_seen_it_and_where_it_is_from() -> None:
    alarm = AlarmLine(
        key="k",
        service="trial",
        set_id="S-1",
        wearer_id="W-1",
        team="Alder",
        alarm="no_motion",
        raised_at=NOW - 125,
        inferred=True,
        derived=False,
        acknowledged_at=NOW - 100,
        ended_at=None,
        seen_at=NOW - 90,
        seen_by="D-1",
        detail=None,
    )
    (line,) = picture(ROW, alarms=(alarm,))["alarms"]
    assert (line["alarm"], line["age"], line["new"], line["grave"]) == ("No motion", "for 2:05", False, True)
    assert line["state"] == (
        "since 10:27:55 · reported · start not heard · acknowledged at the set 10:28:20"
        " · seen by D-1 10:28:30"
    )
    (line,) = picture(ROW, alarms=(replace(alarm, ended_at=NOW - 5, seen_at=None),))["alarms"]
    assert (line["age"], line["ended"], line["new"]) == ("ended 10:29:55", True, True)


def test_an_alarm_that_came_again_says_how_often_and_since_when() -> None:
    again = (9, NOW - 486)
    ended = Reason("no_motion_ended", NOW - 2, repeated=again)
    row = replace(ROW, attention="other_alarm", reasons=(ended,))
    said = "no motion until 0:02 ago, 9 times since 10:21:54, seen by nobody"
    assert only(row)["why"] == said
    on = replace(ROW, attention="no_motion", reasons=(Reason("no_motion", NOW - 2, repeated=again),))
    assert only(on)["why"] == "for 0:02, 9 times since 10:21:54"
    alarm = AlarmLine(
        key="k", service="trial", set_id="S-1", wearer_id="W-1", team=None, alarm="no_motion",
        raised_at=NOW - 6, ended_at=NOW - 2, repeated=again,
    )  # fmt: skip
    (line,) = picture(ROW, alarms=(alarm,))["alarms"]
    assert (line["age"], line["state"]) == ("ended 10:29:58", "9 times since 10:21:54 · reported")


def test_evacuation_alarms_of_several_sets_are_one_line() -> None:
    alarm = AlarmLine(
        key="k1", service="trial", set_id="S-1", wearer_id="W-1", team=None, alarm="evacuate",
        raised_at=NOW - 50,
    )  # fmt: skip
    other = replace(
        alarm, key="k2", set_id="S-2", wearer_id="W-2", raised_at=NOW - 45, acknowledged_at=NOW - 40
    )
    (line,) = picture(alarms=(alarm, other))["alarms"]
    assert line["who"] == "2 sets: W-1, W-2"
    assert line["state"] == "since 10:29:10 · 1 of 2 acknowledged at the set"
    assert [one["set_id"] for one in line["several"]] == ["S-1", "S-2"]
    assert picture(alarms=(alarm,))["alarms"][0]["who"] == "W-1"


def test_a_team_is_said_in_one_line() -> None:
    team = Team(
        team="Alder",
        incident_id="I-1",
        members=3,
        under_air=2,
        silent=1,
        lowest_set_id="S-1",
        lowest_wearer_id="W-1",
        lowest_bar=118.0,
        lowest_at=NOW - 70,
        turn_back=Interval(6.5, 4.2, 8.1),
        turn_back_reached_at=None,
        attention="silent",
    )
    (line,) = picture(ROW, teams=(team,))["teams"]
    assert line["left"] == "turn back in 6 min, 4 to 9"
    assert line["members"] == "2 of 3 under air, 1 silent · lowest W-1, 118 bar, 1:10 old"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"state": "stopped"}, "The listener stopped at 10:29:58 UTC"),
        ({"state": "down"}, "The listener stopped at"),
        ({"at": datetime.fromtimestamp(NOW - 40, UTC)}, "No sign of life from the listener for 0:40"),
        ({"connected": False}, "The listener has no connection to its broker"),
        ({"trouble": "disk full", "cannot_keep": "disk full"}, "Listener: disk full"),
    ],
)
def test_a_sick_listener_takes_the_whole_top_of_the_page(change: dict[str, Any], said: str) -> None:
    system = replace(SYSTEM, listeners=(replace(LISTENER, **change),))
    shown = picture(ROW, system=system)
    assert said in shown["banner"]
    assert "Nothing below is live" in shown["banner"]
    assert shown["system"][0]["bad"]
    assert said in picture(system=system)["banner"]  # that nobody is under air is an old word as well
    both = replace(SYSTEM, listeners=(replace(LISTENER, **change), LISTENER))
    assert picture(ROW, system=both)["banner"] is None  # a second listener hears


def test_silence_of_everybody_takes_the_top_as_well() -> None:
    assert picture(ROW)["banner"] is None
    shown = picture(ROW, hearing=replace(HEARING, last_received_at=NOW - 12))
    assert "Nothing received for 0:12" in shown["banner"]


def test_where_nothing_was_ever_received_the_empty_lists_are_no_good_news() -> None:
    shown = picture()
    assert (shown["nobody"], shown["no_alarms"]) == (live_words.NOBODY, live_words.NO_ALARMS)
    shown = picture(hearing=replace(HEARING, last_received_at=None))
    assert "Nothing has been received yet" in shown["nobody"]
    assert "Nothing has been received yet" in shown["no_alarms"]


def test_where_no_listener_runs_the_page_says_so_and_counts_nobody() -> None:
    shown = picture(system=replace(SYSTEM, listeners=()))  # what was imported was heard a second ago
    assert "No listener on this archive. Nothing below is live" in shown["banner"]
    assert shown["summary"] == {}
    assert "Nobody" not in shown["nobody"]
    assert "nothing is received here" in shown["nobody"]
    assert "nothing is received here" in shown["no_alarms"]
    assert picture(ROW, system=replace(SYSTEM, listeners=()))["summary"] != {}


def test_the_system_line_marks_what_is_bad_with_a_flag_and_words() -> None:
    system = replace(SYSTEM, disk_free_bytes=400_000_000, broker_connected=False)
    hearing = replace(HEARING, refused_last_hour=2, last_refusal="topic has 3 levels", delay_p95_s=9.0)
    bad = [part["text"] for part in picture(ROW, system=system, hearing=hearing)["system"] if part["bad"]]
    assert bad == [
        "This desk cannot send: no broker",
        "Delay 9.0 s",
        "2 refused in the last hour (last: topic has 3 levels)",
        "Disk 400 MB free",
    ]
    assert not any(part["bad"] for part in picture(ROW)["system"])


def test_the_script_words_nothing_that_a_person_reads() -> None:
    """Every text in the page's scripts comes from `live_words`: no sentence stands in quotes there."""
    scripts = sorted((Path(live_words.__file__).parents[1] / "assets").glob("live*.js"))
    assert scripts
    for path in scripts:
        code = re.sub(r"//.*", "", path.read_text())
        sentences = re.findall(r"[\"'`]([A-Z][a-z]+ [a-z][^\"'`]*)[\"'`]", code)
        assert sentences == [], path.name
        assert "innerHTML" not in code
        assert len(path.read_text().splitlines()) <= 500


def test_long_names_are_never_cut_so_that_people_become_one() -> None:
    """Three wearers, a distress and an order's "Not yet" all read "FD-2031-0…001-CREW"."""
    names = [f"FD-2031-0417-000{number}-of-the-001-CREW" for number in (1, 2, 3)]
    rows = tuple(
        replace(
            ROW, key=name, wearer_id=name, team=name, set_id=name, reasons=(Reason("two_sets", who=name),)
        )
        for name in names
    )
    shown = picture(*rows)
    assert [row["who"] for row in shown["rows"]] == names
    assert [row["team"] for row in shown["rows"]] == names
    for row, name in zip(shown["rows"], names, strict=True):
        assert row["sub"] == f"{name} · search"
        assert name in row["why"]
    assert "…" not in str(shown)


def test_where_nothing_was_ever_heard_nothing_is_counted() -> None:
    never = picture(hearing=Hearing(None, 0, 0, None, None))
    assert never["summary"] == {}
    assert picture()["summary"][""][0] == "0 in"


def test_a_set_with_every_alarm_takes_no_more_than_its_row() -> None:
    codes = ("distress", "no_motion", "low_air", "heat", "evacuate", "fault", "battery")
    reasons = tuple(Reason(code, NOW - 65) for code in codes)
    row = only(replace(ROW, attention="distress", reasons=reasons))
    assert row["why"].split(" · ")[0] == "for 1:05"
    assert row["why"].split(" · ")[2:] == ["heat alarm for 1:05", "and 3 more"]
    assert "more" not in only(replace(ROW, attention="distress", reasons=reasons[:4]))["why"]


def test_an_alarm_has_one_name_on_every_page() -> None:
    assert {kind: name.lower() for kind, name in sentences.ALARMS.items()} == ALARM_NAMES
