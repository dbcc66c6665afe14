"""The verb `audit`: the long view of an archive as tables and a monthly summary, small counts withheld."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ingest.place_option import ArchivePlace
from ingest.plurals import counted

if TYPE_CHECKING:
    import polars as pl


class _Day(click.DateTime):
    """A day, asked for in words."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the day."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"{value!r} is no day; expected YYYY-MM-DD, such as 2031-01-01", param, ctx)


DAY = _Day(["%Y-%m-%d"])


@click.command()
@click.option(
    "--archive",
    "archive_folder",
    required=True,
    type=ArchivePlace(),
    help="Folder of the archive, or s3://BUCKET/PREFIX; a roster.toml or roster.csv in the folder (for a "
    "store in its work folder) tells stations and roles.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the tables and the summary; made when it is not there.",
)
@click.option("--from", "first", type=DAY, metavar="DATE", help="First day, such as 2031-01-01 (UTC).")
@click.option(
    "--to",
    "last",
    type=DAY,
    metavar="DATE",
    help="Last day; its month is the summary's. Without it, the last month that is over.",
)
@click.option(
    "--profile",
    "profile_file",
    metavar="FILE",
    help="Doctrine profile in TOML, or the name of a shipped one.",
)
@click.option(
    "--engine", metavar="ENGINE", help="local[:WORKERS] or dask://HOST:PORT; without it, one process here."
)
@click.option(
    "--overlapping",
    is_flag=True,
    help="Make tables that overlap a period handed out before: both together may tell withheld counts.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what was written as one JSON object.")
