"""Captures and messages made to do harm: bombs, endless lines, depth, huge numbers, formulas."""

from __future__ import annotations

import base64
import gzip
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pytest

from analysis.tables import empty_table, formula_safe, to_csv
from ingest.archive.folder import create_archive
from ingest.archive.reading import Archive
from ingest.contract import captures
from ingest.contract.captures import LONGEST_LINE_BYTES, BadLine, Heard, capture_line, read_lines
from ingest.contract.errors import RefusedMessage
from ingest.contract.messages import decode
from ingest.contract.times import EPOCH
from ingest.importing import import_capture

ROOT = Path(__file__).parents[2]
TOPIC = "underair/v1/trial/set/S-1/pressure"
GIB = 1024**3
# Held at most, libraries and all. Not of address space and not by the clock: both grow with threads and load.
MOST_MEMORY_BYTES = GIB // 2
MOST_PROCESSOR_S = 60.0
COMMAND_THAT_TELLS_ITS_COST = """
import atexit, json, sys, time
from pathlib import Path

def tell(path):
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    held = int(status["VmHWM"].split()[0]) * 1024
    path.write_text(json.dumps({"memory_bytes": held, "processor_s": time.process_time()}))

atexit.register(tell, Path(sys.argv.pop(1)))
from dashboard.underair import main
main()
"""


def message(number: int, **fields: Any) -> bytes:
    told: dict[str, Any] = {
        "kind": "pressure",
        "set_id": "S-1",
        "boot": 1,
        "seq": number,
        "time": "2031-05-04T10:00:00Z",
    }
    return json.dumps({**told, "pressure_bar": 250.0, **fields}).encode()


def line(seq: int) -> bytes:
    return capture_line(Heard(EPOCH, TOPIC, message(seq)))


