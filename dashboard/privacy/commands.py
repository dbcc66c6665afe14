"""The verbs `wearer`, `register`, `retain` and `hold`: what is kept about one person, and for how long."""

import getpass
import json
from dataclasses import asdict
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import click

from analysis.commands import profile_option
from ingest.archive.store import ArchivePath
from ingest.contract.errors import UnderairError
from ingest.plurals import counted
from ingest.shared_options import OutPath, archive_option, is_stdout, print_bytes
from ingest.shown_text import echo
from ingest.talk import remark


@click.command()
@click.argument("wearer_id", metavar="WEARER")
@archive_option()
@click.option(
    "--out", required=True, metavar="DIR", type=OutPath(file_okay=False, path_type=Path), help="A new folder."
)
@profile_option()
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def wearer(wearer_id: str, archive: ArchivePath, out: Path, profile: str | None, as_json: bool) -> None:
    """Write everything that is kept about one wearer: messages, tables, who looked.

    \b
    Example: underair wearer W-07 --archive archive --out about-W-07
    """

    from analysis.profile import load_profile
    from dashboard.privacy.wearer_record import write_wearer_record

    written = write_wearer_record(archive, load_profile(profile), wearer_id, out, datetime.now(UTC))
    if as_json:
        echo(json.dumps(written))
    counts = f"{counted(written['wears'], 'wear')}, {counted(written['messages'], 'message')}"
    remark(f"underair: {out}: {counts}, {counted(written['looks'], 'look')} at the record")


@click.command()
@archive_option()
@profile_option(required=True, says="Doctrine profile in TOML: [retention] identity_months.")
@click.option("--apply", is_flag=True, help="Remove the names; without it, only say which.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as one JSON object.")
def retain(archive: ArchivePath, profile: str, apply: bool, as_json: bool) -> None:
    """Remove wearers' names from old incidents; keep the evidence, and everything under hold.

    An incident is old when its last message came more than the profile's identity_months ago. In each
    incident, each wearer gets a random name, whose key is deleted. A name can remain in free texts and
    outside the archive: see dashboard/docs/service.md. Without --apply it changes nothing.

    \b
    Example, with a profile of your own (analysis/docs/profile.md shows one) that says
        [retention]
        identity_months = 36
    and then:
        underair retain --archive archive --profile our-service.toml
    """

    import polars as pl

    from analysis.profile import load_profile
    from dashboard.privacy.holds import holds
    from dashboard.privacy.register import keep_before_dropping, registered
    from ingest.archive.retention import retain as drop_names

    doctrine = load_profile(profile)
    months = doctrine.retention.identity_months
    if months == 0:
        echo(
            f"underair: profile {doctrine.name} keeps names for ever ([retention] identity_months = 0): "
            "nothing to drop",
            err=True,
        )
        return
    now = datetime.now(UTC)
    cut_off = pl.select(pl.lit(now).dt.offset_by(f"-{months}mo")).item()
    done = drop_names(
        archive,
        cut_off,
        lambda: holds(archive),
        f"profile {doctrine.name}, identity_months {months}",
        now.date(),
        apply=apply,
        keep=partial(keep_before_dropping, archive, doctrine, now),
    )
    if apply:
        registered(archive, doctrine, now)  # now that the names are gone, its lines must lead nowhere
    if as_json:
        echo(json.dumps({"cut_off": f"{cut_off:%Y-%m-%dT%H:%M:%SZ}", **asdict(done)}))
        return
    for incident_id in done.incidents:
        echo(incident_id)
    for incident_id in done.held:
        echo(f"{incident_id} is under hold: untouched")
    for incident_id in done.waiting:
        echo(f"{incident_id} has messages that are not sealed yet: untouched")
    echo(
        f"{'dropped' if apply else 'would be dropped (--apply does it)'}: {counted(done.wearers, 'name')} in "
        f"{counted(done.messages, 'message')} of {counted(len(done.incidents), 'incident')}, "
        f"silent since before {cut_off:%Y-%m-%d}"
    )
    echo(
        "messages of sets stay as they are: the free text of an alarm (`detail`), a field of the set's own "
        "or an object that a mapping read (`originals`) may still name a wearer",
        err=True,
    )


