"""Where a verb's options come from: command line, else environment, else settings file, else the default.

One order for all verbs. ``--port`` of ``underair serve`` is `UNDERAIR_SERVE_PORT` in the environment and
``port`` under ``[options.serve]`` in the file that ``--config`` or `UNDERAIR_CONFIG` names.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from ingest.contract.errors import BadSettings
from ingest.toml_faults import document_in

PREFIX = "UNDERAIR"
CONFIG_VARIABLE = f"{PREFIX}_CONFIG"
_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


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
