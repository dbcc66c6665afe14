"""An archive's folder, and the counts of what became of what was received. Light: the listener's own process
imports this, and no Parquet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ingest.archive.durable import make_folder
from ingest.archive.formats import require_known_format
from ingest.archive.store import place, work_folder
from ingest.contract.errors import ArchiveProblem


@dataclass(frozen=True)
class Counts:
    """What became of what was received; always ``received == kept + duplicates + refused``."""

    received: int = 0
    kept: int = 0
    duplicates: int = 0
    refused: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.received + other.received,
            self.kept + other.kept,
            self.duplicates + other.duplicates,
            self.refused + other.refused,
        )


def create_archive(folder: str | Path) -> Path:
    """Make an archive's folder when it is not there, and return its path; a store needs none.

    Raises `ArchiveProblem` when it cannot be made, is not a folder, or a newer underair wrote there.
    """
    path = place(folder)
    try:
        make_folder(work_folder(path))
    except OSError as error:
        raise ArchiveProblem(f"the archive {path} cannot be made: {error.strerror}") from error
    require_known_format(path)
    return path
