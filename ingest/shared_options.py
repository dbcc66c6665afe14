"""Options that several verbs share: broker, archive, where results go, metrics and logs."""

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from ingest.logs import FORMS, LEVELS
from ingest.option_file import config_option

_SCHEME = "s3:"
ARCHIVES = "underair.archives"
"""In a click context's `meta`: the archives that a verb was given."""
SAYS = "Folder of the archive, or s3://BUCKET/PREFIX."
Verb = TypeVar("Verb", bound=Callable[..., Any])
STDOUT = Path("-")
broker_option = click.option(
    "--broker", required=True, metavar="URL", help="mqtt://HOST:PORT, or mqtts:// for TLS."
)
login_option = config_option(
    "Settings in TOML; their [broker] names user, password file, authority and certificate. "
    "ingest/settings.example.toml shows all."
)
metrics_option = click.option(
    "--metrics",
    metavar="[HOST:]PORT",
    help="Answer /metrics, /alive and /ready there; this machine only unless HOST names another address.",
)


def log_options(verb: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of a verb that goes on running: how it logs."""
    verb = click.option(
        "--log-level",
        type=click.Choice(LEVELS),
        default="info",
        show_default=True,
        help="The lowest level to log.",
    )(verb)
    return click.option(
        "--log",
        "log_form",
        type=click.Choice(FORMS),
        default="plain",
        show_default=True,
        help="Sentences, or one JSON object a line with time, level and message.",
    )(verb)


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
        if str(value).startswith(_SCHEME):
            from ingest.archive.store import place
            from ingest.contract.errors import ArchiveProblem

            try:
                archive: Any = place(value)
            except ArchiveProblem as problem:
                self.fail(str(problem), param, ctx)
        else:
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
            archive = super().convert(value, param, ctx)
        if ctx is not None:
            ctx.meta.setdefault(ARCHIVES, []).append(archive)
        return archive


class OutPath(click.Path):
    """A file or folder of this machine.

    A store is refused, else it would become a folder named ``s3:``; and so is ``-`` by a verb that writes a
    folder.
    """

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, or refuse it."""
        if str(value).startswith(_SCHEME):
            self.fail(
                f"results are written on this machine, {value} is on a store: name a local path and copy the "
                "result with your store's own tool",
                param,
                ctx,
            )
        if str(value) == "-" and not self.allow_dash:
            self.fail("this verb writes several files: name a folder (./- is one named -)", param, ctx)
        return super().convert(value, param, ctx)


def is_stdout(out: Path, as_json: bool = False) -> bool:
    """Return whether a result goes to standard output, where nothing else may be printed then."""
    if out == STDOUT and as_json:
        raise click.UsageError("--json and --out - both print on standard output; give one of the two.")
    return out == STDOUT


def print_bytes(data: bytes) -> None:
    """Write a result to standard output as it is."""
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()
