"""Two listeners' captures of one incident: one message an identity, no false jump, both receipt times."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.evidence.case import write_case
from dashboard.underair import main
from ingest.archive.imports import FILE, FOLDER, read_imports
from ingest.archive.reading import Archive
from ingest.archive.verifying import verify
from ingest.contract.captures import write_capture
from ingest.contract.kinds import KINDS
from ingest.importing import import_capture
from sample_logs.simulation.scenario import build_late_turn_back

STAGED = build_late_turn_back(4, datetime(2031, 5, 9, 20, 0, tzinfo=UTC))
FAST = timedelta(seconds=5)
SAMPLE = Path(__file__).parents[2] / "sample_logs" / "bad_messages.ndjson"


def captures(folder: Path, apart: timedelta) -> tuple[Path, Path]:
    """Two listeners: each misses a stretch that the other hears; the second one's clock is fast."""
    heard = STAGED.heard
    third = len(heard) // 3
    one, other = heard[: 2 * third] + heard[2 * third + 200 :], heard[200:]
    paths = folder / "van.ndjson.gz", folder / "station.ndjson.gz"
    write_capture(paths[0], one)
    late = [each._replace(received=each.received + apart + timedelta(milliseconds=20)) for each in other]
    write_capture(paths[1], late)
    return paths


def merged(folder: Path, apart: timedelta) -> Path:
    archive = folder / "archive"
    for path in captures(folder, apart):
        import_capture(path, archive)
    return archive


def rows(archive: Path) -> int:
    return sum(frame.height for kind, frame in Archive(archive).messages().items() if kind in KINDS)


@pytest.mark.parametrize("apart", [FAST, -timedelta(seconds=90)])
def test_a_fast_listener_makes_no_clock_jump_and_each_message_is_there_once(
    tmp_path: Path, apart: timedelta
) -> None:
    archive = merged(tmp_path, apart)
    found = analyse(Archive(archive).messages(), Profile.default(), STAGED.incident_id)
    whole = tmp_path / "whole.ndjson.gz"
    write_capture(whole, STAGED.heard)
    import_capture(whole, tmp_path / "one")
    assert rows(archive) == rows(tmp_path / "one")
    expected = analyse(Archive(tmp_path / "one").messages(), Profile.default(), STAGED.incident_id)
    assert found["clocks"]["steps"].to_list() == expected["clocks"]["steps"].to_list()
    assert sorted(found["findings"]["code"]) == sorted(expected["findings"]["code"])
    moved = (found["wears"]["started"] - expected["wears"]["started"]).dt.total_milliseconds().abs()
    assert moved.max() < 100


def test_both_receipt_times_are_kept_and_say_by_how_much_they_differ(tmp_path: Path) -> None:
    archive = merged(tmp_path, FAST)
    (van, station), faults, _ = read_imports(archive)
    assert faults == []
    assert (van.file, van.moved, van.clock_fast_s) == ("van.ndjson.gz", False, None)
    assert station.moved
    assert station.clock_fast_s == pytest.approx(5.02, abs=0.001)
    assert station.compared > 100
    own = pl.concat(pl.read_parquet(archive / FOLDER / name) for name in station.receipts)
    kept = Archive(archive).messages()["pressure"]
    pairs = own.filter(pl.col("kind") == "pressure").join(
        kept, left_on=["speaker", "boot", "seq"], right_on=["set_id", "boot", "seq"], suffix="_kept"
    )
    apart = (pairs["received"] - pairs["received_kept"]).dt.total_milliseconds()
    assert apart.is_between(5000, 5040).all()
    assert len(pairs) == own.filter(pl.col("kind") == "pressure").height


def test_the_same_clock_moves_nothing(tmp_path: Path) -> None:
    archive = merged(tmp_path, timedelta(milliseconds=200))
    _, station = read_imports(archive)[0]
    assert not station.moved
    assert station.clock_fast_s == pytest.approx(0.22, abs=0.001)


def test_what_a_broker_delivers_again_is_no_second_listener(tmp_path: Path) -> None:
    """Half a minute of messages, delivered again after the outage, in the next capture of one listener."""
    heard = STAGED.heard
    half = len(heard) // 2
    late = heard[half].received + timedelta(seconds=30)
    again = [one._replace(received=late) for one in heard[half - 90 : half]]
    write_capture(tmp_path / "first.ndjson.gz", heard[:half])
    write_capture(
        tmp_path / "second.ndjson.gz", sorted([*again, *heard[half:]], key=lambda one: one.received)
    )
    for name in ("first", "second"):
        import_capture(tmp_path / f"{name}.ndjson.gz", tmp_path / "archive")
    assert not any(one.moved for one in read_imports(tmp_path / "archive")[0])
    assert rows(tmp_path / "archive") == len({one.payload for one in heard})


def test_the_same_capture_again_changes_nothing(tmp_path: Path) -> None:
    archive = merged(tmp_path, FAST)
    before = {path: path.read_bytes() for path in archive.rglob("*") if path.is_file()}
    import_capture(tmp_path / "station.ndjson.gz", archive)
    assert {path: path.read_bytes() for path in archive.rglob("*") if path.is_file()} == before


