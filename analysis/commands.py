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
    from analysis.profile import Profile
    from analysis.tables import Results

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

    from analysis.from_archive import archive_messages, incident_messages
    from analysis.incident import analyse as analyse_messages
    from analysis.profile import Profile, load_profile

    rules = Profile.default() if profile is None else load_profile(profile)
    messages = archive_messages(archive) if incident is None else incident_messages(archive, incident)
    with progress_bar() as progress:
        results = analyse_messages(messages, rules, incident, progress)
    about = {
        "underair": version("underair"),
        "profile": rules.name,
        "incident": incident or "",
        "clock": "UTC, microseconds, reconciled to the listener's clock",
    }
    files = write_results(results, out, form, about)
    if as_json:
        tables = {name: {"rows": results[name].height, "file": str(path)} for name, path in files.items()}
        click.echo(json.dumps({**about, "format": form, "tables": tables}))
    else:
        click.echo(_sentence(results, out, rules))


def write_results(results: Results, out: Path, form: str, about: dict[str, str]) -> dict[str, Path]:
    """Write one file a table, each aside and then renamed; return the files by table.

    Parameters
    ----------
    results : dict of str to DataFrame
    out : Path
        Folder; made when it is not there.
    form : str
        "parquet" (units and meanings in the fields' metadata) or "csv".
    about : dict of str to str
        Goes into every Parquet file's metadata.
    """
    import pyarrow.parquet as pq

    from analysis.tables import TABLES, to_arrow, to_csv
    from ingest.errors import UnderairError

    files = {name: out / f"{name}.{form}" for name in TABLES}
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, path in files.items():
            aside = path.with_suffix(f".{form}.part")
            if form == "parquet":
                pq.write_table(to_arrow(name, results[name], about), aside, compression="zstd")
            else:
                aside.write_text(to_csv(name, results[name]), encoding="utf-8", newline="")
            aside.replace(path)
    except OSError as error:
        raise UnderairError(f"cannot write the tables into {out}: {error}") from None
    return files


def _sentence(results: Results, out: Path, profile: Profile) -> str:
    wears, findings = results["wears"], results["findings"]
    counts = dict(findings.group_by("severity").len().iter_rows())
    said = ", ".join(f"{counts.get(word, 0)} {word}" for word in ("serious", "caution", "note"))
    return (
        f"{wears.height} wears, {results['alarms'].height} alarms, {findings.height} findings ({said}) by "
        f"the profile {profile.name}; tables are in {out}. {profile.decides}"
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

        def draw(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield draw
