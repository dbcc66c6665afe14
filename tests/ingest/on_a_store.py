"""An archive on a store, as the tests fill it, and verbs over it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
from click.testing import CliRunner, Result

from dashboard.underair import root
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.reading import Archive
from ingest.archive.sealing import Recent, seal_segment
from ingest.archive.store import work_folder
from ingest.contract.captures import Heard
from ingest.contract.errors import UnderairError
from ingest.contract.times import micros

Pressure = Callable[..., Heard]
DAY = datetime(2031, 5, 4, tzinfo=UTC)
NEXT_DAY = DAY + timedelta(days=1)
SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"


def within(*arguments: object) -> Result:
    """Run a verb in this process: a start for each is what takes most of the time."""
    done = CliRunner().invoke(root, [*map(str, arguments)])
    assert done.exception is None or isinstance(done.exception, SystemExit | UnderairError), done.output
    return done


def segment_of(archive: Path, heard: list[Heard], number: int = 0, name: str = "one") -> Path:
    folder = work_folder(archive) / "journal" / name
    folder.mkdir(parents=True, exist_ok=True)
    writer = SegmentWriter(folder, DAY + timedelta(seconds=number))
    writer.append([Record(micros(one.received), one.topic, one.payload, False) for one in heard])
    writer.close()
    return writer.path


def fill(archive: Path, pressure: Pressure) -> None:
    for number in range(3):
        heard = [pressure(seq, set_id=f"S-{seq % 3}") for seq in range(number * 10, number * 10 + 10)]
        seal_segment(archive, segment_of(archive, [*heard, Heard(DAY, "x", b"y")], number), Recent())


def everything(archive: Path) -> dict[str, pl.DataFrame]:
    return {kind: frame.sort("received", "payload") for kind, frame in Archive(archive).messages().items()}
