"""The command line's word for where results are written: on this machine, never on a store."""

from __future__ import annotations

from typing import Any

import click


class OutPath(click.Path):
    """A file or folder of this machine; a store is refused, else it would become a folder named ``s3:``."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, or refuse it."""
        if str(value).startswith("s3:"):
            self.fail(
                f"results are written on this machine, {value} is on a store: name a local path and copy the "
                "result with your store's own tool",
                param,
                ctx,
            )
        return super().convert(value, param, ctx)
