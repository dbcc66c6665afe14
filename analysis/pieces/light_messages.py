"""The messages of one piece of an archive without their bytes: readings are read on demand.

Topic and payload are nine tenths of what a big incident holds, and no figure needs them. They can be had
stretch by stretch (`LightMessages.stretches`), or of chosen messages (`LightMessages.verbatim`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from analysis.records import Ints, micros
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import Messages
from ingest.contract.times import EPOCH

MICROSECOND = timedelta(microseconds=1)
Columns = Sequence[str] | None
Read = Callable[
    [Mapping[str, Columns], datetime | None, datetime | None, pl.Expr | None, Mapping[str, int]], Messages
]
"""Reads columns of kinds (None: those that the analysis needs), received from one moment until before
another, only some of them. Where as many are there as must be, all of them belong to the piece."""
_NOT_COUNTED: Mapping[str, int] = {}
VERBATIM = ("set_id", "boot", "seq", "time", "received", "topic", "payload", "retained")


@dataclass(frozen=True)
class LightMessages(Mapping[str, pl.DataFrame]):
    """Messages of one piece by kind; those of `readings` are read again, and bare, each time."""

    kept: Messages  # every kind; of `readings` without rows, but with every column
    # dict of str to array of int: when each message of these kinds was received, microseconds since 1970, in
    # order. No two of them have the same identity.
    readings: Mapping[str, Ints]
    speakers: pl.DataFrame  # set_id and boot of the power-ups that they are of
    read: Read
    wanted: pl.Expr | None = None  # only these readings: of `set_id`

    def __getitem__(self, kind: str) -> pl.DataFrame:
        if kind not in self.readings:
            return self.kept[kind]
        return self._read({kind: None}, due={kind: len(self.readings[kind])})[kind]

    def __contains__(self, kind: object) -> bool:
        return kind in self.kept

    def __iter__(self) -> Iterator[str]:
        return iter(self.kept)

    def __len__(self) -> int:
        return len(self.kept)

    def only(self, kept: Messages, wanted: pl.Expr) -> LightMessages:
        """Return these messages with others in place of those held, and only some of the readings."""
        speakers = self.speakers.filter(wanted)
        if len(speakers) == len(self.speakers):
            return replace(self, kept=kept)
        chosen = replace(self, kept=kept, wanted=wanted, speakers=speakers)
        received = {kind: np.sort(micros(chosen[kind]["received"])) for kind in self.readings}
        return replace(chosen, readings=received)

    def stretches(self, messages: int) -> Iterator[Messages]:
        """Yield everything in the order received, about so many messages at a time.

        Readings have only the columns `VERBATIM`: what the set said is in their payloads.

        Raises `ArchiveProblem` when the archive does not hold the same readings any more.
        """
        heard = {kind: micros(frame["received"]) for kind, frame in self.kept.items()} | dict(self.readings)
        moments = np.sort(np.concatenate(list(heard.values())))
        edges = np.unique(moments[::messages])
        for first, last in zip(edges.tolist(), [*edges[1:].tolist(), None], strict=True):
            since = EPOCH + first * MICROSECOND
            until = None if last is None else EPOCH + last * MICROSECOND
            inside = pl.col("received") >= since
            if until is not None:
                inside &= pl.col("received") < until
            lot = {kind: frame.filter(inside) for kind, frame in self.kept.items()}
            due = {}
            for kind, received in self.readings.items():
                low = np.searchsorted(received, first)
                high = len(received) if last is None else np.searchsorted(received, last)
                due[kind] = int(high - low)
            lot |= self._read(dict.fromkeys(self.readings, VERBATIM), since, until, due=due)
            for kind, count in due.items():
                if lot[kind].height != count:
                    raise ArchiveProblem(
                        f"messages of {since:%Y-%m-%d %H:%M} were added or removed while the archive was "
                        "read: try again"
                    )
            yield lot

    def verbatim(self, kind: str, chosen: pl.DataFrame) -> pl.DataFrame:
        """Return chosen messages of a kind as they were received, with topic and payload, in no order.

        `chosen`: with set_id, boot, seq and received; few rows, near each other in time, cost least.
        """
        identity = ["set_id", "boot", "seq", "received"]
        first, last = chosen["received"].min(), chosen["received"].max()
        if kind not in self.readings or not isinstance(first, datetime) or not isinstance(last, datetime):
            return self.kept[kind].join(chosen.select(identity), on=identity, how="semi")
        heard_then = pl.col("received").is_in(chosen["received"].implode())
        said = self._read({kind: VERBATIM}, first, last + MICROSECOND, heard_then)[kind]
        return said.join(chosen.select(identity), on=identity, how="semi")

    def _read(
        self,
        kinds: Mapping[str, Columns],
        since: datetime | None = None,
        until: datetime | None = None,
        only: pl.Expr | None = None,
        due: Mapping[str, int] = _NOT_COUNTED,
    ) -> Messages:
        found = self.read(kinds, since, until, only, due)
        if self.wanted is None:
            return found
        return {kind: frame.filter(self.wanted) for kind, frame in found.items()}