def bomb(path: Path, block: bytes, unpacked_bytes: int) -> Path:
    """A file that unpacks to `block` again and again, after one honest line."""

    def write(file: Any) -> None:
        file.write(line(1))
        for _ in range(unpacked_bytes // len(block)):
            file.write(block)

    if path.suffix == ".gz":
        with gzip.open(path, "wb", 9) as file:
            write(file)
    else:
        with pa.OSFile(str(path), "wb") as raw, pa.CompressedOutputStream(raw, "zstd") as file:
            write(file)
    return path


def import_by_command(path: Path, archive: Path, cost: Path) -> subprocess.CompletedProcess[str]:
    verb = [str(cost), "import", str(path), "--archive", str(archive), "--json"]
    command = [sys.executable, "-c", COMMAND_THAT_TELLS_ITS_COST, *verb]
    return subprocess.run(command, capture_output=True, text=True, timeout=600, cwd=ROOT)


@pytest.mark.parametrize(
    ("block", "suffix"),
    [(b"\0" * 65536, ".zst"), (b"\n" * 65536, ".gz"), (b" " * 65536, ".zst")],
    ids=["zeros", "line ends", "spaces"],
)
def test_a_bomb_is_left_after_a_bounded_part_of_it(tmp_path: Path, suffix: str, block: bytes) -> None:
    """A thousand times its size and more; memory is bounded, and what came before the bomb is kept."""
    size = GIB // 32 if suffix == ".gz" else GIB
    path = bomb(tmp_path / f"bomb.ndjson{suffix}", block, size)
    assert path.stat().st_size < size / 900
    run = import_by_command(path, tmp_path / "archive", tmp_path / "cost.json")
    assert run.returncode == 3, run.stderr
    counts = json.loads(run.stdout)
    assert counts["kept"] == 1
    assert counts["refused"] >= 1
    cost = json.loads((tmp_path / "cost.json").read_text())
    assert cost["memory_bytes"] < MOST_MEMORY_BYTES
    assert cost["processor_s"] < MOST_PROCESSOR_S
    reasons = " ".join(Archive(tmp_path / "archive").scan("refused").collect()["reason"].to_list())
    assert "unpacks to more than 300 times its size" in reasons


def test_an_endless_line_costs_bounded_memory_and_the_next_line_is_read(tmp_path: Path) -> None:
    path = tmp_path / "long.ndjson"
    with path.open("wb") as file:
        file.write(line(1))
        for _ in range(3 * LONGEST_LINE_BYTES // (1 << 20) + 3):
            file.write(b"x" * (1 << 20))
        file.write(b"\n" + line(2))
    first, long, last = read_lines(path)
    assert isinstance(first, Heard)
    assert isinstance(long, BadLine)
    assert "longer than" in long.reason
    assert len(long.line) == captures.KEPT_OF_A_LONG_LINE_BYTES
    assert isinstance(last, Heard)
    assert last.payload == message(2)


@pytest.mark.parametrize("length", [0, 1, 100, 1 << 20, (1 << 20) + 1, 3 << 20])
def test_lines_come_whole_whatever_the_blocks_they_are_read_in(tmp_path: Path, length: int) -> None:
    payload = b"\xff" * length
    path = tmp_path / "some.ndjson.gz"
    captures.write_capture(path, [Heard(EPOCH, TOPIC, payload), Heard(EPOCH, TOPIC, message(2))])
    assert [item.payload for item in read_lines(path) if isinstance(item, Heard)] == [payload, message(2)]


def test_long_lines_are_imported_in_small_chunks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.importing.CHUNK_BYTES", 10_000)
    path = tmp_path / "some.ndjson"
    captures.write_capture(path, (Heard(EPOCH, TOPIC, message(seq)) for seq in range(500)))
    told: list[int] = []
    done = import_capture(path, tmp_path / "archive", told.append)
    assert done.counts.kept == 500
    assert len(told) > 5


HOSTILE: list[bytes] = [
    b'{"a":' * 5000 + b"1" + b"}" * 5000,
    b"[" * 4000,
    message(1, pressure_bar=10**400),
    message(1).replace(b"250.0", b"1e999"),
    message(1).replace(b"250.0", b"NaN"),
    message(1, boot=2**53),
    message(1, boot=-1),
    message(1, seq=10**100),
    message(1, set_id="../../etc"),
    message(1, set_id="S-1\u0000"),
    message(1).replace(b"S-1", b"S-1\\u0000"),
    message(1).replace(b'"S-1"', b'"S-\xff"'),
    message(1, time="9999-99-99T00:00:00Z"),
    message(1) + b" " * 5000,
    b"\x1f\x8b" + b"\0" * 100,
    b'{"kind":"pressure","kind":"setup"}',
]


@pytest.mark.parametrize("payload", HOSTILE, ids=lambda payload: repr(payload[:30]))
def test_a_hostile_message_is_refused_with_a_reason_and_kept(tmp_path: Path, payload: bytes) -> None:
    with pytest.raises(RefusedMessage) as refusal:
        decode(TOPIC, payload)
    assert len(str(refusal.value)) < 1000, "a reason does not repeat what was sent at length"
    path = tmp_path / "one.ndjson"
    captures.write_capture(path, [Heard(EPOCH, TOPIC, payload)])
    assert import_capture(path, tmp_path / "archive").counts.refused == 1
    refused = Archive(tmp_path / "archive").scan("refused").collect()
    assert refused["payload"].to_list() == [payload]


@pytest.mark.parametrize(
    "topic",
    [
        "underair/v1/../../etc/set/S-1/pressure",
        "underair/v1/trial/set/../pressure",
        "underair/v1/trial/set/S-1/../../../pressure",
        "underair/v1/tr/ial/set/S-1/pressure",
        "underair/v1/trial/set/S-1/=cmd",
        "underair/v1/trial/set/S-1/pressure\n",
        "underair/v1/trial/set/S\x00/pressure",
        "$SYS/broker",
        "/" * 5000,
    ],
)
def test_a_topic_never_names_a_place_on_the_disk(tmp_path: Path, topic: str) -> None:
    path = tmp_path / "one.ndjson"
    captures.write_capture(path, [Heard(EPOCH, topic, message(1))])
    archive = create_archive(tmp_path / "archive")
    assert import_capture(path, archive).counts.refused == 1
    outside = {place.name for place in tmp_path.iterdir()} - {"archive", "one.ndjson"}
    assert outside == set()
    folders = {place.name for place in archive.iterdir() if place.is_dir()}
    assert not any("pressure" in name or ".." in name for name in folders)


def test_a_set_that_speaks_as_another_is_found_by_topic_against_payload(tmp_path: Path) -> None:
    with pytest.raises(RefusedMessage, match="S-2"):
        decode("underair/v1/trial/set/S-2/pressure", message(1))


FORMULAS = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "＝1",
    '=HYPERLINK("http://evil.example")',
]


@pytest.mark.parametrize("text", FORMULAS)
def test_text_that_a_spreadsheet_would_run_is_made_harmless(text: str) -> None:
    frame = pl.DataFrame({"text": [text, "plain", None], "number": [-1.5, 2.0, None]})
    safe = formula_safe(frame)
    assert safe["text"].to_list() == ["'" + text, "plain", None]
    assert safe["number"].to_list() == [-1.5, 2.0, None]
    columns = {"statement": text, "evidence": [text]}
    finding = pl.concat(
        [
            empty_table("findings"),
            pl.DataFrame([columns], schema={"statement": pl.String, "evidence": pl.List(pl.String)}),
        ],
        how="diagonal",
    ).select(empty_table("findings").columns)
    assert to_csv("findings", finding).count("'" + text[0]) == 2


def test_every_csv_that_leaves_goes_through_the_one_rule() -> None:
    """A second rule would be forgotten somewhere. What our own scripts simulate is no outside text."""
    writers = [
        str(path.relative_to(ROOT))
        for package in ("ingest", "analysis", "dashboard")
        for path in (ROOT / package).rglob("*.py")
        if ".write_csv(" in (text := path.read_text())
        and "formula_safe" not in text
        and not {"simulation", "demo"} & set(path.parts)
    ]
    assert writers == []


def test_base64_that_is_none_and_a_file_of_noise_end_with_a_sentence(tmp_path: Path) -> None:
    noise = base64.b85encode(bytes(range(256)) * 400)
    for name in ("noise.ndjson", "noise.ndjson.gz", "noise.ndjson.zst"):
        path = tmp_path / name
        path.write_bytes(noise)
        items = list(read_lines(path))
        assert items
        assert all(isinstance(item, BadLine) for item in items)


def many(count: int) -> Iterator[Heard]:
    for seq in range(count):
        yield Heard(EPOCH, TOPIC, message(seq))


def test_an_honest_capture_that_packs_well_is_read_to_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(captures, "_UNPACKED_WITHOUT_ASKING_BYTES", 1000)
    for suffix in (".gz", ".zst"):
        path = tmp_path / f"same.ndjson{suffix}"
        captures.write_capture(path, many(20_000))
        assert sum(isinstance(item, Heard) for item in read_lines(path)) == 20_000
