"""Import captures: leave out what is there, refuse what is wrong, correct another clock."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import polars as pl

from ingest.archive.folder import Counts, create_archive
from ingest.archive.imports import Brought, keep_import, keep_receipts, read_imports
from ingest.archive.mapped_journal import mapper_of
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.archive.store import ArchivePath, file_sha256
from ingest.contract.captures import BadLine, Heard, read_lines, require_file
from ingest.contract.errors import ArchiveProblem, BadCapture, RefusedMessage, system_sentence
from ingest.contract.fields import speaker_field
from ingest.contract.frames import FrameBuilder, Messages
from ingest.contract.kinds import KINDS
from ingest.contract.times import EPOCH, micros, rfc3339
from ingest.receipt_jumps import NEAR_LINES, find_jumps

CHUNK_MESSAGES = 200_000
CHUNK_BYTES = 256 * 1024 * 1024  # of lines and payloads: long ones come in smaller chunks


@dataclass
class Imported:
    """What became of an imported capture."""

    counts: Counts = field(default_factory=Counts)
    reasons: Counter[str] = field(default_factory=Counter)  # why messages were refused, and how often
    # Of each capture whose listener's clock was another than the archive's: what was done, in words.
    clocks: list[str] = field(default_factory=list)

    def __add__(self, other: Imported) -> Imported:
        return Imported(
            self.counts + other.counts, self.reasons + other.reasons, [*self.clocks, *other.clocks]
        )


def import_capture(
    path: str | Path, archive: str | ArchivePath, progress: Callable[[int], object] = int
) -> Imported:
    """Bring a capture into an archive.

    `archive`: made when it is not there. Its mappings read the topics that they name.

    A line that holds no message counts as refused. Importing the same capture again keeps nothing and
    changes nothing: what was kept counts as duplicates then, and what was refused counts as refused again.
    Where another listener heard the same messages on another clock, the capture's times of receipt are put on
    the archive's clock, so that no clock seems to jump; its own are kept beside (`ingest.archive.imports`).
    Where its listener's clock was set meanwhile, later times of receipt go on from the earlier clock.

    Raises `BadCapture` when the file cannot be read at all; `ArchiveProblem` when the archive cannot be
    written.
    """
    path = Path(path)
    require_file(path)
    folder = create_archive(archive)
    cannot = f"the archive {folder} cannot be written"
    try:
        digest = file_sha256(path)
    except OSError as error:
        raise BadCapture(f"{path} cannot be read: {error.strerror}") from error
    name = f"import-{digest[:16]}"
    done = Imported()
    brought, apart = Brought(at=datetime.now(UTC), file=path.name, sha256=digest), None
    is_new = all(one.sha256 != digest for one in read_imports(folder)[0])
    mapper = mapper_of(folder)
    lines = read_lines(path)
    received = EPOCH
    chunk = 0
    before: list[Heard | BadLine] = []
    while items := _chunk(lines):
        builder = FrameBuilder(mapper)
        jumps = {one.line: one for one in find_jumps([*before, *items])}
        for line, item in enumerate(items, len(before)):
            if line in jumps:
                brought.jumps.append((jumps[line].at, jumps[line].seconds))
            if isinstance(item, BadLine):
                refusal = RefusedMessage(f"{path.name}: {item.reason}", f"line {item.number}")
                builder.refuse(micros(received), "", item.line, False, refusal)
            else:
                received = item.received - timedelta(seconds=sum(by_s for _, by_s in brought.jumps))
                builder.add(micros(received), item.topic, item.payload, item.retained)
        before = items[-NEAR_LINES:]
        messages = builder.frames()
        try:
            if is_new:
                apart = difference(folder, messages) or apart
                messages = _put_right(folder, brought, messages, apart, f"{name}-{chunk:04d}")
            counts = seal_messages(folder, messages, f"{name}-{chunk:04d}")
        except OSError as error:
            raise ArchiveProblem(
                f"{cannot}: {system_sentence(error)}; the capture can be imported again, what is kept "
                "already is left out"
            ) from error
        done += Imported(counts, Counter(messages["refused"]["reason"].to_list()))
        chunk += 1
        progress(done.counts.received)
    if is_new and done.counts.received:
        try:
            keep_import(folder, msgspec.structs.replace(brought, at=datetime.now(UTC), **asdict(done.counts)))
        except OSError as error:
            raise ArchiveProblem(f"{cannot}: {system_sentence(error)}") from error
        done.clocks += _said(brought)
    return done


def _put_right(
    folder: ArchivePath, brought: Brought, messages: Messages, apart: Difference | None, name: str
) -> Messages:
    """Return a chunk with its times of receipt on the archive's clock; its own are kept in a file."""
    own = _in_one(messages).drop("time", "retained")
    spans = own.select(first=pl.col("received").min(), last=pl.col("received").max()).row(0)
    moments = [one for one in (*spans, brought.first, brought.last) if one is not None]
    if moments:
        brought.first, brought.last = min(moments), max(moments)
    if apart is None:
        return messages
    brought.clock_fast_s = apart.seconds if brought.clock_fast_s is None else brought.clock_fast_s
    brought.compared += apart.messages
    file, digest = keep_receipts(folder, name, own)
    brought.receipts[file] = digest
    if not apart.is_clock:
        return messages
    brought.moved = True
    by = pl.duration(microseconds=round(apart.seconds * 1e6))
    return {kind: frame.with_columns(pl.col("received") - by) for kind, frame in messages.items()}


