"""A `boot` number that a speaker used again: its messages, separated by the time they were heard or said.

The contract wants another number at every power-up. A speaker that keeps its number starts `seq` again, and
what it says carries identities that were heard before. A conflict of single messages stays one (the first
heard is used); a whole power-up must not be lost to it. Two sets may even use one ID and one number at the
same time: then each number was said at two times, and each set's own times go on evenly.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import islice

import numpy as np
import polars as pl
from numpy.typing import NDArray

LONG_SILENCE = timedelta(hours=6)
"""A speaker that is still on is heard sooner: across this, one conflict is enough. Our own rule."""
SILENCE = timedelta(seconds=3)
"""A shorter one may be within a power-up: across this, the first messages decide. Our own rule."""
PACE_MESSAGES = 60
FIRST_MESSAGES, FIRST_IN_CONFLICT = 10, 8
"""So many of the first so many messages after a short silence carry identities heard before. Our own rule."""


def uses_of(said: Mapping[str, pl.DataFrame]) -> list[dict[str, pl.DataFrame]]:
    """Part what one speaker said under one `boot` number into its power-ups, in order of receipt.

    `said`: frames of the archive's reader, of one speaker and one `boot`, each message with its `seq`.

    Returns a list of dict of kind to DataFrame: one a power-up; a single one where the number was used once.
    What came later without a conflict (out of a set's own memory) is with the power-up whose times on the
    speaker's clock are nearest.
    """
    heard = pl.concat(
        frame.select(pl.lit(kind).alias("kind"), "received", "seq", "time").with_row_index("row")
        for kind, frame in said.items()
    ).sort("received", "seq", "time", "kind")
    of_second = _of_second(heard)
    if of_second is not None:
        rows = heard.with_columns(pl.Series("second", of_second))
        parts = (_of_rows(said, rows.filter(pl.col("second") == second)) for second in (False, True))
        return [use for part in parts for use in uses_of(part)]
    silence = heard["received"].diff().fill_null(LONG_SILENCE * 2)
    runs = heard.with_columns(silence.alias("silence"), (silence > SILENCE).cum_sum().alias("run"))
    uses: list[_Use] = []
    numbers: list[int] = []
    for run in runs.partition_by("run", maintain_order=True):
        times_us = run["time"].drop_nulls().to_physical().to_numpy()
        middle_us = float(np.median(times_us)) if len(times_us) else 0.0
        # In order, so that of one identity the first heard counts.
        said_us = dict(zip(run["seq"].reverse(), run["time"].to_physical().reverse(), strict=True))
        said_us = dict(reversed(said_us.items()))
        long = run["silence"][0] > LONG_SILENCE
        free = [use for use in uses if not use.is_over(said_us, long=long)]
        if free:
            use = min(reversed(free), key=lambda one: abs(one.middle_us - middle_us))
        else:
            use = _Use(len(uses), middle_us)
            uses.append(use)
        use.said_us = said_us | use.said_us
        numbers += [use.number] * run.height
    of_rows = runs.with_columns(pl.Series("use", numbers)).partition_by("use", as_dict=True)
    return [_of_rows(said, of_rows[(use.number,)]) for use in uses]


def _of_rows(said: Mapping[str, pl.DataFrame], rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    return {
        kind: said[kind][own["row"].sort()]
        for (kind,), own in rows.partition_by("kind", as_dict=True, maintain_order=True).items()
    }


def _of_second(heard: pl.DataFrame) -> NDArray[np.bool_] | None:
    """Return of which rows the speaker is a second one that uses the same number at the same time.

    - `heard`: by time of receipt.

    None where there is one alone: numbers said at two times, if any, are those of a later power-up.
    """
    times = (
        heard.drop_nulls("time")
        .group_by("kind", "seq")  # some count each kind by itself: that is another fault
        .agg(pl.col("time").min().alias("first"), pl.col("time").max().alias("last"))
    )
    twice = times.filter(pl.col("last") - pl.col("first") > SILENCE).unique("seq", keep="first").sort("seq")
    if twice.height < FIRST_IN_CONFLICT:
        return None
    seq, said_us = heard["seq"].to_numpy(), heard["time"].to_physical().fill_null(0).to_numpy()
    apart_us = [
        np.abs(said_us - expected_us(seq, twice["seq"].to_numpy(), twice[name].to_physical().to_numpy()))
        for name in ("first", "last")
    ]
    second: NDArray[np.bool_] = apart_us[1] < apart_us[0]
    changes = np.flatnonzero(second[1:] != second[:-1])
    if len(changes) == 1:  # one that restarted at once; after a silence, `uses_of` decides
        received = heard["received"]
        return second if received[int(changes[0]) + 1] - received[int(changes[0])] <= SILENCE else None
    return second if len(changes) >= FIRST_IN_CONFLICT else None


def expected_us(
    seq: NDArray[np.int64], known: NDArray[np.int64], time_us: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return when numbers were said, in the rhythm of those that are known."""
    near = min(PACE_MESSAGES, len(known) - 1)
    expected: NDArray[np.float64] = np.interp(seq, known, time_us)
    for edge, other, beyond in (
        (0, near, np.minimum(seq - known[0], 0)),
        (-1, -1 - near, np.maximum(seq - known[-1], 0)),
    ):
        pace_us = (time_us[edge] - time_us[other]) / (known[edge] - known[other]) if near else 0.0
        expected += beyond * pace_us
    return expected


@dataclass(slots=True)
class _Use:
    """One power-up: the middle of its times on the speaker's clock, and the time of each number."""

    number: int
    middle_us: float
    said_us: dict[int, int | None] = field(default_factory=dict)

    def is_over(self, after_us: Mapping[int, int | None], *, long: bool) -> bool:
        """Tell whether what was heard after a silence was said in another power-up.

        The same number at another time on the speaker's clock; at the same time it was only sent again.
        """
        first = islice(after_us.items(), None if long else FIRST_MESSAGES)
        other = sum(self.said_us.get(seq, time_us) != time_us for seq, time_us in first)
        return other >= (1 if long else FIRST_IN_CONFLICT)
