"""The verbs of an investigation: `notes`, `report`, `case` and `verify`."""

from __future__ import annotations

import contextlib
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.place_option import ArchivePlace
from ingest.plurals import counted

if TYPE_CHECKING:
    from analysis.profile import Profile

_NEW_FOLDER = click.Path(file_okay=False, path_type=Path)
_FOLDER = ArchivePlace(must_exist=True)
_LOCAL = ArchivePlace(must_exist=True, stores=False)


def _profile(name: str | None) -> Profile:
    from analysis.profile import Profile, load_profile

    return Profile.default() if name is None else load_profile(name)


@click.command()
@click.argument("file", metavar="FILE.csv", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--archive", required=True, type=_LOCAL, help="Folder of the archive.")
@click.option("--incident", required=True, metavar="ID", help="The incident that they are about.")
@click.option("--zone", default="UTC", show_default=True, help="Time zone of times without an offset.")
@click.option(
    "--clock-fast", "clock_fast_s", default=0.0, metavar="S", help="Seconds that the source was fast."
)
def notes(file: Path, archive: Path, incident: str, zone: str, clock_fast_s: float) -> None:
    """Bring a radio log or dispatch times (time,source,text,certainty) into the archive as desk notes.

    They are added, never edited; the same file again changes nothing.

    \b
    Example, with a file radio.csv such as
        time,source,text,certainty
        2031-05-04 19:27:30,radio,Alder asks for a hose line,recorded
        2031-05-04 19:30,officer,smoke turns yellow,estimated
    and then:
        underair notes radio.csv --archive archive --incident TH-20310504-1912
    """
    from datetime import UTC, datetime

    from dashboard.evidence.notes import Source, bring_in

    lines, fresh = bring_in(file, archive, incident, Source(zone, clock_fast_s), datetime.now(UTC))
    click.echo(f"{file}: {counted(lines, 'note')}, {fresh} of them new")


@click.command()
@click.option("--archive", required=True, type=_FOLDER, help="Folder of the archive.")
@click.option("--incident", required=True, metavar="ID", help="The incident.")
@click.option("--out", required=True, metavar="FILE.html", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--profile", metavar="FILE", help="Doctrine profile in TOML, or the name of a shipped one.")
@click.option(
    "--units",
    type=click.Choice(["metric", "imperial"]),
    default="metric",
    show_default=True,
    help="bar, °C and L, or psi, °F and ft³.",
)
@click.option(
    "--zone",
    default="UTC",
    show_default=True,
    metavar="NAME",
    help="Time zone (IANA) of the times; UTC beside.",
)
def report(archive: Path, incident: str, out: Path, profile: str | None, units: str, zone: str) -> None:
    """Write one incident as one HTML file that works offline and prints.

    For a reader who was not there: who, when, air, alarms, heat, findings with what proves them, what was
    not heard, methods and their limits.

    \b
    Example:
        underair report --archive archive --incident TH-20310504-1912 --out incident.html
    """
    from datetime import UTC, datetime

    from dashboard.charts.clock import zone_of
    from dashboard.evidence.case import incident_of_archive
    from dashboard.evidence.report import report_html
    from dashboard.units import UNITS
    from ingest.contract.errors import UnderairError, system_sentence

    rules = _profile(profile)
    zone_of(zone)  # said before the incident is analysed
    record, origin = incident_of_archive(archive, rules, incident, datetime.now(UTC))
    aside, replaced = out.with_name(f"{out.name}.part"), out.exists()
    try:
        aside.write_text(report_html(record, rules, origin, UNITS[units], zone), encoding="utf-8")
        aside.replace(out)
    except OSError as error:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
        no_folder = f"there is no folder {out.parent}; make it first"
        why = system_sentence(error) if out.parent.is_dir() else no_folder
        raise UnderairError(f"cannot write the report to {out}: {why}") from None
    click.echo(
        f"{out}: {counted(record.about['wears'], 'wear')}, {counted(origin.messages, 'message')}, "
        f"SHA-256 {origin.sha256}" + ("; an older file of this name is replaced" if replaced else "")
    )


@click.command()
@click.option("--archive", required=True, type=_FOLDER, help="Folder of the archive.")
@click.option("--incident", required=True, metavar="ID", help="The incident.")
@click.option(
    "--out",
    required=True,
    metavar="DIR",
    type=click.Path(file_okay=False, path_type=Path),
    help="A new folder.",
)
@click.option("--profile", metavar="FILE", help="Doctrine profile in TOML, or the name of a shipped one.")
def case(archive: Path, incident: str, out: Path, profile: str | None) -> None:
    """Put one incident into a folder: messages, tables, report, profile, versions, hashes.

    Prints the head of the hash chain: note it elsewhere, it stands for every byte of the folder.

    \b
    Example:
        underair case --archive archive --incident TH-20310504-1912 --out case
    """
    from dashboard.evidence.case import write_case

    head = write_case(archive, _profile(profile), incident, out)
    click.echo(f"{out}: head {head}")


@click.command()
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.option("--again", is_flag=True, help="A case: also analyse its capture anew and compare every table.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object.")
def verify(folder: Path, again: bool, as_json: bool) -> None:
    """Compare a case folder, or an archive, with its list of hashes.

    Names each file or part that was altered, truncated, is missing or was added, and ends with 1 then. The
    heads that it prints are worth noting elsewhere: they show later that nothing was exchanged.

    \b
    Example:
        underair verify case
    """
    from dashboard.evidence.case import is_case, verify_case

    if not is_case(folder):
        from dashboard.access.log import FOLDER, read_log
        from dashboard.privacy.holds import HOLDS
        from ingest.archive.parts import is_archive
        from ingest.archive.store import work_folder
        from ingest.contract.errors import ArchiveProblem
        from ingest.keeping_commands import print_verified

        if not is_archive(folder):
            raise ArchiveProblem(
                f"{folder} is neither a case nor an archive: it has no case.json, manifest or journal; "
                "name the folder that `underair case`, `listen` or `import` wrote"
            )

        # Who did what, and what is held, are chains of their own, which ingest knows nothing of.
        broken: list[str] = []
        for what, where in (("access log", FOLDER), ("holds", HOLDS)):
            entries, faults = read_log(work_folder(folder), where)
            for fault in faults:
                click.echo(fault, err=as_json)
            if entries:
                told = f"{counted(len(entries), 'entry', 'entries')}, {counted(len(faults), 'fault')}"
                click.echo(f"{what}: {told}", err=True)
            broken += faults
        if not print_verified(folder, as_json) or broken:
            sys.exit(1)
        return
    found = verify_case(folder, again)
    if as_json:
        click.echo(json.dumps({"files": found.files, "head": found.head, "faults": list(found.faults)}))
    else:
        for fault in found.faults:
            click.echo(fault)
        click.echo(f"head: {found.head}")
        verdict = "whole" if not found.faults else counted(len(found.faults), "fault")
        if again and not found.faults:
            click.echo("its capture analysed anew: every table is the same to the bit")
        click.echo(f"{verdict}: a case of {counted(found.files, 'file')}")
    if found.faults:
        sys.exit(1)
