"""A fault at every call that changes a file, one after the other: nothing is lost, and the archive is whole.

SQLite calls it I/O error testing (https://www.sqlite.org/testing.html, 3.2). CI tries a sample of the calls.
All, by one command (588 faults; 2 to 5 minutes):
``UNDERAIR_FAULTS=all pytest tests/faults/test_fault_at_every_io_call.py``.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.fault_samples import ALL_FAULTS, preloaded_shim

ROOT = Path(__file__).parents[2]
WORKS = ["receiving", "sealing", "merging", "indexing", "retaining"]
EVERY = 1 if ALL_FAULTS else 18


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return preloaded_shim(tmp_path_factory.mktemp("shim"))


@pytest.mark.parametrize("work", WORKS)
def test_no_fault_of_one_call_loses_a_message_or_leaves_the_archive_damaged(
    work: str, shim: Path, tmp_path: Path
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.io_fault_driver", str(tmp_path), str(EVERY), work],
        cwd=ROOT,
        env={**os.environ, "LD_PRELOAD": str(shim)},
        capture_output=True,
        text=True,
        check=True,
    )
    found = json.loads(done.stdout)
    print(found)
    assert found["calls"] >= 8
    assert found["tried"] >= found["calls"] * 3 // EVERY - 3
    assert found["faults"] == []


def test_the_faults_are_noticed(shim: Path, tmp_path: Path) -> None:
    """The same trial finds what acknowledges before it has synced: it can fail."""
    code = (
        "import os, sys\nfrom ingest.archive import journal\n"
        "def careless(self, batch):\n"
        "    from ingest.archive.journal_frames import numbered_frame, segment_header\n"
        "    head = b'' if self._frames else segment_header(self._magic)\n"
        "    try:\n        os.write(self._file, head + numbered_frame(self._magic, self._frames, batch))\n"
        "    except OSError:\n        pass\n"
        "    self.rows += len(batch)\n    self._frames += 1\n    self.size += 1\n"
        "journal.SegmentWriter.append = careless\n"
        "from tests.faults import io_fault_driver\nio_fault_driver.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), "4", "receiving"],
        cwd=ROOT,
        env={**os.environ, "LD_PRELOAD": str(shim)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert "acknowledged and missing" in str(json.loads(done.stdout)["faults"])
