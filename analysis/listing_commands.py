"""The verb `incidents`: lists an archive's incidents, which other verbs take by their ID."""

import json

import click

from ingest.archive.store import ArchivePath
from ingest.plurals import counted
from ingest.shared_options import archive_option
from ingest.shown_text import echo
from ingest.talk import remark


@click.command()
@archive_option()
@click.option("--json", "as_json", is_flag=True, help="Print one JSON list.")
def incidents(archive: ArchivePath, as_json: bool) -> None:
    """List the incidents of an archive: ID, first and last message about it (received, UTC), sets.

    A set that no desk tallied belongs to no incident; `underair analyse` without --incident includes it.

    \b
    Example: underair incidents --archive archive
    """
    from analysis.pieces.archive_pieces import incidents_in
    from ingest.archive.parts import require_archive

    require_archive(archive)
    found = incidents_in(archive).rows(named=True)
    if as_json:
        form = "%Y-%m-%dT%H:%M:%SZ"
        rows = [row | {end: row[end].strftime(form) for end in ("first", "last")} for row in found]
        echo(json.dumps(rows))
        return
    widest = max((len(row["key"]) for row in found), default=0)
    for row in found:
        sets = (
            f"{counted(len(row['sets']), 'set')}: {' '.join(row['sets'])}"
            if row["sets"]
            else "no set tallied"
        )
        first, last = f"{row['first']:%Y-%m-%d %H:%M:%S}", f"{row['last']:%Y-%m-%d %H:%M:%S}"
        echo(f"{row['key']:{widest}}  {first} to {last} UTC  {sets}")
    if not found:
        remark("no desk named an incident in this archive; `underair analyse` analyses it set by set")
