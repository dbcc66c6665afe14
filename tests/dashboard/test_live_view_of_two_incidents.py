"""What the live page says with two incidents or services at once: every line says of which it is."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from analysis.live.rows import (
    AlarmLine,
    Contradiction,
    IncidentRow,
    Lost,
    NoteLine,
    OrderLine,
    Out,
    Prompt,
    RollCallLine,
    Row,
    StandbyLine,
)
from tests.dashboard.test_live_view import NOW, ROW, SYSTEM, picture


def test_a_set_that_nobody_tallied_in_counts_in_every_incident_as_every_filter_shows_it() -> None:
    """Mended: with one incident chosen the board showed two rows and counted one."""
    other = replace(ROW, key="2", wearer_id=None, team=None, incident_id=None, tallied_in_at=None)
    incidents = (IncidentRow("I-1", "Quay", None, NOW - 900), IncidentRow("I-2", "Mill", None, NOW - 800))
    shown = picture(ROW, other, incidents=incidents)
    assert {name: line[:2] for name, line in shown["summary"].items()} == {
        "": ["2 in", "2 under air"],
        "I-1": ["2 in", "2 under air"],
        "I-2": ["1 in", "1 under air"],
    }


def test_only_somebody_who_is_in_at_two_incidents_is_said_to_be_at_both() -> None:
    other = replace(ROW, key="2", incident_id="I-2")
    incidents = (IncidentRow("I-1", "Quay", None, NOW - 900), IncidentRow("I-2", "Mill", None, NOW - 800))

    def says_both(row: Row) -> bool:
        lines = picture(ROW, row, incidents=incidents)["summary"][""]
        return any("I-1, I-2" in line for line in lines)

    assert says_both(other)
    out = replace(other, tallied_in_at=None, tallied_out_at=NOW - 50, started_at=None)  # kept for an alarm
    assert not says_both(out)


def test_the_counts_add_up_and_each_incident_has_its_own() -> None:
    lost, waiting, silent = (replace(ROW, key=f"{number}", wearer_id=f"W-{number}") for number in (2, 3, 4))
    lost = replace(lost, lost=Lost("off", NOW - 9), started_at=None, attention="not_accounted")
    waiting = replace(waiting, started_at=None, attention="no_air_yet", incident_id="I-2")
    silent = replace(silent, silent_since_at=NOW - 30, attention="silent")
    incidents = (IncidentRow("I-1", "Quay", None, NOW - 900), IncidentRow("I-2", "Mill", None, NOW - 800))
    shown = picture(ROW, lost, waiting, silent, incidents=incidents)
    assert shown["summary"][""][:6] == [
        "4 in",
        "2 under air",
        "1 not accounted for",
        "1 not on air yet",
        "0 in distress or motionless",
        "1 silent",
    ]
    assert shown["summary"]["I-2"][:4] == ["1 in", "0 under air", "0 not accounted for", "1 not on air yet"]
    assert "I-2" in next(row for row in shown["rows"] if row["key"] == "3")["place"]
    wanted = replace(SYSTEM, standby_wanted=True)
    assert "No emergency team ready" in picture(ROW, system=wanted)["summary"][""]
    ready = (StandbyLine("I-1", "Elm", "ready", NOW - 60, None),)
    assert "Emergency team ready: Elm" in picture(ROW, system=wanted, standby=ready)["summary"][""]
    assert "No emergency team ready" not in picture(system=wanted)["summary"][""]  # nobody is in
    two = (ROW, replace(ROW, key="2", incident_id="I-2"))
    assert "No emergency team ready at I-2" in picture(*two, system=wanted, standby=ready)["summary"][""]
    # Mended: beside "Emergency team ready: Elm", which is at the other incident.
    assert picture(two[1], system=wanted, standby=ready)["summary"][""][-2:] == [
        "Emergency team ready: Elm · I-1",
        "No emergency team ready at I-2",
    ]
    both = (*ready, replace(ready[0], incident_id="I-2"))
    assert not [
        one for one in picture(*two, system=wanted, standby=both)["summary"][""] if one.startswith("No ")
    ]
    inside = picture(ROW, system=wanted, standby=(replace(ready[0], inside=1),))
    assert inside["summary"][""][-2:] == [
        "Emergency team marked ready, but inside: Elm",
        "No emergency team ready",
    ]
    assert inside["standby"][0]["text"] == "Emergency team marked ready, but inside: Elm, 10:29"


def everything_of(incident_id: str, wearer_id: str) -> dict[str, Any]:
    """One line of each kind, of an incident; its team has the name that the other incident's has."""
    alarm = AlarmLine(
        key=wearer_id, service="trial", set_id="S-1", wearer_id=wearer_id, team="A", alarm="distress",
        raised_at=NOW - 9, incident_id=incident_id,
    )  # fmt: skip
    return {
        "alarms": alarm,
        "orders": OrderLine(
            incident_id, incident_id, "evacuate", None, None, None, NOW - 9, "D-1", 1, 0, 0, ()
        ),
        "roll_calls": RollCallLine(
            incident_id, incident_id, "R", NOW - 9, ((wearer_id, "S-1", "A", "called"),), None
        ),
        "standby": StandbyLine(incident_id, "R", "ready", NOW - 9, None),
        "contradictions": Contradiction(
            incident_id, "tally", incident_id, wearer_id, NOW - 9, ("D-1", "in", "S-1"), ("D-2", "out", "S-1")
        ),
        "notes": NoteLine(incident_id, NOW - 9, "second floor clear", incident_id, "D-1", None, None),
        "prompts": Prompt(wearer_id, "S-1", incident_id, wearer_id, 1, NOW - 9),
        "came_out": Out(wearer_id, wearer_id, "S-1", "A", incident_id, NOW - 9, None, None),
    }


