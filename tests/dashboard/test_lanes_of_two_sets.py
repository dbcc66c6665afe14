"""The review draws two sets that use one ID apart: never one line from two bodies."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.pieces.archive_pieces import incident_piece, light_incident_piece
from analysis.profile import Profile
from dashboard.incident_record import record_of
from dashboard.review.clock import SECOND_MS
from dashboard.review.lanes import lanes_of, lanes_of_each, people_of
from dashboard.review.moment import messages_behind
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
