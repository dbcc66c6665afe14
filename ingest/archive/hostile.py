"""What is in an archive's folder and does not belong there: links, pipes, sockets and devices.

`verify` names each, because bytes that are elsewhere can change without a trace here.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

from ingest.archive.store import work_folder
from ingest.archive.trouble import FOREIGN, Fault


def odd_entries(archive: Path) -> list[Fault]:
    """Return links and special files anywhere in an archive's folder, of one on a store its work folder."""
    here = work_folder(archive)
    return [Fault(FOREIGN, path.relative_to(here).as_posix(), what) for path, what in _odd(here)]


def _odd(folder: Path) -> Iterator[tuple[Path, str]]:
    try:
        with os.scandir(folder) as entries:
            found = sorted(entries, key=lambda entry: entry.name)
    except (FileNotFoundError, NotADirectoryError):  # gone in this very moment
        return
    for entry in found:
        path = Path(entry.path)
        try:
            mode = entry.stat(follow_symlinks=False).st_mode
        except FileNotFoundError:
            continue
        if stat.S_ISLNK(mode):
            yield (
                path,
                f"it is a symbolic link to {path.readlink()}, and what is there is no part of the archive",
            )
        elif stat.S_ISDIR(mode):
            yield from _odd(path)
        elif not stat.S_ISREG(mode):
            yield path, "it is a pipe, socket or device and no file"
