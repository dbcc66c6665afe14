"""Reading an archive that is sealed and merged meanwhile: a part that went was replaced, so look again."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from ingest.contract.errors import ArchiveProblem

Given = ParamSpec("Given")
Found = TypeVar("Found")
_TRIES = 20


def looked_again(
    read: Callable[Concatenate[Path, Given], Found],
) -> Callable[Concatenate[Path, Given], Found]:
    """Have a function that reads an archive's folder begin anew when a part that it listed is gone.

    Raises
    ------
    ArchiveProblem
        When that happens again and again.
    """

    @functools.wraps(read)
    def again(folder: Path, /, *given: Given.args, **named: Given.kwargs) -> Found:
        for _ in range(_TRIES):
            try:
                return read(folder, *given, **named)
            except FileNotFoundError:
                continue
        raise ArchiveProblem(f"the archive {folder} changes faster than it can be read")

    return again
