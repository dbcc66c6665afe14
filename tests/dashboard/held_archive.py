"""An archive whose messages, and faults, a test holds in its hand; for tests of the live feed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from ingest.archive.reading import Archive
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard, no_messages


class HeldArchive(Archive):
    """Gives what the test put into `new`, once; raises `fault` while there is one."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.new: list[Heard] = []
        self.fault: BaseException | None = None
        self.asked = 0

    def messages(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        only: Mapping[str, pl.Expr] | None = None,
        bare: Mapping[str, Sequence[str]] | None = None,
    ) -> Messages:
        return no_messages()

    def follow(self) -> Any:
        return self

    def new_messages(self) -> Messages:
        self.asked += 1
        if self.fault is not None:
            raise self.fault
        new, self.new = self.new, []
        return frames_from_heard(new)

    def close(self) -> None:
        if self.fault is not None:
            raise OSError("closing failed as well")
