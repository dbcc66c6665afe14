"""How much a verb says beside its answer: `--quiet` and `-v`, on every verb. Errors are always printed."""

from __future__ import annotations

import click

from ingest.logs import log_to_stderr
from ingest.shown_text import echo

INCOMPLETE = 3
"""Exit code: done, but some input was left out or refused."""
_QUIET, _VERBOSE = "underair.quiet", "underair.verbose"


def with_talk_options(command: click.Command) -> click.Command:
    """Give a verb and the verbs below it `--quiet` and `-v`."""
    if isinstance(command, click.Group):
        for below in command.commands.values():
            with_talk_options(below)
    if not any("--quiet" in each.opts for each in command.params):
        command.params += [
            click.Option(names, is_flag=True, expose_value=False, callback=_note, help=what)
            for names, what in (
                (["-q", "--quiet"], "Print the answer and errors only: no progress, no remarks."),
                (["-v", "--verbose"], "Log in detail, and show where an error arose."),
            )
        ]
    return command


def _note(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value:  # a verb and the verb below it both ask
        ctx.meta[f"underair.{param.name}"] = True
    if value and param.name == "verbose":
        log_to_stderr("plain", "debug")


def is_quiet() -> bool:
    """Return whether the running verb prints its answer and errors only."""
    ctx = click.get_current_context(silent=True)
    return ctx is not None and bool(ctx.meta.get(_QUIET))


def is_verbose(ctx: click.Context) -> bool:
    """Return whether a verb says more (`-v`)."""
    return bool(ctx.meta.get(_VERBOSE))


def remark(text: str) -> None:
    """Print on standard error what a person may like to know; not with `--quiet`."""
    if not is_quiet():
        echo(text, err=True)
