"""Real wears as coarse gauges and slow sets show them: `python -m tests.benchmarks.coarse_gauges FOLDER`.

For each interval and step of the gauge, rounded to the nearest step and up, and each kind of wear
(`tests.benchmarks.real_wears`): how often the page's interval for the low-air warning holds, how often the
truth comes before its early end, how much before at worst, and how wide it is. As on the page: every 20 s,
from the fourth minute to 24 s before the warning, also between two readings. Each wear counts once.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.air.breathing import LiveAir
from analysis.air.gas import FloatArray
from analysis.live.outlook import look_ahead
from tests.benchmarks.real_wears import AROUND_C, RealWear, real_wears

GAUGES = ((1, 1.0), (10, 1.0), (60, 1.0), (120, 1.0), (1, 5.0), (10, 5.0), (1, 10.0), (10, 10.0), (60, 10.0))
ROUNDED: dict[str, Callable[[FloatArray], FloatArray]] = {"nearest": np.round, "up": np.ceil}
FIRST_S, LAST_S, EVERY_S = 180.0, 24.0, 20.0


def judged(wear: RealWear, at_s: FloatArray, bar: FloatArray) -> FloatArray:
    """Return, of one wear: parts of the ticks that hold and that are early, minutes early at worst, width."""
    air, fed, ticks = LiveAir(wear.cylinder, None, AROUND_C), 0, []
    for tick_s in np.arange(FIRST_S, (wear.reached_s or 0.0) - LAST_S, EVERY_S).tolist():
        heard = int(at_s.searchsorted(tick_s, side="right"))
        if fed < heard:
            nothing = np.zeros(heard - fed)
            new = at_s[fed:heard], bar[fed:heard], nothing + np.nan, nothing
            air.take(*new, [AROUND_C] * (heard - fed))
            fed = heard
        last = float(at_s[fed - 1]), float(bar[fed - 1])
        ahead = look_ahead(air, 0.0, last, wear.low_air_bar, None, tick_s).low_air
        if ahead is not None:
            left_min = ((wear.reached_s or 0.0) - tick_s) / 60.0
            ticks.append((left_min - ahead.low, ahead.high - left_min, ahead.high - ahead.low))
    early, late, width = np.array(ticks).reshape(-1, 3).T
    return np.array(
        [((early >= 0) & (late >= 0)).mean(), (early < 0).mean(), -early.min(initial=0.0), np.median(width)]
    )


def main() -> None:
    """Print a line a gauge, rounding and kind of wear."""
    folder = Path(sys.argv[1])
    wears = [one for one in real_wears(folder, step_bar=0.001, dives=False, until_bar=20.0) if one.reached_s]
    for interval_s, step_bar in GAUGES:
        for name, rounded in ROUNDED.items():
            for kind in ("act", "hot", "own", "p40"):
                found = np.array(
                    [
                        judged(
                            one,
                            one.time_s[::interval_s],
                            rounded(one.pressure_bar[::interval_s] / step_bar) * step_bar,
                        )
                        for one in wears
                        if one.kind == kind
                    ]
                )
                holds, early, _, _ = (100.0 * found.mean(axis=0)).tolist()
                gauge = f"every {interval_s} s, {step_bar:g} bar, {name}"
                print(
                    f"{gauge}: {kind}: holds {holds:.1f} %, early {early:.1f} %, "
                    f"at worst {found[:, 2].max():.1f} min, width {np.median(found[:, 3]):.1f} min"
                )


if __name__ == "__main__":
    main()
