"""`-` reads captures from standard input as they are in their files, packed ones too."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.underair import root
from ingest.contract.captures import read_lines, write_capture

LOG = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"


@pytest.mark.parametrize("packed", ["", ".gz", ".zst"])
def test_a_capture_is_read_however_it_is_packed(packed: str, tmp_path: Path) -> None:
    """A packed capture used to be taken for refused messages."""
    capture = tmp_path / f"capture.ndjson{packed}"
    write_capture(capture, list(read_lines(LOG))[:200])
    data = capture.read_bytes()
    told = json.loads(CliRunner().invoke(root, ["check", "-", "--json"], input=data).stdout)
    assert (told["messages"], told["refused"]) == (200, 0)
    brought = CliRunner().invoke(
        root, ["import", "-", "--archive", str(tmp_path / "a"), "--json"], input=data
    )
    assert json.loads(brought.stdout) == {"received": 200, "kept": 200, "duplicates": 0, "refused": 0}


def test_a_packed_capture_that_is_cut_off_says_so(tmp_path: Path) -> None:
    data = gzip.compress(gzip.decompress(LOG.read_bytes())[:20_000])[:-1000]
    done = CliRunner().invoke(root, ["import", "-", "--archive", str(tmp_path)], input=data)
    assert done.exit_code == 3
    assert "refused" in done.output
    assert "damaged" in done.output


def test_nothing_on_standard_input_is_not_called_checked() -> None:
    done = CliRunner().invoke(root, ["check", "-"], input=b"")
    assert done.exit_code == 1
    assert "- holds no message: nothing was checked" in str(done.exception)
