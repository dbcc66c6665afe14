"""The option that names an archive: a folder, or `s3://BUCKET/PREFIX`."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

_SCHEME = "s3:"
ARCHIVES = "underair.archives"
"""In a click context's `meta`: the archives that a verb was given."""
SAYS = "Folder of the archive, or s3://BUCKET/PREFIX."
Verb = TypeVar("Verb", bound=Callable[..., Any])


def archive_option(
    parameter: str = "archive", *, must_exist: bool = True, required: bool = True, says: str = SAYS
) -> Callable[[Verb], Verb]:
    """Return the option `--archive` for a verb's function."""
    place = ArchivePlace(must_exist=must_exist)
    return click.option("--archive", parameter, required=required, type=place, help=says)


class ArchivePlace(click.Path):
    """A folder, or a place on a store.

    `must_exist`: a folder must be there already.
    """

    name = "archive"

    def __init__(self, *, must_exist: bool = False) -> None:
        super().__init__(file_okay=False, readable=False, path_type=Path)
        self._must_exist = must_exist

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, and remember it as one that the verb reads."""
        place = self._place(value, param, ctx)
        if ctx is not None:
            ctx.meta.setdefault(ARCHIVES, []).append(place)
        return place

    def _place(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not str(value).startswith(_SCHEME):
            if self._must_exist and not Path(value).exists():
                self.fail(
                    f"there is no folder {value}; `underair import LOG --archive {value}` or `underair "
                    "listen` makes an archive",
                    param,
                    ctx,
                )
            if Path(value).is_dir() and not os.access(value, os.R_OK | os.X_OK):
                self.fail(
                    f"not allowed to read {value}: run this as the user who owns it, or ask for the right",
                    param,
                    ctx,
                )
            return super().convert(value, param, ctx)
        from ingest.archive.store import place
        from ingest.contract.errors import ArchiveProblem

        try:
            return place(value)
        except ArchiveProblem as problem:
            self.fail(str(problem), param, ctx)
