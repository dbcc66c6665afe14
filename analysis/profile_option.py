"""Options of verbs that compute: the engine, and the profile (a file, or the name of a shipped one)."""

from collections.abc import Callable
from typing import Any, TypeVar

import click
from click.shell_completion import CompletionItem

SAYS = "Doctrine profile in TOML, or the name of a shipped one."
Verb = TypeVar("Verb", bound=Callable[..., Any])
engine_option = click.option(
    "--engine", metavar="ENGINE", help="local[:WORKERS] or dask://HOST:PORT; without it, one process here."
)


def profile_option(
    parameter: str = "profile", *, required: bool = False, says: str = SAYS
) -> Callable[[Verb], Verb]:
    """Return the option `--profile` for a verb's function, which gets the word as it was typed."""
    return click.option(
        "--profile", parameter, required=required, metavar="FILE", help=says, shell_complete=_words
    )


def _words(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Return the shipped profiles that begin so; the shell adds its files."""
    del ctx, param
    from analysis.profile import shipped_profiles

    names = [CompletionItem(name) for name in shipped_profiles() if name.startswith(incomplete)]
    return [CompletionItem(incomplete, type="file"), *names]
