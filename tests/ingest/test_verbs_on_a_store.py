"""Verbs and pages over an archive on an S3-compatible store: the same tables, holds, notes, a live page."""

from __future__ import annotations

import hashlib
import json
import shutil
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from analysis.pieces.archive_pieces import incidents_in
from dashboard.privacy.holds import holds
from dashboard.serving import Served
from dashboard.trends.wear_ledger import FILE_NAME
from ingest.archive import retention
from ingest.archive.reading import Archive
from ingest.archive.retention import Retained, retain
from ingest.archive.sealing import seal_messages, seal_segment
from ingest.archive.store import STORE, place_of, work_folder
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from sample_logs.drills import build_radio_troubles
from sample_logs.simulation.scenario import build_late_turn_back
from tests.ingest.on_a_store import (
    DAY,
    NEXT_DAY,
    SAMPLE,
    Pressure,
    fill,
    segment_of,
    within,
)


def test_verbs_give_the_same_tables_to_the_bit_from_a_store(archive: Path, tmp_path: Path) -> None:
    for number, place_ in enumerate((archive, tmp_path / "folder")):
        assert within("import", SAMPLE, "--archive", place_).exit_code == 0
        assert within("analyse", "--archive", place_, "--out", tmp_path / f"out{number}").exit_code == 0
    tables = sorted((tmp_path / "out0").glob("*.parquet"))
    assert tables
    for table in tables:
        assert table.read_bytes() == (tmp_path / "out1" / table.name).read_bytes(), table.name
    incident = within("incidents", "--archive", archive).stdout.split()[0]
    for verb, out, *more in (("report", "report.html"), ("case", "case", "--why", "test")):
        done = within(verb, "--archive", archive, "--incident", incident, "--out", tmp_path / out, *more)
        assert done.exit_code == 0, done.output
    assert within("tidy", "--archive", archive).exit_code == 0
    whole = within("verify", archive)
    assert (whole.exit_code, whole.stdout.count("whole: ")) == (0, 1), whole.output
    assert not list(Path.cwd().glob("s3:*"))
    part = next(path for path in STORE.below(archive) if path.parent.parent.name == "pressure")
    part.unlink()
    assert within("verify", archive).exit_code == 1


def test_the_audit_gives_the_same_tables_from_a_store(archive: Path, tmp_path: Path) -> None:
    """Only the index is put on the store, and what was handed out is known next time.

    Workers that read a store: `tests/analysis/test_spread_from_store.py`.
    """
    folder = tmp_path / "folder"
    for place_ in (archive, folder):
        for day, build in enumerate((build_late_turn_back, build_radio_troubles)):
            seal_messages(
                place_, frames_from_heard(build(day, DAY + day * (NEXT_DAY - DAY)).heard), f"d{day}"
            )
        roster = "wearer,station,role,from,until\n" + "".join(f"W-{n},North,,,\n" for n in range(10, 60))
        (work_folder(place_) / "roster.csv").write_text(roster)
    before = {str(path) for path in STORE.below(archive)}
    written = []
    for name, place_ in (("a", folder), ("b", archive)):
        shutil.rmtree(work_folder(place_) / "derived", ignore_errors=True)
        done = within("audit", "--inside", "--copies", "0", "--archive", place_, "--out", tmp_path / name)
        assert done.exit_code == 0, (done.output, done.exception)
        tables = [path for path in (tmp_path / name).iterdir() if path.suffix in (".csv", ".parquet")]
        tables += (work_folder(place_) / "derived").glob(f"wears-*/{FILE_NAME}")
        written.append({path.name: path.read_bytes() for path in tables})
    assert {"by_part.csv", FILE_NAME} <= set(written[0])
    assert b"North" in b"".join(written[0].values())
    assert written[0] == written[1]
    after = {str(path) for path in STORE.below(archive)}
    assert {key for key in after if "/index/" not in key} == before
    for out in ("d", "e"):  # what is published is known next time
        done = within("audit", "--archive", archive, "--out", tmp_path / out)
        assert done.exit_code == 0, (done.output, done.exception)
    lists = [(work_folder(archive) / "releases.ndjson").read_bytes()]
    assert within("audit", "--archive", archive, "--out", tmp_path / "f").exit_code == 0
    assert [(work_folder(archive) / "releases.ndjson").read_bytes()] == lists


