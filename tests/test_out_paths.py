"""Results are written on this machine: a store is refused, and no folder named `s3:` appears."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.underair import root

LOG = Path(__file__).parents[1] / "sample_logs" / "late_turn_back.ndjson.gz"


@pytest.mark.parametrize(
    "verb",
    [
        ["analyse", str(LOG)],
        ["report", str(LOG), "--incident", "x"],
        ["case", "--archive", "a", "--incident", "x", "--why", "y"],
        ["audit", "--archive", "a"],
        ["wearer", "W-1", "--archive", "a"],
        ["learn", "--archive", "a"],
    ],
    ids=lambda verb: verb[0],
)
def test_an_out_on_a_store_is_refused(
    verb: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.3.0 wrote a local folder `s3:` and said done."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a").mkdir()
    run = CliRunner().invoke(root, [*verb, "--out", "s3://bucket/out"])
    assert run.exit_code == 2
    assert "results are written on this machine" in " ".join(run.output.split())
    assert {path.name for path in tmp_path.iterdir()} == {"a"}
