"""Reads and writes an archive's sealed parts where they are: in a folder or on an object store.

Only `ingest.archive.store.place_of` decides which it is.
"""

from __future__ import annotations

import filecmp
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from ingest.archive.durable import make_folder, sync_folder
from ingest.contract.errors import ArchiveProblem


class Place:
    """Reads and writes what is at a path: in a folder of this machine. `Store` does the same on a store."""

    is_shared = False  # whether other machines write there, too, and each look costs requests
    grace_s = 2.0  # how long what was merged stays for readers that have just listed it

    def opened(self, path: Path) -> Any:
        """Return a file to read bytes from."""
        return path.open("rb")

    def inside(self, folder: Path) -> Iterable[Path]:
        """Return what is in a folder; nothing when it is not there."""
        return folder.iterdir() if folder.is_dir() else ()

    def below(self, folder: Path) -> Iterator[Path]:
        """Yield all files below a folder; none when it is not there."""
        return (path for path in folder.rglob("*") if path.is_file())

    def put(self, path: Path, data: bytes) -> None:
        """Write a file, and its folder if missing; it is there as a whole or not at all, and may be lost."""
        path.parent.mkdir(exist_ok=True)
        aside = path.with_name(f".{path.name}.{os.getpid()}.tmp")
        try:
            aside.write_bytes(data)
            aside.replace(path)
        finally:
            aside.unlink(missing_ok=True)

    def take_in(self, aside: Path, path: Path, read_back: Callable[[Any], None], *, again: bool) -> None:
        """Give a part that was made aside, and read back there, its name, durably.

        `again`: it may be written over. `read_back` raises when what has arrived is not what was sent.
        """
        if not again:
            try:
                os.link(aside, path)  # fails when the name is taken, as a rename does not
            except FileExistsError:
                if not filecmp.cmp(path, aside, shallow=False):
                    raise ArchiveProblem(f"{path} is there already: nothing is written") from None
            except OSError:  # no links on this file system; `write_part` has looked whether the name is free
                again = True
        if again:
            aside.replace(path)
        else:
            aside.unlink()
        sync_folder(path.parent)

    def move(self, path: Path, to: Path) -> None:
        """Move a file, durably."""
        make_folder(to.parent)
        path.rename(to)
        for folder in (to.parent, path.parent):
            sync_folder(folder)

    def settle(self, folder: Path) -> None:
        """Make the names in a folder durable."""
        sync_folder(folder)

    def complain(self, path: Path, error: OSError) -> None:
        """Raise a clearer error in place of this one, if there is one: for a store only."""


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
