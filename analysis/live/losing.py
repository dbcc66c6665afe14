"""Losing air: a pressure that falls faster than anybody breathes, and the minutes until it is gone."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.profile import Profile

EMPTY_BAR = 5.0  # below this no breath comes; our own rule
STEP_BAR = 1.0  # a fall may look this much larger than it is, by the gauge's step
LONGEST_WINDOW_S = 30.0  # readings further apart than this say nothing of the present fall
USUAL_VOLUME_L = 6.8  # until the set has named its cylinder


def minutes_to_empty(
    readings: Sequence[tuple[float, float]], volume_l: float | None, profile: Profile
) -> float | None:
    """Return the minutes until the cylinder is empty at the present fall; None unless it falls too fast.

    - `readings`: sequence of (float, float): the latest pressure readings, in order of time: seconds and bar.
    - `volume_l`: water volume of all cylinders together, litres.
    - `profile`: `air.free_flow_l_min` and `air.free_flow_s`: the limit and for how long it must be exceeded.

    Notes
    -----
    Our own rule: nominal litres (volume x fall), one gauge step taken off for the
    limit (not for the minutes), over the shortest window of at
    least `free_flow_s` that ends with the last reading.
    """
    if not readings or readings[-1][1] <= EMPTY_BAR:
        return None
    last_s, last_bar = readings[-1]
    for at_s, bar in reversed(readings):
        window_s = last_s - at_s
        if window_s > LONGEST_WINDOW_S:
            return None
        if window_s < profile.air.free_flow_s:
            continue
        sure_bar_min = (bar - last_bar - STEP_BAR) / window_s * 60.0
        if sure_bar_min * (volume_l or USUAL_VOLUME_L) < profile.air.free_flow_l_min:
            return None
        return (last_bar - EMPTY_BAR) * window_s / (bar - last_bar) / 60.0
    return None
