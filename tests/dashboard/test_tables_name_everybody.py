"""Tables and report of an incident name everybody who was tallied in, heard or not, and where else."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from analysis.profile import Profile
from dashboard.evidence.origin import Origin
from dashboard.evidence.report import report_parts, summary_of
from dashboard.evidence.svg import numbers
from dashboard.incident_record import IncidentRecord, record_of
from dashboard.results_store import ResultsStore
from dashboard.review.bench import bench, drawn
from dashboard.review.clock import Window
from dashboard.review.setting import Setting
from dashboard.review.tables import incident_tables
from dashboard.review.view import Bench, Look, request_of
from dashboard.rows import text_of
from tests.analysis.conftest import OPENED, WrittenLog
from tests.dashboard.invented_incident import archive_with

ORIGIN = Origin(made=datetime(2031, 6, 1, tzinfo=UTC), sha256="0" * 64, kept=1)
SETTING = Setting({}, Window(0.0, 1e15), policy="half_of_usable")


def record(log: WrittenLog, incident: str) -> IncidentRecord:
    return record_of(log.frames(), Profile.default(), incident, None)


def told(of: IncidentRecord) -> dict[str, list[dict[str, str]]]:
    """Return the rows of each table, by its caption, as texts by head."""
    return {
        str(table.caption): [
            dict(zip(map(text_of, table.heads), map(text_of, row), strict=True)) for row in table.rows
        ]
        for table in incident_tables(of, [], SETTING)
    }


@pytest.fixture
def moved() -> WrittenLog:
    """W-1 goes in at I-A, then with the same set at I-B, and out there; nobody says out at I-A."""
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.breathe(60, 300, only_pressure=True)
    one.breathe(1000, 300, start_bar=250.0, only_pressure=True)
    for at_s, action, incident in ((50, "in", "I-A"), (900, "in", "I-B"), (1400, "out", "I-B")):
        desk.say(at_s, "tally", action=action, incident_id=incident, wearer_id="W-1", set_id="S-1")
    return log


def test_who_went_on_to_another_incident_is_one_person_and_both_reports_say_where(moved: WrittenLog) -> None:
    """At the first one the entry was open for ever, and nothing said where the wearer was meanwhile."""
    first, second = record(moved, "I-A"), record(moved, "I-B")
    (row,) = told(first)["Entries"]
    assert row["Ended"] == "still open; also tallied in at I-B 10:15:00"
    (row,) = told(second)["Entries"]
    assert row["Ended"] == "tallied out; also tallied in at I-A 10:00:50"
    assert summary_of(first.results, SETTING, []).startswith(
        "1 person was tallied in. Also at another incident: W-1 (I-B, 10:15:00). "
        "Nobody said out for 1 of them: W-1 (last under air 10:05:59)."
    )
    assert summary_of(second.results, SETTING, []).startswith(
        "1 person was tallied in. Also at another incident: W-1 (I-A, 10:00:50). "
        "A desk said that everybody came out."
    )


@pytest.fixture
def two_in() -> WrittenLog:
    """W-1 and W-2 go in and come out; nothing is ever heard of the second one's set."""
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.breathe(60, 600, only_pressure=True)
    for number in (1, 2):
        who = {"incident_id": "I-A", "wearer_id": f"W-{number}", "set_id": f"S-{number}", "team": "Larch"}
        desk.say(50, "tally", action="in", **who)
        desk.say(800 + number, "tally", action="out", **who)
    return log


def looked_at(log: WrittenLog, folder: Path, incident: str, **asked: str) -> Look:
    store = ResultsStore(archive_with(folder, log.frames()), Profile.default())
    return Bench(store).look(request_of({"incident": incident, **asked}))


def hatched(figure: dict[str, Any]) -> list[tuple[float, float, float]]:
    """Return the hatched stretches of a figure: row, beginning and length, to a second."""
    bars = [each for each in figure["data"] if each["type"] == "bar" and "pattern" in each["marker"]]
    return [
        (row, round(began, -3), round(lasted, -3))
        for bar in bars
        for row, began, lasted in zip(bar["y"], numbers(bar["base"]), numbers(bar["x"]), strict=True)
    ]


