"""The option that names where results are written: on this machine, or ``-`` for standard output."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

STDOUT = Path("-")


class OutPath(click.Path):
    """A file or folder of this machine.

    A store is refused, else it would become a folder named ``s3:``; and so is ``-`` by a verb that writes a
    folder.
    """

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, or refuse it."""
        if str(value).startswith("s3:"):
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
