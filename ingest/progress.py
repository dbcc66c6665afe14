"""How far a verb has come, shown on a terminal."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from ingest.talk import is_quiet


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