def test_the_picture_of_everybody_has_who_was_never_heard(two_in: WrittenLog, tmp_path: Path) -> None:
    """An investigator looks at it first, and saw nobody missing."""
    look = looked_at(two_in, tmp_path, "I-A", people="W-2")
    lanes, figure, _ = drawn(look)
    page = bench(look)
    went_in, came_out = ((OPENED + timedelta(seconds=at_s)).timestamp() * 1000 for at_s in (50, 802))
    assert figure["layout"]["yaxis"]["ticktext"] == ["W-1 · Larch", "<b>▸ W-2 · Larch</b>"]
    assert (1, went_in, came_out - went_in) in hatched(figure)
    assert ["never heard"] in [each.get("text") for each in figure["data"]]
    assert look.whole.start < went_in < came_out < look.whole.end
    # Its lanes can be chosen, and are hatched as long.
    assert look.chosen == ["W-2"]
    assert (0.5, went_in, came_out - went_in) in hatched(lanes)
    assert ["never heard"] in [each.get("text") for each in lanes["data"]]
    assert "person:W-2" in str(page)
    assert "2 people, 1 heard" in str(page)
    findings = json.loads(page.to_plotly_json()["props"]["data-view"])["findings"]
    (found,) = [item for item in findings if "no message of that set" in item["statement"]]
    assert (found["who"], found["person"]) == ("W-2", "W-2")


def test_the_report_draws_who_was_never_heard(two_in: WrittenLog) -> None:
    told = "".join(report_parts(record(two_in, "I-A"), Profile.default(), ORIGIN))
    assert "W-2 · Larch</text>" in told
    assert "never heard</text>" in told
    assert "Course of W-2" in told


def test_who_was_tallied_in_and_never_heard_is_in_every_table_by_wearer(two_in: WrittenLog) -> None:
    """W-2 went in with W-1, and was in none of the tables of wears: whoever read those missed one person."""
    of = record(two_in, "I-A")
    tables = told(of)
    for caption in ("Entries", "Turn-back under each policy", "Wears"):
        assert [row["Wearer"] for row in tables[caption]] == ["W-1", "W-2"], caption
    entry, turn_back, wear = (
        tables[caption][1] for caption in ("Entries", "Turn-back under each policy", "Wears")
    )
    assert (entry["First heard"], entry["Under air"], entry["Not heard"]) == (
        "not heard",
        "not heard",
        "13 min",
    )
    assert set(turn_back.values()) == {"W-2", "not heard", "–"}
    assert (wear["Set"], wear["Team"], wear["From"]) == ("S-2", "Larch", "not heard")
    assert {wear[head] for head in ("Lasted", "Start", "End", "Mean rate", "Below warning")} == {"–"}
    assert wear["No readings"] == "13 min"
    assert of.about["wearers"] == 2  # in the list of incidents, and at the head of the page
    assert "1 wearer made 1 wear" in summary_of(of.results, SETTING, [])


def test_whose_wear_counts_for_another_incident_is_not_called_never_heard() -> None:
    """W-1 breathed from S-1 the whole time; the wear is that of the last tally, and the first report said
    "never heard under air".
    """
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.breathe(60, 900, only_pressure=True)
    for at_s, action, incident in ((50, "in", "I-A"), (600, "in", "I-B"), (1000, "out", "I-B")):
        desk.say(at_s, "tally", action=action, incident_id=incident, wearer_id="W-1", set_id="S-1")
    of = record(log, "I-A")
    tables = told(of)
    assert tables["Entries"][0]["First heard"] == "not heard here, see I-B"
    assert tables["Wears"][0]["From"] == "not heard here, see I-B"
    assert "Nobody said out for 1 of them: W-1 (not heard here, see I-B)." in summary_of(
        of.results, SETTING, []
    )
