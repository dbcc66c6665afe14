"""The verb `wearer`: what is kept about one person."""

from __future__ import annotations

import json
from pathlib import Path

import click

from ingest.place_option import ArchivePlace


@click.command()
@click.argument("wearer_id", metavar="WEARER")
@click.option(
    "--archive",
    required=True,
    type=ArchivePlace(must_exist=True, stores=False),
    help="Folder of the archive.",
)
@click.option(
    "--out",
    required=True,
    metavar="DIR",
    type=click.Path(file_okay=False, path_type=Path),
    help="A folder that is not there yet.",
)
@click.option("--profile", metavar="FILE", help="Doctrine profile in TOML, or the name of a shipped one.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def wearer(wearer_id: str, archive: Path, out: Path, profile: str | None, as_json: bool) -> None:
    """Write everything that is kept about one wearer: messages, tables, who looked.

    \b
    Example: underair wearer W-07 --archive archive --out about-W-07
    """
    from datetime import UTC, datetime

    from analysis.profile import Profile, load_profile
    from dashboard.privacy.wearer_record import write_wearer_record

    doctrine = Profile.default() if profile is None else load_profile(profile)
    written = write_wearer_record(archive, doctrine, wearer_id, out, datetime.now(UTC))
    if as_json:
        click.echo(json.dumps(vars(written)))
    counts = f"{written.wears} wears, {written.messages} messages, {written.looks} looks at the record"
    click.echo(f"underair: {out}: {counts}", err=True)
