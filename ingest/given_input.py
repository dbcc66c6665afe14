"""Read what a verb is given: a file, standard input, or what an archive received.

Standard input has capture lines, or a topic and its payload a line. The second is what MQTT clients print,
such as ``mosquitto_sub -v``; its messages are received when they are read. A capture may be packed, as its
file is.
"""

import itertools
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from ingest.archive.parts import day_folders, day_of, require_archive
from ingest.archive.reading import Archive
from ingest.archive.sealing import made_by_a_mapping
from ingest.contract.captures import LONGEST_LINE_BYTES, Heard, capture_line, write_capture
from ingest.contract.columns import TABLES
from ingest.contract.frames import heard_of

# A magic number shows how a capture is packed: standard input has no name that ends in .gz.
_PACKED = {b"\x1f\x8b": ".gz", b"\x28\xb5\x2f\xfd": ".zst"}


@contextmanager
def as_capture(lines: Iterable[bytes], now: Callable[[], datetime]) -> Iterator[Path]:
    """Give a capture file of what comes in, for as long as it is needed.

    - `lines`: capture lines stay as they are, faulty ones too. Any other line is a topic, a space and the
      payload. The bytes of a packed capture stay as they are.
    """
    lines = iter(lines)
    first = next(lines, b"")
    lines = itertools.chain([first] if first else [], lines)
    packed = next((end for magic, end in _PACKED.items() if first.startswith(magic)), "")
    with tempfile.TemporaryDirectory(prefix="underair-") as folder:
        capture = Path(folder) / f"standard-input.ndjson{packed}"
        with capture.open("wb") as file:
            if packed:
                file.writelines(lines)
            for line in lines:
                line = line.rstrip(b"\r\n")
                topic, space, payload = line.partition(b" ")
                if line.startswith(b"{") or not space or len(line) > LONGEST_LINE_BYTES:
                    file.write(line + b"\n")
                else:
                    file.write(capture_line(Heard(now(), topic.decode(errors="replace"), payload)))
        yield capture


def as_received(folder: Path) -> Iterator[Heard]:
    """Yield what an archive received, by time of receipt: originals instead of what a mapping made of them.

    Raises `ArchiveProblem` when the archive cannot be read.
    """
    archive = Archive(folder)
    days = sorted({day_of(each) for table in TABLES for each in day_folders(archive.folder, table)})
    for day in days:
        since = datetime(day.year, day.month, day.day, tzinfo=UTC)
        messages = archive.messages(since, since + timedelta(days=1))
        originals = messages["originals"]
        made = made_by_a_mapping(originals)
        lots = []
        for table in TABLES:
            frame = messages[table]
            if table == "refused":
                # What was refused of an original comes again with the original.
                frame = frame.join(
                    originals, on=["received", "topic", "payload"], how="anti", nulls_equal=True
                )
            if table != "originals":
                frame = frame if made is None else frame.filter(~made)
                frame = frame.with_columns(pl.col("payload").cast(pl.Binary))
            lots.append(frame.select("received", "topic", "payload", "retained"))
        whole = pl.concat(lots).sort("received", maintain_order=True)
        yield from map(heard_of, whole.with_columns(pl.col("received").dt.epoch("us")).iter_rows())


@contextmanager
def capture_of(log: Path) -> Iterator[Path]:
    """Give a capture file: the log itself, standard input for ``-``, or what an archive received."""
    if log.is_dir():
        require_archive(log)
        with tempfile.TemporaryDirectory(prefix="underair-") as folder:
            capture = Path(folder) / "received.ndjson.zst"
            write_capture(capture, as_received(log))
            yield capture
        return
    if log != Path("-"):
        yield log
        return
    with as_capture(sys.stdin.buffer, lambda: datetime.now(UTC)) as capture:
        yield capture
