"""Runs under the shim `io_faults.c`: each part of the archive's work, with a fault at every call in turn.

``LD_PRELOAD=io_faults.so python -m tests.faults.io_fault_driver FOLDER EVERY [WORK...]`` tries every EVERY-th
call and prints a line of JSON for each part of the work: how many calls were tried, and what went wrong.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import polars as pl

from ingest.archive import writing as writing_module
from ingest.archive.durable import make_folder
from ingest.archive.folder import Counts, create_archive
from ingest.archive.index import ArchiveIndex
from ingest.archive.journal import Record, SegmentWriter, segments
from ingest.archive.reading import Archive
from ingest.archive.retention import retain
from ingest.archive.sealing import seal_messages
from ingest.archive.sealing_client import Outcome, SealingProcess
from ingest.archive.sealing_process import Sealing
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.archive.writing import Delivery, Writing
from ingest.contract.captures import Heard
from ingest.contract.errors import UnderairError
from ingest.contract.frames import frames_from_heard
from ingest.session_id import session_id
from ingest.settings import BrokerSettings, JournalSettings, SealSettings

FAULTS = {1: "EIO", 2: "ENOSPC", 3: "short write"}
START = datetime(2031, 5, 4, 10, tzinfo=UTC)
LATER = START + timedelta(days=2)
_FORESEEN = (OSError, UnderairError, pl.exceptions.PolarsError)


class Shim:
    """The functions of `io_faults.c` in this process."""

    def __init__(self) -> None:
        library = ctypes.CDLL(None)
        self._arm = library.io_faults_arm
        self._arm.argtypes = [ctypes.c_char_p, ctypes.c_long, ctypes.c_int]
        self._disarm = library.io_faults_disarm
        self._disarm.restype = ctypes.c_long
        self._record = library.io_faults_record

    @contextlib.contextmanager
    def failing(self, folder: Path, at: int, fault: int) -> Iterator[list[int]]:
        """Fail the call number `at`, none for 0; gives how many there were, afterwards."""
        seen: list[int] = []
        self._arm(os.fsencode(folder), at, fault)
        try:
            yield seen
        finally:
            seen.append(self._disarm())

    @contextlib.contextmanager
    def recording(self, folder: Path, log: int) -> Iterator[None]:
        """Write down each call, with its bytes, into an open file."""
        self._record(log)
        with self.failing(folder, 0, 1):
            yield
        self._record(-1)


def motion(seq: int, day: int = 0) -> Heard:
    at = START + timedelta(days=day, milliseconds=seq)
    payload = {"kind": "motion", "set_id": f"S-{seq % 3}", "boot": 1, "seq": seq, "motion_m_s2": 1.0}
    payload["time"] = at.isoformat().replace("+00:00", "Z")
    return Heard(at, f"underair/v1/demo/set/S-{seq % 3}/motion", json.dumps(payload).encode())


def record(heard: Heard) -> Record:
    return Record(int(heard.received.timestamp() * 1e6), heard.topic, heard.payload, False)


def journal_folder(archive: Path) -> Path:
    folder = archive / "journal" / "listener"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def fill_journal(archive: Path, first: int = 0, frames: int = 3) -> None:
    for part in range(2):
        writer = SegmentWriter(journal_folder(archive), START + timedelta(minutes=part))
        for frame in range(frames):
            at = first + 10 * (part * frames + frame)
            writer.append([record(motion(seq)) for seq in range(at, at + 10)])
        writer.append([Record(1, "underair/v1/none", b"\xff", False)])
        writer.close()


class Work(NamedTuple):
    """One part of the archive's work.

    Attributes
    ----------
    prepare : callable
        Makes the archive on which it works.
    do : callable
        The work itself; returns the numbers of the messages that it acknowledged.
    """

    prepare: Callable[[Path], None]
    do: Callable[[Path], list[int]]


class _NoSealing(SealingProcess):
    """Receiving alone is tried."""

    def start(self) -> None:
        pass

    def seal(self, segment: Path) -> Outcome:
        return Outcome(Counts())

    def close(self) -> None:
        pass


def receive(archive: Path, told: Callable[[list[int]], object] = len) -> list[int]:
    create_archive(archive)
    folder = archive / "journal" / "listener"
    make_folder(folder)
    session_id(folder, BrokerSettings())
    acknowledged: list[int] = []

    def durable(batch: list[Delivery]) -> None:
        told([each.mid for each in batch])
        acknowledged.extend(each.mid for each in batch)

    writing_module.SealingProcess = _NoSealing  # type: ignore[misc]
    writing_module._RETRY_S = 0.001  # type: ignore[misc]
    writing = Writing(archive, folder, JournalSettings(), SealSettings(rows=40), durable, lambda _: None)
    writing.start()
    for seq in range(0, 100, 10):
        before = len(acknowledged)
        writing.put([Delivery(record(motion(each)), each, 1, 1) for each in range(seq, seq + 10)])
        while len(acknowledged) < before + 10 and writing._journaller.is_alive():
            writing._stopping.wait(0.0005)
    writing.drain()
    return acknowledged


def seal(archive: Path) -> list[int]:
    folder = journal_folder(archive)
    sealing = Sealing(archive, folder)
    try:
        troubles = [sealing.seal(segment) for segment in segments(folder)]
    finally:
        os.close(sealing._lock)
    for outcome in troubles:
        if outcome.counts is None:
            raise OSError(outcome.trouble)
    return []


def fill_days(archive: Path) -> None:
    create_archive(archive)
    for part in range(3):
        heard = [motion(seq) for seq in range(20 * part, 20 * part + 20)]
        heard += [heard[0], motion(1000 + part, day=1)]
        seal_messages(archive, frames_from_heard(heard), f"listener-{part}", writer="listener")
    ArchiveIndex(archive).bring_up_to_date()


def merge(archive: Path) -> list[int]:
    tidy(archive, LATER, grace_s=0)
    return []


def index(archive: Path) -> list[int]:
    ArchiveIndex(archive).bring_up_to_date()
    return []


def fill_days_without_index(archive: Path) -> None:
    fill_days(archive)
    shutil.rmtree(archive / "index", ignore_errors=True)


def desk(seq: int, kind: str, **said: object) -> Heard:
    at = START + timedelta(minutes=seq)
    payload = {"kind": kind, "desk_id": "D-1", "boot": 1, "seq": seq, "time": at.isoformat(), **said}
    return Heard(at, f"underair/v1/demo/desk/D-1/{kind}", json.dumps(payload).encode())


def fill_incident(archive: Path) -> None:
    create_archive(archive)
    about = {"incident_id": "OLD"}
    heard = [
        desk(0, "incident", **about, action="open", name="Mill"),
        desk(1, "tally", **about, action="in", set_id="S-1", wearer_id="W-07", team="A"),
        desk(2, "note", **about, text="W-07 at the stairs"),
        desk(3, "tally", **about, action="out", set_id="S-1", wearer_id="W-07"),
    ]
    for part in (heard[:2], heard[2:]):
        seal_messages(archive, frames_from_heard(part), f"import-{part[0].topic[-4:]}")


def drop_names(archive: Path) -> list[int]:
    cut_off = datetime(2035, 1, 1, tzinfo=UTC)
    retain(archive, cut_off, lambda: (), "a rule", date(2036, 1, 1), apply=True, grace_s=0)
    return []


WORKS = {
    "receiving": Work(create_archive, receive),
    "sealing": Work(fill_journal, seal),
    "merging": Work(fill_days, merge),
    "indexing": Work(fill_days_without_index, index),
    "retaining": Work(fill_incident, drop_names),
}


def numbers(archive: Path) -> dict[str, list[int]]:
    messages = Archive(archive).messages()
    return {
        kind: sorted(frame["seq"])
        for kind, frame in messages.items()
        if "seq" in frame.columns and len(frame)
    }


def trial(shim: Shim, work: Work, prepared: Path, folder: Path, at: int, fault: int) -> tuple[int, str]:
    """Do the work with one fault, then again without; return how many calls there were and what is wrong."""
    archive = folder / "archive"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(prepared, archive)
    before = numbers(archive)
    acknowledged: list[int] = []
    with shim.failing(archive, at, fault) as seen:
        try:
            acknowledged += work.do(archive)
        except _FORESEEN:
            pass
        except Exception as error:  # noqa: BLE001  # named with its place
            return 0, f"{type(error).__name__}: {error}"
    wrong = []
    for when in ("before the restart", "after it"):
        if when == "after it":
            work.do(archive)
            seal(archive)
        there = numbers(archive)
        for kind, seqs in before.items():
            if there.get(kind) != seqs:
                wrong.append(f"{when}, {kind} was {seqs} and is {there.get(kind)}")
        if acknowledged and not set(acknowledged) <= set(there.get("motion", [])):
            lost = sorted(set(acknowledged) - set(there.get("motion", [])))
            wrong.append(f"{when}, acknowledged and missing: {lost}")
    wrong += [str(fault) for fault in verify(archive).faults]
    return seen[0], "; ".join(wrong)


def record_calls(log: Path, archive: Path, name: str) -> None:
    """Do the work once, with every call written down, and what was acknowledged in its place."""
    with log.open("wb", buffering=0) as file:

        def told(numbers: list[int]) -> None:
            file.write(b"ack\t%s\t0\t\t0\n" % ",".join(map(str, numbers)).encode())

        with Shim().recording(archive, file.fileno()):
            if name == "receiving":
                receive(archive, told)
            else:
                WORKS[name].do(archive)


def main() -> None:
    if sys.argv[1] == "--record":
        record_calls(Path(sys.argv[2]), Path(sys.argv[3]), sys.argv[4])
        return
    folder, every = Path(sys.argv[1]), int(sys.argv[2])
    shim = Shim()
    for name in sys.argv[3:] or WORKS:
        work = WORKS[name]
        prepared = folder / f"prepared-{name}"
        work.prepare(prepared)
        calls, wrong = trial(shim, work, prepared, folder / "tried", 0, 1)
        faults = [f"without any fault: {wrong}"] if wrong else []
        tried = 0
        for fault, called in FAULTS.items():
            for at in range(1, calls + 1):
                if (at + fault) % every:
                    continue
                _, wrong = trial(shim, work, prepared, folder / "tried", at, fault)
                tried += 1
                if wrong:
                    faults.append(f"{called} at call {at}: {wrong}")
        print(json.dumps({"work": name, "calls": calls, "tried": tried, "faults": faults}), flush=True)


if __name__ == "__main__":
    main()
