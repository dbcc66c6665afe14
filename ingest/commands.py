"""The verbs `listen`, `import`, `replay` and `check`."""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.archive.store import ArchivePath
from ingest.contract.errors import BadCapture
from ingest.logs import Form, log_to_stderr
from ingest.plurals import counted
from ingest.shared_options import (
    archive_option,
    broker_option,
    config_option,
    log_options,
    login_option,
    metrics_option,
)
from ingest.shown_text import echo
from ingest.stopping import stopped_by_signal
from ingest.talk import INCOMPLETE, Telling, counts_sentence, progress_of

if TYPE_CHECKING:
    from ingest.archive.writing import Health
    from ingest.broker.mqtt import Publisher
    from ingest.checking import Checked, Voice
    from ingest.contract.captures import BadLine, Heard

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_LOG = click.Path(exists=True, path_type=Path, allow_dash=True)
new_archive_option = archive_option(
    must_exist=False, says="Folder of the archive, created if missing; or s3://BUCKET/PREFIX."
)


@click.command()
@broker_option
@new_archive_option
@config_option("Settings in TOML; ingest/settings.example.toml shows all.")
@click.option(
    "--mapping",
    "mappings",
    multiple=True,
    type=_FILE,
    help="Reads sets that publish other JSON: see ingest/mapping/examples. The archive keeps it.",
)
@metrics_option
@log_options
def listen(
    broker: str,
    archive: ArchivePath,
    config: Path | None,
    mappings: tuple[Path, ...],
    metrics: str | None,
    log_form: Form,
    log_level: str,
) -> None:
    """Receive from a broker into an archive until Ctrl-C or SIGTERM.

    User and password come from UNDERAIR_MQTT_USERNAME and UNDERAIR_MQTT_PASSWORD, or from the settings.

    \b
    Example:
        underair listen --broker mqtt://127.0.0.1:1883 --archive archive
    """

    from ingest.archive.folder import create_archive
    from ingest.archive.mappings import keep_mapping
    from ingest.leaving import idle_listeners
    from ingest.listener import Listener
    from ingest.service_manager import ServiceManager
    from ingest.settings import Settings, load_settings

    settings = Settings() if config is None else load_settings(config)
    for mapping in mappings:
        keep_mapping(create_archive(archive), mapping)
    log_to_stderr(log_form, log_level)
    telling = Telling(log=log_form == "json")
    for warning in idle_listeners(archive, settings.name, datetime.now(UTC)):
        telling.say(warning)
    listener = Listener(broker, archive, settings, say=telling.say)
    manager = ServiceManager()

    def look(health: Health) -> None:
        telling.look(health)
        manager.ready()
        manager.alive(listener.why_not_alive())

    with stopped_by_signal() as stop, ExitStack() as answering:
        if metrics is not None:
            from ingest.operations import Operations, listener_metrics

            why_not = listener.why_not_alive, listener.why_not_ready
            answering.enter_context(
                Operations(metrics, lambda: listener_metrics([listener.status]), *why_not)
            )
        counts = listener.run(stop, look)
    echo(counts_sentence(counts))


@click.command(name="import")
@click.argument("logs", metavar="LOG...", nargs=-1, required=True, type=_LOG)
@new_archive_option
@click.option(
    "--mapping",
    type=_FILE,
    help="Reads other JSON: see ingest/mapping/examples. The archive keeps it. "
    "For CSV: ingest/memory_mapping.example.toml.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the counts as one JSON object.")
