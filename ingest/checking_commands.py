"""The verb `check`: shows makers of sets and gateways what is wrong in their messages."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.commands import capture_of
from ingest.plurals import counted
from ingest.shown_text import echo
from ingest.talk import INCOMPLETE

if TYPE_CHECKING:
    from ingest.checking import Checked, Voice
    from ingest.contract.captures import BadLine, Heard

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_FILE_OR_DASH = click.Path(exists=True, dir_okay=False, path_type=Path, allow_dash=True)


@click.command(short_help="Check a capture, message by message, against the contract.")
@click.argument("log", type=_FILE_OR_DASH)
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
    from ingest.contract.errors import BadCapture
    from ingest.mapping.mapper import Mapper, mapped_lines
    from ingest.mapping.rules import load_mapping
    from ingest.talk import progress_of

    mapper = None if mapping is None else Mapper([load_mapping(mapping)])
    with capture_of(log) as capture, progress_of(f"checking {log.name}") as progress:
        lines = read_lines(capture)
        if mapper is not None:
            lines = mapped_lines(lines, mapper)
        if show:
            lines = _shown(lines)
        checked = look_at(lines, progress)
    if not checked.messages:  # a test bench must not take silence for success
        raise BadCapture(f"{log} holds no message: nothing was checked; was the set or the broker silent?")
    if as_json:
        echo(json.dumps(asdict(checked), ensure_ascii=False))
    else:
        _print(checked)
    if checked.refused:
        sys.exit(INCOMPLETE)


def _shown(lines: Iterable[Heard | BadLine]) -> Iterator[Heard | BadLine]:
    from ingest.contract.captures import Heard, capture_line

    for line in lines:
        if isinstance(line, Heard) and line.topic.startswith("underair/"):
            echo(capture_line(line).decode(), nl=False)
        yield line


def _print(checked: Checked) -> None:
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
