"""A name that is given again the next day is another incident: in every table, asked for in any way."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from dashboard.underair import root
from ingest.contract.captures import Heard, write_capture
from ingest.importing import import_capture

OPENED = datetime(2031, 5, 10, 10, 0, tzinfo=UTC)
HOUR = 3600.0


def said(second: float, kind: str, seq: int, speaker: str, **fields: Any) -> Heard:
    at = OPENED + timedelta(seconds=second)
    role = "desk" if speaker.startswith("D") else "set"
    payload = {f"{role}_id": speaker, "boot": 1, "seq": seq, "time": at.isoformat(), "kind": kind, **fields}
    return Heard(at, f"underair/v1/trial/{role}/{speaker}/{kind}", json.dumps(payload).encode(), False)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drill of 10 May, closed after 4 h with W-2 still in; the name again 18 h later, sets left on."""
    incident = "DRILL"
    tallies = [
        (100, "in", "S-1", "W-1"), (110, "in", "S-2", "W-2"), (800, "out", "S-1", "W-1"),
        (22 * HOUR + 100, "in", "S-1", "W-1"), (22 * HOUR + 110, "in", "S-2", "W-2"),
        (22 * HOUR + 800, "out", "S-1", "W-1"), (22 * HOUR + 810, "out", "S-2", "W-2"),
    ]  # fmt: skip
    words = [(0.0, "open"), (4 * HOUR, "close"), (22 * HOUR, "open"), (25 * HOUR, "close")]
    messages = [
        *(
            said(at, "incident", 10 + n, "D-1", incident_id=incident, action=do)
            for n, (at, do) in enumerate(words)
        ),
        *(
            said(at, "tally", 20 + n, "D-1", incident_id=incident, action=do, set_id=of, wearer_id=who)
            for n, (at, do, of, who) in enumerate(tallies)
        ),
    ]
    for speaker in ("S-1", "S-2"):
        days = [(start + 120 + 5 * n, 300 - n) for start in (0.0, 22 * HOUR) for n in range(120)]
        shut = [(start + 730 + 5 * n, 0) for start in (0.0, 22 * HOUR) for n in range(4)]
        readings = sorted([*days, *shut])
        messages += [
            said(at, "pressure", n, speaker, pressure_bar=bar) for n, (at, bar) in enumerate(readings)
        ]
    folder = tmp_path_factory.mktemp("again")
    write_capture(folder / "log.ndjson", sorted(messages, key=lambda one: one.received))
    import_capture(folder / "log.ndjson", folder / "archive")
    return folder / "archive"


def entries(archive: Path, *more: str) -> list[tuple[str, datetime, str]]:
    arguments = ["analyse", "--archive", str(archive), "--out", str(archive.parent / "out"), "-q", *more]
    printed = CliRunner().invoke(root, [*arguments, "--table", "entries", "--format", "parquet"])
    assert printed.exit_code == 0, printed.output
    (found,) = (archive.parent / "out").rglob("entries*.parquet")
    table = pl.read_parquet(found).sort("tallied_in", "entry_id")
    found.unlink()
    return table.select("entry_id", "tallied_in", "ended_how").rows()


def test_each_entry_has_one_key_by_archive_and_by_incident(archive: Path) -> None:
    whole = entries(archive)
    assert [(entry_id, at.day, how) for entry_id, at, how in whole] == [
        ("DRILL@2031-05-10/W-1/1", 10, "tallied_out"),
        ("DRILL@2031-05-10/W-2/1", 10, "incident_closed"),
        ("DRILL@2031-05-11/W-1/1", 11, "tallied_out"),
        ("DRILL@2031-05-11/W-2/1", 11, "tallied_out"),
    ]
    by_incident = [one for day in (10, 11) for one in entries(archive, "--incident", f"DRILL@2031-05-{day}")]
    assert by_incident == whole


def test_who_was_in_at_the_close_is_told_twelve_hours_longer_than_the_row(archive: Path) -> None:
    def told(at: str) -> list[str]:
        arguments = ["board", "--archive", str(archive), "--at", at, "--json"]
        return [one["who"] for one in json.loads(CliRunner().invoke(root, arguments).stdout)["out"]]

    assert told("2031-05-11T02:01:00Z") == ["W-2"]
    assert told("2031-05-11T07:59:00Z") == ["W-2"]


def test_a_correction_that_comes_a_month_later_is_of_the_same_incident(tmp_path: Path) -> None:
    """Not another incident of that name, with somebody in it whom nobody heard."""
    words = [(0.0, "open"), (4 * HOUR, "close")]
    messages = [
        said(at, "incident", 10 + n, "D-1", incident_id="I-1", action=do) for n, (at, do) in enumerate(words)
    ]
    tally = {"incident_id": "I-1", "set_id": "S-1"}
    messages += [
        said(100, "tally", 20, "D-1", action="in", wearer_id="W-1", **tally),
        *(said(120 + 5 * n, "pressure", n, "S-1", pressure_bar=300 - n) for n in range(120)),
        *(said(720 + 5 * n, "pressure", 120 + n, "S-1", pressure_bar=0) for n in range(4)),
        said(800, "tally", 21, "D-1", action="out", wearer_id="W-1", **tally),
    ]
    for seq, (target, action) in enumerate(((20, "in"), (21, "out"))):
        corrects = {"desk_id": "D-1", "boot": 1, "seq": target}
        at = 30 * 24 * HOUR + seq
        messages.append(
            said(at, "tally", seq, "D-9", action=action, wearer_id="W-2", corrects=corrects, **tally)
        )
    write_capture(tmp_path / "log.ndjson", sorted(messages, key=lambda one: one.received))
    import_capture(tmp_path / "log.ndjson", tmp_path / "archive")
    ((entry_id, tallied_in, ended_how),) = entries(tmp_path / "archive")
    assert (entry_id, ended_how) == ("I-1/W-2/1", "tallied_out")
    assert tallied_in == OPENED + timedelta(seconds=100)
    assert entries(tmp_path / "archive", "--incident", "I-1") == [(entry_id, tallied_in, ended_how)]
    # Nor does it make the next incident of that name, two hours after it, a part of the first.
    again = 30 * 24 * HOUR + 2 * HOUR
    later = [
        said(again, "incident", 30, "D-1", incident_id="I-1", action="open"),
        said(again + 10, "tally", 31, "D-1", action="in", wearer_id="W-3", **tally),
        said(again + 900, "tally", 32, "D-1", action="out", wearer_id="W-3", **tally),
    ]
    write_capture(tmp_path / "later.ndjson", later)
    import_capture(tmp_path / "later.ndjson", tmp_path / "archive")
    found = [name for name, *_ in entries(tmp_path / "archive")]
    assert found == ["I-1@2031-05-10/W-2/1", "I-1@2031-06-09/W-3/1"]