@click.command()
@archive_option()
@click.option(
    "--out",
    required=True,
    metavar="FILE",
    type=OutPath(dir_okay=False, allow_dash=True, path_type=Path),
    help="A CSV file; - prints it on standard output.",
)
@click.option("--wearer", "wearer_id", metavar="WEARER", default="", help="One wearer only.")
@profile_option()
@click.option("--json", "as_json", is_flag=True, help="Print how many people it has as JSON.")
def register(archive: ArchivePath, out: Path, wearer_id: str, profile: str | None, as_json: bool) -> None:
    """Write the exposure register: what each wearer was exposed to, by year, for occupational health.

    It keeps names for the profile's register_years, even those that `retain` drops elsewhere. The access
    log notes who read it.

    \b
    Example: underair register --archive archive --out register.csv
    """

    from analysis.profile import load_profile
    from analysis.tables import formula_safe
    from dashboard.access.log import AccessLog
    from dashboard.privacy.register import by_person, registered
    from dashboard.privacy.wearer_record import EVERYBODY

    printed = is_stdout(out, as_json)
    _, lines = registered(archive, load_profile(profile), datetime.now(UTC))
    table = by_person(lines, wearer_id)
    if not AccessLog(archive).write("register", wearer_id or EVERYBODY, account=getpass.getuser()):
        raise UnderairError(f"the access log of {archive} cannot be written: the register was not opened")
    text = formula_safe(table).write_csv(float_precision=3)
    if printed:
        print_bytes(text.encode())
    else:
        out.write_text(text, encoding="utf-8")
    people = table["wearer_id"].n_unique()
    if as_json:
        echo(json.dumps({"people": people, "rows": table.height, "file": str(out)}))
    remark(f"underair: {out}: the register of {counted(people, 'wearer')}; it contains health data")


@click.command()
@archive_option()
@click.option("--incident", metavar="ID", help="The incident; without it, the holds are listed.")
@click.option("--reason", metavar="TEXT", help="Why, and who decided; the log keeps it.")
@click.option("--release", is_flag=True, help="End the hold.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print the holds in force and the head as one JSON object."
)
def hold(
    archive: ArchivePath, incident: str | None, reason: str | None, release: bool, as_json: bool
) -> None:
    """Put an incident under hold: `retain` changes nothing of it until the hold is released.

    Every hold and release is a line in the chained log DIR/holds; `underair verify` checks it. Note
    the printed head on another machine or on paper: it shows later whether lines were cut off the end.

    \b
    Example: underair hold --archive archive --incident TH-20310504-1912 --reason "inquiry 7"
    """
    from dashboard.privacy.holds import HOLDS, hold_log, holds, set_hold
    from ingest.archive.parts import require_archive

    require_archive(archive)
    if incident is None and (reason is not None or release):
        raise click.UsageError("Name the incident: --incident ID.")
    if incident is not None and reason is None:
        raise click.UsageError("Say why: --reason TEXT.")
    if incident is not None and reason is not None:
        set_hold(archive, incident, reason, release=release)
    if as_json:
        told = {entry: one.as_row() for entry, one in holds(archive).items()}
        echo(json.dumps({"holds": told, "head": hold_log(archive)[2]}))
        return
    if incident is None:
        held = holds(archive)
        for entry in held.values():
            echo(f"{entry.target} (since {entry.at:%Y-%m-%d %H:%M} UTC, {entry.account})")
        if not held:
            echo("no incident is under hold", err=True)
    else:
        echo(f"{incident} is {'released from' if release else 'under'} hold")
    echo(f"head of {HOLDS}: {hold_log(archive)[2]}", err=True)