def test_the_verb_says_it_and_a_case_names_the_captures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    van, station = captures(tmp_path, FAST)
    with pytest.raises(SystemExit) as done:
        main(["import", str(van), str(station), "--archive", str(tmp_path / "archive")])
    assert not done.value.code
    assert (
        "station.ndjson.gz: its listener's clock is 5.0 s fast against the archive" in capsys.readouterr().err
    )
    write_case(tmp_path / "archive", Profile.default(), STAGED.incident_id, tmp_path / "case", why="test")
    info = (tmp_path / "case" / "bag-info.txt").read_text()
    digests = [one.sha256 for one in read_imports(tmp_path / "archive")[0]]
    assert f"Imported-Capture: van.ndjson.gz, SHA-256 {digests[0]}\n" in info
    assert f"SHA-256 {digests[1]}, receipt times corrected by -5.020 s" in info.replace("\n ", "")


def test_an_altered_line_or_file_of_receipts_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = merged(tmp_path, FAST)
    log = archive / FOLDER / FILE
    lines = log.read_bytes().splitlines(keepends=True)
    told = json.loads(lines[0]) | {"kept": 1}
    log.write_bytes(json.dumps(told, separators=(",", ":")).encode() + b"\n" + lines[1])
    (name,) = read_imports(archive)[0][1].receipts
    (archive / FOLDER / name).write_bytes(b"other")
    with pytest.raises(SystemExit) as done:
        main(["verify", str(archive)])
    assert done.value.code == 1
    said = "".join(capsys.readouterr())
    assert "line 2 does not follow from the line before" in said
    assert f"imports/{name}: its contents changed after it was written" in said


def later(monkeypatch: pytest.MonkeyPatch) -> None:
    """Verify later: an import that just wrote its parts has not written its line yet."""
    monkeypatch.setattr("ingest.archive.verifying._LISTED_WITHIN", -timedelta(minutes=9))


@pytest.mark.parametrize("cut", [1, 2])
def test_a_capture_that_is_in_the_manifest_and_not_in_the_list_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: int
) -> None:
    archive = merged(tmp_path, FAST)
    assert not verify(archive).faults
    log = archive / FOLDER / FILE
    captures_there = [one.sha256[:16] for one in read_imports(archive)[0]]
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[:-cut]))
    assert not verify(archive).faults  # as if both were being imported just now
    later(monkeypatch)
    said = [str(fault) for fault in verify(archive).faults]
    assert len(said) == cut
    for digest in captures_there[-cut:]:
        assert any(f"missing: {FOLDER}/{FILE}: it has no capture {digest}" in one for one in said)


def test_parts_and_their_lines_that_went_together_are_missed_by_the_list_of_imports(tmp_path: Path) -> None:
    archive = merged(tmp_path, FAST)
    chain = archive / "manifest" / "import.ndjson"
    lines = chain.read_bytes().splitlines(keepends=True)
    last = json.loads(lines[-1])
    (archive / last["part"]).unlink()
    chain.write_bytes(b"".join(lines[:-1]))
    (fault,) = verify(archive).faults
    _, station = read_imports(archive)[0]
    there = station.kept - last["rows"]
    assert fault.what == "missing"
    assert fault.where == "manifest/import.ndjson"
    kept = f"{FOLDER}/{FILE} says {station.kept:,} were kept"
    assert f"it has {there:,} messages of station.ndjson.gz, and {kept}" in fault.statement


def test_refused_lines_that_another_capture_brought_before_are_no_fault(tmp_path: Path) -> None:
    lines = SAMPLE.read_bytes().splitlines(keepends=True)
    for name, some in (("one", lines), ("both", lines + lines), ("part", lines[2:20])):
        (tmp_path / f"{name}.ndjson").write_bytes(b"".join(some))
        import_capture(tmp_path / f"{name}.ndjson", tmp_path / "archive")
    assert sum(one.refused for one in read_imports(tmp_path / "archive")[0]) > 20
    assert verify(tmp_path / "archive").faults == []


def test_a_machine_that_saw_a_list_misses_its_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "state"))
    archive = merged(tmp_path, FAST)
    log = archive / FOLDER / FILE
    lines = log.read_bytes().splitlines(keepends=True)

    def verified() -> tuple[int | str | None, str]:
        with pytest.raises(SystemExit) as done:
            main(["verify", str(archive)])
        return done.value.code, "".join(capsys.readouterr())

    with pytest.raises(SystemExit):
        main(["heads", str(archive)])
    assert "2 lines  imports\n" in capsys.readouterr().out
    assert verified()[0] in (0, None)
    for left in (lines[:1], []):
        log.write_bytes(b"".join(left))
        code, said = verified()
        assert code == 1
        assert "is in no chain: rolled back or exchanged" in said
    log.write_bytes(b"".join(lines))
    assert verified()[0] in (0, None)


def test_a_message_that_comes_again_and_again_counts_once_among_those_that_both_heard(tmp_path: Path) -> None:
    """A broker that delivers one message twelve times, an hour late, is no second listener."""
    one, many = tmp_path / "one.ndjson", tmp_path / "again.ndjson"
    write_capture(one, STAGED.heard)
    message = next(each for each in STAGED.heard if each.topic.endswith("/pressure"))
    write_capture(many, [message._replace(received=message.received + timedelta(hours=1))] * 12)
    import_capture(one, tmp_path / "archive")
    import_capture(many, tmp_path / "archive")
    _, again = read_imports(tmp_path / "archive")[0]
    assert (again.moved, again.compared) == (False, 0)
