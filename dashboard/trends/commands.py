"""The verb `audit`: the long view of an archive as tables and sheets, for outside or inside."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from analysis.profile_option import engine_option, profile_option
from ingest.archive.store import ArchivePath
from ingest.plurals import counted
from ingest.shared_options import OutPath, archive_option
from ingest.shown_text import echo
from ingest.talk import progress_bar

if TYPE_CHECKING:
    import polars as pl

    from analysis.profile import Profile
    from analysis.trends.ledger import Ledger


class _Day(click.DateTime):
    """A day, asked for in words."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the day."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"{value!r} is not a day; expected YYYY-MM-DD, such as 2031-01-01", param, ctx)


DAY = _Day(["%Y-%m-%d"])


@click.command()
@archive_option(
    "archive_folder",
    says="Folder of the archive, or s3://BUCKET/PREFIX; a roster.toml or roster.csv in the folder (for a "
    "store in its work folder) names stations and roles.",
)
@click.option(
    "--out",
    required=True,
    type=OutPath(file_okay=False, path_type=Path),
    help="Folder for the tables and the sheet; created if missing.",
)
@click.option("--from", "first", type=DAY, metavar="DATE", help="First day, such as 2031-01-01 (UTC).")
@click.option("--to", "last", type=DAY, metavar="DATE", help="Last day; the sheet is about its month.")
@click.option(
    "--inside",
    "for_inside",
    is_flag=True,
    help="Exact counts, sets, forecasts, rest and people who stand out: inside the service only.",
)
@click.option(
    "--before-after",
    "since",
    type=DAY,
    metavar="DATE",
    help="With --inside: also compare what was before this day with what came from it on.",
)
@click.option(
    "--copies",
    type=click.IntRange(min=0, max=100_000),
    default=40,
    show_default=True,
    metavar="COUNT",
    help="With --inside: copies of the wears without any difference, to measure how often chance alone names "
    "somebody. 0: do not measure.",
)
@click.option(
    "--replace",
    "replaced",
    metavar="PERIOD",
    help="Publish a period such as 2031-04 again; needs --reason. Readers of both versions can compare them.",
)
@click.option(
    "--reason",
    metavar="TEXT",
    help="Why, and who decided; kept in releases.ndjson. Without --replace: publish although lines of it are "
    "lost and there is no backup.",
)
@profile_option("profile_file")
@engine_option
@click.option("--json", "as_json", is_flag=True, help="Print what was written as one JSON object.")
def audit(
    archive_folder: ArchivePath,
    out: Path,
    first: datetime | None,
    last: datetime | None,
    for_inside: bool,
    since: datetime | None,
    copies: int,
    replaced: str | None,
    reason: str | None,
    profile_file: str | None,
    engine: str | None,
    as_json: bool,
) -> None:
    """Write the figures of months and years as tables and sheets, for outside the service or inside.

    Without --inside: published figures. Each covers at least 10 people (the profile's limit); events are
    printed as ranges. A month, quarter or year is published once, when it is over, and kept in
    releases.ndjson; `underair verify` checks that list. With --inside: exact figures, to stay inside the
    service.

    Earlier results are kept in the archive's folder under derived/ (for an archive on a store, in its work
    folder on this machine), so only new wears take time. With --engine, the workers of a Dask cluster share
    them; they must see the archive under the same name.

    \b
    Example:
        underair audit --archive archive --out audit --from 2031-01-01 --to 2031-12-31
    """
    import getpass
    import json
    from contextlib import nullcontext
    from datetime import UTC

    from analysis.pieces.spread import spread_over
    from analysis.profile import load_profile
    from analysis.trends.audit import duties_tables
    from analysis.trends.ledger import was_heard, with_falls
    from analysis.trends.roster import equipment_beside, roster_beside, with_station_and_role
    from dashboard.trends.releases import replace
    from dashboard.trends.wear_ledger import WearLedger, between
    from ingest.archive.reading import Archive
    from ingest.archive.store import work_folder
    from ingest.contract.errors import ArchiveProblem

    if first is not None and last is not None and last < first:
        raise click.BadParameter(f"{last:%Y-%m-%d} is before --from {first:%Y-%m-%d}", param_hint="--to")
    if replaced is not None and not reason:
        raise click.UsageError("--replace PERIOD needs --reason TEXT.")
    if since is not None and not for_inside:
        raise click.UsageError("--before-after compares exact counts: add --inside.")
    profile = load_profile(profile_file)
    archive = Archive(archive_folder)
    ledger = WearLedger(archive, profile)
    now = datetime.now(UTC)
    with (
        spread_over(engine) if engine is not None else nullcontext() as run,
        progress_bar("new wears") as progress,
    ):
        ledger.update(now, progress, run)
    tables = ledger.tables()
    tables["set_events"] = with_falls(tables["set_events"], tables["wears"])
    unheard = between({"wears": ledger.everybody().filter(~was_heard())}, first, last)["wears"]
    place = work_folder(archive_folder)
    roster = roster_beside(place)
    tables["wears"], unheard = (with_station_and_role(one, roster) for one in (tables["wears"], unheard))
    chosen, silent = between(tables, first, last), unheard.height
    if not chosen["wears"].height and not (silent and for_inside):
        raise ArchiveProblem(_nothing(archive_folder, tables["wears"], silent))
    if replaced is not None and reason is not None:
        fewest = profile.disclosure.fewest_people
        replace(place, tables["wears"], replaced, reason, getpass.getuser(), now, fewest)
        echo(f"{replaced} is published again: {reason}", err=True)
    if for_inside:
        day = now.date() if last is None else min(last, now.replace(tzinfo=None)).date()
        due = duties_tables(tables["wears"], roster, equipment_beside(place), profile, day)
        shown, sheets = _inside(chosen, unheard, profile, now, since, copies, due)
    else:
        anew = (reason or "", getpass.getuser()) if replaced is None and reason else ("", "")
        shown, sheets = _outside(place, tables["wears"], first, last, profile, now, anew)
    _write(out, shown, profile, sheets, published=not for_inside)
    if as_json:
        files = {
            name: {"rows": table.height, "file": str(out / f"{name}.csv")} for name, table in shown.items()
        }
        said = {
            "wears": chosen["wears"].height,
            "never_heard": silent,
            "inside_only": for_inside,
            "profile": profile.name,
        }
        echo(json.dumps({**said, "summary": str(out / "summary.html"), "tables": files}))
    else:
        from dashboard.trends.summary import published_note
        from dashboard.trends.words import INSIDE_ONLY, NO_ROW

        meaning = INSIDE_ONLY if for_inside else published_note(profile.disclosure.fewest_people)
        if not any(table.height for table in shown.values()):
            meaning = NO_ROW
        wears = counted(chosen["wears"].height, "wear")
        if silent:
            wears += f", and {counted(silent, 'entry', 'entries')} never heard under air, in no rate"
        echo(f"{wears}; tables and summary.html are in {out}. {meaning} {profile.decides}")


