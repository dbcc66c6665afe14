"""`verify` on folders that somebody prepared: each trick is named, and no name reaches a terminal raw."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from ingest.archive.folder import create_archive
from ingest.archive.sealing import seal_messages
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from tests.verbs import underair

Pressure = Callable[..., Heard]
SPARSE_BYTES = 1_000_000_000


@pytest.fixture
def archive(tmp_path: Path, pressure: Pressure) -> Path:
    folder = create_archive(tmp_path / "archive")
    seal_messages(folder, frames_from_heard([pressure(seq) for seq in range(5)]), "import-x")
    assert verify(folder).faults == []
    return folder


def _part(archive: Path) -> Path:
    (part,) = archive.glob("pressure/date=*/*.parquet")
    return part


def _manifest(archive: Path) -> Path:
    (chain,) = archive.glob("manifest/*.ndjson")
    return chain


def _said(archive: Path) -> str:
    return "\n".join(str(fault) for fault in verify(archive).faults)


def test_part_that_is_a_link_to_the_same_bytes_elsewhere_is_named(archive: Path, tmp_path: Path) -> None:
    part = _part(archive)
    part.rename(tmp_path / "elsewhere.parquet")
    part.symlink_to(tmp_path / "elsewhere.parquet")
    assert f"{part.name}: it is a symbolic link to" in _said(archive)


@pytest.mark.parametrize("name", ["pressure", "manifest", "journal"])
def test_folder_that_is_a_link_is_named(archive: Path, tmp_path: Path, name: str) -> None:
    (archive / name).mkdir(exist_ok=True)
    (archive / name).rename(tmp_path / "elsewhere")
    (archive / name).symlink_to(tmp_path / "elsewhere")
    assert f"foreign: {name}: it is a symbolic link to" in _said(archive)


def test_pipe_is_named_and_not_waited_for(archive: Path) -> None:
    os.mkfifo(_part(archive).with_name("pipe.parquet"))
    assert "pipe.parquet: it is a pipe, socket or device" in _said(archive)


def test_folder_with_an_odd_date_is_named(archive: Path) -> None:
    odd = archive / "pressure" / "date=notadate"
    odd.mkdir()
    (odd / "x.parquet").write_bytes(b"PAR1")
    assert "date=notadate" in _said(archive)


@pytest.mark.parametrize(
    "part",
    ["a\\u0000b", "../../../etc/passwd", "/etc/passwd", "pressure/date=notadate/x.parquet", "\\u001b[2J", ""],
)
def test_manifest_that_names_what_can_be_no_part_is_named(archive: Path, part: str) -> None:
    chain = _manifest(archive)
    line = chain.read_bytes()
    name = _part(archive).relative_to(archive).as_posix()
    chain.write_bytes(line + line.replace(name.encode(), part.encode()))
    said = _said(archive)
    assert "manifest" in said
    assert "\x1b" not in said


@pytest.mark.parametrize("name", ["manifest/x.ndjson", "journal/x/1.journal", "refused/x"])
def test_binary_in_place_of_a_list_is_named(archive: Path, name: str) -> None:
    path = archive / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(bytes(range(256)) * 40)
    if name != "refused/x":
        assert name.rpartition("/")[2] in _said(archive)
    else:
        verify(archive)


@pytest.mark.parametrize("name", ["manifest/import.ndjson", "manifest/x.ndjson"])
def test_sparse_list_of_1_gb_is_read_in_bounded_memory(archive: Path, name: str) -> None:
    path = archive / name
    with path.open("ab") as file:
        file.truncate(SPARSE_BYTES)
    code = (
        "import re, sys\nfrom ingest.archive.verifying import verify\n"
        "faults = verify(sys.argv[1]).faults\n"
        # VmHWM begins anew with the program; ru_maxrss would begin at the peak of pytest itself.
        "highest = re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1]\n"
        "print(len(faults), highest)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(archive)], capture_output=True, text=True, check=True
    )
    faults, highest_kb = map(int, done.stdout.split())
    assert faults >= 1
    assert highest_kb < 600_000


def test_escape_sequences_in_names_do_not_reach_the_terminal(archive: Path) -> None:
    _part(archive).with_name("a\x1b]0;owned\x07\u202e.parquet").write_bytes(b"PAR1")
    done = underair("verify", archive)
    assert done.returncode in (1, 3)
    assert "owned" in done.stdout + done.stderr
    for sign in "\x1b\x07\u202e":
        assert sign not in done.stdout + done.stderr
