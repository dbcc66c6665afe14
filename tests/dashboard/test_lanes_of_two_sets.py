"""The review draws two sets apart, of one ID or of one wearer: never one line from two cylinders."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.pieces.archive_pieces import incident_piece, light_incident_piece
from analysis.profile import Profile
from dashboard.incident_record import IncidentRecord, record_of
from dashboard.review.clock import SECOND_MS, Window
from dashboard.review.lanes import chosen_of, lanes_of, lanes_of_each, people_of
from dashboard.review.moment import messages_behind, readout
from dashboard.review.overview import overview_figure
from dashboard.units import METRIC
from ingest.archive.sealing import seal_messages
from tests.analysis.conftest import WrittenLog
from tests.analysis.test_same_id import two_sets


@pytest.mark.parametrize("second_boot", [2, 1])
@pytest.mark.parametrize("read", [incident_piece, light_incident_piece])
def test_each_lane_is_of_one_set(tmp_path: Path, second_boot: int, read: Any) -> None:
    """The first wearer's lanes jumped between both sets' readings; the second's were empty."""
    log = WrittenLog()
    two_sets(log, second_boot=second_boot)
    for number, one in enumerate(log.talkers[1:]):
        differ = {
            "temperature": {"temperature_c": 40.0 + 50.0 * number},
            "motion": {"motion_m_s2": 1.0 + number},
        }
        one.said = [(*said[:4], said[4] | differ.get(said[1], {})) for said in one.said]
    seal_messages(tmp_path, log.frames(), "one")
    record = record_of(read(tmp_path, "I-1")[0], Profile.default(), "I-1", None)
    second = f"S-1.boot{second_boot}"
    people = list(people_of(record.results).iter_rows(named=True))
    whole = list(lanes_of_each(record.results, record.messages, people))
    for of in (whole, [lanes_of(record.results, record.messages, person) for person in people]):
        first, other = of
        assert (first.set_ids, other.set_ids) == (("S-1",), (second,))
        for person, celsius, metres, bars in ((first, 40.0, 1.0, (30, 300)), (other, 90.0, 2.0, (210, 290))):
            assert set(person.temperature.y) == {celsius}
            assert set(person.motion.y) == {metres}
            worn = person.pressure.y[
                (person.pressure.x >= person.started) & (person.pressure.x <= person.ended)
            ]
            assert len(worn) > 800
            assert bars[0] <= worn.min() <= worn.max() <= bars[1]
            assert np.abs(np.diff(worn)).max() <= 1.0
    at_ms = log.at(600).timestamp() * SECOND_MS
    told = messages_behind(record, list(whole[1].wear_ids), at_ms)
    celsius = {
        line["payload"].split('"temperature_c": ')[1][:4] for line in told if line["kind"] == "temperature"
    }
    assert celsius == {"90.0"}
    assert all(
        line["identity"].startswith(f"S-1/{second_boot}/") for line in told if line["kind"] == "motion"
    )


@pytest.fixture
def with_two_sets(tmp_path: Path) -> IncidentRecord:
    """W-1 breathes from two sets at once for 11 min; of a second entry no set was heard."""
    log = WrittenLog()
    desk = log.desk()
    desk.say(1, "incident", incident_id="I-1", action="open")
    for number, set_id in enumerate(("S-1", "S-2")):
        told = {"incident_id": "I-1", "wearer_id": "W-1", "set_id": set_id, "team": "Larch"}
        desk.say(2 + 30 * number, "tally", action="in", **told)
        one = log.talker(set_id)
        one.set_up(3 + 30 * number)
        one.breathe(20 + 30 * number, 700, start_bar=300.0 - 140 * number, bar_s=0.1)
        desk.say(900 + number, "tally", action="out", **told)
    desk.say(1000, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-3", team="Larch")
    seal_messages(tmp_path, log.frames(), "one")
    return record_of(light_incident_piece(tmp_path, "I-1")[0], Profile.default(), "I-1", None)


def test_two_sets_of_one_wearer_at_once_have_lanes_of_their_own(with_two_sets: IncidentRecord) -> None:
    """One line jumped between the readings of both, and the cursor read either."""
    record = with_two_sets
    people = people_of(record.results)
    assert [(row["key"], row["wearer_id"], row["set_ids"]) for row in people.to_dicts()] == [
        ("W-1 · S-1", "W-1", ["S-1"]),
        ("W-1 · S-2", "W-1", ["S-2"]),
    ]
    lanes = list(lanes_of_each(record.results, record.messages, people.to_dicts()))
    at_ms = WrittenLog.at(400).timestamp() * SECOND_MS
    for person, entry_bar in zip(lanes, (300.0, 160.0), strict=True):
        worn = person.pressure.y[(person.pressure.x > person.started) & (person.pressure.x < person.ended)]
        assert len(worn) > 600
        assert np.abs(np.diff(worn)).max() <= 1.0
        assert np.diff(person.air.x).min() > 0
        told = {row["name"]: row["value"] for row in readout(person, at_ms, METRIC)}
        begun_s = 20 if entry_bar == 300.0 else 50
        assert told["Pressure, reading"] == f"{entry_bar - 0.1 * (400 - begun_s):.1f} bar"
    figure = overview_figure(record, people, Window(lanes[0].started, lanes[1].ended))
    assert figure["layout"]["yaxis"]["ticktext"] == ["W-1 · S-1", "W-1 · S-2"]


def test_a_link_to_a_wearer_with_two_sets_shows_both(with_two_sets: IncidentRecord) -> None:
    everybody = people_of(with_two_sets.results)
    assert chosen_of(everybody, ["W-1"]) == ["W-1 · S-1", "W-1 · S-2"]
    assert chosen_of(everybody, ["W-1 · S-2"]) == ["W-1 · S-2"]
    assert chosen_of(everybody, ["W-9"]) == []
