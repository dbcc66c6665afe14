"""The verbs that look after an archive: `tidy` and `verify`."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path

import click

_ARCHIVE = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command()
@click.option("--archive", required=True, type=_ARCHIVE, help="Folder of the archive.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as one JSON object.")
def tidy(archive: Path, as_json: bool) -> None:
    """Merge the small parts of finished days into one a day and kind.

    Readers may go on reading, listeners receiving. Today's parts (UTC) are left alone.
    """
    from datetime import UTC, datetime

    from ingest.tidying import tidy as bring_in_order

    done = bring_in_order(archive, datetime.now(UTC))
    if as_json:
        click.echo(json.dumps(asdict(done)))
    else:
        click.echo(
            f"merged {done.parts_before:,} parts into {done.parts_after:,}: {done.rows:,} rows kept, "
            f"{done.duplicates:,} duplicates left out"
        )


@click.command()
@click.argument("archive", metavar="DIR", type=_ARCHIVE)
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object.")
def verify(archive: Path, as_json: bool) -> None:
    """Compare an archive with its manifest.

    Names each part that was altered, truncated, is missing or was added, and ends with 1 then. The heads
    that it prints are worth noting elsewhere: they show later that nothing was cut off a manifest's end.
    """
    from ingest.verifying import verify as compare

    found = compare(archive)
    if as_json:
        click.echo(json.dumps(asdict(found)))
    else:
        for fault in found.faults:
            click.echo(fault)
        for writer, head in found.heads.items():
            click.echo(f"head of {writer}: {head}")
        verdict = "whole" if not found.faults else f"{len(found.faults)} faults"
        click.echo(
            f"{verdict}: {found.parts:,} parts with {found.rows:,} rows as they were sealed, "
            f"{found.unsealed:,} messages not yet sealed"
        )
    if found.faults:
        sys.exit(1)
