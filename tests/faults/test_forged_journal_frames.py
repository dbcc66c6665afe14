"""Payloads that contain well-formed journal frames: segments cut anywhere, and a writer that is killed.

CI tries a sample. All 100,000 payloads of each test, by one command (some minutes):
``UNDERAIR_FAULTS=all pytest tests/faults/test_forged_journal_frames.py``.
"""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from ingest.archive.journal import segments
from ingest.archive.journal_frames import MAGIC_BYTES, Record, numbered_frame
from ingest.archive.reading import Archive, Follower
from ingest.archive.sealing import seal_segment
from tests.faults.fault_samples import ALL_FAULTS
from tests.faults.journal_reading import read_frames, segment_bytes
from tests.faults.old_journal import old_frame, old_frame_up_to_its_last_byte

PAYLOADS = 100_000 if ALL_FAULTS else 4_000
HOSTILE_A_BATCH = 9
FRAMES = 20
NOW_US = int(datetime(2031, 5, 4, 10, 21, 7, tzinfo=UTC).timestamp()) * 1_000_000
TOPIC = "underair/v1/demo/set/S-%d/motion"
HONEST, SENDER, FORGED = 1, 2, 3
BATCH = HOSTILE_A_BATCH + 1


def message(who: int, seq: int) -> Record:
    payload = (
        b'{"kind":"motion","set_id":"S-%d","boot":1,"seq":%d,"time":"2031-05-04T10:21:07Z","motion_m_s2":1}'
        % (who, seq)
    )
    return Record(NOW_US + seq, TOPIC % who, payload, False)


def hostile_payload(chance: random.Random, number: int, known_magics: list[bytes]) -> bytes:
    """Bytes that contain frames of either form; the sender knows the magic of every earlier segment."""
    forged = [message(FORGED, number)]
    magic = chance.choice([*known_magics, bytes(MAGIC_BYTES), chance.randbytes(MAGIC_BYTES)])
    frame_number = chance.choice([0, 1, number, number + 1, number + 2, 2**63])
    return b"".join(
        chance.choice(
            [
                lambda: old_frame(forged),
                lambda: old_frame_up_to_its_last_byte(forged, b"\xc2"),
                lambda: b"UAJ1" + chance.randbytes(8) + old_frame(forged) * 2,
                lambda: numbered_frame(magic, frame_number, forged),
                lambda: segment_bytes([forged, forged], magic),
                lambda: b"UAJ2" + magic + chance.randbytes(4) + numbered_frame(magic, 0, forged),
            ]
        )()
        for _ in range(chance.choice([1, 1, 3]))
    )


