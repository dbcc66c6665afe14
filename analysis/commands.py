"""The verbs `incidents`, `analyse` and `learn`, and the options of all verbs that compute."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.shell_completion import CompletionItem

from ingest.archive.store import ArchivePath
from ingest.plurals import counted, percent
from ingest.shared_options import OutPath, archive_option, is_stdout, print_bytes
from ingest.shown_text import echo
from ingest.talk import progress_bar, remark

if TYPE_CHECKING:
    from analysis.pieces.piecewise import Written
    from analysis.profile import Profile

SAYS = "Doctrine profile in TOML, or the name of a shipped one."
Verb = TypeVar("Verb", bound=Callable[..., Any])
engine_option = click.option(
    "--engine", metavar="ENGINE", help="local[:WORKERS] or dask://HOST:PORT; without it, one process here."
)


def profile_option(
    parameter: str = "profile", *, required: bool = False, says: str = SAYS
) -> Callable[[Verb], Verb]:
    """Return the option `--profile` for a verb's function, which gets the word as it was typed."""
    return click.option(
        "--profile", parameter, required=required, metavar="FILE", help=says, shell_complete=_words
    )


def _words(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Return the shipped profiles that begin so; the shell adds its files."""
    from analysis.profile import shipped_profiles

    del ctx, param
    names = [CompletionItem(name) for name in shipped_profiles() if name.startswith(incomplete)]
    return [CompletionItem(incomplete, type="file"), *names]


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


@click.command()
@archive_option()
@click.option(
    "--out",
    required=True,
    type=OutPath(file_okay=False, allow_dash=True, path_type=Path),
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


WEARS_AT_ONCE = 200  # read together, so that memory does not follow the archive


@click.command()
@archive_option()
@click.option(
    "--out",
    default="forecast.json",
    show_default=True,
    type=OutPath(dir_okay=False, allow_dash=True, path_type=Path),
    help="File for the constants, to be named in the profile; - prints it on standard output.",
)
@profile_option()
@click.option("--json", "as_json", is_flag=True, help="Print what was learnt as one JSON object.")
def learn(archive: ArchivePath, out: Path, profile: str | None, as_json: bool) -> None:
    """Learn how wide the forecast's interval must be from the archive's own wears.

    It uses simulated wears and every wear that has a tally and reached its low-air warning. It tests each
    person with constants learnt from the others. It refuses with fewer than 10 people, or when nobody
    breathed more than 60 L/min over a wear. A profile accepts the file only if, on people left out and
    against the constants in force, fewer warnings came before the early end and the score (Winkler's; lower
    is better) did not rise.

    \b
    Example:
        underair learn --archive archive --out forecast.json
        # then, in the profile beside that file:
        #   [forecast]
        #   learnt = "forecast.json"
    """
    from datetime import UTC, datetime

    import msgspec
    import polars as pl

    from analysis.air.learning import Forecasts, forecasts_of_results, learn_interval, learnt_bytes
    from analysis.pieces.piecewise import analyse_archive
    from analysis.profile import load_profile

    printed = is_stdout(out, as_json)
    rules = load_profile(profile)
    own: list[Forecasts] = []
    people: dict[str, int] = {}
    with TemporaryDirectory() as name:
        folder = Path(name) / "results"
        with progress_bar("messages") as progress:
            analyse_archive(archive, rules, folder, "parquet", {}, None, progress)
        wears = pl.read_parquet(folder / "wears.parquet").filter(pl.col("low_air_at").is_not_null())
        air = pl.scan_parquet(folder / "air.parquet")
        for part in wears.iter_slices(WEARS_AT_ONCE):
            of_these = air.filter(pl.col("wear_id").is_in(part["wear_id"].to_list())).collect()
            own += forecasts_of_results({"wears": part, "air": of_these}, people, len(own))
    made = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    learnt = learn_interval(own, rules.forecast.ends(), made)
    if printed:
        print_bytes(learnt_bytes(learnt))
        return
    out.write_bytes(learnt_bytes(learnt))
    if as_json:
        echo(msgspec.json.encode(learnt).decode())
        return
    echo(
        f"{counted(learnt.wears, 'wear')} of {counted(learnt.people, 'person', 'people')}, "
        "each person left out once:"
    )
    echo(f"{'interval':24}{'wears':32}{'held':>7}{'early':>7}{'late':>7}{'width':>9}{'score':>7}")
    for line in learnt.proof:
        group = f"{line.group}: {line.wears}"
        held, early, late = (percent(share) for share in (line.held, line.early, line.late))
        width, winkler = f"{line.width_min:.1f} min", f"{line.winkler_min:.1f}"
        echo(f"{line.interval:24}{group:32}{held:>7}{early:>7}{late:>7}{width:>9}{winkler:>7}")
    if learnt.adopted:
        echo(f'{out} can be used: write learnt = "{out.name}" under [forecast] in the profile beside it.')
    else:
        echo(f"{out} is no better on people left out: no profile accepts it. Keep the constants in force.")