def of_both() -> dict[str, Any]:
    pairs = zip(everything_of("FIRE", "W-1").items(), everything_of("DRILL", "W-4").values(), strict=True)
    return {name: (one, other) for (name, one), other in pairs}


def test_with_two_incidents_every_line_says_of_which_it_is() -> None:
    """Both have a team A: a roll call answered in the wrong box answers for people who did not answer."""
    rows = (
        replace(ROW, key="1", incident_id="FIRE"),
        replace(ROW, key="4", wearer_id="W-4", incident_id="DRILL"),
    )
    shown = picture(*rows, **of_both())
    assert [line["who"] for line in shown["alarms"]] == ["W-1 · FIRE", "W-4 · DRILL"]
    for name in ("orders", "rolls", "contradictions", "prompts", "out"):
        beginnings = [line["text"].partition(" · ")[0] for line in shown[name]]
        assert beginnings == ["FIRE", "DRILL"], name
    assert [line["about"] for line in shown["notes"]] == ["FIRE", "DRILL"]
    assert [one["who"] for roll in shown["rolls"] for one in roll["answers"]] == [
        *("Team A · FIRE", "W-1, A · FIRE"),
        *("Team A · DRILL", "W-4, A · DRILL"),
    ]
    assert "Emergency team ready: R · FIRE, R · DRILL" in shown["summary"][""]
    assert [line["text"] for line in shown["standby"]] == [
        "Emergency team ready: R · FIRE, 10:29",
        "Emergency team ready: R · DRILL, 10:29",
    ]
    alone = picture(rows[0], **{name: lines[:1] for name, lines in of_both().items()})
    assert "FIRE" not in str([alone[name] for name in ("summary", "notes", "out")]).replace("'FIRE'", "")
    assert alone["orders"][0]["text"].startswith("Evacuate ordered")
    assert alone["alarms"][0]["who"] == "W-1"


def test_a_name_of_two_services_has_its_service_wherever_it_is_shown() -> None:
    """Mended: two rows read the same, though pressures and the reach of orders differ."""
    north, south = (replace(ROW, key=name, service=name) for name in ("north", "south"))
    sets = [replace(one, key=f"{one.key}-2", set_id="S-7", wearer_id=None) for one in (north, south)]
    alarm = everything_of("I-1", "W-1")["alarms"]
    alarms = [replace(alarm, key="a", service="north"), replace(alarm, key="b", wearer_id="W-4")]
    order = replace(everything_of("I-1", "W-1")["orders"], waiting=("south",))
    shown = picture(north, south, *sets, alarms=tuple(alarms), orders=(order,))
    names = ["north:W-1", "south:W-1", "Set north:S-7", "Set south:S-7"]
    assert [row["who"] for row in shown["rows"]] == names
    assert {line["who"] for line in shown["alarms"]} == {"north:W-1", "W-4"}
    assert shown["orders"][0]["who"] == "Not yet: south:W-1"
    assert picture(north, sets[1])["rows"][0]["who"] == "W-1"


@pytest.mark.parametrize("name", ["alarms", "orders", "roll_calls", "standby", "contradictions"])
def test_a_line_of_an_incident_without_rows_makes_every_line_name_its_own(name: str) -> None:
    fire = replace(ROW, incident_id="FIRE")
    shown = picture(fire, **{name: (everything_of("DRILL", "W-4")[name],)})
    assert shown["rows"][0]["place"] == "FIRE"


def test_evacuation_alarms_of_two_incidents_are_not_one_line() -> None:
    alarm = everything_of("FIRE", "W-1")["alarms"]
    sets = [
        replace(
            alarm, key=f"k{n}", set_id=f"S-{n}", wearer_id=f"W-{n}", alarm="evacuate", incident_id=incident
        )
        for n, incident in enumerate(("FIRE", "FIRE", "DRILL", "DRILL", None))
    ]
    lines = picture(alarms=tuple(sets))["alarms"]
    assert [line["who"] for line in lines] == ["W-4", "2 sets: W-0, W-1 · FIRE", "2 sets: W-2, W-3 · DRILL"]
    assert len({line["key"] for line in lines}) == len(lines)
