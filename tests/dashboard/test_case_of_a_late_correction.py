"""A correction that comes days later brings nothing of other incidents into an incident's case."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from analysis.pieces.archive_pieces import cut, incident_piece, incidents_in
from dashboard.evidence.case_messages import capture_lines, messages_of
from ingest.contract.captures import Heard, capture_line, write_capture
from ingest.importing import import_capture
from tests.analysis.test_incident_name_again import HOUR, said


def wear(set_id: str, at_s: float, boot: int) -> list[Heard]:
    return [
        said(at_s + 5 * n, "pressure", n, set_id, boot=boot, pressure_bar=300 - n if n < 120 else 0)
        for n in range(124)
    ]


def in_and_out(at_s: float, seq: int, incident_id: str, wearer_id: str, set_id: str) -> list[Heard]:
    who = {"incident_id": incident_id, "wearer_id": wearer_id, "set_id": set_id}
    return [
        said(at_s + 700 * n, "tally", seq + n, "D-1", action=action, **who)
        for n, action in enumerate(("in", "out"))
    ]


def three_days() -> list[Heard]:
    """An incident; then a drill with a wearer and a set of it, and with a set that nobody tallied."""
    return [
        said(0, "incident", 1, "D-1", incident_id="I-1", action="open"),
        *in_and_out(100, 2, "I-1", "W-1", "S-1"),
        *in_and_out(105, 4, "I-1", "W-2", "S-2"),
        *(one for set_id in ("S-1", "S-2") for one in wear(set_id, 120, 1)),
        said(HOUR, "incident", 6, "D-1", incident_id="I-1", action="close"),
        said(30 * HOUR, "incident", 11, "D-1", incident_id="I-2", action="open"),
        *in_and_out(30 * HOUR + 100, 12, "I-2", "W-2", "S-7"),
        *in_and_out(30 * HOUR + 105, 14, "I-2", "W-5", "S-1"),
        *(one for set_id in ("S-1", "S-7", "S-9") for one in wear(set_id, 30 * HOUR + 120, 2)),
        said(31 * HOUR, "incident", 16, "D-1", incident_id="I-2", action="close"),
    ]


def bring_in(folder: Path, name: str, messages: list[Heard]) -> None:
    write_capture(folder / name, sorted(messages, key=lambda one: one.received))
    import_capture(folder / name, folder / "archive")


def lines_of_case(archive: Path) -> list[str]:
    chosen, _ = messages_of(archive, "I-1")
    return b"".join(capture_lines(chosen)).decode().splitlines()


@pytest.mark.parametrize("set_id", ["S-1", "S-3"])
def test_the_case_has_its_own_messages_and_the_correction(tmp_path: Path, set_id: str) -> None:
    bring_in(tmp_path, "log.ndjson", three_days())
    before = lines_of_case(tmp_path / "archive")
    span = incidents_in(tmp_path / "archive").filter(pl.col("key") == "I-1").select("first", "last")
    pieces = cut(tmp_path / "archive").table.height
    corrects = {"desk_id": "D-1", "boot": 1, "seq": 2}
    late = said(
        72 * HOUR,
        "tally",
        1,
        "D-9",
        incident_id="I-1",
        action="in",
        wearer_id="W-3",
        set_id=set_id,
        corrects=corrects,
    )
    bring_in(tmp_path, "late.ndjson", [late])
    after = lines_of_case(tmp_path / "archive")
    assert len(before) == 2 * 124 + 4 + 2
    assert [line for line in after if line not in before] == [capture_line(late).rstrip().decode()]
    assert len(after) == len(before) + 1
    uses = incidents_in(tmp_path / "archive").filter(pl.col("key") == "I-1")
    assert uses.select("first", "last").equals(span)
    assert cut(tmp_path / "archive").table.height == pieces
    messages, _ = incident_piece(tmp_path / "archive", "I-1")
    assert messages["tally"]["desk_id"].to_list().count("D-9") == 1
