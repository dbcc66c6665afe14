"""The verb `analyse`: an archive in, the tables of the results out."""

from __future__ import annotations

import json
from contextlib import nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import click

from analysis.profile_option import engine_option, profile_option
from ingest.archive.store import ArchivePath
from ingest.plurals import counted
from ingest.shared_options import OutPath, archive_option, is_stdout, print_bytes
from ingest.shown_text import echo
from ingest.talk import progress_bar

if TYPE_CHECKING:
    from analysis.pieces.piecewise import Written
    from analysis.profile import Profile

_FOLDER = OutPath(file_okay=False, allow_dash=True, path_type=Path)


@click.command()
@archive_option()
@click.option(
    "--out",
    required=True,
    type=_FOLDER,
    help="Folder for the tables, created if missing; - prints one of them on standard output.",
)
@click.option("--table", metavar="NAME", help="With --out -: which table, such as findings.")
@click.option("--incident", metavar="ID", help="Only this incident; without it, everything in the archive.")
@profile_option()
@click.option(
    "--format",
    "form",
    type=click.Choice(["parquet", "csv"]),
    default="parquet",
    show_default=True,
    help="File format of the tables.",
)
@engine_option
@click.option("--json", "as_json", is_flag=True, help="Print what was written as one JSON object.")
def analyse(
    archive: ArchivePath,
    out: Path,
    table: str | None,
    incident: str | None,
    profile: str | None,
    form: str,
    engine: str | None,
    as_json: bool,
) -> None:
    """Compute wears, air, alarms, heat, gaps, clocks and findings, one file for each table.

    The profile sets the limits; local procedure decides. Times are UTC on the listener's clock. Parquet files
    carry each column's unit; beside CSV files, columns.csv has it, in UCUM too.

    It analyses one piece after another (an incident, or a set outside incidents), so memory depends on the
    largest piece. With --engine, the workers of a Dask cluster share the pieces; they must see both folders
    under the same names. On processors of one kind the
    tables are the same to the bit.

    \b
    Example:
        underair analyse --archive archive --out results
        underair analyse --archive archive --out - --table findings --format csv
        underair analyse --archive archive --out results --engine local:2
        underair analyse --archive /mnt/archive --out /mnt/results --engine dask://10.0.0.5:8786
    """
    from importlib.metadata import version

    from analysis.profile import load_profile
    from analysis.tables import TABLES, columns_csv

    printed = is_stdout(out, as_json)
    if printed and (table not in TABLES or engine is not None):
        raise click.UsageError(
            f"--out - prints one table, without --engine; name it with --table: {', '.join(TABLES)}."
        )
    rules = load_profile(profile)
    about = {
        "underair": version("underair"),
        "profile": rules.name,
        "incident": incident or "",
        "clock": "UTC, microseconds, reconciled to the listener's clock",
    }
    if printed:
        with TemporaryDirectory(prefix="underair-") as name:
            _write(archive, Path(name), rules, about, form, None)
            print_bytes((Path(name) / f"{table}.{form}").read_bytes())
        return
    written = _write(archive, out, rules, about, form, engine)
    if form == "csv":
        (out / "columns.csv").write_text(columns_csv(), encoding="utf-8", newline="")
    rows = written.rows
    if as_json:
        files = {name: {"rows": rows[name], "file": str(out / f"{name}.{form}")} for name in rows}
        echo(json.dumps({**about, "format": form, "tables": files}))
    else:
        counts = ", ".join(
            f"{written.findings.get(word, 0)} {word}" for word in ("serious", "caution", "note")
        )
        echo(
            f"{counted(rows['wears'], 'wear')}, {counted(rows['alarms'], 'alarm')}, "
            f"{counted(rows['findings'], 'finding')} ({counts}) by the profile {rules.name}; "
            f"tables are in {out}. {rules.decides}"
        )


def _write(
    archive: ArchivePath, out: Path, rules: Profile, about: dict[str, str], form: str, engine: str | None
) -> Written:
    """Write the tables of an archive, or of the incident that `about` names, into a folder."""
    from analysis.incident import analyse as analyse_messages
    from analysis.pieces.archive_pieces import incident_piece
    from analysis.pieces.identity import incident_id_of
    from analysis.pieces.piecewise import Written, analyse_archive
    from analysis.pieces.spread import spread_over
    from analysis.writing import write_results

    if incident := about["incident"]:
        if engine is not None:
            raise click.UsageError("--incident is one piece, and --engine spreads many: give one of the two")
        messages, scope = incident_piece(archive, incident)
        with progress_bar("wears") as progress:
            results = analyse_messages(messages, rules, incident_id_of(incident), progress, scope)
        write_results(results, out, form, about)
        severities = dict(results["findings"].group_by("severity").len().iter_rows())
        return Written({name: table.height for name, table in results.items()}, severities)
    with (
        spread_over(engine) if engine is not None else nullcontext() as run,
        progress_bar("messages") as progress,
    ):
        return analyse_archive(archive, rules, out, form, about, run, progress)
