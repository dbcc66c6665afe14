"""Captures into the archive: what is there already is left out, what is bad is kept as refused."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from ingest.archive.archive import Counts, create_archive, seal_messages
from ingest.archive.mapped_journal import mapper_of
from ingest.contract.captures import BadLine, Heard, read_lines, require_file
from ingest.contract.errors import ArchiveProblem, BadCapture, RefusedMessage, system_sentence
from ingest.contract.frames import FrameBuilder
from ingest.contract.times import EPOCH, micros

CHUNK_MESSAGES = 200_000
CHUNK_BYTES = 256 * 1024 * 1024  # of lines and payloads: long ones come in smaller chunks


@dataclass
class Imported:
    """What became of an imported capture.

    Attributes
    ----------
    counts : Counts
    reasons : Counter of str
        Why messages were refused, and how often.
    """

    counts: Counts = field(default_factory=Counts)
    reasons: Counter[str] = field(default_factory=Counter)

    def __add__(self, other: Imported) -> Imported:
        return Imported(self.counts + other.counts, self.reasons + other.reasons)


def import_capture(
    path: str | Path, archive: str | Path, progress: Callable[[int], object] = int
) -> Imported:
    """Bring a capture into an archive.

    Parameters
    ----------
    path : str or Path
        ``.ndjson``, ``.ndjson.gz`` or ``.ndjson.zst``.
    archive : str or Path
        Made when it is not there. Its mappings read the topics that they name.
    progress : callable
        Told how many messages have been taken in so far.

    Returns
    -------
    Imported
        A line that holds no message counts as refused. Importing the same capture again keeps nothing and
        changes nothing: what was kept counts as duplicates then, and what was refused counts as refused
        again.

    Raises
    ------
    BadCapture
        When the file cannot be read at all.
    ArchiveProblem
        When the archive cannot be written.
    """
    path = Path(path)
    require_file(path)
    folder = create_archive(archive)
    name = f"import-{_digest(path)[:16]}"
    done = Imported()
    mapper = mapper_of(folder)
    lines = read_lines(path)
    received = EPOCH
    chunk = 0
    while items := _chunk(lines):
        builder = FrameBuilder(mapper)
        for item in items:
            if isinstance(item, BadLine):
                refusal = RefusedMessage(f"{path.name}: {item.reason}", f"line {item.number}")
                builder.refuse(micros(received), "", item.line, False, refusal)
            else:
                received = item.received
                builder.add(micros(item.received), item.topic, item.payload, item.retained)
        messages = builder.frames()
        try:
            counts = seal_messages(folder, messages, f"{name}-{chunk:04d}")
        except OSError as error:
            raise ArchiveProblem(
                f"the archive {folder} cannot be written: {system_sentence(error)}; the capture can be "
                "imported again, what is kept already is left out"
            ) from error
        done += Imported(counts, Counter(messages["refused"]["reason"].to_list()))
        chunk += 1
        progress(done.counts.received)
    return done


def _chunk(lines: Iterator[Heard | BadLine]) -> list[Heard | BadLine]:
    items: list[Heard | BadLine] = []
    size = 0
    for item in lines:
        items.append(item)
        size += len(item.line if isinstance(item, BadLine) else item.payload)
        if len(items) >= CHUNK_MESSAGES or size >= CHUNK_BYTES:
            break
    return items


def _digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise BadCapture(f"{path} cannot be read: {error.strerror}") from error