def _said(brought: Brought) -> list[str]:
    """Return what was done about the clock of a capture's listener, in words."""
    said = [
        f"{brought.file}: its listener's clock jumped by {by_s:+,.1f} s at {rfc3339(at)}. Later receipt "
        "times were corrected by that; the archive's folder imports says so"
        for at, by_s in brought.jumps
    ]
    if brought.moved and brought.clock_fast_s is not None:
        how = "fast" if brought.clock_fast_s > 0 else "slow"
        said.append(
            f"{brought.file}: its listener's clock is {abs(brought.clock_fast_s):.1f} s {how} against the "
            f"archive, by {brought.compared:,} messages that both heard. The receipt times were corrected by "
            "that; the original ones are in the archive's folder imports"
        )
    return said


def _chunk(lines: Iterator[Heard | BadLine]) -> list[Heard | BadLine]:
    items: list[Heard | BadLine] = []
    size = 0
    for item in lines:
        items.append(item)
        size += len(item.line if isinstance(item, BadLine) else item.payload)
        if len(items) >= CHUNK_MESSAGES or size >= CHUNK_BYTES:
            break
    return items


FEWEST_COMMON, LEAST_SHARE = 10, 0.1
"""So many messages, and such a share of the capture's, must have been heard by both. Our own rule: a broker
that delivers some messages again is no second listener."""
LEAST_S = 0.5
"""Two good clocks and two radio links may differ by less; then nothing is moved. Our own rule."""
SEARCHED = timedelta(hours=12)
"""No listener's clock is further off than this. Our own rule."""


@dataclass(frozen=True)
class Difference:
    """How far a capture's times of receipt are from the archive's, of the same messages."""

    seconds: float  # median: positive when the capture's listener is fast
    spread_s: float  # from the 10th to the 90th percentile
    messages: int

    @property
    def is_clock(self) -> bool:
        """Whether it is a clock's, and no scatter of delays."""
        return abs(self.seconds) >= max(LEAST_S, self.spread_s)


def difference(archive: ArchivePath, messages: Messages) -> Difference | None:
    """Return how far the listeners' clocks are apart; None when they heard too little in common."""
    heard = _in_one(messages).filter(~pl.col("retained"))
    if heard.is_empty():
        return None
    speakers = heard["speaker"].unique().implode()
    only = {kind: pl.col(speaker_field(kind)).is_in(speakers) & ~pl.col("retained") for kind in KINDS}
    columns = {kind: [speaker_field(kind), *_COLUMNS] for kind in KINDS}
    first, last = heard.select(pl.col("received").min(), last=pl.col("received").max()).row(0)
    kept = _in_one(Archive(archive).messages(first - SEARCHED, last + SEARCHED, only, columns))
    # One that a broker delivered again was heard when it first came.
    identity = ["kind", "speaker", "boot", "seq", "time"]
    heard, kept = (one.sort("received").unique(identity, keep="first") for one in (heard, kept))
    both = heard.join(kept, on=identity, suffix="_kept")
    if both.height < max(FEWEST_COMMON, LEAST_SHARE * heard.height):
        return None
    apart = both.select((pl.col("received") - pl.col("received_kept")).dt.total_microseconds() / 1e6)
    low, middle, high = (float(apart.to_series().quantile(part, "linear") or 0.0) for part in (0.1, 0.5, 0.9))
    return Difference(middle, high - low, both.height)


_COLUMNS = ("boot", "seq", "time", "received", "retained")


def _in_one(messages: Messages) -> pl.DataFrame:
    """Return the messages with an identity in one frame: kind, speaker, and `_COLUMNS`."""
    return pl.concat(
        messages[kind]
        .drop_nulls(["boot", "seq"])
        .select(pl.lit(kind).alias("kind"), pl.col(speaker_field(kind)).alias("speaker"), *_COLUMNS)
        for kind in KINDS
    )