def test_notes_wearer_register_and_log_work_on_a_store(archive: Path, tmp_path: Path) -> None:
    """0.3.0 refused each of them."""
    assert within("import", SAMPLE, "--archive", archive).exit_code == 0
    (incident,) = incidents_in(archive)["incident_id"].to_list()
    (tmp_path / "radio.csv").write_text(
        "time,source,text,certainty\n2031-05-04 19:27:30,radio,Hose,recorded\n"
    )
    command = ("notes", tmp_path / "radio.csv", "--archive", archive, "--incident", incident)
    assert within(*command).output.endswith("1 note, 1 of them new\n")
    assert within(*command).output.endswith("1 note, 0 of them new\n")
    wearer = str(Archive(archive).messages()["tally"]["wearer_id"][0])
    done = within("wearer", wearer, "--archive", archive, "--out", tmp_path / "about")
    assert done.exit_code == 0, (done.output, done.exception)
    assert "tables" in {path.name for path in (tmp_path / "about").iterdir()}
    done = within("register", "--archive", archive, "--out", tmp_path / "register.csv")
    assert done.exit_code == 0, (done.output, done.exception)
    log = within("account", "log", "--archive", archive)
    assert (log.exit_code, "1 entry, the chain is intact" in log.output) == (0, True), log.output
    assert not list(Path.cwd().glob("s3:*"))


def test_a_hold_on_a_store_counts_on_every_machine_and_names_are_dropped_once(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert within("import", SAMPLE, "--archive", archive).exit_code == 0
    (incident,) = incidents_in(archive)["incident_id"].to_list()
    wearers = set(Archive(archive).messages()["tally"]["wearer_id"])
    hold = ("hold", "--archive", archive, "--incident", incident)
    placed = within(*hold, "--reason", "inquest")
    assert placed.exit_code == 0
    (line,) = archive_holds(archive)[1].splitlines()
    assert f"head of holds: {hashlib.sha256(line).hexdigest()}" in placed.output
    checked = within("verify", archive)
    assert (checked.exit_code, "holds: 1 entry, 0 faults" in checked.output) == (0, True), checked.output

    waited: list[float] = []
    monkeypatch.setattr(retention, "time", SimpleNamespace(sleep=waited.append))

    def retained() -> Retained:
        then = datetime(2040, 1, 1, tzinfo=UTC)
        return retain(archive, then, lambda: holds(archive), "profile ours", then.date(), apply=True)

    with monkeypatch.context() as elsewhere:
        elsewhere.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "another machine"))
        assert incident in within("hold", "--archive", archive).output
        assert retained().held == [incident]
    assert within(*hold, "--release", "--reason", "closed").exit_code == 0
    assert retained().incidents == [incident]
    assert waited == [30.0], "who has just listed a store goes on reading what was replaced"
    with monkeypatch.context() as elsewhere:
        elsewhere.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "another machine"))
        assert retained().incidents == []
    kept = Archive(archive).messages()["tally"]["wearer_id"].to_list()
    assert kept
    assert not wearers & set(kept)
    assert verify(archive).faults == []
    assert not (work_folder(archive) / ".retaining").exists()

    path, lines = archive_holds(archive)
    place_of(archive).put(path, lines.replace(b"inquest", b"request"))
    altered = within("verify", archive)
    assert (altered.exit_code, "holds: 2 entries, " in altered.output) == (1, True), altered.output
    assert not any(line.startswith("whole") for line in altered.output.splitlines())


def archive_holds(archive: Path) -> tuple[Path, bytes]:
    (path,) = place_of(archive).below(archive / "holds")
    return path, path.read_bytes()


def test_serve_shows_what_another_machine_sealed_on_the_store(
    archive: Path,
    pressure: Pressure,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    wait_until: Callable[..., Any],
) -> None:
    monkeypatch.setattr("ingest.archive.reading.STORE_LOOK_S", 0.2)
    fill(archive, pressure)
    served = Served(archive)
    served.start()
    try:
        with urllib.request.urlopen(f"{served.url}/review", timeout=60) as page:
            assert page.status == 200
        wait_until(lambda: served.feed.snapshot, what="the live board")
        now = datetime.now(UTC)
        with monkeypatch.context() as elsewhere:
            elsewhere.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "another machine"))
            told = json.loads(pressure(0).payload) | {"set_id": "S-077", "time": now.isoformat()}
            topic = pressure(0).topic.replace("S-014", "S-077")
            seal_segment(
                archive, segment_of(archive, [Heard(now, topic, json.dumps(told).encode())], name="two")
            )
        wait_until(
            lambda: served.feed.snapshot is not None and "S-077" in served.feed.snapshot.set_ids,
            what="what the other machine sealed",
        )
    finally:
        served.close()
