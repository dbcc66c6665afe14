"""What is kept about one wearer: all of it, and nothing of anybody else."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboard.access.log import AccessLog
from dashboard.evidence.notes import NoteTimes, bring_in
from ingest.archive.sealing import create_archive, seal_messages
from ingest.contract.captures import read_capture
from ingest.importing import import_capture
from tests.analysis.conftest import WrittenLog
from tests.verbs import underair

ROOT = Path(__file__).parents[2]


def as_given(path: Path) -> tuple[bytes, str]:
    """A file as the verb reads it: its bytes, and what it is called."""
    return path.read_bytes(), str(path)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept") / "archive"
    import_capture(ROOT / "sample_logs" / "cooperage_fire.ndjson.gz", folder)
    notes = folder.with_name("radio.csv")
    notes.write_text(
        "time,source,text,certainty\n"
        "2031-05-04T19:30:00Z,radio,relief asked for by W-03.,\n"
        "2031-05-04T19:30:05Z,radio,W-031 has left,\n"
    )
    bring_in(*as_given(notes), folder, "TH-20310504-1912", NoteTimes(), datetime(2031, 5, 5, tzinfo=UTC))
    (folder / "roster.csv").write_text("wearer,station,role\nW-03,North,\nW-04,South,\n")
    log = AccessLog(folder)
    log.write("view", "/review/moment incident=I-1 people=W-03,W-04", account="review-1")
    log.write("view", "/review/moment incident=I-1 people=W-031", account="review-1")
    log.write("page", "/review?people=W-03", account="=review-2")
    log.write("view", "/review/moment incident=TH-20310504-1912 people=W-04", account="review-3")
    log.write("export", "/review/report incident=TH-20310504-1912", account="review-3")
    log.write("export", "/review/report incident=TH-20310504-19121", account="review-4")
    log.write("register", "everybody", account="health-1")
    log.write("register", "W-04", account="health-1")
    return folder


def evidence(archive: Path) -> dict[str, bytes]:
    """Everything but what is made of the rest: `index/`, `derived/`, and the exposure register."""
    files = {str(path.relative_to(archive)): path for path in archive.rglob("*") if path.is_file()}
    return {
        name: path.read_bytes()
        for name, path in files.items()
        if not name.startswith(("index/", "derived/", "register/"))
    }


def test_it_holds_all_of_one_wearer_and_nothing_of_another(archive: Path, tmp_path: Path) -> None:
    before = evidence(archive)
    out = tmp_path / "about"
    done = underair("wearer", "W-03", "--archive", archive, "--out", out, "--json")
    assert done.returncode == 0, done.stderr
    written = json.loads(done.stdout)
    wears = pl.read_csv(out / "tables" / "wears.csv")
    assert set(wears["wearer_id"]) == {"W-03"}
    assert len(wears) == written["wears"] >= 2, "W-03 changed the set"
    air = pl.read_csv(out / "tables" / "air.csv")
    assert set(air["wear_id"]) == set(wears["wear_id"])
    heard = list(read_capture(out / "messages.ndjson.gz"))
    assert len(heard) == written["messages"] > 1000
    named = {json.loads(one.payload).get("wearer_id") for one in heard} - {None}
    assert named == {"W-03"}
    assert {one.topic.split("/")[4] for one in heard if "/set/" in one.topic} == set(wears["set_id"])
    texts = [json.loads(one.payload).get("text", "") for one in heard if one.topic.endswith("/note")]
    assert "relief asked for by W-03." in texts
    assert "W-031 has left" not in texts
    assert pl.read_csv(out / "roster.csv")["wearer_id"].to_list() == ["W-03"]
    looks = pl.read_csv(out / "access.csv")
    assert looks["account"].to_list() == ["review-1", "'=review-2", "review-3", "review-3", "health-1"]
    assert written["looks"] == 5
    # Whoever opens an incident sees all who were in; whom else they asked for is another person.
    assert looks["target"].to_list() == [
        "/review/moment incident=I-1 people=W-03,another person",
        "/review?people=W-03",
        "/review/moment incident=TH-20310504-1912 people=another person",
        "/review/report incident=TH-20310504-1912",
        "everybody",
    ]
    about = " ".join((out / "ABOUT.txt").read_text().split())
    assert "A look at an incident counts for everybody who was tallied in at it" in about
    assert "reports, cases and tables made on the command line" in about
    columns = pl.read_csv(out / "tables" / "columns.csv")
    assert columns.filter(table="wears", column="free_air_l")["unit"].to_list() == ["L"]
    assert evidence(archive) == before

    again = underair("wearer", "W-03", "--archive", archive, "--out", out)
    assert again.returncode == 1
    assert "exists already" in again.stderr


@pytest.mark.parametrize("wearer", ["W-99", "../../etc", "'; drop", ""])
def test_a_wearer_whom_nobody_tallied_is_said(archive: Path, tmp_path: Path, wearer: str) -> None:
    done = underair("wearer", wearer, "--archive", archive, "--out", tmp_path / "about")
    assert done.returncode == 1
    assert "no tally" in done.stderr
    assert not (tmp_path / "about").exists()


def test_what_was_concluded_about_somebody_who_was_never_heard_is_told(tmp_path: Path) -> None:
    """Findings hung on wears only: who was tallied in, missing at the roll call and never heard had none."""
    log = WrittenLog()
    desk = log.desk()
    log.talker("S-1", 1).breathe(0.0, 600)
    about: dict[str, Any] = {"incident_id": "I-1", "team": "Alder"}
    desk.say(5.0, "tally", action="in", set_id="S-1", wearer_id="W-1", **about)
    desk.say(6.0, "tally", action="in", set_id="S-2", wearer_id="W-2", **about)
    desk.say(100.0, "roll_call", incident_id="I-1", roll_id="R-1", state="called")
    desk.say(110.0, "roll_call", roll_id="R-1", state="answered", **about)
    desk.say(111.0, "roll_call", incident_id="I-1", roll_id="R-1", state="missing", wearer_id="W-2")
    desk.say(120.0, "order", order="withdraw", state="given", **about)
    desk.say(121.0, "order", order="withdraw", state="given", incident_id="I-1", team="Birch")
    log.talker("S-2").say(300.0, "alarm", alarm="distress", state="raised")
    desk.say(590.0, "tally", action="out", set_id="S-1", wearer_id="W-1", **about)
    desk.say(700.0, "order", order="evacuate", state="given", incident_id="I-1")
    seal_messages(create_archive(tmp_path / "archive"), log.frames(), "made")
    codes, states, alarms = {}, {}, {}
    for wearer in ("W-1", "W-2"):
        out = tmp_path / wearer
        assert underair("wearer", wearer, "--archive", tmp_path / "archive", "--out", out).returncode == 0
        findings = pl.read_csv(out / "tables" / "findings.csv")
        codes[wearer] = set(findings["code"])
        assert not findings["statement"].str.contains("W-2" if wearer == "W-1" else "W-1").any()
        said = [json.loads(one.payload) for one in read_capture(out / "messages.ndjson.gz")]
        states[wearer] = [one["state"] for one in said if one["kind"] in ("roll_call", "order", "alarm")]
        alarms[wearer] = pl.read_csv(out / "tables" / "alarms.csv")["alarm"].to_list()
    assert codes["W-2"] >= {"tallied_without_wear", "alarm_unanswered"}
    assert alarms == {"W-1": [], "W-2": ["distress"]}  # no wear has it: nothing was heard of its pressure
    assert not codes["W-1"] & codes["W-2"]
    assert states == {
        "W-1": ["called", "answered", "given"],
        "W-2": ["called", "answered", "missing", "given", "raised", "given"],
    }