Shown = tuple["dict[str, pl.DataFrame]", dict[str, str]]
"""Tables, and the sheets by their file names."""


def _outside(
    place: Path,
    wears: pl.DataFrame,
    first: datetime | None,
    last: datetime | None,
    profile: Profile,
    now: datetime,
    anew: tuple[str, str],
) -> Shown:
    """Publish, and return what is shown. `anew`: why although the list was lost, and who decided."""
    from analysis.trends.wear_arrays import inside_days
    from dashboard.trends.outside import published_html, published_periods, tables
    from dashboard.trends.releases import publish

    fewest = profile.disclosure.fewest_people
    known = publish(place, wears, now, fewest, *anew)
    days = (first.date() if first else None, last.date() if last else None)
    chosen = {name: one for name, one in known.items() if inside_days(name, *days)}
    shown = tables(chosen)
    sheets = {
        name: published_html(known, period, profile, now)
        for name, period in _sheets(published_periods(chosen)).items()
    }
    return shown, sheets


def _inside(
    ledger: Ledger,
    unheard: pl.DataFrame,
    profile: Profile,
    now: datetime,
    since: datetime | None,
    copies: int,
    due: dict[str, pl.DataFrame],
) -> Shown:
    from itertools import islice

    from analysis.trends.audit import audit as audit_ledger
    from analysis.trends.audit import chance_table
    from analysis.trends.before_after import changes, table_of
    from analysis.trends.false_marks import FalseMarks, false_marks
    from dashboard.trends.inside_summary import inside_html, inside_periods

    made = audit_ledger(ledger, unheard, profile)
    tables = {**made.tables, **due}
    found = None if since is None else (since.date(), changes(ledger["wears"], since.date()))
    if found is not None:
        tables["before_after"] = table_of(found[1])
    counts = false_marks(ledger["wears"], ledger["set_events"], now.date().replace(day=1))
    measured = FalseMarks()
    for count in islice(counts, copies):
        measured = count
    if measured.drawn:
        tables["chance"] = chance_table(measured)
    sheets = {
        name: inside_html(made, period, profile, now, compared=found, measured=measured)
        for name, period in _sheets(inside_periods(made)).items()
    }
    return tables, sheets