def import_captures(
    logs: tuple[Path, ...], archive: ArchivePath, mapping: Path | None, as_json: bool
) -> None:
    """Import captures (.ndjson, .ndjson.gz, .ndjson.zst) into an archive.

    If LOG is `-`, it reads standard input: capture lines, or a topic and its payload on each line. If LOG is
    an archive, it imports everything that archive received. With --mapping, LOG can hold other people's JSON,
    or be a set's own memory (.csv), which fills in what the radio lost.

    Messages that the archive has already are counted as duplicates and left out. If another listener heard
    the same messages on a different clock, the receipt times are corrected and the original ones are kept.
    Refused messages are kept with the reason in the archive's table `refused`; then the exit code is 3.

    \b
    Example:
        underair import sample_logs/cooperage_fire.ndjson.gz --archive archive
    """
    from ingest.archive.folder import create_archive
    from ingest.archive.mappings import keep_mapping
    from ingest.given_input import capture_of
    from ingest.importing import Imported, import_capture
    from ingest.memory import import_memory, load_mapping

    done = Imported()
    if mapping is not None and any(log.suffix != ".csv" for log in logs):
        keep_mapping(create_archive(archive), mapping)
    for log in logs:
        if log.suffix == ".csv":
            if mapping is None:
                raise BadCapture(
                    f"{log.name}: a CSV file needs --mapping; ingest/memory_mapping.example.toml shows how"
                )
            done += import_memory(log, load_mapping(mapping), archive, datetime.now(UTC))
            continue
        with capture_of(log) as capture, progress_of(f"importing {log.name}") as progress:
            one = import_capture(capture, archive, progress)
        if not one.counts.received:
            echo(f"underair: {log} holds no message", err=True)
        done += one
    counts = done.counts
    for sentence in done.clocks:
        echo(sentence, err=True)
    echo(json.dumps(asdict(counts)) if as_json else counts_sentence(counts))
    for reason, times in done.reasons.most_common(5):
        echo(f"refused {times} times: {reason}" if times > 1 else f"refused: {reason}", err=True)
    if counts.refused:
        if len(done.reasons) > 5:
            echo(f"and {len(done.reasons) - 5} other reasons", err=True)
        echo(f"refused messages are kept in {archive / 'refused'}, with reason and path", err=True)
        sys.exit(INCOMPLETE)


@click.command()
@click.argument("log", type=_LOG)
@broker_option
@click.option(
    "--mapping", type=_FILE, help="Publish the messages that this mapping makes, not the objects themselves."
)
@click.option(
    "--speed",
    default=1.0,
    show_default=True,
    type=click.FloatRange(min=0, min_open=True),
    help="How many times as fast as it was received. Live rates and forecasts are right only at 1.",
)
@login_option
@click.option("--json", "as_json", is_flag=True, help="Print the counts as one JSON object.")
def replay(
    log: Path, broker: str, mapping: Path | None, speed: float, config: Path | None, as_json: bool
) -> None:
    """Publish a capture to a broker at the pace at which it was received.

    The times in the messages stay as recorded. If LOG is `-`, it reads standard input. If LOG is
    an archive, it publishes everything that archive received.

    \b
    Example:
        underair replay sample_logs/late_turn_back.ndjson.gz --broker mqtt://127.0.0.1:1883
    """
    from ingest.broker.mqtt import Publisher
    from ingest.contract.captures import BadLine, read_capture
    from ingest.given_input import capture_of
    from ingest.mapping.mapper import Mapper, mapped_lines
    from ingest.mapping.rules import load_mapping
    from ingest.settings import load_login

    not_mapped: list[str] = []

    def mapped(heard: Iterator[Heard]) -> Iterator[Heard]:
        for line in mapped_lines(heard, mapper):
            if isinstance(line, BadLine):
                not_mapped.append(line.reason)
            else:
                yield line

    mapper = Mapper([] if mapping is None else [load_mapping(mapping)])
    with (
        stopped_by_signal() as stop,
        capture_of(log) as capture,
        Publisher(broker, login=load_login(config)) as publisher,
        progress_of(f"replaying {log.name}") as progress,
    ):
        published, left_out = replayed(
            mapped(read_capture(capture)), publisher, speed=speed, stop=stop, progress=progress
        )
    told = {"published": published, "left_out": left_out, "not_mapped": len(not_mapped)}
    echo(json.dumps(told) if as_json else f"published {published:,}")
    if not_mapped:
        echo(f"{counted(len(not_mapped), 'value')} could not be mapped; the first: {not_mapped[0]}", err=True)
    if left_out:
        echo(f"left out {counted(left_out, 'message')}: MQTT lets nobody publish to that topic", err=True)
    if left_out or not_mapped:
        sys.exit(INCOMPLETE)


def publishable(topic: str) -> bool:
    """Return whether MQTT allows a topic to be published to."""
    try:
        length = len(topic.encode())
    except UnicodeEncodeError:
        return False
    return 0 < length <= 65_535 and not set("+#\0") & set(topic)


