"""Merging finished days, the manifest's chain, and `underair verify`."""

from __future__ import annotations

import hashlib
import json
import shutil
import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq
import pytest

from ingest.archive import tidying
from ingest.archive.expected import expected_of
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.manifest import DIGESTS, decode_line, digest_text, rows_digest
from ingest.archive.reading import Archive
from ingest.archive.sealing import Recent, seal_messages, seal_segment
from ingest.archive.sound import trouble_of
from ingest.archive.tidying import Tidied, tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard, read_capture
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import micros
from tests.verbs import underair

Pressure = Callable[..., Heard]
DAY = datetime(2031, 5, 4, tzinfo=UTC)
CYLINDER = {"count": 1, "water_volume_l": 6.8, "rated_bar": 300}
NEXT_DAY = DAY + timedelta(days=1)


@pytest.fixture
def archive(tmp_path: Path, pressure: Pressure) -> Path:
    """Five parts of pressure, one of refused; a message that two listeners heard."""
    for number in range(5):
        heard = [pressure(seq, set_id=f"S-{seq % 3}") for seq in range(number * 10, number * 10 + 10)]
        seal_messages(tmp_path, frames_from_heard(heard), f"one-{number}", writer="one")
    again = pressure(7, set_id="S-1")._replace(received=DAY + timedelta(hours=12))
    _part_past_the_check(tmp_path, again)
    seal_messages(
        tmp_path, frames_from_heard([Heard(DAY, "x", b"y"), Heard(DAY, "x", b"y")]), "one-9", writer="one"
    )
    return tmp_path


def _part_past_the_check(archive: Path, heard: Heard) -> None:
    """What another listener seals at the same moment: it cannot see the first one's part yet."""
    from ingest.archive.parts import write_part

    write_part(archive, "pressure", DAY.date(), "two-0", frames_from_heard([heard])["pressure"], "two")


def _parts(archive: Path) -> list[str]:
    return sorted(path.relative_to(archive).as_posix() for path in archive.rglob("*.parquet"))


def test_finished_day_becomes_one_part_and_reads_the_same(archive: Path) -> None:
    before = Archive(archive).messages()
    done = tidy(archive, NEXT_DAY, grace_s=0)
    assert done == Tidied(merged=1, parts_before=7, parts_after=2, rows=50, duplicates=1)
    after = Archive(archive).messages()
    for kind, frame in before.items():
        assert after[kind].sort("received", "payload").equals(frame.sort("received", "payload")), kind
    assert Archive(archive).scan("pressure").collect().height == 50
    merged = pq.ParquetFile(next(archive.glob("pressure/*/day-*.parquet")))
    sets = merged.read()["set_id"].to_pylist()
    assert sets == sorted(sets)
    assert tidy(archive, NEXT_DAY, grace_s=0) == Tidied(0, 2, 2, 0, 0)


@pytest.mark.parametrize("kind", ["pressure", "setup", "link", "will", "note"])
def test_equal_bytes_of_two_services_are_two_messages(tmp_path: Path, kind: str) -> None:
    """Mended: of two sets of one ID that were switched on together, one had no cylinder, power and link.

    Heard together or apart, by a listener or in a capture, merged, followed. What two gateways of one service
    bring is one.
    """
    role, fields = ("desk", {"incident_id": "I-1", "text": "x"}) if kind == "note" else ("set", {})
    fields |= {"pressure": {"pressure_bar": 1.0}, "setup": {"cylinders": CYLINDER}, "note": {}}.get(
        kind, {"state": "down"}
    )
    number = {} if kind == "will" else {"boot": 1, "seq": 0, "time": "2031-05-04T10:00:00Z"}
    kind = "link" if kind == "will" else kind
    payload = json.dumps({"kind": kind, f"{role}_id": "X-1", **number, **fields}).encode()
    north, south = (
        Heard(DAY, f"underair/v1/{name}/{role}/X-1/{kind}", payload) for name in ("north", "south")
    )
    both = [north, south, north, south]
    for name, recent in (("capture", None), ("listener", Recent())):
        kept = [
            seal_messages(tmp_path / name, frames_from_heard(heard), f"one-{part}", recent=recent).kept
            for part, heard in enumerate(([north], both, both))
        ]
        assert kept == [1, 1, 0], name
    recent = Recent(tmp_path / "capture")
    assert seal_messages(tmp_path / "capture", frames_from_heard(both), "one-9", recent=recent).kept == 0
    assert tidy(tmp_path / "capture", NEXT_DAY, grace_s=0).rows == 2
    follower = Archive(tmp_path / "live").follow()
    (tmp_path / "live/journal/one").mkdir(parents=True)
    writer = SegmentWriter(tmp_path / "live/journal/one", DAY)
    writer.append([Record(micros(one.received), one.topic, one.payload, one.retained) for one in both])
    writer.close()
    for messages in (
        Archive(tmp_path / "capture").messages(),
        Archive(tmp_path / "live").messages(),
        follower.new_messages(),
    ):
        assert sorted(messages[kind]["service"]) == ["north", "south"]
    follower.close()


