"""The verbs of an investigation: `notes`, `report`, `case` and `verify`."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from analysis.commands import profile_option
from ingest.archive.store import ArchivePath, local, place_of
from ingest.contract.errors import ArchiveProblem, UnderairError, system_sentence
from ingest.freed_memory import begin_short_command, end_short_command
from ingest.plurals import counted
from ingest.shared_options import ArchivePlace, OutPath, archive_option, is_stdout, login_option, print_bytes
from ingest.shown_text import echo
from ingest.talk import INCOMPLETE

if TYPE_CHECKING:
    from dashboard.evidence.origin import ArchiveState

_NEW_FOLDER = OutPath(file_okay=False, path_type=Path)
_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_FOLDER = ArchivePlace(must_exist=True)


@click.command()
@click.argument(
    "file", metavar="FILE.csv", type=click.Path(exists=True, dir_okay=False, allow_dash=True, path_type=Path)
)
@archive_option()
@click.option("--incident", required=True, metavar="ID", help="The incident that the notes are about.")
@click.option("--zone", default="UTC", show_default=True, help="Time zone of times without an offset.")
@click.option(
    "--clock-fast",
    "clock_fast_s",
    default=0.0,
    metavar="S",
    help="How many seconds the source's clock was fast.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the counts as one JSON object.")
def notes(
    file: Path, archive: ArchivePath, incident: str, zone: str, clock_fast_s: float, as_json: bool
) -> None:
    """Import a radio log or dispatch times (time,source,text,certainty) into the archive as desk notes.

    Notes are added, never edited. Importing the same file again changes nothing. If FILE.csv is `-`, it
    reads standard input. It warns of notes more than 30 min outside the incident: their times may be local.

    \b
    Example, with a file radio.csv such as
        time,source,text,certainty
        2031-05-04 19:27:30,radio,Alder asks for a hose line,recorded
        2031-05-04 19:30,officer,smoke turns yellow,estimated
    and then:
        underair notes radio.csv --archive archive --incident TH-20310504-1912
    """

    from dashboard.evidence.notes import NoteTimes, bring_in

    is_file, times = file != Path("-"), NoteTimes(zone, clock_fast_s)
    data, name = (file.read_bytes(), str(file)) if is_file else (sys.stdin.buffer.read(), "standard input")
    lines, fresh, doubt = bring_in(data, name, archive, incident, times, datetime.now(UTC))
    said = f"{file}: {counted(lines, 'note')}, {fresh} of them new"
    echo(json.dumps({"notes": lines, "new": fresh}) if as_json else said)
    if doubt:
        echo(f"underair: {doubt}", err=True)


@click.command()
@archive_option()
@click.option("--incident", required=True, metavar="ID", help="The incident.")
@click.option(
    "--out",
    required=True,
    metavar="FILE.html",
    type=OutPath(dir_okay=False, allow_dash=True, path_type=Path),
    help="The file; - prints it on standard output.",
)
@profile_option()
@click.option(
    "--units",
    type=click.Choice(["metric", "imperial"]),
    default="metric",
    show_default=True,
    help="bar, °C and L, or psi, °F and ft³.",
)
@click.option(
    "--zone", default="UTC", show_default=True, metavar="NAME", help="Time zone (IANA) of every time."
)
@click.option("--json", "as_json", is_flag=True, help="Print what was written as one JSON object.")
def report(
    archive: ArchivePath, incident: str, out: Path, profile: str | None, units: str, zone: str, as_json: bool
) -> None:
    """Write one incident as one HTML file that works offline and prints.

    For a reader who was not there: who, when, air, alarms, heat, findings with their evidence, what was
    not heard, methods and their limits.

    \b
    Example:
        underair report --archive archive --incident TH-20310504-1912 --out incident.html
    """
    begin_short_command()

    from analysis.profile import load_profile
    from dashboard.evidence.case import incident_of_archive
    from dashboard.evidence.report import report_html, report_parts
    from dashboard.review.clock import zone_of
    from dashboard.units import UNITS

    printed = is_stdout(out, as_json)
    rules = load_profile(profile)
    zone_of(zone)  # said before the incident is analysed
    record, origin = incident_of_archive(archive, rules, incident, datetime.now(UTC))
    if printed:
        print_bytes(report_html(record, rules, origin, UNITS[units], zone).encode())
        _end_with_state(origin.archive, "the report")
        return
    file_at, replaced = Path(os.path.realpath(out)), out.is_file()
    aside = file_at.with_name(f"{file_at.name}.part")
    written = aside if replaced or not out.exists() else out  # a pipe or a device is never replaced
    try:
        with written.open("w", encoding="utf-8") as file:
            file.writelines(report_parts(record, rules, origin, UNITS[units], zone))
        if written is aside:
            aside.replace(file_at)
    except OSError as error:
        no_folder = f"there is no folder {out.parent}; make it first"
        why = system_sentence(error) if out.parent.is_dir() else no_folder
        raise UnderairError(f"cannot write the report to {out}: {why}") from None
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
    wears = record.about["wears"]
    if as_json:
        counts = {"wears": wears, "messages": origin.messages, "sha256": origin.sha256}
        echo(json.dumps({"file": str(out), **counts, "replaced": replaced}))
    else:
        echo(
            f"{out}: {counted(wears, 'wear')}, {counted(origin.messages, 'message')}, "
            f"SHA-256 {origin.sha256}" + ("; an older file of this name is replaced" if replaced else "")
        )
    _end_with_state(origin.archive, "the report")


@click.group(invoke_without_command=True)
@archive_option(required=False)
@click.option("--incident", metavar="ID", help="The incident.")
@click.option("--out", metavar="DIR", type=_NEW_FOLDER, help="A new folder.")
@click.option("--why", metavar="TEXT", help="The purpose; the case keeps it.")
@profile_option()
@click.option("--sign", "key", metavar="KEY", type=_FILE, help="Sign with this private key of OpenSSH.")
@click.option("--json", "as_json", is_flag=True, help="Print folder and head as one JSON object.")
@click.pass_context
def case(
    ctx: click.Context,
    archive: ArchivePath | None,
    incident: str | None,
    out: Path | None,
    why: str | None,
    profile: str | None,
    key: Path | None,
    as_json: bool,
) -> None:
    """Put one incident into a folder that a third party can check without underair.

    A bag (BagIt 1.0, RFC 8493): messages, refused messages, tables, report, profile, schemas, versions and a
    README. It prints its head, a hash of every file in the case. Note it elsewhere: it shows later changes.
    The exit code is 3 when the archive is incomplete; the case then says so.

    \b
    Example:
        underair case --archive archive --incident TH-20310504-1912 --out case --why "inquiry 31-7"
        underair case note case --text "handed to the inquiry"
    """
    if ctx.invoked_subcommand:
        return
    given = {"--archive": archive, "--incident": incident, "--out": out, "--why": why}
    missing = [name for name, value in given.items() if not value]
    if missing or archive is None or incident is None or out is None or why is None:
        raise click.UsageError(f"a case needs {', '.join(missing)}; `underair case --help` shows an example")
    begin_short_command()
    from analysis.profile import load_profile
    from dashboard.evidence.case import write_case

    head, state = write_case(archive, load_profile(profile), incident, out, why=why, key=key)
    echo(json.dumps({"folder": str(out), "head": head}) if as_json else f"{out}: head {head}")
    _end_with_state(state, "the case")


@case.command(name="note")
@click.argument("folder", metavar="DIR", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--text", required=True, help="What was done with it, such as to whom it was handed.")
def case_note(folder: Path, text: str) -> None:
    """Write a line into a case's custody log: who had it, when, to whom it went.

    \b
    Example:
        underair case note case --text "handed to the inquiry"
    """

    from dashboard.evidence.case import CUSTODY, CaseProblem, add_entry, head_of, read_custody

    if not (folder / CUSTODY).is_file():
        raise CaseProblem(f"{folder} has no {CUSTODY}: not a case that underair 0.4.0 or later made")
    try:
        add_entry(folder, "noted", text, head_of(folder), datetime.now(UTC))
    except OSError as error:
        raise CaseProblem(f"cannot write into {folder / CUSTODY}: {system_sentence(error)}") from None
    entries, _, last = read_custody(folder)
    echo(f"{folder / CUSTODY}: {counted(len(entries), 'line')}, last {last}")


def _end_with_state(state: ArchiveState, what: str) -> None:
    """End a verb; where the archive was not whole, say so, and end with 3."""
    end_short_command()
    if state.whole:
        return
    echo(f"underair: the archive is incomplete, and {what} says so", err=True)
    sys.exit(INCOMPLETE)


@click.command()
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.option(
    "--again", is_flag=True, help="A case: also compute every table and the report again, and compare."
)
@click.option("--expect", metavar="HEAD", help="The head that was noted elsewhere.")
@click.option("--signers", metavar="FILE", type=_FILE, help="A case: allowed signers (ssh-keygen).")
@click.option("--tsa", metavar="PEM", type=_FILE, help="A case: root certificates of the time stamp.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object.")
def verify(
    folder: ArchivePath,
    again: bool,
    expect: str | None,
    signers: Path | None,
    tsa: Path | None,
    as_json: bool,
) -> None:
    """Compare a case folder, or an archive, with its list of hashes.

    It names each file or part that is altered, truncated, missing or added; then the exit code is 1. It
    prints heads. Note them elsewhere: with --expect they show whether anything was replaced or rolled back.

    \b
    Example:
        underair verify case --again --signers allowed_signers
    """

    from dashboard.evidence.case_check import is_case, note_opened, verify_case

    if place_of(folder).is_shared or not is_case(case := local(folder)):
        _verify_archive(folder, expect, as_json)
        return
    found = verify_case(case, again, expect, signers, tsa)
    unnoted = note_opened(case, found, datetime.now(UTC))
    if as_json:
        echo(json.dumps({name: getattr(found, name) for name in ("files", "head", "faults", "said")}))
    else:
        for line in (*found.faults, *found.said, unnoted):
            if line:
                echo(line)
        echo(f"head: {found.head}")
        verdict = "whole" if not found.faults else counted(len(found.faults), "fault")
        echo(f"{verdict}: a case of {counted(found.files, 'file')}")
    if found.faults:
        sys.exit(1)


def _verify_archive(folder: ArchivePath, expect: str | None, as_json: bool) -> None:
    from dashboard.access.log import read_log
    from dashboard.evidence.heads import compared_with_memory
    from dashboard.privacy.holds import hold_log
    from dashboard.trends.releases import faults as releases_faults
    from ingest.archive.imports import read_imports
    from ingest.archive.parts import is_archive
    from ingest.archive.store import work_folder
    from ingest.keeping_commands import print_verified
    from ingest.receipt_clock import read_clock_sets

    if not is_archive(folder):
        raise ArchiveProblem(
            f"{folder} is neither a case nor an archive: it has no bagit.txt, case.json, manifest or "
            "journal; name the folder that `underair case`, `listen` or `import` wrote"
        )
    # Who did what, and what is held, are chains of their own, which ingest knows nothing of.
    here = work_folder(folder)
    looks, holds, (brought, wrong, _) = read_log(here), hold_log(folder), read_imports(folder)
    releases, gaps = releases_faults(here)
    clock_sets, altered = read_clock_sets(folder)
    broken: list[str] = []
    for what, lines, noun, faults in (
        ("access log", len(looks[0]), ("entry", "entries"), looks[1]),
        ("holds", len(holds[0]), ("entry", "entries"), holds[1]),
        ("imports", len(brought), ("capture",), wrong),
        ("clocks of listeners", len(clock_sets), ("line",), altered),
        ("releases", releases, ("line",), gaps),
    ):
        if lines:
            echo(f"{what}: {counted(lines, *noun)}, {counted(len(faults), 'fault')}", err=True)
        broken += faults
    said, faults = compared_with_memory(folder, expect)
    broken += faults
    for fault in broken:
        echo(fault, err=as_json)
    for line in said:
        echo(line, err=True)
    if not print_verified(folder, as_json, len(broken)) or broken:
        sys.exit(1)


@click.command()
@click.argument("folder", metavar="DIR", type=_FOLDER)
@click.option("--broker", metavar="URL", help="Also publish them: mqtt://HOST:PORT, or mqtts:// for TLS.")
@login_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each chain.")
def heads(folder: ArchivePath, broker: str | None, config: Path | None, as_json: bool) -> None:
    """Print the heads of an archive, one line for each chain, to publish each day.

    A head is a hash of everything that was sealed until then. Whoever has it can check later that nothing was
    changed or rolled back: underair verify DIR --expect HEAD. With --broker each head is also published as a
    retained message on underair/heads/v1/CHAIN.

    \b
    Example, every night:
        underair heads archive --broker mqtt://127.0.0.1:1883 >> heads.txt
    """

    from dashboard.evidence.heads import HEADS_TOPIC, heads_of
    from ingest.archive.parts import require_archive

    require_archive(folder)
    found = heads_of(folder, datetime.now(UTC))
    for one in found:
        echo(msgspec.json.encode(one).decode() if as_json else one.sentence())
    if broker:
        from ingest.broker.mqtt import Publisher
        from ingest.settings import load_login

        with Publisher(broker, login=load_login(config)) as publisher:
            for one in found:
                publisher.publish(f"{HEADS_TOPIC}/{one.chain}", msgspec.json.encode(one), retain=True)
        echo(f"published {counted(len(found), 'head')}", err=True)
