"""What a verb says beside its answer: `--quiet`, `-v`, remarks, bars, counts. Errors are always printed."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from ingest.logs import News, log_sentence, log_to_stderr
from ingest.shown_text import echo, shown

if TYPE_CHECKING:
    from ingest.archive.folder import Counts
    from ingest.archive.writing import Health

INCOMPLETE = 3
"""Exit code: done, but some input was left out or refused."""
EVERY_S, DRAW_EVERY_S = 60.0, 0.1
_BACK_AND_CLEAR = "\r\x1b[K"
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
    drawn_s = -math.inf

    def draw(messages: int) -> None:
        nonlocal drawn_s
        if _draws() and time.monotonic() - drawn_s >= DRAW_EVERY_S:
            drawn_s = time.monotonic()
            click.echo(f"\r{shown(what)}: {messages:,} messages", nl=False, err=True)

    try:
        yield draw
    finally:
        if drawn_s > 0:
            click.echo(_BACK_AND_CLEAR, nl=False, err=True)


@contextmanager
def progress_bar(what: str = "wears") -> Iterator[Callable[..., None] | None]:
    """Yield a callback that draws a bar; nothing where stderr is no terminal."""
    if not _draws():
        yield None
        return
    with click.progressbar(length=1, label=what, file=sys.stderr) as bar:

        def draw(done: int, total: int, of: str = what) -> None:
            bar.length, bar.label = total, of
            bar.update(done - bar.pos)

        yield draw


def _draws() -> bool:
    return not is_quiet() and sys.stderr.isatty()


def counts_sentence(counts: Counts) -> str:
    """Return counts as a sentence."""
    return (
        f"received {counts.received:,}: kept {counts.kept:,}, duplicates {counts.duplicates:,}, "
        f"refused {counts.refused:,}"
    )


def health_sentence(health: Health, per_s: float) -> str:
    """Return how receiving goes; what is safe in the journal but not yet sealed has not been judged."""
    unsealed = max(0, health.journalled - health.sealed.received)
    sealed = health.sealed
    return (
        f"received {health.journalled:,} ({per_s:,.0f}/s): kept {sealed.kept:,}, duplicates "
        f"{sealed.duplicates:,}, refused {sealed.refused:,}, {unsealed:,} in the journal until sealed"
    )


class Telling:
    """Tells the counts on standard error.

    - `now_s`: a clock that never goes back; by default that of the machine.
    - `log`: hand sentences to `logging` instead of writing them out.
    """

    def __init__(self, now_s: float | None = None, *, log: bool = False) -> None:
        self._log = log
        self._told = (time.monotonic() if now_s is None else now_s, 0)

    def look(self, health: Health, now_s: float | None = None) -> None:
        """Tell when it is time."""
        now = time.monotonic() if now_s is None else now_s
        since_s = now - self._told[0]
        if since_s >= EVERY_S and not is_quiet():
            self.say(News(health_sentence(health, (health.journalled - self._told[1]) / since_s)))
            self._told = now, health.journalled

    def say(self, sentence: str) -> None:
        """Say a sentence on a line of its own."""
        if self._log:
            log_sentence(sentence)
        else:
            echo(f"underair: {sentence}", err=True)
