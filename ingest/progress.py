"""How far a verb has come, shown on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ingest.talk import is_quiet


@contextmanager
def progress_of(what: str) -> Iterator[Callable[[int], object]]:
    """Show how many messages are through, on a terminal only."""
    if is_quiet() or not sys.stderr.isatty():
        yield int
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}"),
        TextColumn("{task.completed:,.0f} messages"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda messages: bar.update(task, completed=messages)
