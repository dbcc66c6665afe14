"""Options of verbs: those that several share, and where their values come from.

One order for all verbs: command line, else environment, else settings file, else the default. ``--port`` of
``underair serve`` is `UNDERAIR_SERVE_PORT` in the environment and ``port`` under ``[options.serve]`` in the
file that ``--config`` or `UNDERAIR_CONFIG` names.
"""

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from ingest.contract.errors import ArchiveProblem, BadSettings
from ingest.logs import FORMS, LEVELS
from ingest.toml_faults import document_in

PREFIX = "UNDERAIR"
CONFIG_VARIABLE = f"{PREFIX}_CONFIG"
_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_SCHEME = "s3:"
ARCHIVES = "underair.archives"
"""In a click context's `meta`: the archives that a verb was given."""
SAYS = "Folder of the archive, or s3://BUCKET/PREFIX."
Verb = TypeVar("Verb", bound=Callable[..., Any])
STDOUT = Path("-")


def config_option(what: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Return the option `--config`, which is read before the others and gives them their values."""

    def take(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
        del param
        if value is not None and not ctx.resilient_parsing:
            ctx.default_map = options_in(value, ctx.command, _names(ctx))
        return value

    return click.option(
        "--config",
        type=_FILE,
        is_eager=True,
        envvar=CONFIG_VARIABLE,
        callback=take,
        help=f"{what} Its [options.VERB] sets options of verbs.",
    )


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


def with_names_in_environment(command: click.Command, name: str, prefix: str = PREFIX) -> click.Command:
    """Give each option of a verb and of verbs below it its variable: as typed, not as its function has it."""
    own = f"{prefix}_{name}".replace("-", "_").upper()
    if isinstance(command, click.Group):
        for below, verb in command.commands.items():
            with_names_in_environment(verb, below, own)
    for option in command.params:
        typed = next((each for each in option.opts if each.startswith("--")), None)
        if isinstance(option, click.Option) and typed is not None and option.envvar is None:
            option.envvar = f"{own}_{typed[2:]}".replace("-", "_").upper()
    return command


def options_of_environments_file(command: click.Command, name: str) -> dict[str, Any] | None:
    """Return what the file that the environment names says of a verb without `--config`; None without one."""
    file = os.environ.get(CONFIG_VARIABLE)
    return None if not file else options_in(Path(file), command, [name])


def options_in(path: Path, command: click.Command, names: list[str]) -> dict[str, Any]:
    """Return a verb's options in a settings file, by the names that its function takes.

    Raises `BadSettings` when the file cannot be read, or names an option that the verb does not have.
    """
    said: Any = document_in(path).get("options", {})
    for name in names:
        said = said.get(name, {}) if isinstance(said, dict) else {}
    return _by_parameter(path, command, names, said if isinstance(said, dict) else {})


def _by_parameter(
    path: Path, command: click.Command, names: list[str], said: dict[str, Any]
) -> dict[str, Any]:
    where = ".".join(["options", *names])
    if isinstance(command, click.Group):
        known = {
            name: _by_parameter(path, verb, [*names, name], below if isinstance(below, dict) else {})
            for name, verb in command.commands.items()
            for below in [said.get(name)]
        }
        unknown = sorted(set(said) - set(known))
        has = sorted(known)
    else:
        options = {
            option.removeprefix("--"): each
            for each in command.params
            if isinstance(each, click.Option) and each.name != "config"
            for option in each.opts
            if option.startswith("--")
        }
        known = {options[name].name or name: value for name, value in said.items() if name in options}
        unknown = sorted(set(said) - set(options))
        has = sorted(options)
    if unknown:
        raise BadSettings(
            f"settings {path}: unknown option {unknown[0]!r} (at $.{where}.{unknown[0]}); there are: "
            f"{', '.join(has)}"
        )
    return known


def _names(ctx: click.Context) -> list[str]:
    names = []
    while ctx.parent is not None:
        names.append(ctx.info_name or "")
        ctx = ctx.parent
    return names[::-1]
