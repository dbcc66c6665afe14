"""A big incident's readings on the reconciled clock, as the analysis has them: no second copy of them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.records import NUMBERS, Channel, PowerUp
from ingest.contract.frames import Messages

TIME = pl.Datetime("us", "UTC")
VALUE = {kind: names[0] for kind, names in NUMBERS.items()}


@dataclass(frozen=True)
class LightRecord(Mapping[str, pl.DataFrame]):
    """Messages with `at`; readings become a frame when they are asked for."""

    held: Messages  # every kind; of `readings` without rows
    readings: Mapping[str, list[tuple[str, int, Channel]]]  # set, boot and channel of each power-up

    def __getitem__(self, kind: str) -> pl.DataFrame:
        if not self.readings.get(kind):
            return self.held[kind]
        name = VALUE[kind]
        parts = [
            pl.DataFrame(
                {
                    "boot": np.full(len(channel), boot),
                    "seq": channel.seq,
                    name: channel.numbers[name],
                    "received": channel.received_us,
                    "at": channel.at_us,
                }
            ).select(
                pl.lit(set_id).alias("set_id"),
                "boot",
                "seq",
                pl.col(name).fill_nan(None),
                pl.col("received", "at").cast(TIME),
            )
            for set_id, boot, channel in self.readings[kind]
        ]
        return pl.concat(parts)

    def of_sets(self, set_ids: Collection[str]) -> LightRecord:
        """Return only the readings of some sets."""
        chosen = {
            kind: [one for one in channels if one[0] in set_ids] for kind, channels in self.readings.items()
        }
        return LightRecord(self.held, chosen)

    def __contains__(self, kind: object) -> bool:
        return kind in self.held

    def __iter__(self) -> Iterator[str]:
        return iter(self.held)

    def __len__(self) -> int:
        return len(self.held)


def readings_of_power_ups(records: list[PowerUp], kind: str) -> list[tuple[str, int, Channel]]:
    """Return set, boot and channel of each power-up that gave readings of a kind."""
    return [
        (one.name, one.boot, one.channels[kind])
        for one in records
        if one.role == "set" and kind in one.channels
    ]
