"""An archive's messages as they were received, for a new archive that reads them with another mapping."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from ingest.archive.parts import day_folders, day_of
from ingest.archive.reading import Archive
from ingest.archive.sealing import made_by_a_mapping
from ingest.contract.captures import Heard
from ingest.contract.columns import TABLES
from ingest.contract.times import EPOCH


def as_received(folder: Path) -> Iterator[Heard]:
    """Yield what an archive received, by time of receipt: originals instead of what a mapping made of them.

    Raises `ArchiveProblem` when the archive cannot be read.
    """
    archive = Archive(folder)
    days = sorted({day_of(each) for table in TABLES for each in day_folders(archive.folder, table)})
    for day in days:
        since = datetime(day.year, day.month, day.day, tzinfo=UTC)
        messages = archive.messages(since, since + timedelta(days=1))
        originals = messages["originals"]
        made = made_by_a_mapping(originals)
        lots = []
        for table in TABLES:
            frame = messages[table]
            if table == "refused":
                # What was refused of an original comes again with the original.
                frame = frame.join(
                    originals, on=["received", "topic", "payload"], how="anti", nulls_equal=True
                )
            elif table != "originals":
                frame = frame if made is None else frame.filter(~made)
                frame = frame.with_columns(pl.col("payload").cast(pl.Binary))
            lots.append(frame.select("received", "topic", "payload", "retained"))
        for received_us, topic, payload, retained in (
            pl.concat(lots)
            .sort("received", maintain_order=True)
            .with_columns(pl.col("received").dt.epoch("us"))
            .iter_rows()
        ):
            yield Heard(EPOCH + timedelta(microseconds=received_us), topic, payload, retained)
