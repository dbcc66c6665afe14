"""Rows, teams, alarms, orders and counts of the live page, each painted by hand, word for word.

Regression values: our own results, read once by a person. What is kept of each case is what it changes in
the plain picture. After a wanted change ``python -m tests.dashboard.test_painted_word_for_word`` writes
them anew; read the difference.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from analysis.air.forecast import Scenario
from analysis.live.rows import (
    AlarmLine,
    Contradiction,
    FanPoint,
    GaugeRow,
    IncidentRow,
    Interval,
    Lost,
    NoteLine,
    OrderLine,
    Out,
    Prompt,
    Reason,
    RollCallLine,
    StandbyLine,
    Team,
)
from dashboard.live.view import System
from ingest.status import Status
from tests.dashboard.test_live_view import HEARING, LISTENER, NOW, ROW, SYSTEM, picture

KEPT = Path(__file__).with_suffix(".json")
SILENT = {"silent_since_at": NOW - 90, "attention": "silent", "low_air": None, "turn_back": None}
OTHER = replace(ROW, key="trial/S-2", set_id="S-2", wearer_id="W-2", team="Birch")
ALARM = AlarmLine(
    key="k", service="trial", set_id="S-1", wearer_id="W-1", team="Alder", alarm="heat", raised_at=NOW - 60
)  # fmt: skip
SECOND = replace(ALARM, key="l", set_id="S-2", wearer_id=None, raised_at=NOW - 90)
NOTE = NoteLine("n", NOW - 50, "losing air seen", "I-1", "D-2", "S-1", None)
ORDER = OrderLine("o", "I-1", "evacuate", None, None, None, NOW - 31, "D-1", 3, 1, 1, ("trial/S-1", "x"))
OUT = Out("I-1/W-1/1", "W-1", "S-1", "Alder", "I-1", NOW - 60, 80.0, 1260.0, NOW - 70, False, True, 1379.0)
TEAM = Team(
    "Alder", "I-1", 3, 2, 1, "S-1", "W-1", 120.0, NOW - 9, Interval(9.0, 7.0, 12.0), None, "under_air"
)
FIRE = IncidentRow("I-1", "Mill fire", "Quay 3", NOW - 900)
WOOD = IncidentRow("I-2", None, None, NOW - 800)
PAST = (Reason("turn_back", NOW - 60), Reason("team_turn_back", NOW - 120))
MANY = tuple(
    Reason(code, NOW - 9) for code in ("heat", "evacuate", "fault", "battery", "no_tally", "no_setup")
)
READY = StandbyLine("I-1", "Dogwood", "ready", NOW - 600, None)

ROWS: dict[str, dict[str, Any]] = {
    "nobody knows who": {
        "wearer_id": None,
        "team": None,
        "task": None,
        "incident_id": None,
        "tallied_in_at": None,
    },
    "past turn-back": {"reasons": PAST, "attention": "turn_back", "turn_back": None},
    "past turn-back by voice": {"reasons": PAST[:1], "by_voice": True, "started_at": None},
    "past turn-back and gone": {"reasons": PAST[:1], "started_at": None},
    "turned back": {"turn_back_reached_at": NOW - 61.26, "turn_back": None},
    "silent": {**SILENT, "reasons": (Reason("silent", NOW - 90),)},
    "silent, turn-back to come": {**SILENT, "turn_back_was_expected_at": (NOW + 61, NOW + 600)},
    "silent, turn-back just now": {**SILENT, "turn_back_was_expected_at": (NOW, NOW + 600)},
    "silent, low air to come": {**SILENT, "low_air_was_expected_at": (NOW + 121, NOW + 600)},
    "silent, low air past": {**SILENT, "low_air_was_expected_at": (NOW - 61, NOW + 600)},
    "lost silent": {
        **SILENT,
        "lost": Lost("silent", NOW - 90),
        "reasons": (Reason("silent"), Reason("lost_silent")),
    },
    "lost, empty": {
        **SILENT,
        "lost": Lost("empty", NOW - 90),
        "reasons": (Reason("silent"), Reason("lost_empty")),
    },
    "missing": {"lost": Lost("missing", NOW - 90), "attention": "not_accounted"},
    "tally refused": {"lost": Lost("tally_refused", NOW - 90, "why"), "attention": "not_accounted"},
    "off": {"lost": Lost("off", NOW - 90), "started_at": None, "attention": "not_accounted"},
    "losing air": {"losing_min": 3.5, "attention": "losing_air"},
    "to empty": {"to_empty": Interval(6.0, 4.0, 8.0), "attention": "low_air", "low_air": None},
    "below the warning": {"low_air": None, "pressure_bar": 55.0, "low_air_bar": 55.0},
    "above the warning without forecast": {"low_air": None, "pressure_bar": 55.1, "low_air_bar": 55.0},
    "no pressure": {"low_air": None, "pressure_bar": None, "pressure_at": None},
    "low air said by the column": {"reasons": (Reason("low_air"), Reason("turn_back_soon"))},
    "low air without a pressure": {"pressure_bar": None, "reasons": (Reason("low_air", NOW - 9),)},
    "planned": {"planned": True},
    "planned without": {"planned": True, "low_air": None, "turn_back": None},
    "early end only": {"low_air": Interval(9.0, 7.0, 12.0, True), "turn_back": Interval(5.0, 4.0, 6.0, True)},
    "fan": {"fan": (FanPoint(100.06, 2.0, 3.04, 4.0),), "low_air": None},
    "fan of a young wear": {
        "fan": (FanPoint(100.0, 2.0, 3.0, 4.0),),
        "low_air": Interval(9.0, 7.0, 12.0, True),
    },
    "fan of a forecast": {"fan": (FanPoint(100.0, 2.0, 3.0, 4.0),), "low_air": Interval(9.0, 7.0, 12.0)},
    "hardest sooner": {"if_hardest": Scenario(8.0, 90.0), "low_air": Interval(9.0, 7.0, 12.0)},
    "hardest as soon": {"if_hardest": Scenario(9.0, 90.0), "low_air": Interval(9.0, 7.0, 12.0)},
    "hardest of a young wear": {
        "if_hardest": Scenario(9.5, 90.0),
        "low_air": Interval(9.0, 7.0, 12.0, True),
    },
    "hardest without forecast": {"if_hardest": Scenario(9.0, 90.0), "low_air": None},
    "the set differs": {"reasons": (Reason("set_differs"),), "other_bar": 199.0, "by_voice": True},
    "risen": {"reasons": (Reason("risen"),), "other_bar": 280.0},
    "voice higher, not said": {"reasons": (Reason("voice_higher", who="x"),), "other_bar": None},
    "two sets": {"reasons": (Reason("two_sets", who="S-9"),), "other_bar": 280.0},
    "gauge by voice": {"gauge": GaugeRow(150.0, NOW - 61, "D-1", "D-1/1/7")},
    "gauge a minute older": {"gauge": GaugeRow(150.0, NOW - 61.5, "D-1", "D-1/1/7")},
    "gauge that counts": {
        "gauge": GaugeRow(150.0, NOW - 5, "D-1", "D-1/1/7"),
        "by_voice": True,
        "pressure_at": NOW - 5,
    },
    "gauge less what the set has fallen since": {
        "gauge": GaugeRow(150.0, NOW - 5, "D-1", "D-1/1/7"),
        "by_voice": True,
        "pressure_bar": 147.0,
    },
    "gauge alone": {"gauge": GaugeRow(150.0, NOW - 500, "D-1", "D-1/1/7"), "pressure_at": None},
    "other alarm": {"attention": "other_alarm", "reasons": (Reason("no_tally"), Reason("heat", NOW - 9))},
    "other alarm, none named": {"attention": "other_alarm", "reasons": (Reason("no_motion_ended", NOW - 9),)},
    "many reasons": {"reasons": MANY},
    "as many as are shown": {"reasons": MANY[:4]},
    "entered never": {"entered_at": None, "entry_bar": None, "turn_back_bar": None},
    "entered before the set was heard": {"entered_at": NOW - 700.26, "started_at": NOW - 600.26},
    "ten hours inside": {"entered_at": NOW - 36_000},
    "ten hours less a second": {"entered_at": NOW - 35_999},
    "relief": {"relief_at": NOW + 300},
    "start pressure above the scale": {"start_bar": 310.0},
    "without start pressure": {"start_bar": None},
    "at another incident too": {"also_in": ("I-2",)},
}
PICTURES: dict[str, tuple[tuple[Any, ...], dict[str, Any]]] = {
    "nobody": ((), {}),
    "nothing was ever heard": ((), {"hearing": replace(HEARING, last_received_at=None)}),
    "quiet for ten seconds": ((ROW,), {"hearing": replace(HEARING, last_received_at=NOW - 10)}),
    "quiet for longer": ((ROW,), {"hearing": replace(HEARING, last_received_at=NOW - 10.5)}),
    "quiet and nobody under air": ((), {"hearing": replace(HEARING, last_received_at=NOW - 10.5)}),
    "delays and refusals": (
        (ROW,),
        {
            "hearing": replace(
                HEARING, delay_p95_s=5.1, refused_last_hour=1, last_refusal="why", tallies_unread=2
            )
        },
    ),
    "delay at the limit": ((ROW,), {"hearing": replace(HEARING, delay_p95_s=5.0)}),
    "two at one incident": (
        (ROW, OTHER),
        {"incidents": (FIRE,), "set_ids": ("S-2", "S-1"), "services": ("b", "a")},
    ),
    "two incidents": ((ROW, replace(OTHER, incident_id="I-2")), {"incidents": (FIRE, WOOD)}),
    "one of no incident": (
        (ROW, replace(OTHER, incident_id=None, tallied_in_at=None)),
        {"incidents": (FIRE, WOOD)},
    ),
    "one person at two places": (
        (ROW, replace(OTHER, wearer_id="W-1", incident_id="I-2")),
        {"incidents": (FIRE, WOOD)},
    ),
    "one person at two places, one set heard": (
        (ROW, replace(OTHER, wearer_id="W-1", incident_id="I-2", silent_since_at=NOW - 90)),
        {"incidents": (FIRE, WOOD)},
    ),
    "one set at two places": ((replace(ROW, also_in=("I-2",)),), {"incidents": (FIRE, WOOD)}),
    "one person with two sets": ((ROW, replace(OTHER, wearer_id="W-1", lost=Lost("off", NOW - 9))), {}),
    "two sets of nobody": (
        (replace(ROW, wearer_id=None), replace(OTHER, wearer_id=None, attention="distress")),
        {},
    ),
    "one who is out": ((replace(ROW, tallied_in_at=None, started_at=None, reasons=PAST),), {}),
    "one not on air yet": (
        (replace(ROW, started_at=None), replace(OTHER, lost=Lost("off", 1.0), started_at=None)),
        {},
    ),
    "emergency teams": (
        (ROW,),
        {
            "incidents": (FIRE, WOOD),
            "standby": (
                READY,
                replace(READY, team="Elm"),
                replace(READY, team="Fir", inside=1),
                replace(READY, team="Gorse", inside=2),
                replace(READY, team="Alder", state="committed", service="x"),
                replace(READY, team="Hazel", incident_id="I-2"),
            ),
        },
    ),
    "a team ready at one of two": (
        (ROW, replace(OTHER, incident_id="I-2")),
        {"incidents": (FIRE, WOOD), "standby": (READY,)},
    ),
    "a team ready at both": (
        (ROW, replace(OTHER, incident_id="I-2")),
        {"incidents": (FIRE, WOOD), "standby": (READY, replace(READY, incident_id="I-2"))},
    ),
    "a team ready elsewhere": (
        (ROW,),
        {"incidents": (FIRE,), "standby": (replace(READY, incident_id="I-2"),)},
    ),
    "a team that went in": ((ROW,), {"incidents": (FIRE,), "standby": (replace(READY, state="committed"),)}),
    "a team that is inside": ((ROW,), {"incidents": (FIRE,), "standby": (replace(READY, inside=1),)}),
    "a team ready and nobody in": (
        (replace(ROW, tallied_in_at=None, started_at=None),),
        {"standby": (READY,)},
    ),
    "a prompt": ((ROW,), {"prompts": (Prompt("p", "S-1", "I-1", None, 1, NOW - 61),)}),
    "notes": ((ROW,), {"notes": (NOTE, replace(NOTE, set_id=None, certainty="estimated"))}),
    "an alarm": ((ROW,), {"alarms": (ALARM,)}),
    "alarms in order": (
        (ROW,),
        {
            "alarms": (
                replace(ALARM, seen_at=NOW - 9, seen_by="D-1"),
                replace(SECOND, alarm="distress", row_key="r"),
                replace(ALARM, key="m", alarm="low_air", ended_at=NOW - 5),
                replace(ALARM, key="n", alarm="no_motion"),
            )
        },
    ),
    "two that say evacuate": (
        (ROW,),
        {
            "alarms": (
                replace(ALARM, alarm="evacuate", seen_at=NOW),
                replace(SECOND, alarm="evacuate", acknowledged_at=NOW),
                ALARM,
            )
        },
    ),
    "one of two says evacuate": (
        (ROW,),
        {"alarms": (replace(ALARM, alarm="evacuate", ended_at=NOW), replace(SECOND, alarm="evacuate"))},
    ),
    "lost and losing": (
        (replace(ROW, lost=Lost("set_given", NOW - 60, "W-9"), losing_min=2.0),),
        {"notes": (NOTE,)},
    ),
    "losing, seen of another set": (
        (replace(ROW, losing_min=2.0),),
        {"notes": (replace(NOTE, set_id="S-2"),)},
    ),
    "an order": ((ROW,), {"orders": (ORDER,)}),
    "an order half a minute old": ((ROW,), {"orders": (replace(ORDER, given_at=NOW - 30),)}),
    "an order that all answered": ((ROW,), {"orders": (replace(ORDER, waiting=()),)}),
    "an order to a team": ((ROW,), {"orders": (replace(ORDER, team="Alder", lifted_by=("D-1", "D-3")),)}),
    "an order to a set": ((ROW,), {"orders": (replace(ORDER, set_id="S-1", lifted_by=("D-3",)),)}),
    "a roll call": (
        (ROW,),
        {
            "roll_calls": (
                RollCallLine(
                    "r",
                    "I-1",
                    "R-1",
                    NOW - 61,
                    (
                        ("W-1", "S-1", "Alder", "answered"),
                        ("W-2", "S-2", "Birch", "called"),
                        (None, "S-3", None, "no_tally"),
                        ("W-4", "S-4", None, "missing"),
                        ("W-0", "S-5", "Birch", "called"),
                        (None, "S-0", "Cedar", "called"),
                    ),
                    None,
                ),
            )
        },
    ),
    "a complete roll call": (
        (ROW,),
        {
            "roll_calls": (
                RollCallLine("r", "I-1", "R-1", NOW - 61, (("W-1", "S-1", None, "answered"),), NOW - 10),
            )
        },
    ),
    "what desks say of each other": (
        (ROW,),
        {
            "contradictions": (
                Contradiction(
                    "a", "gauge", "I-1", "S-1", NOW, ("D-1", "gauge", "150"), ("D-2", "gauge", "90")
                ),
                Contradiction("b", "not_in", "I-1", "W-1", NOW, ("D-1", "out", "S-1"), ()),
                Contradiction("c", "whose", "I-1", "S-1", NOW, ("D-1", "W-1", "W-2"), ()),
                Contradiction("d", "same_name", "I-1", "D-1", NOW, (), ()),
            )
        },
    ),
    "who came out": (
        (),
        {
            "came_out": (
                OUT,
                replace(OUT, heard_at_exit=False),
                replace(OUT, heard_at_exit=False, by_voice=True, team=None),
                replace(OUT, wearer_id=None, under_air_s=None, ended_how="valve_closed"),
                replace(OUT, pressure_bar=None),
                replace(
                    OUT, pressure_at=None, rest_until_at=NOW + 600, rest_source="a rule", ended_by="D-1/1/9"
                ),
                replace(OUT, under_air_s=None, ended_how="incident_closed"),
            )
        },
    ),
    "teams": (
        (ROW,),
        {
            "teams": (
                TEAM,
                replace(
                    TEAM, team="past", turn_back_reached_at=NOW - 61, turn_back=None, turn_back_unknown=1
                ),
                replace(TEAM, team="silent", turn_back_by_at=NOW + 60 * 7),
                replace(TEAM, team="later", turn_back_by_at=NOW + 421),
                replace(TEAM, team="by", turn_back=None, turn_back_by_at=NOW),
                replace(TEAM, team="none", turn_back=None, turn_back_unknown=2, service="x"),
            )
        },
    ),
    "teams of two incidents": (
        (ROW,),
        {"incidents": (FIRE, WOOD), "teams": (TEAM, replace(TEAM, incident_id="I-2"))},
    ),
}


def listener(**change: Any) -> Status:
    given = {"listener": "l", "state": "up", "at": datetime.fromtimestamp(NOW - 2, UTC), "connected": True}
    return Status(**(given | change))


def system(*listeners: Status, **more: Any) -> System:
    return System(listeners, more.pop("disk", 80_000_000_000), more.pop("broker", True), "token", **more)


SYSTEMS: dict[str, System] = {
    "none": system(),
    "stopped": system(listener(state="stopped")),
    "stale": system(listener(at=datetime.fromtimestamp(NOW - 600, UTC))),
    "alone": system(listener(connected=False)),
    "in trouble": system(listener(trouble="it cannot read")),
    "cannot keep": system(listener(trouble="the disk is full", cannot_keep=True)),
    "the best of two": system(listener(connected=False), LISTENER),
    "clocks": system(LISTENER, clocks_ahead_s={"b": 7.0, "a": -7.0}),
    "clock set": system(listener(clock_set_s=5.0), clocks_ahead_s={"l": 7.0}),
    "clock set forward": system(listener(clock_set_s=5.0), clocks_ahead_s={"l": -7.0}),
    "no broker asked": system(LISTENER, broker=None),
    "broker down": system(LISTENER, broker=False),
    "disk unknown": system(LISTENER, disk=None),
    "disk nearly full": system(LISTENER, disk=1),
    "faults, desk and forecast": system(
        LISTENER, faulty=("S-1", "S-2"), desk_id="D-1", forecast="version 3", services=("c",)
    ),
    "a team is wanted": system(LISTENER, standby_wanted=True),
}


def painted(case: str) -> dict[str, Any]:
    """Give what a case changes in the plain picture of one row."""
    kind, _, name = case.partition(": ")
    if kind == "row":
        shown, plain = (picture(one)["rows"][0] for one in (replace(ROW, **ROWS[name]), ROW))
    elif kind == "system":
        shown, plain = picture(ROW, system=SYSTEMS[name]), picture(ROW)
    elif kind == "wanted":
        rows, more = PICTURES[name]
        wanted = system(LISTENER, standby_wanted=True, desk_id="D-1")
        shown, plain = picture(*rows, **more, system=wanted), picture(*rows, **more)
    else:
        rows, more = PICTURES[name]
        shown, plain = picture(*rows, **more), picture(ROW)
        shown["rows"], plain["rows"] = [one["place"] for one in shown["rows"]], []
    text = json.dumps({part: one for part, one in shown.items() if one != plain[part]}, ensure_ascii=False)
    return dict(json.loads(text))


CASES = [
    *(f"row: {name}" for name in ROWS),
    *(f"picture: {name}" for name in PICTURES),
    *(f"system: {name}" for name in SYSTEMS),
    *(
        f"wanted: {name}"
        for name in (
            "nobody",
            "two at one incident",
            "two incidents",
            "one of no incident",
            "emergency teams",
            "one set at two places",
            *(name for name in PICTURES if name.startswith("a team")),
        )
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_the_page_says_of_each_case_what_it_said(case: str) -> None:
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    assert list(kept) == CASES
    assert painted(case) == kept[case]


def test_the_plain_picture_is_ready_and_has_the_whole_row() -> None:
    shown = picture(ROW, system=SYSTEM)
    assert (shown["ready"], shown["token"], shown["now"], shown["clock"]) == (
        True,
        "token",
        NOW,
        shown["clock"],
    )
    assert shown["rows"][0]["strip"]["last"] == [NOW - 1, 182.0]


def written() -> str:
    """Give the kept file, a part of a case on a line."""
    lines = []
    for case in CASES:
        parts = [
            f"  {json.dumps(part)}: {json.dumps(one, ensure_ascii=False)}"
            for part, one in painted(case).items()
        ]
        lines.append(f" {json.dumps(case)}: {{\n" + ",\n".join(parts) + "\n }")
    return "{\n" + ",\n".join(lines) + "\n}\n"


if __name__ == "__main__":
    KEPT.write_text(written(), encoding="utf-8")
