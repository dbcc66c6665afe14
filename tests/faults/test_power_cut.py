"""A power cut: what was not synced is kept, dropped, torn or reordered at random, then the archive is opened.

The shim `io_faults.c` writes down every call of a run; a model of a disk replays them up to a random moment.
Its rules are stricter than those of usual file systems: only a sync of a file keeps its bytes, only a sync of
a folder keeps its names. CI tries a sample. All, by one command:
``UNDERAIR_FAULTS=all pytest tests/faults/test_power_cut.py``.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import pytest

from ingest.archive.verifying import verify
from tests.faults.fault_samples import ALL_FAULTS, preloaded_shim
from tests.faults.io_fault_driver import WORKS, numbers, seal

ROOT = Path(__file__).parents[2]
CUTS = 500 if ALL_FAULTS else 12
SECTOR_BYTES = 512


class Event(NamedTuple):
    what: str
    path: str
    offset: int
    other: str
    data: bytes


def events_of(log: bytes) -> list[Event]:
    found = []
    at = 0
    while at < len(log):
        end = log.index(b"\n", at)
        what, path, offset, other, size = log[at:end].decode().split("\t")
        at = end + 1 + int(size)
        found.append(Event(what, path, int(offset), other, log[end + 1 : at]))
    return found


@dataclass(eq=False)
class File:
    """A file's bytes that are safe, and what was done to it since its last sync."""

    safe: bytes = b""
    pending: list[Event] = field(default_factory=list)

    def with_all(self, events: list[Event]) -> bytes:
        data = bytearray(self.safe)
        for event in events:
            if event.what == "truncate":
                del data[event.offset :]
                data.extend(bytes(max(0, event.offset - len(data))))
            else:
                data.extend(bytes(max(0, event.offset - len(data))))
                data[event.offset : event.offset + len(event.data)] = event.data
        return bytes(data)

    def after_the_cut(self, chance: random.Random) -> bytes:
        kept = []
        for event in self.pending:
            fate = chance.random()
            if fate < 0.4:
                kept.append(event)
            elif fate < 0.6 and event.what == "write":
                sectors = len(event.data) // SECTOR_BYTES + 1
                kept.append(event._replace(data=event.data[: SECTOR_BYTES * chance.randrange(sectors)]))
        return self.with_all(kept)


class Disk:
    """The names that are safe and those that are not yet; a folder is None."""

    def __init__(self, root: Path) -> None:
        self.safe: dict[str, File | None] = {}
        for path in [root, *root.rglob("*")]:
            self.safe[str(path)] = None if path.is_dir() else File(path.read_bytes())
        self.now = dict(self.safe)
        self.pending: list[
            tuple[str, dict[str, File | None], list[str]]
        ] = []  # folder, names set, names gone

    def take(self, event: Event) -> None:
        if event.what in ("write", "truncate"):
            file = self.now[event.path]
            assert file is not None
            file.pending.append(event)
        elif event.what == "create":
            self._change(event.path, {event.path: File()}, [])
        elif event.what == "mkdir":
            self._change(event.path, {event.path: None}, [])
        elif event.what in ("unlink", "rmdir"):
            self._change(event.path, {}, [event.path])
        elif event.what == "link":
            self._change(event.other, {event.other: self.now[event.path]}, [])
        elif event.what == "rename":
            moved = {event.other: self.now[event.path]}
            self._change(event.other, moved, [event.path])
        elif event.what == "sync":
            self._sync(event.path)
        else:
            raise AssertionError(f"the shim wrote down {event.what!r}, which this disk does not know")

    def _change(self, path: str, set_to: dict[str, File | None], gone: list[str]) -> None:
        for name in gone:
            self.now.pop(name, None)
        self.now |= set_to
        self.pending.append((str(Path(path).parent), set_to, gone))

    def _sync(self, path: str) -> None:
        file = self.now.get(path)
        if file is not None:
            file.safe = file.with_all(file.pending)
            file.pending.clear()
            return
        left = []
        for change in self.pending:
            if change[0] == path:
                self._apply(self.safe, change)
            else:
                left.append(change)
        self.pending = left

    @staticmethod
    def _apply(names: dict[str, File | None], change: tuple[str, dict[str, File | None], list[str]]) -> None:
        for name in change[2]:
            names.pop(name, None)
        names.update(change[1])

    def after_the_cut(self, chance: random.Random) -> dict[str, bytes | None]:
        names = dict(self.safe)
        if chance.random() < 0.5:
            kept = self.pending[: chance.randint(0, len(self.pending))]
        else:
            kept = [change for change in self.pending if chance.random() < 0.5]
        for change in kept:
            self._apply(names, change)
        return {
            name: None if file is None else file.after_the_cut(chance)
            for name, file in sorted(names.items())
            if str(Path(name).parent) in names or str(Path(name)) == min(names)
        }


def written_out(state: dict[str, bytes | None], archive: Path, to: Path) -> None:
    for name, data in state.items():
        path = to / Path(name).relative_to(archive)
        if data is None:
            path.mkdir(parents=True, exist_ok=True)
        elif path.parent.is_dir():
            path.write_bytes(data)


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return preloaded_shim(tmp_path_factory.mktemp("shim"))


@pytest.mark.parametrize("name", ["receiving", "sealing", "merging", "retaining"])
def test_nothing_acknowledged_is_lost_by_a_power_cut(name: str, shim: Path, tmp_path: Path) -> None:
    work = WORKS[name]
    archive = tmp_path / "archive"
    work.prepare(archive)
    kept_aside = tmp_path / "before"
    shutil.copytree(archive, kept_aside)
    before = numbers(archive)
    log = tmp_path / "calls"
    subprocess.run(
        [sys.executable, "-m", "tests.faults.io_fault_driver", "--record", str(log), str(archive), name],
        cwd=ROOT,
        env={**os.environ, "LD_PRELOAD": str(shim)},
        check=True,
    )
    events = events_of(log.read_bytes())
    assert sum(event.what == "sync" for event in events) >= 3
    chance = random.Random(20310504)
    shutil.rmtree(archive)
    shutil.copytree(kept_aside, archive)
    for number in range(CUTS):
        disk = Disk(archive)
        acknowledged: list[int] = []
        until = chance.randint(0, len(events))
        for event in events[:until]:
            if event.what == "ack":
                acknowledged += map(int, event.path.split(","))
            else:
                disk.take(event)
        # A folder of its own: this process remembers what it has read of an archive.
        left = tmp_path / f"cut-{number}"
        written_out(disk.after_the_cut(chance), archive, left)
        for when in ("opened", "gone on with"):
            if when == "gone on with":
                if name != "receiving":
                    work.do(left)
                seal(left)
            there = numbers(left)
            assert {kind: there.get(kind) for kind in before} == before, f"{when}, cut behind call {until}"
            assert set(acknowledged) <= set(there.get("motion", [])), f"{when}, cut behind call {until}"
        assert verify(left).faults == [], f"cut behind call {until}"
        shutil.rmtree(left)