def _sheets(periods: list[str]) -> dict[str, str]:
    """Return the period of each sheet by its file: the newest month, and every year."""
    years = {f"summary-{period}.html": period for period in periods if len(period) == 4}
    return {"summary.html": periods[-1] if periods else "", **years}


def _write(
    out: Path, shown: dict[str, pl.DataFrame], profile: Profile, sheets: dict[str, str], published: bool
) -> None:
    from analysis.tables import with_units
    from analysis.trends.columns import notes_of
    from dashboard.trends.export import files_of
    from ingest.parquet_bytes import arrow_bytes

    notes = notes_of(shown, published=published)
    with _handed_over(out) as aside:
        for name, table in shown.items():
            (aside / f"{name}.parquet").write_bytes(arrow_bytes(with_units(table.to_arrow(), notes[name])))
        for name, text in (files_of(shown, profile, published=published) | sheets).items():
            (aside / name).write_text(text, encoding="utf-8", newline="")


def _nothing(archive: ArchivePath, every: pl.DataFrame, silent: int) -> str:
    """Say why there is nothing to sum up, and what to do; `silent` entries were never heard."""
    if silent:
        return (
            f"no set was heard under air in this period, but {counted(silent, 'entry', 'entries')} of people "
            f"who were tallied in: of their air nothing is known. --inside counts them"
        )
    days = every["started"].drop_nulls().dt.strftime("%Y-%m-%d").sort()
    if len(days):
        first, last = days[0], days[-1]
        return f"no wears in this period; those of the archive {archive} lie from {first} to {last}"
    return (
        f"there are no wears in the archive {archive}; bring messages in with `underair import LOG --archive "
        f"{archive}` or `underair listen`. An incident counts an hour or more after its last message"
    )


@contextmanager
def _handed_over(out: Path) -> Iterator[Path]:
    """Yield a folder inside `out`; what is written there gets its place when all went well, else it goes."""
    from tempfile import TemporaryDirectory

    from ingest.contract.errors import UnderairError, system_sentence

    missing = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(prefix=".making-", dir=out, ignore_cleanup_errors=True) as aside:
            yield Path(aside)
            for file in Path(aside).iterdir():
                file.replace(out / file.name)
    except OSError as error:
        raise UnderairError(f"cannot write into {out}: {system_sentence(error)}") from None
    finally:
        with suppress(OSError):  # what holds anything stays
            for folder in missing:
                folder.rmdir()
