"""Tables and report of an incident name everybody who was tallied in, heard or not, and where else."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.profile import Profile
from dashboard.evidence.report import not_out_sentences
from dashboard.incident_record import IncidentRecord, record_of
from dashboard.review.clock import Window
from dashboard.review.setting import Setting
from dashboard.review.tables import entry_table
from dashboard.rows import text_of
from tests.analysis.conftest import WrittenLog

SETTING = Setting({}, Window(0.0, 1e15), policy="half_of_usable")


def record(log: WrittenLog, incident: str) -> IncidentRecord:
    return record_of(log.frames(), Profile.default(), incident, None)


def texts(table: Any) -> list[dict[str, str]]:
    heads = [text_of(head) for head in table.heads]
    return [dict(zip(heads, map(text_of, row), strict=True)) for row in table.rows]


@pytest.fixture
def moved() -> WrittenLog:
    """W-1 goes in at I-A, then with the same set at I-B, and out there; nobody says out at I-A."""
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.breathe(60, 300)
    one.breathe(1000, 300, start_bar=250.0)
    for at_s, action, incident in ((50, "in", "I-A"), (900, "in", "I-B"), (1400, "out", "I-B")):
        desk.say(at_s, "tally", action=action, incident_id=incident, wearer_id="W-1", set_id="S-1")
    return log


def test_who_went_on_to_another_incident_is_one_person_and_both_reports_say_where(moved: WrittenLog) -> None:
    """At the first one the entry was open for ever, and nothing said where the wearer was meanwhile."""
    first, second = record(moved, "I-A"), record(moved, "I-B")
    (row,) = texts(entry_table(first.results["entries"], SETTING))
    assert row["Ended"] == "still open; also tallied in at I-B 10:15:00"
    (row,) = texts(entry_table(second.results["entries"], SETTING))
    assert row["Ended"] == "tallied out; also tallied in at I-A 10:00:50"
    assert " ".join(not_out_sentences(first.results["entries"], SETTING)) == (
        "1 person was tallied in. Also at another incident: W-1 (I-B, 10:15:00). "
        "For 1 nobody said out: W-1 (last heard 10:05:59)."
    )
    assert " ".join(not_out_sentences(second.results["entries"], SETTING)) == (
        "1 person was tallied in. Also at another incident: W-1 (I-A, 10:00:50). "
        "A desk said of everybody that they came out."
    )
