"""Two desks that nobody gave a name of their own: neither ends what the other called for. Our own rules."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.side_view import contradiction_view, order_views

I1 = {"incident_id": "I-1"}
ROLL = {**I1, "roll_id": "1"}
EVACUATE = {**I1, "order": "evacuate"}
WITHDRAW = {**I1, "order": "withdraw", "team": "South"}


def desk_of(log: Any, boot: int) -> Any:
    return log.talker("desk", boot, role="desk")


def people(log: Any, *desks: Any) -> None:
    for number, desk in enumerate(desks, 1):
        names = {"set_id": f"S-{number}", "wearer_id": f"W-{number}"}
        desk.say(number, "tally", action="in", team="South" if number == 2 else "North", **names, **I1)
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 900, bar_s=0.1, closes=False, only_pressure=True)


@pytest.fixture
def two(log: Any) -> tuple[Any, Any]:
    """Two units of one name, each with somebody in; boot 11 gave an order to evacuate, and boot 22 others."""
    first, second = desk_of(log, 11), desk_of(log, 22)
    first.say(0, "incident", action="open", **I1)
    people(log, first, second)
    first.say(
        300, "order", state="given", standing=[{**EVACUATE, "since": log.at(300).isoformat()}], **EVACUATE
    )
    second.say(
        360, "order", state="given", standing=[{**WITHDRAW, "since": log.at(360).isoformat()}], **WITHDRAW
    )
    second.say(420, "order", state="lifted", standing=[], **WITHDRAW)
    return first, second


def in_force(snapshot: Any) -> list[str]:
    return sorted(one.order for one in snapshot.orders)


def findings(log: Any, code: str) -> list[str]:
    found = analyse(log.frames(), Profile.default())["findings"]
    return list(found.filter(code=code)["statement"])


def test_an_order_to_evacuate_stands_while_another_unit_of_that_name_lists_others(
    log: Any, see: Any, two: Any
) -> None:
    assert in_force(see(310)) == ["evacuate"]
    assert in_force(see(370)) == ["evacuate", "withdraw"]
    assert in_force(see(430)) == ["evacuate"]
    evacuate, withdraw = findings(log, "order_not_acknowledged")
    assert "lifted" not in evacuate
    assert "lifted" in withdraw


def test_a_lift_by_another_unit_of_that_name_is_told_and_ends_only_its_own(
    log: Any, see: Any, two: Any
) -> None:
    first, second = two
    second.say(430, "order", state="given", **EVACUATE)
    second.say(440, "order", state="lifted", standing=[], **EVACUATE)
    snapshot = see(445)
    assert in_force(snapshot) == ["evacuate"]
    (line,) = order_views(snapshot, STANDARD, "desk")
    assert "another desk named desk lifted it" in line["who"]
    first.say(450, "order", state="lifted", standing=[], **EVACUATE)
    assert in_force(see(455)) == []


def test_two_units_of_one_name_are_told_on_the_page_and_in_the_findings(log: Any, see: Any, two: Any) -> None:
    assert see(301).contradictions[0].kind == "same_name"
    (one,) = [one for one in see(430).contradictions if one.kind == "same_name"]
    said = contradiction_view(one, STANDARD)["text"]
    assert said.startswith("Two desks differ: two use the name desk")
    (statement,) = findings(log, "desk_name_shared")
    assert "boot numbers 11 and 22, both heard from 10:00:02 UTC to 10:05:00 UTC" in statement


def test_a_roll_call_ends_when_each_who_called_it_has_closed_it(log: Any, see: Any, two: Any) -> None:
    first, second = two
    first.say(500, "roll_call", state="called", **ROLL)
    second.say(510, "roll_call", state="called", **ROLL)
    second.say(520, "roll_call", state="answered", team="South", **ROLL)
    second.say(530, "roll_call", state="closed", **ROLL)
    (line,) = see(535).roll_calls
    assert {wearer: state for wearer, _, _, state in line.answers} == {"W-1": "called", "W-2": "answered"}
    (row, *_) = analyse(log.frames(), Profile.default())["answers"].filter(call="roll_call").to_dicts()
    assert row["ended"] is None
    first.say(540, "roll_call", state="closed", **ROLL)
    assert see(545).roll_calls == ()


@pytest.mark.parametrize("listed", [True, False])
def test_a_desk_that_was_restarted_lifts_what_it_gave_before(log: Any, see: Any, listed: bool) -> None:
    before, after = desk_of(log, 11), desk_of(log, 22)
    before.say(0, "incident", action="open", **I1)
    people(log, before)
    since = {"since": log.at(300).isoformat()}
    before.say(300, "order", state="given", standing=[{**EVACUATE, **since}], **EVACUATE)
    before.say(
        301, "order", state="given", standing=[{**EVACUATE, **since}, {**WITHDRAW, **since}], **WITHDRAW
    )
    # It has not read what it gave before: what a list leaves out stands, until somebody lifts it in words.
    kept = [{**EVACUATE, **since}] if listed else []
    after.say(400, "order", state="lifted", standing=kept, **WITHDRAW)
    assert in_force(see(405)) == ["evacuate"]
    after.say(410, "order", state="lifted", standing=[], **EVACUATE)
    snapshot = see(415)
    assert (in_force(snapshot), snapshot.contradictions) == ([], ())
    assert findings(log, "desk_name_shared") == []


def test_a_boot_that_goes_on_speaking_was_not_restarted(log: Any, see: Any) -> None:
    """What ended its order is taken back as soon as it is heard again."""
    first, second = desk_of(log, 11), desk_of(log, 22)
    first.say(0, "incident", action="open", **I1)
    people(log, first)
    first.say(300, "order", state="given", **EVACUATE)
    assert in_force(see(305)) == ["evacuate"]
    second.say(400, "order", state="lifted", standing=[], **EVACUATE)
    assert in_force(see(405)) == []
    first.say(410, "note", text="still at the gate", **I1)
    assert in_force(see(415)) == ["evacuate"]


def test_what_desks_contradict_ends_with_the_incident_when_nobody_is_in(log: Any, see: Any) -> None:
    south, north = log.desk("SOUTH"), log.desk("NORTH")
    south.say(0, "incident", action="open", **I1)
    people(log, south)
    south.say(100, "roll_call", state="called", **ROLL)
    south.say(110, "roll_call", state="missing", wearer_id="W-1", **ROLL)
    north.say(115, "roll_call", state="answered", wearer_id="W-1", **ROLL)
    assert len(see(120).contradictions) == 1
    south.say(200, "incident", action="close", **I1)
    assert len(see(205).contradictions) == 1  # W-1 is in
    south.say(210, "tally", action="out", set_id="S-1", wearer_id="W-1", team="North", **I1)
    assert see(215).contradictions == ()
