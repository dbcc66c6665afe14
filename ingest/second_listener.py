"""A second listener's capture: how far its clock is from the archive's, by the messages that both heard."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from ingest.archive.reading import Archive
from ingest.contract.fields import speaker_field
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

FEWEST_COMMON, LEAST_SHARE = 10, 0.1
"""So many messages, and such a share of the capture's, must have been heard by both. Our own rule: a broker
that delivers some messages again is no second listener."""
LEAST_S = 0.5
"""Two good clocks and two radio links may differ by less; then nothing is moved. Our own rule."""
SEARCHED = timedelta(hours=12)
"""No listener's clock is further off than this. Our own rule."""


@dataclass(frozen=True)
class Difference:
    """How far a capture's times of receipt are from the archive's, of the same messages."""

    seconds: float  # median: positive when the capture's listener is fast
    spread_s: float  # from the 10th to the 90th percentile
    messages: int

    @property
    def is_clock(self) -> bool:
        """Whether it is a clock's, and no scatter of delays."""
        return abs(self.seconds) >= max(LEAST_S, self.spread_s)


def difference(archive: Path, messages: Messages) -> Difference | None:
    """Return how far the listeners' clocks are apart; None when they heard too little in common."""
    found, asked = [], 0
    for kind in KINDS:
        heard = messages[kind].filter(~pl.col("retained")).drop_nulls(["boot", "seq"])
        first, last = heard["received"].min(), heard["received"].max()
        if not isinstance(first, datetime) or not isinstance(last, datetime):
            continue
        asked += heard.height
        identity = [speaker_field(kind), "boot", "seq", "time"]
        of_them = pl.col(identity[0]).is_in(heard[identity[0]].unique().implode()) & ~pl.col("retained")
        columns = {kind: [*identity, "received"]}
        kept = Archive(archive).messages(first - SEARCHED, last + SEARCHED, {kind: of_them}, columns)[kind]
        both = heard.select(*identity, "received").join(kept, on=identity, suffix="_kept")
        found.append(
            both.select((pl.col("received") - pl.col("received_kept")).dt.total_microseconds() / 1e6)
        )
    apart = pl.concat(found).to_series() if found else pl.Series(dtype=pl.Float64)
    if len(apart) < max(FEWEST_COMMON, LEAST_SHARE * asked):
        return None
    low, middle, high = (float(apart.quantile(part, "linear") or 0.0) for part in (0.1, 0.5, 0.9))
    return Difference(middle, high - low, len(apart))


def moved(messages: Messages, seconds: float) -> Messages:
    """Return messages received so much earlier."""
    by = pl.duration(microseconds=round(seconds * 1e6))
    return {kind: frame.with_columns(pl.col("received") - by) for kind, frame in messages.items()}


def receipts_of(messages: Messages) -> pl.DataFrame:
    """Return when each message with an identity was received: kind, speaker, boot, seq, received."""
    columns = ["boot", "seq", "received"]
    return pl.concat(
        messages[kind]
        .drop_nulls(["boot", "seq"])
        .select(pl.lit(kind).alias("kind"), pl.col(speaker_field(kind)).alias("speaker"), *columns)
        for kind in KINDS
    )
