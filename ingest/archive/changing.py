"""Reading an archive that is sealed and merged meanwhile: a part that went was replaced, so look again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from ingest.contract.errors import ArchiveProblem

Found = TypeVar("Found")
_TRIES = 20


def until_whole(where: Path, read: Callable[[], Found]) -> Found:
    """Return what `read` finds; it starts again when something that it listed is gone.

    Raises `ArchiveProblem` when that happens again and again; `where` is named.
    """
    for _ in range(_TRIES):
        try:
            return read()
        except FileNotFoundError:
            continue
    raise ArchiveProblem(f"the archive {where} changes faster than it can be read")