def test_today_is_left_alone(archive: Path) -> None:
    before = _parts(archive)
    assert tidy(archive, DAY + timedelta(hours=23), grace_s=0).merged == 0
    assert _parts(archive) == before


def test_part_that_came_late_is_merged_into_the_day(archive: Path, pressure: Pressure) -> None:
    tidy(archive, NEXT_DAY, grace_s=0)
    seal_messages(archive, frames_from_heard([pressure(99), pressure(98)]), "import-late")
    assert tidy(archive, NEXT_DAY, grace_s=0).rows == 52
    assert Archive(archive).scan("pressure").collect().height == 52
    assert verify(archive).faults == []


class _Killed(BaseException):
    """A kill in the middle of a merge."""


_STEPS = (
    ("write_part", "before"),
    ("write_part", "after"),
    ("finish_merge", "before"),
    ("finish_merge", "after"),
)


@pytest.mark.parametrize("step", [f"{when} {name}" for name, when in _STEPS])
def test_merge_killed_at_any_step_leaves_the_archive_whole(
    archive: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    before = Archive(archive).messages()
    when, name = step.split()
    real = getattr(tidying, name)

    def killed(*arguments: Any, **named: Any) -> None:
        if when == "after":
            real(*arguments, **named)
        raise _Killed

    monkeypatch.setattr(tidying, name, killed)
    with pytest.raises(_Killed):
        tidy(archive, NEXT_DAY, grace_s=0)
    monkeypatch.undo()
    for _ in range(2):
        during = Archive(archive).messages()
        for kind, frame in before.items():
            assert during[kind].sort("received", "payload").equals(frame.sort("received", "payload")), kind
        assert Archive(archive).scan("pressure").collect().height in (50, 51)
        assert verify(archive).faults == []
        tidy(archive, NEXT_DAY, grace_s=0)
    assert len(_parts(archive)) == 2
    assert [path.name for path in archive.rglob(".*") if path.name != ".tidy.lock"] == []


def test_line_of_a_killed_merge_does_not_count_after_more_parts_came(
    archive: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest.archive import parts

    def killed(*_: Any) -> None:
        raise _Killed

    monkeypatch.setattr(parts.os, "link", killed)
    with pytest.raises(_Killed):
        tidy(archive, NEXT_DAY, grace_s=0)
    monkeypatch.undo()
    assert any(
        decode_line(line).replaces for line in (archive / "manifest/tidy.ndjson").read_bytes().splitlines()
    )
    assert verify(archive).faults == []
    seal_messages(archive, frames_from_heard([pressure(99)]), "import-late")
    tidy(archive, NEXT_DAY, grace_s=0)
    assert verify(archive).faults == []
    assert Archive(archive).scan("pressure").collect().height == 51


def test_two_tidyings_at_once_are_refused(archive: Path) -> None:
    with tidying.only_one(archive), pytest.raises(ArchiveProblem, match="another `underair tidy` is working"):
        tidy(archive, NEXT_DAY, grace_s=0)


@pytest.mark.parametrize("damage", ["cut short", "one bit"])
def test_damaged_part_is_not_merged_and_is_kept_and_named(archive: Path, damage: str) -> None:
    """Fault of 0.3.0: merging made an altered part whole, and deleted the only copy."""
    part = next(archive.glob("pressure/*/one-2-*.parquet"))
    name, whole = part.relative_to(archive).as_posix(), part.read_bytes()
    damaged = bytearray(whole[:100] if damage == "cut short" else whole)
    damaged[90] ^= 1
    part.write_bytes(damaged)
    done = tidy(archive, NEXT_DAY, grace_s=0)
    assert done.quarantined == [name]
    assert done.rows == 40
    kept = archive / "quarantine" / name
    assert kept.read_bytes() == damaged
    for _ in range(2):
        (fault,) = verify(archive).faults
        assert (fault.what, fault.where, fault.rows) == ("altered", name, 10)
        assert [fault.where for fault in trouble_of(archive)] == [name]
        tidy(archive, NEXT_DAY, grace_s=0)
    part.write_bytes(whole)  # from a backup
    tidy(archive, NEXT_DAY, grace_s=0)
    assert verify(archive).faults == []
    assert Archive(archive).scan("pressure").collect().height == 50


def test_each_altered_copy_of_a_part_is_kept_beside_the_others(archive: Path, pressure: Pressure) -> None:
    part = next(archive.glob("pressure/*/one-2-*.parquet"))
    name = part.relative_to(archive).as_posix()
    for copy in range(3):
        part.write_bytes(b"altered %d" % copy)
        seal_messages(archive, frames_from_heard([pressure(100 + copy)]), "more")
        assert tidy(archive, NEXT_DAY, grace_s=0).quarantined == [name]
    kept = [archive / "quarantine" / f"{name}{number}" for number in ("", ".2", ".3")]
    assert [path.read_bytes() for path in kept] == [b"altered 0", b"altered 1", b"altered 2"]


def test_foreign_part_is_not_read_nor_merged_nor_deleted(archive: Path) -> None:
    """Fault of 0.3.0: a file that somebody put there was merged, and deleted."""
    part = next(archive.glob("pressure/*/one-2-*.parquet"))
    foreign = part.with_name("foreign.parquet")
    rows = pl.read_parquet(part, hive_partitioning=False)
    rows.with_columns(seq=pl.col("seq") + 1000).write_parquet(foreign)
    brought = foreign.read_bytes()
    assert tidy(archive, NEXT_DAY, grace_s=0).rows == 50
    assert foreign.read_bytes() == brought
    assert Archive(archive).messages()["pressure"]["seq"].max() < 1000
    (fault,) = trouble_of(archive)
    assert (fault.what, fault.where) == ("foreign", foreign.relative_to(archive).as_posix())
    assert [fault.what for fault in verify(archive).faults] == ["foreign"]


def test_digest_of_rows_does_not_depend_on_their_order_and_sums_up(pressure: Pressure) -> None:
    frame = frames_from_heard([pressure(seq) for seq in range(20)])["pressure"]
    shuffled = frame.sample(fraction=1, shuffle=True, seed=1)
    assert rows_digest(frame) == rows_digest(shuffled)
    assert (rows_digest(frame[:7]) + rows_digest(frame[7:])) % 2**128 == rows_digest(frame)
    others = (("pressure_bar", 7.25), ("boot", None), ("set_id", "S-9"), ("retained", True), ("time", DAY))
    for column, value in (("payload", "{}"), ("topic", "t"), ("received", DAY), *others):
        other = frame.with_columns(
            pl.when(pl.col("seq") == 3).then(pl.lit(value)).otherwise(column).alias(column)
        )
        assert rows_digest(other) != rows_digest(frame), column


def test_digest_of_rows_is_written_as_the_128_bits_that_it_has() -> None:
    assert digest_text(0x2A) == "0" * 30 + "2a"
    assert len(digest_text(DIGESTS - 1)) == 32


def test_digest_of_rows_is_what_its_definition_says_row_by_row() -> None:
    """Our own rule, written out cell by cell; manifests of older archives depend on it."""
    log = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
    mixed = 0
    for kind, whole in frames_from_heard(list(read_capture(log))).items():
        frame = whole.gather_every(max(1, whole.height // 300))
        total = 0
        for row in frame.with_columns(_as_words(frame)).iter_rows(named=True):
            payload = row.pop("payload").encode()
            cells = b"".join(
                _hashed(name.encode(), 8) + (_hashed(value.encode(), 8) if isinstance(value, str) else value)
                for name, value in sorted(row.items())
                if value is not None
            )
            total += int.from_bytes(_hashed(cells + payload, 16), "big")
        assert rows_digest(frame) == total % 2**128, kind
        mixed += any(0 < frame[name].null_count() < frame.height for name in frame.columns)
    assert mixed, "rows with and without a value were tried side by side"


def _hashed(data: bytes, size: int) -> bytes:
    """RFC 7693; eight bytes go into a row as a little endian number, and so as they are."""
    return hashlib.blake2b(data, digest_size=size).digest()


def _compact(value: Any) -> str:
    """JSON without blanks and without members that are null."""
    if isinstance(value, dict):
        members = (f"{json.dumps(name)}:{_compact(one)}" for name, one in value.items() if one is not None)
        return f"{{{','.join(members)}}}"
    return f"[{','.join(map(_compact, value))}]" if isinstance(value, list) else json.dumps(value)


def _as_words(frame: pl.DataFrame) -> list[pl.Series]:
    """Numbers and moments as the eight bytes that they are."""
    words = []
    for series in frame.iter_columns():
        if series.dtype == pl.String:
            continue
        if isinstance(series.dtype, pl.List | pl.Struct):
            said = [None if value is None else _compact(value) for value in series.to_list()]
            words.append(pl.Series(series.name, said, pl.String))
            continue
        code = "<d" if series.dtype == pl.Float64 else "<q"
        plain = series.to_physical().cast(pl.Float64 if code == "<d" else pl.Int64)
        packed = [None if value is None else struct.pack(code, value) for value in plain.to_list()]
        words.append(pl.Series(series.name, packed, pl.Binary))
    return words


@pytest.fixture(params=["as sealed", "tidied"])
def sealed(request: pytest.FixtureRequest, archive: Path, pressure: Pressure) -> Path:
    if request.param == "tidied":
        tidy(archive, NEXT_DAY, grace_s=0)
    folder = archive / "journal" / "one"
    folder.mkdir(parents=True)
    for number in range(2):
        writer = SegmentWriter(folder, DAY + timedelta(seconds=number))
        each = pressure(200 + number)
        writer.append([Record(micros(each.received), each.topic, each.payload, False)])
        writer.close()
        if number == 0:
            seal_segment(archive, writer.path)
    return archive


def test_archive_as_it_was_sealed_is_whole(sealed: Path) -> None:
    found = verify(sealed)
    assert found.faults == []
    assert found.rows >= 53
    assert found.unsealed == 1
    assert set(found.heads) >= {"one", "two"}


def test_altered_byte_in_any_file_is_named(sealed: Path) -> None:
    files = [
        path
        for path in sealed.rglob("*")
        if path.is_file() and path.suffix in (".parquet", ".ndjson", ".journal")
    ]
    assert {path.suffix for path in files} == {".parquet", ".ndjson", ".journal"}
    for path in files:
        whole = path.read_bytes()
        for at in (0, len(whole) // 2, len(whole) - 2):
            damaged = bytearray(whole)
            damaged[at] ^= 1
            path.write_bytes(damaged)
            named = {fault.where for fault in verify(sealed).faults}
            relative = path.relative_to(sealed).as_posix()
            assert relative in named, (relative, at)
        path.write_bytes(whole)
    assert verify(sealed).faults == []


def test_an_altered_line_is_named_by_its_number_from_one(sealed: Path) -> None:
    path = max(sealed.rglob("*.ndjson"), key=lambda each: each.read_bytes().count(b"\n"))
    lines = path.read_bytes().splitlines(keepends=True)
    altered = lines[1].replace(b"{", b"{ ", 1)
    path.write_bytes(b"".join([lines[0], altered, *lines[2:]]))
    assert any("line 2 was altered" in fault.statement for fault in verify(sealed).faults)


def test_missing_added_and_truncated_parts_are_named(sealed: Path) -> None:
    parts = sorted((sealed / "pressure").rglob("*.parquet"))
    first, last = parts[0], parts[-1]
    whole = first.read_bytes()
    first.write_bytes(whole[: len(whole) // 2])
    (fault,) = verify(sealed).faults
    assert (fault.what, fault.where) == ("altered", first.relative_to(sealed).as_posix())
    first.unlink()
    (fault,) = verify(sealed).faults
    assert (fault.what, fault.where) == ("missing", first.relative_to(sealed).as_posix())
    first.write_bytes(whole)
    other = last.with_name("other.parquet")
    other.write_bytes(whole)
    (fault,) = verify(sealed).faults
    assert (fault.what, fault.where) == ("foreign", other.relative_to(sealed).as_posix())


def test_rewritten_part_with_other_values_is_named_even_with_the_same_rows(sealed: Path) -> None:
    part = next((sealed / "pressure").rglob("*.parquet"))
    frame = pl.read_parquet(part, hive_partitioning=False)
    frame.with_columns(pressure_bar=pl.lit(300.0)).write_parquet(part)
    (fault,) = verify(sealed).faults
    assert str(fault).startswith(
        f"altered: {part.relative_to(sealed).as_posix()}: its contents changed after it was written"
    )


def test_merge_that_loses_a_row_is_refused_and_its_parts_stay(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = tidying.write_part
    monkeypatch.setattr(
        tidying,
        "write_part",
        lambda archive, kind, day, name, rows, writer, **more: real(
            archive, kind, day, name, (group[1:] for group in rows), writer, **more
        ),
    )
    before = _parts(archive)
    with pytest.raises(ArchiveProblem, match="would not contain what was sealed in the 6 parts it replaces"):
        tidy(archive, NEXT_DAY, grace_s=0)
    assert _parts(archive) == before
    assert verify(archive).faults == []


def test_torn_last_line_of_a_manifest_is_cut_by_the_next(archive: Path, pressure: Pressure) -> None:
    manifest = archive / "manifest" / "one.ndjson"
    with manifest.open("ab") as file:
        file.write(b'{"part":"press')
    assert [fault.what for fault in verify(archive).faults] == ["manifest"]
    seal_messages(archive, frames_from_heard([pressure(300)]), "one-z", writer="one")
    assert verify(archive).faults == []


def test_long_chain_hangs_together(tmp_path: Path, pressure: Pressure) -> None:
    name, recent = "n" * 200, Recent()
    for number in range(100):
        seal_messages(tmp_path, frames_from_heard([pressure(number)]), f"{name}-{number}", recent=recent)
    expected = expected_of(tmp_path)
    assert expected.lines() == {"import": 100}
    assert expected.faults() == []


def test_verbs_tidy_and_verify(archive: Path) -> None:
    done = underair("tidy", "--archive", archive)
    assert (done.returncode, done.stdout, done.stderr) == (
        0,
        "merged 7 parts into 2: 50 rows kept, 1 duplicate left out\n",
        "",
    )
    again = underair("tidy", "--archive", archive)
    assert (
        again.stdout == "nothing to merge: 2 parts as they were\n"
    )  # was "merged 2 parts into 2: 0 rows kept"
    whole = underair("verify", archive)
    assert whole.returncode == 0
    assert "whole: 2 parts with 52 rows as they were sealed, 0 messages not yet sealed" in whole.stdout
    assert "head of tidy: " in whole.stdout
    part = next((archive / "refused").rglob("*.parquet"))
    part.unlink()
    broken = underair("verify", archive, "--json")
    assert broken.returncode == 1
    (fault,) = json.loads(broken.stdout)["faults"]
    assert (fault["what"], fault["where"]) == ("missing", part.relative_to(archive).as_posix())
    shown = underair("verify", archive)
    assert "1 fault: 1 part with " in shown.stdout
    assert underair("verify", archive / "nowhere").returncode == 2


def test_a_folder_that_is_no_archive_is_not_tidied(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").touch()
    refused = underair("tidy", "--archive", tmp_path)
    assert refused.returncode == 1
    assert (
        f"{tmp_path} is not an archive: it has neither manifest nor journal; name the folder"
        in refused.stderr
    )
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.parametrize("lot_rows", [7, 20, 1000])
def test_merge_in_many_lots_is_the_merge_in_one(
    archive: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch, lot_rows: int
) -> None:
    """What does not fit into memory is dealt into files by speaker: same bytes, same duplicates."""
    in_one = tmp_path_factory.mktemp("one") / "archive"
    shutil.copytree(archive, in_one)
    tidy(in_one, NEXT_DAY, grace_s=0)
    monkeypatch.setattr(tidying, "LOT_ROWS", lot_rows)
    monkeypatch.setattr(tidying, "_LOTS_AT_ONCE", 2)
    done = tidy(archive, NEXT_DAY, grace_s=0)
    assert done == Tidied(merged=1, parts_before=7, parts_after=2, rows=50, duplicates=1)
    merged, of_one = ([(each / path).read_bytes() for path in _parts(each)] for each in (archive, in_one))
    assert merged == of_one
    assert verify(archive).faults == []
    assert not (archive / ".tidying").exists()


def test_refused_messages_are_merged_in_lots_each_time_that_they_were_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tidying, "LOT_ROWS", 3)
    for number in range(3):
        heard = [Heard(DAY + timedelta(seconds=seq // 2), "x", b"y") for seq in range(10)]
        seal_messages(tmp_path, frames_from_heard(heard), f"one-{number}", writer="one", overwrite=True)
    assert tidy(tmp_path, NEXT_DAY, grace_s=0).rows == 30
    merged = Archive(tmp_path).scan("refused").collect()
    assert merged.height == 30
    assert merged["received"].is_sorted()
    assert verify(tmp_path).faults == []
