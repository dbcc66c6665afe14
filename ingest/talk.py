"""What a verb says beside its answer: `--quiet`, `-v`, remarks and bars. Errors are always printed."""

import functools
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

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


@contextmanager
def progress_of(what: str) -> Iterator[Callable[[int], object]]:
    """Yield a callback that shows how many messages are through, of nobody knows how many."""
    with _shown(what, endless=True) as update:
        yield int if update is None else lambda messages: update(completed=messages)


@contextmanager
def progress_bar(what: str = "wears") -> Iterator[Callable[..., None] | None]:
    """Yield a callback that draws a bar; nothing where stderr is no terminal."""
    with _shown(what, endless=False) as update:

        def draw(done: int, total: int, of: str = what) -> None:
            update(completed=done, total=total, description=of)

        yield None if update is None else draw


@contextmanager
def _shown(what: str, *, endless: bool) -> Iterator[Any]:
    if is_quiet() or not sys.stderr.isatty():
        yield None
        return
    from rich import progress
    from rich.console import Console

    bar = (progress.BarColumn(), progress.TaskProgressColumn(), progress.TimeRemainingColumn())
    count = (progress.TextColumn("{task.completed:,.0f} messages"), progress.TimeElapsedColumn())
    columns = (*([progress.SpinnerColumn()] if endless else []), progress.TextColumn("{task.description}"))
    with progress.Progress(
        *columns, *(count if endless else bar), console=Console(stderr=True), transient=True
    ) as shown:
        task = shown.add_task(what, total=None)
        yield functools.partial(shown.update, task)
