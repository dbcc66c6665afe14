"""What desks said is on the clock of what sets measured: in the desk's lane, the air's, at the cursor."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.pieces.archive_pieces import incident_piece, light_incident_piece
from analysis.profile import Profile
from dashboard.incident_record import IncidentRecord, record_of
from dashboard.review.clock import SECOND_MS, Window
from dashboard.review.lanes import lanes_of, lanes_of_each, people_of
from dashboard.review.moment import readout
from dashboard.review.setting import Setting
from dashboard.review.view import desk_marks
from dashboard.units import METRIC
from ingest.archive.sealing import seal_messages
from tests.analysis.conftest import WrittenLog

ORDER = {"incident_id": "I-1", "order": "evacuate"}


@pytest.fixture(params=[incident_piece, light_incident_piece])
def record(tmp_path: Path, request: pytest.FixtureRequest) -> IncidentRecord:
    """W-1 of S-1 reads gauges by voice; of W-2, with S-2, nothing is heard but a gauge."""
    log = WrittenLog()
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(1)
    one.breathe(20, 900)
    for number in (1, 2):
        who = {"incident_id": "I-1", "wearer_id": f"W-{number}", "set_id": f"S-{number}", "team": "Larch"}
        desk.say(2 + number, "tally", action="in", **who)
        desk.say(950 + number, "tally", action="out", **who)
    desk.say(200, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=250.0)
    wrong = {"desk_id": "D-1", "boot": 1, "seq": 2}
    desk.say(210, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=260.0, corrects=wrong)
    desk.say(300, "gauge", incident_id="I-1", set_id="S-2", pressure_bar=210.0)
    desk.say(400, "order", state="given", **ORDER)
    desk.say(450, "order", state="lifted", **ORDER)
    for at_s, state in ((500, "called"), (510, "missing")):
        whom = {"wearer_id": "W-2"} if state == "missing" else {}
        desk.say(at_s, "roll_call", incident_id="I-1", roll_id="R-1", state=state, **whom)
    desk.say(520, "standby", incident_id="I-1", team="Elm", state="committed")
    seal_messages(tmp_path, log.frames(), "one")
    return record_of(request.param(tmp_path, "I-1")[0], Profile.default(), "I-1", None)


def at_ms(at_s: float) -> float:
    return WrittenLog.at(at_s).timestamp() * SECOND_MS


def test_gauges_read_by_voice_are_in_the_lane_and_at_the_cursor(record: IncidentRecord) -> None:
    people = people_of(record.results).to_dicts()
    for lanes in (
        list(lanes_of_each(record.results, record.messages, people)),
        [lanes_of(record.results, record.messages, person) for person in people],
    ):
        first, other = lanes
        assert (first.spoken.x.tolist(), first.spoken.y.tolist()) == (
            [pytest.approx(at_ms(210), abs=100)],
            [260.0],
        )
        assert (other.spoken.x.tolist(), other.spoken.y.tolist()) == (
            [pytest.approx(at_ms(300), abs=100)],
            [210.0],
        )
        said = {row["name"]: row for row in readout(other, at_ms(406), METRIC)}
        assert said["Pressure, by voice"]["value"] == "210 bar"
        assert said["Pressure, by voice"]["remark"] == "1 min 46 s before"
        assert "Pressure, by voice" not in {row["name"] for row in readout(other, at_ms(290), METRIC)}


def test_orders_roll_calls_and_teams_are_in_the_desk_s_lane(record: IncidentRecord) -> None:
    people = people_of(record.results).to_dicts()
    setting = Setting({}, Window(at_ms(0), at_ms(1000)))
    told = [mark.text for mark in desk_marks(record, people[:1], [], setting)]
    assert told == [
        "tally in W-1",
        "Order: evacuate given",
        "Order: evacuate lifted",
        "Roll call: called: R-1",
        "Roll call: missing, W-2: R-1",
        "Emergency team: committed, Team Elm",
        "tally out W-1",
    ]
