"""Every page says what of the archive cannot be read, and not where the archive is."""

from __future__ import annotations

from pathlib import Path

from dashboard import words
from dashboard.damage import banner
from ingest.archive import sound
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard

LOG = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"


def test_banner_names_the_part_and_what_to_do(tmp_path: Path) -> None:
    seal_messages(tmp_path, frames_from_heard(read_capture(LOG)), "one")
    assert banner(tmp_path) is None
    part = next((tmp_path / "pressure").rglob("*.parquet"))
    part.unlink()
    sound._lately.clear()
    shown = str(banner(tmp_path).to_plotly_json())
    assert words.LEFT_OUT in shown
    assert words.WHAT_TO_DO in shown
    assert part.name in shown
    assert str(tmp_path) not in shown
