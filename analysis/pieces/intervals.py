"""Find which stretches of time overlap, without comparing each with each."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.records import Ints, micros

Positions = NDArray[np.intp]


def overlaps(
    asked: pl.DataFrame, there: pl.DataFrame, by: str, low: str = "low", high: str = "high"
) -> pl.DataFrame:
    """Join two frames on a name and on stretches of time that touch.

    Sorted and searched, so that time and memory follow what is found: a set with a thousand wears and a
    thousand tallies has a thousand pairs, not a million.

    - `asked`: with `by`, `low` and `high` (UTC, microseconds); bounds count as inside.
    - `there`: with `by`, ``first`` and ``last``; stretches of one name that hardly overlap each other.

    Returns the columns of `asked`, then those of `there` except `by`; rows in the order of `asked`.
    """
    names = pl.concat([asked[by], there[by]]).rank("dense").cast(pl.Int64).to_numpy()
    of_asked, of_there = names[: asked.height], names[asked.height :]
    mine, other = _pairs(
        (of_asked, micros(asked[low]), micros(asked[high])),
        (of_there, micros(there["first"]), micros(there["last"])),
    )
    return pl.concat([asked[mine], there.drop(by)[other]], how="horizontal")


def _pairs(asked: tuple[Ints, Ints, Ints], there: tuple[Ints, Ints, Ints]) -> tuple[Positions, Positions]:
    # Ranks in place of times: with the name in front they fit one integer, whatever the years between.
    moments, ranks = np.unique(np.concatenate([*asked[1:], *there[1:]]), return_inverse=True)
    width, (many, few) = len(moments) + 1, (len(asked[0]), len(there[0]))
    low, high, first, last = np.split(ranks, [many, 2 * many, 2 * many + few])
    order = np.lexsort((first, there[0]))
    name = there[0][order] * width
    starts = name + first[order]
    reach = np.maximum.accumulate(name + last[order]) if few else starts
    since = np.searchsorted(reach, asked[0] * width + low, side="left")
    until = np.searchsorted(starts, asked[0] * width + high, side="right")
    count = np.maximum(until - since, 0)
    mine = np.repeat(np.arange(many), count)
    other = order[
        np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(since, count)
    ]
    touch = last[other] >= low[mine]
    return mine[touch], other[touch]