def batches(
    chance: random.Random, first: int, count: int, known_magics: list[bytes]
) -> Iterator[list[Record]]:
    """Batches of hostile payloads around one honest message, whose number is the batch's."""
    for seq in range(first, first + count):
        batch = [
            Record(NOW_US + seq, TOPIC % SENDER, hostile_payload(chance, seq - first, known_magics), False)
            for _ in range(HOSTILE_A_BATCH)
        ]
        batch.insert(chance.choice([0, 0, len(batch) // 2]), message(HONEST, seq))  # a hostile one comes last
        yield batch


def test_no_cut_and_no_flipped_bit_lets_a_payload_be_read_as_a_frame() -> None:
    chance = random.Random(20310504)
    known_magics: list[bytes] = []
    for _ in range(PAYLOADS // (FRAMES * HOSTILE_A_BATCH) + 1):
        magic = chance.randbytes(MAGIC_BYTES)
        sent = list(batches(chance, 0, FRAMES, known_magics))
        whole = segment_bytes(sent, magic)
        ends = [len(segment_bytes(sent[:count], magic)) for count in range(FRAMES + 1)]
        for _ in range(10):
            cut = chance.randrange(len(whole))
            there = [each for end, batch in zip(ends[1:], sent, strict=True) if end <= cut for each in batch]
            for open_tail in (False, True):
                assert read_frames(whole[:cut], open_tail=open_tail).records == there
        for _ in range(5):
            at = chance.randrange(len(whole))
            flipped = bytearray(whole)
            flipped[at] ^= 1 << chance.randrange(8)
            hit = sum(end <= at for end in ends) - 1
            rest = [each for number, batch in enumerate(sent) if number != hit for each in batch]
            assert read_frames(bytes(flipped)).records == rest
        known_magics = [*known_magics[-20:], magic]


def test_no_cut_of_an_old_segment_lets_a_payload_be_read_as_a_frame() -> None:
    chance = random.Random(20310504)
    for _ in range(PAYLOADS // (FRAMES * HOSTILE_A_BATCH) + 1):
        sent = list(batches(chance, 0, FRAMES, []))
        frames = [old_frame(batch) for batch in sent]
        whole = b"".join(frames)
        ends = [sum(map(len, frames[:count])) for count in range(FRAMES + 1)]
        for _ in range(5):
            cut = chance.randrange(len(whole))
            there = [each for end, batch in zip(ends[1:], sent, strict=True) if end <= cut for each in batch]
            for open_tail in (False, True):
                assert read_frames(whole[:cut], open_tail=open_tail).records == there


WRITER = """
import os, random, sys
from datetime import UTC, datetime
from pathlib import Path
from ingest.archive import journal
from tests.faults.test_forged_journal_frames import batches

real = os.write
def in_pieces(file, data):  # so that whoever reads meanwhile finds half of a frame
    return real(file, data[: max(1, len(data) // 2)])
journal.os.write = in_pieces
folder, seed, first, count = Path(sys.argv[1]), *map(int, sys.argv[2:5])
known = [path.read_bytes()[4:20] for path in journal.segments(folder)]
writer = journal.SegmentWriter(folder, datetime.now(UTC))
for number, batch in enumerate(batches(random.Random(seed), first, count, known)):
    writer.append(batch)
    print(first + number, flush=True)
"""


def test_writer_killed_again_and_again_loses_nothing_and_forges_nothing(tmp_path: Path) -> None:
    chance = random.Random(20310504)
    folder = tmp_path / "journal" / "listener"
    folder.mkdir(parents=True)
    follower = Follower(tmp_path)
    followed: list[int] = []
    acknowledged: list[int] = []
    forged = 0
    a_run = 200 if ALL_FAULTS else 100
    for first in range(0, PAYLOADS // HOSTILE_A_BATCH, a_run):
        command = [sys.executable, "-c", WRITER, str(folder), str(first), str(first), str(a_run)]
        stop_at = first + chance.randrange(a_run * 2 // 3, a_run)
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            for line in process.stdout:
                acknowledged.append(int(line))
                if len(acknowledged) % 5 == 0:
                    motion = follower.new_messages()["motion"]
                    followed += motion.filter(set_id=f"S-{HONEST}")["seq"].to_list()
                    forged += motion.filter(set_id=f"S-{FORGED}").height
                if acknowledged[-1] >= stop_at:
                    process.kill()
                    break
            acknowledged += [int(line) for line in process.stdout]
        if chance.random() < 0.5:  # a tail that the kill left half written
            *earlier, last = segments(folder)
            data = last.read_bytes()
            # Of earlier segments the sender knows the magic, of this one it cannot.
            known = [path.read_bytes()[4:20] for path in earlier[-20:]]
            (batch,) = batches(chance, 10**6, 1, known)
            half = numbered_frame(data[4:20], len(read_frames(data).records) // BATCH, batch)
            with last.open("ab") as file:
                file.write(half[: chance.randrange(1, len(half))])
    motion = follower.new_messages()["motion"]
    followed += motion.filter(set_id=f"S-{HONEST}")["seq"].to_list()
    follower.close()
    unsealed = Archive(tmp_path).messages()["motion"]
    for segment in segments(folder):
        seal_segment(tmp_path, segment)
    sealed = Archive(tmp_path).messages()["motion"]
    for found in (unsealed, sealed):
        honest = set(found.filter(pl.col("set_id") == f"S-{HONEST}")["seq"])
        assert set(acknowledged) - honest == set(), "lost"
        assert found.filter(pl.col("set_id") == f"S-{FORGED}").is_empty()
    assert forged == 0
    assert set(acknowledged) - set(followed) == set(), "not shown live"
    assert len(followed) == len(set(followed))
