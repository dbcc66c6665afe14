"""The verb `analyse`: an archive in, the tables of the results out."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from analysis.incident import Progress

_FOLDER = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.option("--archive", required=True, type=_FOLDER, help="Folder of the archive.")
@click.option("--out", required=True, type=_FOLDER, help="Folder for the tables; made when it is not there.")
@click.option("--incident", metavar="ID", help="Only this incident; without it, everything in the archive.")
@click.option("--profile", metavar="FILE", help="Doctrine profile in TOML, or the name of a shipped one.")
@click.option("--format", "form", type=click.Choice(["parquet", "csv"]), default="parquet", show_default=True)
@click.option("--json", "as_json", is_flag=True, help="Print what was written as one JSON object.")
def analyse(
    archive: Path, out: Path, incident: str | None, profile: str | None, form: str, as_json: bool
) -> None:
    """Work out wears, air, alarms, heat, gaps, clocks and findings, one file a table.

    The profile's numbers judge the wears; local procedure decides. Times are UTC on the listener's clock.
    """
    from importlib.metadata import version

    from analysis.from_archive import heard_periods, incident_messages, period_messages
    from analysis.incident import analyse as analyse_messages
    from analysis.profile import Profile, load_profile
    from analysis.writing import TableFiles

    rules = Profile.default() if profile is None else load_profile(profile)
    about = {
        "underair": version("underair"),
        "profile": rules.name,
        "incident": incident or "",
        "clock": "UTC, microseconds, reconciled to the listener's clock",
    }
    with progress_bar() as progress:
        if incident is not None:
            messages = incident_messages(archive, incident)
            with TableFiles(out, form, about) as files:
                files.add(analyse_messages(messages, rules, incident, progress))
        else:
            periods = heard_periods(archive)
            with TableFiles(out, form, about) as files:
                # One period at a time: memory follows the longest of them, not the archive.
                for period in periods:
                    files.add(analyse_messages(period_messages(archive, period), rules, None, progress))
    if as_json:
        tables = {name: {"rows": files.rows[name], "file": str(path)} for name, path in files.paths.items()}
        click.echo(json.dumps({**about, "format": form, "tables": tables}))
    else:
        said = ", ".join(f"{files.findings.get(word, 0)} {word}" for word in ("serious", "caution", "note"))
        click.echo(
            f"{files.rows['wears']} wears, {files.rows['alarms']} alarms, {files.rows['findings']} findings "
            f"({said}) by the profile {rules.name}; tables are in {out}. {rules.decides}"
        )


@contextmanager
def progress_bar() -> Iterator[Progress | None]:
    """Yield a callback that draws a bar on the terminal; nothing where stderr is none."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("wears"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("wears", total=None)

        before = 0

        def draw(done: int, total: int) -> None:
            nonlocal before
            bar.update(task, completed=before + done, total=before + total)
            before += total if done == total else 0

        yield draw
