"""The simulated wears that `underair learn` learns from beside a service's own, as they ship.

``python -m sample_logs.simulation.wears_to_learn_from`` writes them; a test compares the two.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.air.learning import SIMULATED
from sample_logs.simulation.tasks import KINDS_OF_WORK, hot_rate
from sample_logs.simulation.wear import simulate_wear

LOW_AIR_BAR = 55.0
SIMULATED_WEARS, HOT_WEARS, SEED = 105, 40, 20_310_504
"""The seven kinds of work, and work that goes on until the air is gone."""


def wears_to_learn_from() -> pl.DataFrame:
    """Return one row a wear: lot, number, when its warning was reached, mean rate until then, readings."""
    rows = []
    for lot, count in (("simulated", SIMULATED_WEARS), ("hot", HOT_WEARS)):
        for number in range(count):
            rng = np.random.default_rng((SEED, number))
            work = "mixed" if lot == "hot" else KINDS_OF_WORK[number % len(KINDS_OF_WORK)]
            rate_l_min = hot_rate(rng, 3600) if lot == "hot" else None
            wear = simulate_wear(rng, work, rate_l_min=rate_l_min, until_bar=50.0)
            reached_s = wear.reached_s(LOW_AIR_BAR)
            if reached_s is not None:
                mean_l_min = float(wear.rate_l_min[: int(reached_s)].mean())
                rows.append((lot, number, reached_s, mean_l_min, wear.reading_bar.astype(int).tolist()))
    names = ("lot", "number", "reached_s", "mean_l_min", "reading_bar")
    types = (pl.String, pl.Int64, pl.Float64, pl.Float64, pl.List(pl.UInt16))
    return pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row")


if __name__ == "__main__":
    wears_to_learn_from().write_parquet(SIMULATED, compression_level=22)
