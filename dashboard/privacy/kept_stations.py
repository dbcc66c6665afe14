"""Stations and roles that stay known when `retain` drops names: comparisons over years need them."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

import polars as pl

from analysis.trends.roster import KEPT_NAME
from ingest.archive.durable import append_durably, sync_folder
from ingest.archive.store import ArchivePath, work_folder

COLUMNS = ("wearer", "station", "role", "from", "until")


def keep_stations(archive: ArchivePath, wears: pl.DataFrame, names: Mapping[tuple[str, str], str]) -> int:
    """Note under each new name the station and role of the old one, for the days of that incident only.

    - `wears`: the ledger's, with `station` and `role`, while it still has the old names.
    - `names`: mapping of (incident, wearer) to new name.

    Returns how many lines were added; those that are there already are not repeated.
    """
    keys = ["incident_id", "wearer_id"]
    rows = [(incident, wearer, new) for (incident, wearer), new in names.items()]
    new_names = pl.DataFrame(
        rows, schema=[*keys, "new"], orient="row", schema_overrides=dict.fromkeys(keys, pl.String)
    )
    lines = (
        wears.filter(pl.col("station").is_not_null())
        .join(new_names, on=keys)
        .group_by("new", "station", "role")
        .agg(
            pl.col("started").min().dt.date().alias("from"), pl.col("started").max().dt.date().alias("until")
        )
        .sort("new")
    )
    folder = work_folder(archive)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / KEPT_NAME
    known = path.read_text(encoding="utf-8") if path.is_file() else ""
    added = [row for row in lines.iter_rows() if f"\n{row[0]}," not in known]
    if not added:
        return 0
    written = io.StringIO()
    csv.writer(written, lineterminator="\n").writerows([*([] if known else [COLUMNS]), *added])
    append_durably(path, written.getvalue().encode())
    sync_folder(folder)
    return len(added)