def audit(
    archive_folder: Path,
    out: Path,
    first: datetime | None,
    last: datetime | None,
    profile_file: str | None,
    engine: str | None,
    overlapping: bool,
    as_json: bool,
) -> None:
    """Sum up months of wears: rates, planning rates, sets, forecasts; small counts withheld.

    A count from 1 to 15 (the profile's limit) is printed <16; withheld stands where a count, or what follows
    from it, would tell more of such a one. Whatever is handed out is noted in releases.ndjson; tables that
    overlap an earlier release are refused.

    What has been worked out before is kept in the archive's folder under derived/ (for an archive on a store
    in its work folder on this machine); only new wears take time. With an engine the workers of a Dask
    cluster take them; they must see the archive under the same name.

    \b
    Example:
        underair audit --archive archive --out audit --from 2031-01-01 --to 2031-12-31
    """
    import json
    from contextlib import nullcontext
    from datetime import UTC

    from analysis.pieces.spread import spread_over
    from analysis.profile import Profile, load_profile
    from analysis.tables import formula_safe
    from analysis.trends.audit import audit as audit_ledger
    from analysis.trends.audit import printed
    from analysis.trends.roster import no_roster, with_station_and_role
    from dashboard.trends.releases import OverlappingRelease, days_of, finished_months, release
    from dashboard.trends.summary import summary_html, summary_months
    from dashboard.trends.summary_words import INSIDE_ONLY, marks_note, readme
    from dashboard.trends.wear_ledger import WearLedger, between, roster_of
    from ingest.archive.reading import Archive
    from ingest.archive.store import work_folder
    from ingest.contract.errors import ArchiveProblem
    from ingest.parquet_bytes import parquet_bytes

    if first is not None and last is not None and last < first:
        raise click.BadParameter(f"{last:%Y-%m-%d} lies before --from {first:%Y-%m-%d}", param_hint="--to")
    if not archive_folder.is_dir():
        raise ArchiveProblem(
            f"there is no archive at {archive_folder}; make one with `underair import LOG --archive "
            f"{archive_folder}`, or with `underair listen`"
        )
    profile = Profile.default() if profile_file is None else load_profile(profile_file)
    archive = Archive(archive_folder)
    ledger = WearLedger(archive, profile)
    now = datetime.now(UTC)
    with spread_over(engine) if engine is not None else nullcontext() as run, _progress() as progress:
        ledger.update(now, progress, run)
    chosen = between(ledger.tables(), first, last)
    tables = chosen if last is not None else finished_months(chosen, now)
    if not tables["wears"].height:
        raise ArchiveProblem(_nothing(archive_folder, ledger.tables()["wears"], chosen["wears"].height))
    roster = roster_of(archive)
    tables["wears"] = with_station_and_role(tables["wears"], no_roster() if roster is None else roster)
    made, summary = audit_ledger(tables, profile), out / "summary.html"
    days = days_of(tables)
    if days is None:
        noting: AbstractContextManager[bool] = nullcontext(False)
    else:
        since, until = first.date() if first else days[0], last.date() if last else days[1]
        noting = release(work_folder(archive_folder), made, since, until, now, overlapping=overlapping)
    months = summary_months(made)
    with _handed_over(out) as aside:
        try:
            with noting as inside_only:
                for name, table in made.tables.items():
                    (aside / f"{name}.parquet").write_bytes(parquet_bytes(table))
                    lines = formula_safe(printed(table)).write_csv(float_precision=4)
                    (aside / f"{name}.csv").write_text(lines, encoding="utf-8", newline="")
                shown = months[-1] if months else ""
                sheet = summary_html(made, shown, profile, now, inside_only=inside_only)
                (aside / summary.name).write_text(sheet, encoding="utf-8")
                note = readme(made, profile.name, made.tables, inside_only=inside_only)
                (aside / "README.txt").write_text(note, encoding="utf-8")
        except OverlappingRelease as error:
            raise OverlappingRelease(f"{error}; --overlapping makes them all the same") from None
    wears, signals = tables["wears"].height, made.tables["standing_out"].height
    if as_json:
        said = {
            name: {"rows": table.height, "file": str(out / f"{name}.csv")}
            for name, table in made.tables.items()
        }
        about = {
            "wears": wears,
            "comparisons": made.comparisons,
            "smallest_count": made.smallest_count,
            "marks": marks_note(made.smallest_count),
            "inside_only": inside_only,
        }
        click.echo(json.dumps({**about, "profile": profile.name, "summary": str(summary), "tables": said}))
    else:
        click.echo(
            f"{counted(wears, 'wear')}; standing out of {counted(made.comparisons, 'comparison')}: "
            f"{signals}; tables and summary.html are in {out}. {marks_note(made.smallest_count)} "
            f"{profile.decides}"
            f"{f' {INSIDE_ONLY}' if inside_only else ''}"
        )


def _nothing(archive: Path, every: pl.DataFrame, of_period: int) -> str:
    """Say why there is nothing to sum up, and what to do."""
    if of_period:
        return (
            f"the {of_period} wears of the period lie in the running month, which is left out until it is "
            "over; --to with a day takes them"
        )
    days = every["started"].drop_nulls().dt.strftime("%Y-%m-%d").sort()
    if len(days):
        first, last = days[0], days[-1]
        return f"no wears in this period; those of the archive {archive} lie from {first} to {last}"
    return (
        f"there are no wears in the archive {archive}; bring messages in with `underair import LOG --archive "
        f"{archive}` or `underair listen`. An incident counts half an hour after its last message"
    )


@contextmanager
def _handed_over(out: Path) -> Iterator[Path]:
    """Yield a folder inside `out`; what is written there gets its place when all went well, else it goes."""
    import shutil
    import tempfile

    from ingest.contract.errors import UnderairError, system_sentence

    missing = [folder for folder in (out, *out.parents) if not folder.exists()]
    aside = None
    try:
        out.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".making-", dir=out))
        yield aside
        for file in aside.iterdir():
            file.replace(out / file.name)
    except OSError as error:
        raise UnderairError(f"cannot write into {out}: {system_sentence(error)}") from None
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
        with suppress(OSError):  # what holds anything stays
            for folder in missing:
                folder.rmdir()


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None] | None]:
    """Yield a callback that draws a bar on the terminal; nothing where stderr is none."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("new wears"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("new wears", total=None)

        def draw(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield draw
