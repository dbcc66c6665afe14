"""The verb `audit`: the long view of an archive as tables and sheets, for outside or inside."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.commands import engine_option, profile_option
from ingest.archive.store import ArchivePath
from ingest.plurals import counted
from ingest.shared_options import OutPath, archive_option
from ingest.shown_text import echo
from ingest.talk import progress_bar

if TYPE_CHECKING:
    import polars as pl


def _day(word: object) -> date:
    """Return the day that an option names."""
    try:
        return date.fromisoformat(str(word))
    except ValueError:
        raise click.BadParameter(f"{word!r} is not a day; expected YYYY-MM-DD, such as 2031-01-01") from None


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
@click.option("--from", "first", type=_day, metavar="DATE", help="First day, such as 2031-01-01 (UTC).")
@click.option("--to", "last", type=_day, metavar="DATE", help="Last day; the sheet is about its month.")
@click.option(
    "--inside",
    "for_inside",
    is_flag=True,
    help="Exact counts, sets, forecasts, rest and people who stand out: inside the service only.",
)
@click.option(
    "--before-after",
    "since",
    type=_day,
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
    first: date | None,
    last: date | None,
    for_inside: bool,
    since: date | None,
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
    from datetime import UTC, datetime

    from analysis.pieces.spread import spread_over
    from analysis.profile import load_profile
    from analysis.trends.audit import audit as audit_ledger
    from analysis.trends.audit import duties_tables
    from analysis.trends.ledger import was_heard, with_falls
    from analysis.trends.roster import equipment_beside, roster_beside, with_station_and_role
    from analysis.trends.wear_arrays import Worked
    from dashboard.trends import words
    from dashboard.trends.export import inside_files, published_files, write_files
    from dashboard.trends.releases import publish, replace
    from dashboard.trends.summary import published_note
    from dashboard.trends.wear_ledger import WearLedger, between
    from ingest.archive.reading import Archive
    from ingest.archive.store import work_folder
    from ingest.contract.errors import ArchiveProblem

    if first is not None and last is not None and last < first:
        raise click.BadParameter(f"{last} is before --from {first}", param_hint="--to")
    if replaced is not None and not reason:
        raise click.UsageError("--replace PERIOD needs --reason TEXT.")
    if since is not None and not for_inside:
        raise click.UsageError("--before-after compares exact counts: add --inside.")
    profile = load_profile(profile_file)
    ledger = WearLedger(Archive(archive_folder), profile)
    now, fewest = datetime.now(UTC), profile.disclosure.fewest_people
    with (
        spread_over(engine) if engine is not None else nullcontext() as run,
        progress_bar("new wears") as progress,
    ):
        ledger.update(now, progress, run)
    place = work_folder(archive_folder)
    roster, tables = roster_beside(place), ledger.tables()
    tables["set_events"] = with_falls(tables["set_events"], tables["wears"])
    unheard = ledger.everybody().filter(~was_heard())
    tables["wears"], unheard = (with_station_and_role(one, roster) for one in (tables["wears"], unheard))
    chosen = between(tables, first, last)
    unheard = between({"wears": unheard}, first, last)["wears"]
    silent = unheard.height
    if not chosen["wears"].height and not (silent and for_inside):
        raise ArchiveProblem(_nothing(archive_folder, tables["wears"], silent))
    if replaced is not None and reason is not None:
        replace(place, tables["wears"], replaced, reason, getpass.getuser(), now, fewest)
        echo(f"{replaced} is published again: {reason}", err=True)
    if for_inside:
        made = audit_ledger(chosen, unheard, profile)
        until = min(last or now.date(), now.date())
        made.tables.update(duties_tables(tables["wears"], roster, equipment_beside(place), profile, until))
        shown, sheets = inside_files(made, chosen, profile, now, since, copies)
    else:
        anew = (reason, getpass.getuser()) if replaced is None and reason else ("", "")
        known = publish(place, tables["wears"], now, fewest, *anew)
        shown, sheets = published_files(known, first, last, profile, now)
    write_files(out, shown, profile, sheets, published=not for_inside)
    for names in Worked(tables["wears"], fewest).alike:
        echo(words.ALIKE.format(names=" and ".join(names)), err=True)
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
        return
    meaning = words.INSIDE_ONLY if for_inside else published_note(fewest)
    if not any(table.height for table in shown.values()):
        meaning = words.NO_ROW
    wears = counted(chosen["wears"].height, "wear")
    if silent:
        wears += f", and {counted(silent, 'entry', 'entries')} never heard under air, in no rate"
    echo(f"{wears}; tables and summary.html are in {out}. {meaning} {profile.decides}")


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