def replayed(
    heard: Iterable[Heard],
    publisher: Publisher,
    *,
    speed: float,
    stop: threading.Event,
    progress: Callable[[int], object] = int,
) -> tuple[int, int]:
    """Publish messages in the rhythm in which they were received.

    - `heard`: payloads go out verbatim: their times stay those of the recording.
    - `speed`: 2 is twice as fast.

    Returns messages published, and messages left out because MQTT allows no such topic.
    """
    from ingest.contract.kinds import RETAINED_KINDS

    published = left_out = 0
    first: datetime | None = None
    began = time.monotonic()
    for message in heard:
        if first is None:
            first = message.received
        due = began + (message.received - first).total_seconds() / speed
        wait_s = due - time.monotonic()
        if (wait_s > 0 and stop.wait(wait_s)) or stop.is_set():
            break
        if not publishable(message.topic):
            left_out += 1
            continue
        retain = message.retained or message.topic.rpartition("/")[2] in RETAINED_KINDS
        publisher.publish(message.topic, message.payload, retain=retain)
        published += 1
        progress(published)
    return published, left_out


@click.command(short_help="Check a capture, message by message, against the contract.")
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path, allow_dash=True))
@click.option("--mapping", type=_FILE, help="Reads sets with other JSON: see ingest/mapping/examples.")
@click.option("--show", is_flag=True, help="Print the messages that the mapping makes, as capture lines.")
@click.option("--json", "as_json", is_flag=True, help="Print all of it as one JSON object.")
def check(log: Path, mapping: Path | None, show: bool, as_json: bool) -> None:
    """Check a capture, message by message, against the contract; for makers of sets and gateways.

    Nothing is stored. It says what underair would refuse, and where in the message. It also says what
    underair accepts but would prefer in another form: identities used twice, counters that run backwards,
    fields that the contract does not name, clocks that are off. The exit code is 3 when something would be
    refused.

    \b
    Example: underair check sample_logs/bad_messages.ndjson
    A capture of your own broker, with mosquitto's client:
        TZ=UTC mosquitto_sub -q 1 -t 'underair/v1/#' \\
          -F '{"received":"@Y-@m-@dT@H:@M:@SZ","topic":"%t","payload":%p}' > mine.ndjson
    The messages that a mapping makes, straight from the broker:
        mosquitto_sub -v -C 20 -t 'bench7/#' | underair check - --mapping mine.toml --show
    """
    from ingest.checking import check as look_at
    from ingest.contract.captures import read_lines
    from ingest.given_input import capture_of
    from ingest.mapping.mapper import Mapper, mapped_lines
    from ingest.mapping.rules import load_mapping

    mapper = Mapper([] if mapping is None else [load_mapping(mapping)])
    with capture_of(log) as capture, progress_of(f"checking {log.name}") as progress:
        lines = mapped_lines(read_lines(capture), mapper)
        checked = look_at(_shown(lines) if show else lines, progress)
    if not checked.messages:  # a test bench must not take silence for success
        raise BadCapture(f"{log} holds no message: nothing was checked; was the set or the broker silent?")
    if as_json:
        echo(json.dumps(asdict(checked), ensure_ascii=False))
    else:
        for line in mapper.flag_lines():
            echo(line)
        _print_checked(checked)
    if checked.refused:
        sys.exit(INCOMPLETE)


def _shown(lines: Iterable[Heard | BadLine]) -> Iterator[Heard | BadLine]:
    from ingest.contract.captures import Heard, capture_line

    for line in lines:
        if isinstance(line, Heard) and line.topic.startswith("underair/"):
            echo(capture_line(line).decode(), nl=False)
        yield line


def _print_checked(checked: Checked) -> None:
    for remark in checked.remarks:
        where = f"message {remark.number}" if remark.number else "all of it"
        path = f" (at {remark.path})" if remark.path else ""
        times = f" [{remark.times:,} times]" if remark.times > 1 else ""
        echo(f"{remark.weight:7}  {where}, {remark.topic or 'no topic'}: {remark.what}{path}{times}")
    if checked.remarks:
        echo()
    for voice in checked.speakers:
        echo(_line_of(voice))
    advice = len(checked.remarks) - checked.refused
    echo(
        f"{counted(checked.messages, 'message')}: {checked.refused:,} would be refused; "
        f"pieces of advice: {advice:,}"
    )


def _line_of(voice: Voice) -> str:
    kinds = ", ".join(
        f"{count:,} {kind}" + (f" every {voice.every_s[kind]:g} s" if kind in voice.every_s else "")
        for kind, count in sorted(voice.kinds.items(), key=lambda each: -each[1])
    )
    clock = "" if voice.clock_fast_s is None else f"; clock {voice.clock_fast_s:+,.1f} s"
    missing = f"; {voice.missing:,} did not arrive" if voice.missing else ""
    ups = f"; {voice.power_ups} power-ups" if voice.power_ups > 1 else ""
    return f"{voice.service} {voice.speaker} {voice.speaker_id}: {kinds}{ups}{missing}{clock}"
