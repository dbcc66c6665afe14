"""Which readings of a heat sensor count: a broken one must neither lengthen a forecast nor invent a fire."""

import numpy as np

from analysis.records import Bools, Floats

COLDEST_C, HOTTEST_C = -40.0, 600.0
"""Nobody was in surroundings beyond this: 600 °C is a room in flashover (common practice, no source); a
sensor that breaks often reads the end of its range. Our own rule."""
COLDEST_FOR_AIR_C = -20.0
"""Cold explains a fall of the pressure without a breath: no colder than this does. Our own rule."""
SPIKE_K, SPIKE_S = 100.0, 10.0
"""One or two readings further off than this from both neighbours, which agree and are no further apart, are
a slip of the sensor. Our own rule; pressures have the like."""


def can_be(temperature_c: Floats) -> Bools:
    """Return which readings people can have been among; NaN cannot."""
    return (temperature_c >= COLDEST_C) & (temperature_c <= HOTTEST_C)


def credible(at_s: Floats, temperature_c: Floats) -> Bools:
    """Return which readings count, after the fact: what can be, without slips of the sensor.

    `at_s` and `temperature_c`: arrays, shape (n,): in order of time, seconds and °C.
    """
    counts = can_be(temperature_c)
    kept = np.flatnonzero(counts)
    at_s, temperature_c = at_s[kept], temperature_c[kept]
    for slips in (1, 2):
        after = slips + 1
        if len(kept) <= after:
            break
        before_c, after_c = temperature_c[:-after], temperature_c[after:]
        slip = (at_s[after:] - at_s[:-after] <= SPIKE_S) & (abs(after_c - before_c) < SPIKE_K / 2)
        inside = [temperature_c[step : len(kept) - after + step] for step in range(1, after)]
        for one_c in inside:
            slip &= abs(one_c - before_c) > SPIKE_K
        for step in range(1, after):
            counts[kept[step : len(kept) - after + step][slip]] = False
    return counts


def surroundings_c(temperature_c: Floats) -> Floats:
    """Return what the air around the set is taken to be by each reading, for the balance of its gas.

    As known then: the newest reading that can be; NaN before the first. `temperature_c`: in order of time.
    """
    newest = np.maximum.accumulate(np.where(can_be(temperature_c), np.arange(len(temperature_c)), -1))
    known = np.maximum(temperature_c[np.maximum(newest, 0)], COLDEST_FOR_AIR_C)
    return np.where(newest >= 0, known, np.nan)
