from __future__ import annotations

import json
import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.archive.expected import part_name
from ingest.archive.folder import Counts, create_archive
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.manifest import Held, add_line
from ingest.archive.reading import Archive, Follower
from ingest.archive.sealing import Recent, seal_messages, seal_segment
from ingest.archive.sound import trouble_of
from ingest.contract import frames
from ingest.contract.captures import Heard
from ingest.contract.columns import ARROW_SCHEMAS, FRAME_SCHEMAS, TABLES
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.contract.messages import decode_known
from ingest.contract.times import micros
from ingest.contract.topics import Topic

Pressure = Callable[..., Heard]
NOW = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)


def _records(heard: list[Heard]) -> list[Record]:
    return [Record(micros(each.received), each.topic, each.payload, each.retained) for each in heard]


def _segment(archive: Path, heard: list[Heard], now: datetime = NOW, listener: str = "listener") -> Path:
    folder = archive / "journal" / listener
    folder.mkdir(parents=True, exist_ok=True)
    writer = SegmentWriter(folder, now)
    writer.append(_records(heard))
    writer.close()
    return writer.path


def test_parts_lie_by_kind_and_date_of_receipt(tmp_path: Path, pressure: Pressure) -> None:
    late = pressure(14 * 3600 - 1)  # received 40 ms before midnight, the next one after it
    seal_messages(tmp_path, frames_from_heard([pressure(0), late, pressure(14 * 3600)]), "x")
    folders = sorted(path.parent.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*.parquet"))
    assert folders == ["pressure/date=2031-05-04", "pressure/date=2031-05-05"]


def test_any_parquet_reader_opens_the_folder(tmp_path: Path, pressure: Pressure) -> None:
    import pyarrow.dataset as ds  # brings pandas, which few other workers need

    seal_messages(tmp_path, frames_from_heard([pressure(seq) for seq in range(9)]), "x")
    (tmp_path / "pressure/date=2031-05-04/.y.parquet.tmp").write_bytes(b"half a part")
    table = ds.dataset(tmp_path / "pressure", format="parquet", partitioning="hive").to_table()
    assert table.num_rows == 9
    assert set(table.column_names) == {*ARROW_SCHEMAS["pressure"].names, "date"}
    part = pq.read_table(next(tmp_path.glob("pressure/date=2031-05-04/x-*.parquet")), partitioning=None)
    assert part.schema.field("pressure_bar").metadata[b"unit"] == b"bar"


def test_archive_that_is_not_there_is_empty_and_typed(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "nowhere")
    messages = archive.messages()
    for kind in TABLES:
        assert archive.scan(kind).collect_schema() == FRAME_SCHEMAS[kind]
        assert messages[kind].schema == FRAME_SCHEMAS[kind]
        assert messages[kind].is_empty()


def test_scan_is_lazy_and_typed_whatever_columns_a_part_has(tmp_path: Path, pressure: Pressure) -> None:
    seal_messages(tmp_path, frames_from_heard([pressure(0, uptime_s=4.5)]), "x")
    (part,) = tmp_path.glob("pressure/date=2031-05-04/x-*.parquet")
    older = (
        pl.read_parquet(part, hive_partitioning=False).drop("uptime_s").with_columns(pl.lit(1).alias("later"))
    )
    older.write_parquet(part.with_name("older.parquet"))
    held = Held(older.height, NOW, NOW)
    add_line(tmp_path, "import", part.with_name("older.parquet"), held, part.with_name("older.parquet"))
    frame = Archive(tmp_path).scan("pressure").sort("uptime_s").collect()
    assert frame.schema == FRAME_SCHEMAS["pressure"]
    assert frame["uptime_s"].to_list() == [None, 4.5]


def test_messages_are_sealed_parts_and_unsealed_tail_in_order(tmp_path: Path, pressure: Pressure) -> None:
    _segment(tmp_path, [pressure(seq) for seq in (1, 3, 5)])
    seal_messages(tmp_path, frames_from_heard([pressure(seq) for seq in (0, 2, 4, 3)]), "import-x")
    messages = Archive(tmp_path).messages()
    assert messages["pressure"]["seq"].to_list() == [0, 1, 2, 3, 4, 5]


def test_messages_are_limited_by_time_of_receipt(tmp_path: Path, pressure: Pressure) -> None:
    seal_messages(tmp_path, frames_from_heard([pressure(seq) for seq in range(0, 10)]), "x")
    _segment(tmp_path, [pressure(seq) for seq in range(10, 20)])
    messages = Archive(tmp_path).messages(since=pressure(8).received, until=pressure(12).received)
    assert messages["pressure"]["seq"].to_list() == [8, 9, 10, 11]


def test_of_the_tail_only_what_is_asked_for_is_decoded_and_is_what_reading_all_gives(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    still = {"kind": "motion", "set_id": "S-014", "boot": 17, "seq": 8, "motion_m_s2": 0.1, "still_s": 0.0}
    payload = json.dumps({**still, "time": "2031-05-04T10:00:00Z"}).encode()
    motion = Heard(NOW, "underair/v1/demo/set/S-014/motion", payload)
    false, elsewhere = motion._replace(payload=payload[:-1]), motion._replace(topic="underair/v1/demo/set")
    heard = [pressure(0), motion, pressure(1), false, elsewhere]
    _segment(tmp_path, heard)
    decoded: list[str] = []
    whole = Archive(tmp_path).messages()

    def counted(known: Topic, payload: bytes) -> Any:
        decoded.append(known.kind)
        return decode_known(known, payload)

    monkeypatch.setattr(frames, "decode_known", counted)
    for kinds in (["pressure"], ["motion"], ["refused"], ["motion", "refused"], ["originals"]):
        decoded.clear()
        asked = Archive(tmp_path).messages(only=dict.fromkeys(kinds, pl.lit(value=True)))
        for kind in TABLES:
            assert asked[kind].equals(whole[kind] if kind in kinds else whole[kind].clear()), (kinds, kind)
        every = ["pressure", "motion", "pressure", "motion"]
        assert decoded == [kind for kind in every if kind in kinds or "refused" in kinds]
    assert (whole["motion"].height, whole["refused"].height) == (1, 2)


def test_segment_being_sealed_is_read_once(tmp_path: Path, pressure: Pressure) -> None:
    segment = _segment(tmp_path, [pressure(seq) for seq in range(5)])
    # Sealed, but the journal is not yet deleted.
    seal_messages(
        tmp_path, frames_from_heard([pressure(seq) for seq in range(5)]), part_name(segment), overwrite=True
    )
    refused = Heard(NOW, "x", b"y")
    seal_messages(tmp_path, frames_from_heard([refused]), part_name(segment), overwrite=True)
    assert Archive(tmp_path).messages()["pressure"].height == 5
    assert Archive(tmp_path).messages()["refused"].is_empty()


def test_sealing_again_after_a_crash_overwrites(tmp_path: Path, pressure: Pressure) -> None:
    heard = [*(pressure(seq) for seq in range(5)), pressure(1), Heard(NOW, "x", b"y")]
    expected = Counts(received=7, kept=5, duplicates=1, refused=1)
    segment = _segment(tmp_path, heard)
    whole = segment.read_bytes()
    assert seal_segment(tmp_path, segment).counts == expected
    segment.write_bytes(whole)  # as if it had been killed just before the journal was deleted
    assert seal_segment(tmp_path, segment).counts == expected
    assert not segment.exists()
    assert Archive(tmp_path).scan("pressure").collect().height == 5
    assert Archive(tmp_path).scan("refused").collect().height == 1


def test_part_that_does_not_read_back_keeps_the_journal(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    segment = _segment(tmp_path, [pressure(0)])
    write = pq.ParquetWriter.close

    def tearing(writer: pq.ParquetWriter) -> None:
        write(writer)
        writer.torn.truncate(20)

    begin = pq.ParquetWriter.__init__

    def remembering(writer: pq.ParquetWriter, file: Any, *arguments: Any, **named: Any) -> None:
        writer.torn = file
        begin(writer, file, *arguments, **named)

    monkeypatch.setattr(pq.ParquetWriter, "__init__", remembering)
    monkeypatch.setattr(pq.ParquetWriter, "close", tearing)
    with pytest.raises(ArchiveProblem, match="does not read back"):
        seal_segment(tmp_path, segment)
    assert segment.exists()
    assert list((tmp_path / "pressure").rglob("*.*")) == []
    monkeypatch.undo()
    assert seal_segment(tmp_path, segment).counts.kept == 1


def test_damaged_frame_in_mid_segment_is_kept_as_refused(tmp_path: Path, pressure: Pressure) -> None:
    folder = tmp_path / "journal" / "listener"
    folder.mkdir(parents=True)
    writer = SegmentWriter(folder, NOW)
    ends = []
    for seq in range(3):
        writer.append(_records([pressure(seq)]))
        ends.append(writer.size)
    writer.close()
    data = bytearray(writer.path.read_bytes())
    data[ends[0] + 60] ^= 1
    writer.path.write_bytes(data)
    sealed = seal_segment(tmp_path, writer.path)
    assert sealed.counts == Counts(received=3, kept=2, duplicates=0, refused=1)
    assert [(damage.start, damage.end, damage.torn_tail) for damage in sealed.damages] == [
        (ends[0], ends[1], False)
    ]
    refused = Archive(tmp_path).messages()["refused"].row(0, named=True)
    assert refused["payload"] == bytes(data[ends[0] : ends[1]])
    assert "contain no complete frame" in refused["reason"]


def test_import_of_the_same_again_keeps_nothing_and_multiplies_nothing(
    tmp_path: Path, pressure: Pressure
) -> None:
    bad = Heard(NOW, "x", b"y")
    will = Heard(NOW, "underair/v1/demo/set/S/link", b'{"kind":"link","set_id":"S","state":"down"}')
    heard = [pressure(0), pressure(1), pressure(0), bad, bad, will]
    first = seal_messages(tmp_path, frames_from_heard(heard), "import-a")
    assert first == Counts(received=6, kept=3, duplicates=1, refused=2)
    again = seal_messages(tmp_path, frames_from_heard(heard), "import-a")
    assert again == Counts(received=6, kept=0, duplicates=4, refused=2)
    messages = Archive(tmp_path).messages()
    assert {kind: messages[kind].height for kind in ("pressure", "link", "refused")} == {
        "pressure": 2,
        "link": 1,
        "refused": 2,
    }
    # The same refused message heard at another time is another reception.
    seal_messages(
        tmp_path, frames_from_heard([bad._replace(received=NOW + timedelta(seconds=1))]), "import-b"
    )
    assert Archive(tmp_path).messages()["refused"].height == 3


def test_second_import_of_the_same_name_never_overwrites_the_first(
    tmp_path: Path, pressure: Pressure
) -> None:
    seal_messages(tmp_path, frames_from_heard([pressure(0)]), "import-a")
    seal_messages(tmp_path, frames_from_heard([pressure(0), pressure(1)]), "import-a")
    assert sorted(Archive(tmp_path).scan("pressure").collect()["seq"]) == [0, 1]


def test_listener_s_quick_look_covers_what_it_sealed_lately(tmp_path: Path, pressure: Pressure) -> None:
    recent = Recent(rows=4)

    def seal(seqs: range, name: str, recent: Recent | None) -> Counts:
        return seal_messages(tmp_path, frames_from_heard(pressure(seq) for seq in seqs), name, recent=recent)

    assert seal(range(3), "a", recent).kept == 3
    assert seal(range(4), "b", recent) == Counts(received=4, kept=1, duplicates=3, refused=0)
    assert seal(range(4, 8), "c", recent).kept == 4
    assert seal(range(1), "d", recent).kept == 1, "forgotten"
    assert seal(range(8), "e", None).kept == 0, "the whole archive knows it"
    assert Archive(tmp_path).messages()["pressure"].height == 8, "each once when read"
    assert seal(range(8), "f", Recent(tmp_path)).kept == 0, "as after a restart"


def test_half_sealed_segment_is_not_taken_for_its_own_duplicate(tmp_path: Path, pressure: Pressure) -> None:
    heard = [pressure(seq) for seq in range(3)]
    segment = _segment(tmp_path, heard)
    # Killed before the journal was deleted.
    seal_messages(tmp_path, frames_from_heard(heard), part_name(segment), overwrite=True)
    assert seal_segment(tmp_path, segment, Recent(tmp_path)).counts.kept == 3
    assert Archive(tmp_path).scan("pressure").collect().height == 3


def test_damaged_part_does_not_keep_the_rest_from_being_sealed(tmp_path: Path, pressure: Pressure) -> None:
    for number in range(3):
        seal_messages(tmp_path, frames_from_heard([pressure(number)]), f"x-{number}")
    (tmp_path / "pressure/date=2031-05-04/x-1.parquet").write_bytes(b"PAR1 no part")
    counts = seal_messages(tmp_path, frames_from_heard([pressure(0), pressure(2), pressure(3)]), "y")
    assert counts == Counts(received=3, kept=1, duplicates=2, refused=0)


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_counts_add_up_and_nothing_is_lost_however_it_is_split(
    data: st.DataObject, pressure: Pressure, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Order of parts, splits, duplicates, conflicts: the same messages come out, each once."""
    archive = tmp_path_factory.mktemp("archive")
    pool = [pressure(seq, pressure_bar=bar) for seq in range(4) for bar in (100, 200)]
    pool += [Heard(NOW, "x", b"1"), Heard(NOW, "x", b"2")]
    lots = data.draw(st.lists(st.lists(st.sampled_from(pool), max_size=8), max_size=5))
    total = Counts()
    for number, lot in enumerate(lots):
        if lot and data.draw(st.booleans()):
            segment = _segment(archive, lot, NOW + timedelta(seconds=number))
            total += seal_segment(archive, segment).counts
        else:
            total += seal_messages(archive, frames_from_heard(lot), f"import-{number}")
    heard = [each for lot in lots for each in lot]
    distinct = {each.payload for each in heard if each.topic != "x"}
    assert total.received == len(heard) == total.kept + total.duplicates + total.refused
    assert total.kept == len(distinct)
    messages = Archive(archive).messages()
    assert {payload.encode() for payload in messages["pressure"]["payload"]} == distinct
    assert messages["pressure"].height == len(distinct)
    assert Archive(archive).scan("pressure").collect().height == len(distinct)


def test_follower_hands_on_each_message_once_while_segments_come_and_go(
    tmp_path: Path, pressure: Pressure
) -> None:
    old = _segment(tmp_path, [pressure(0)])
    follower = Follower(tmp_path)
    assert follower.new_messages()["pressure"].is_empty()
    folder = tmp_path / "journal" / "listener"
    got: list[int] = []
    chance = random.Random(5)
    writer = SegmentWriter(folder, datetime.now(UTC))
    for seq in range(1, 200):
        writer.append(_records([pressure(seq)._replace(received=datetime.now(UTC))]))
        if chance.random() < 0.2:
            writer.close()
            seal_segment(tmp_path, writer.path)
            writer = SegmentWriter(folder, datetime.now(UTC))
        if chance.random() < 0.3:
            got += follower.new_messages()["pressure"]["seq"].to_list()
    seal_segment(tmp_path, old)
    writer.close()
    got += follower.new_messages()["pressure"]["seq"].to_list()
    assert got == list(range(1, 200))
    follower.close()


def test_follower_waits_for_the_rest_of_a_frame(tmp_path: Path, pressure: Pressure) -> None:
    follower = Follower(tmp_path)
    segment = _segment(tmp_path, [pressure(0)])
    whole = segment.read_bytes()
    segment.write_bytes(whole[:30])
    assert follower.new_messages()["pressure"].is_empty()
    with segment.open("ab") as file:
        file.write(whole[30:])
    assert follower.new_messages()["pressure"].height == 1
    assert follower.new_messages()["pressure"].is_empty()
    follower.close()


def test_follower_takes_in_a_listener_that_comes_later(tmp_path: Path, pressure: Pressure) -> None:
    follower = Follower(tmp_path)
    _segment(tmp_path, [pressure(0)], listener="one")
    assert follower.new_messages()["pressure"]["seq"].to_list() == [0]
    _segment(tmp_path, [pressure(1)], listener="two")
    assert follower.new_messages()["pressure"]["seq"].to_list() == [1]
    seal_messages(tmp_path, frames_from_heard([pressure(2)]), "import-x")
    assert follower.new_messages()["pressure"].is_empty()
    follower.close()


@pytest.mark.parametrize(
    ("started_ahead", "received_ahead"),
    [(timedelta(), -timedelta(days=2)), (timedelta(days=2), timedelta())],
    ids=["receipts go on from an earlier clock", "the machine's clock was set back"],
)
def test_follower_finds_what_was_sealed_between_two_calls_whatever_clocks_say(
    tmp_path: Path,
    pressure: Pressure,
    monkeypatch: pytest.MonkeyPatch,
    started_ahead: timedelta,
    received_ahead: timedelta,
) -> None:
    """Mended: it looked at the days from the machine's present one on, and what lay before never came."""
    clock = [NOW + started_ahead]
    monkeypatch.setattr("ingest.archive.reading.datetime", type("Set", (), {"now": lambda _: clock[0]}))
    first, second = (pressure(seq)._replace(received=NOW + received_ahead) for seq in (0, 1))
    open_segment = _segment(tmp_path, [first])
    follower = Follower(tmp_path)
    clock[0] = NOW
    seal_segment(tmp_path, open_segment)
    seal_segment(tmp_path, _segment(tmp_path, [second]))
    assert follower.new_messages()["pressure"]["seq"].to_list() == [1]
    follower.close()


def test_damaged_part_is_named_when_the_archive_is_read(tmp_path: Path, pressure: Pressure) -> None:
    for number in range(3):
        seal_messages(tmp_path, frames_from_heard([pressure(number)]), f"x-{number}")
    (part,) = tmp_path.glob("pressure/date=2031-05-04/x-1-*.parquet")
    whole = part.read_bytes()
    part.write_bytes(whole[: len(whole) // 2])
    archive = Archive(tmp_path)
    assert archive.messages()["pressure"]["seq"].to_list() == [0, 2]
    (fault,) = trouble_of(archive.folder)
    assert (fault.what, fault.where, fault.rows) == ("altered", part.relative_to(tmp_path).as_posix(), 1)
    part.unlink()
    assert archive.messages()["pressure"]["seq"].to_list() == [0, 2]
    assert [fault.what for fault in trouble_of(archive.folder)] == ["missing"]
    part.write_bytes(whole)
    assert archive.messages()["pressure"].height == 3
    assert not trouble_of(archive.folder)


def test_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(ArchiveProblem, match=r"the archive .*file cannot be made"):
        create_archive(tmp_path / "file")


def test_from_a_moment_up_to_but_not_including_another(tmp_path: Path, pressure: Pressure) -> None:
    """Sealed or not."""
    heard = [pressure(seq) for seq in range(8)]
    seal_messages(tmp_path, frames_from_heard(heard[:4]), "x")
    _segment(tmp_path, heard[4:])
    for first, last in ((1, 3), (5, 7), (2, 6)):
        found = Archive(tmp_path).messages(heard[first].received, heard[last].received)["pressure"]
        assert found["seq"].to_list() == list(range(first, last))


def test_folder_beside_the_days_is_passed_over(tmp_path: Path, pressure: Pressure) -> None:
    seal_messages(tmp_path, frames_from_heard([pressure(0)]), "x")
    for name in ("notes", "date=noon", "2031-05-04"):
        (tmp_path / "pressure" / name).mkdir()
    assert Archive(tmp_path).messages()["pressure"]["seq"].to_list() == [0]


def test_what_the_library_cannot_do_is_said_in_its_first_line(tmp_path: Path, pressure: Pressure) -> None:
    seal_messages(tmp_path, frames_from_heard([pressure(0)]), "x")
    archive = Archive(tmp_path)
    with pytest.raises(ArchiveProblem) as told:
        archive.collected(archive.scan("pressure").select("no such column"))
    first, *more = str(told.value.__cause__).splitlines()
    assert more, "it has several"
    assert str(told.value) == f"the archive {tmp_path} could not be read: {first}"
