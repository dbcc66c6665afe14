"""Report and case are made of the messages that they keep: these give the figures that the page has."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from analysis.pieces.archive_pieces import incident_piece
from analysis.profile import Profile
from dashboard.evidence.case_messages import messages_of
from dashboard.incident_record import record_of
from ingest.archive.sealing import seal_messages
from tests.analysis.conftest import WrittenLog


def say(desk: Any, at_s: float, action: str, incident: str, wearer: str, set_id: str, **more: Any) -> None:
    who = {"incident_id": incident, "wearer_id": wearer, "set_id": set_id}
    desk.say(at_s, "tally", action=action, **who, **more)


def corrects(desk: Any, seq: int) -> dict[str, Any]:
    return {"corrects": {"desk_id": desk.name, "boot": 1, "seq": seq}}


def corrected(desk: Any) -> None:
    say(desk, 200, "in", "QUAY", "W-10", "S-12", **corrects(desk, 1))


def moved(desk: Any) -> None:
    say(desk, 200, "in", "QUAY", "W-10", "S-12")


def corrected_to_another(desk: Any) -> None:
    say(desk, 200, "in", "QUAY", "W-11", "S-13", **corrects(desk, 1))


def moved_by_a_tally_that_never_counted(desk: Any) -> None:
    """S-8 stays with W-10: the wearer's move was corrected away."""
    say(desk, 200, "in", "QUAY", "W-10", "S-12")
    say(desk, 220, "in", "QUAY", "W-11", "S-12", **corrects(desk, 2))


def out_by_another_incident(desk: Any) -> None:
    say(desk, 200, "out", "PIER", "W-10", "S-8")


def settled_from_another_incident(desk: Any) -> None:
    desk.say(200, "resolved", incident_id="QUAY", set_id="S-8", wearer_id="W-10", text="wrong set")


def read_by_voice_for_another_incident(desk: Any) -> None:
    corrected(desk)
    desk.say(400, "gauge", incident_id="QUAY", set_id="S-8", pressure_bar=90.0)


def the_wearer_is_in_elsewhere(desk: Any) -> None:
    corrected(desk)
    say(desk, 300, "in", "QUAY", "W-7", "S-13")


SCENES = [
    corrected,
    moved,
    corrected_to_another,
    moved_by_a_tally_that_never_counted,
    out_by_another_incident,
    settled_from_another_incident,
    read_by_voice_for_another_incident,
    the_wearer_is_in_elsewhere,
]


@pytest.mark.parametrize("goes_on", SCENES)
def test_what_another_desk_said_of_its_sets_counts_in_the_report(
    tmp_path: Path, goes_on: Callable[[Any], None]
) -> None:
    """QUAY's desk tallied W-10 in with S-8 by mistake and put it right: the wear of W-7, who wore it, was in
    no report and no case, because the tally was kept in MILL's case and what put it right was not.
    """
    log = WrittenLog()
    mill, quay = log.desk("D-1"), log.desk("D-2")
    for desk, incident in ((mill, "MILL"), (quay, "QUAY")):
        desk.say(0, "incident", incident_id=incident, action="open")
        desk.say(900, "incident", incident_id=incident, action="close")
    for number in (1, 8, 12):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(60, 600)
    say(mill, 50, "in", "MILL", "W-1", "S-1")
    say(mill, 51, "in", "MILL", "W-7", "S-8")
    say(quay, 120, "in", "QUAY", "W-10", "S-8")
    goes_on(quay)
    say(mill, 700, "out", "MILL", "W-1", "S-1")
    say(mill, 701, "out", "MILL", "W-7", "S-8")
    say(quay, 702, "out", "QUAY", "W-10", "S-12")
    seal_messages(tmp_path, log.frames(), "one")
    own = 0
    for incident in ("MILL", "QUAY"):
        whole, scope = incident_piece(tmp_path, incident)
        kept, until_us = messages_of(tmp_path, incident)
        assert until_us == scope.heard_until_us
        page, report = (
            record_of(each, Profile.default(), incident, until_us).results for each in (whole, kept)
        )
        for name in ("wears", "entries", "tallies", "alarms", "findings", "turn_back", "gaps"):
            assert report[name].to_dicts() == page[name].to_dicts(), (incident, name)
        own += page["wears"].filter(set_id="S-8").height
    assert own >= 1, "a wear is never left out"
