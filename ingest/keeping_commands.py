"""The verbs that look after an archive and its broker, `tidy` and `check-broker`; what `verify` prints."""

import json
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click
import msgspec

from ingest.archive.store import ArchivePath
from ingest.plurals import counted
from ingest.shared_options import archive_option, broker_option, login_option
from ingest.shown_text import echo
from ingest.stopping import stopped_by_signal


@click.command()
@archive_option()
@click.option("--json", "as_json", is_flag=True, help="Print the figures as one JSON object.")
def tidy(archive: ArchivePath, as_json: bool) -> None:
    """Merge the small parts of finished days into one part for each day and kind.

    Readers and listeners can continue. It leaves today's parts (UTC) alone. It updates the index, which
    finds one incident among years. You can delete the index: it is rebuilt.

    \b
    Example:
        underair tidy --archive archive
    """

    from ingest.archive.index import ArchiveIndex
    from ingest.archive.parts import require_archive
    from ingest.archive.tidying import quarantine_sentence
    from ingest.archive.tidying import tidy as bring_in_order

    require_archive(archive)
    done = bring_in_order(archive, datetime.now(UTC))
    ArchiveIndex(archive).bring_up_to_date()
    if done.quarantined:
        echo(f"underair: {quarantine_sentence(archive, done.quarantined)}", err=True)
    if as_json:
        echo(json.dumps(asdict(done)))
    elif not done.rows:
        echo(f"nothing to merge: {counted(done.parts_after, 'part')} as they were")
    else:
        echo(
            f"merged {counted(done.parts_before, 'part')} into {done.parts_after:,}: "
            f"{counted(done.rows, 'row')} kept, {counted(done.duplicates, 'duplicate')} left out"
        )


def print_verified(archive: ArchivePath, as_json: bool, others: int = 0) -> bool:
    """Compare an archive with its manifest, print what was found, and return whether it is whole.

    `others`: faults that were found elsewhere in it.
    """
    from ingest.archive.verifying import verify

    found = verify(archive)
    if as_json:
        echo(msgspec.json.encode(asdict(found)).decode())
    else:
        for fault in found.faults:
            echo(fault)
        for writer, head in found.heads.items():
            echo(f"head of {writer}: {head}")
        faults = len(found.faults) + others
        verdict = counted(faults, "fault") if faults else "whole"
        echo(
            f"{verdict}: {counted(found.parts, 'part')} with {counted(found.rows, 'row')} as they were "
            f"sealed, {counted(found.unsealed, 'message')} not yet sealed"
        )
    return not found.faults


@click.command()
@broker_option
@archive_option()
@login_option
@click.option("--json", "as_json", is_flag=True, help="Print the counts as one JSON object.")
def leave(broker: str, archive: ArchivePath, config: Path | None, as_json: bool) -> None:
    """Retire a listener for good: receive what waits for it, and end its session at the broker.

    Stop it first. A stopped listener keeps its session; in a shared group the broker still sends it
    messages. --config names its settings.

    \b
    Example:
        underair leave --broker mqtt://127.0.0.1:1883 --archive archive --config second.toml
    """
    from ingest.leaving import leave as retire
    from ingest.settings import Settings, load_settings
    from ingest.talk import counts_sentence

    settings = Settings() if config is None else load_settings(config)
    with stopped_by_signal() as stop:
        counts = retire(broker, archive, settings, lambda text: echo(f"underair: {text}", err=True), stop)
    said = f"{settings.name} is retired; what waited for it: {counts_sentence(counts)}"
    echo(json.dumps(asdict(counts)) if as_json else said)


@click.command(name="check-broker")
@click.argument("url", metavar="URL")
@click.option(
    "--messages",
    default=5000,
    show_default=True,
    type=click.IntRange(min=1),
    help="How many the broker must keep for an absent listener.",
)
@login_option
@click.option("--json", "as_json", is_flag=True, help="Print the findings as one JSON list.")
def check_broker(url: str, messages: int, config: Path | None, as_json: bool) -> None:
    """Test a live broker, and say which messages it would lose.

    Under underair/check/ it tries delivery, retained messages (also by wildcard), redelivery, and what the
    broker keeps for a listener that is away. It uses the MQTT version of the settings (3.1.1 without
    settings). The exit code is 1 when something would be lost. What a crash of the broker itself loses cannot
    be tried from outside; ingest/broker_example explains the settings that matter.

    \b
    Example:
        underair check-broker mqtt://127.0.0.1:1883
    """
    from ingest.broker.broker_check import Trial, check_broker
    from ingest.settings import load_login, load_settings

    def tell(trial: Trial) -> None:
        if not as_json:
            echo(f"{'well' if trial.well else 'LOSS'}: {trial.name}: {trial.statement}")

    findings = check_broker(
        url,
        messages=messages,
        login=load_login(config),
        mqtt5=config is not None and load_settings(config).broker.protocol == "5",
        tell=tell,
    )
    if as_json:
        echo(json.dumps([asdict(finding) for finding in findings]))
    if not all(finding.well for finding in findings):
        sys.exit(1)
