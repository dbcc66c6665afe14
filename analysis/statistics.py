"""Rates from small counts, control limits and trends, each with its published formula."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv

# Mean moving range of two over standard deviation, and the upper limit's factor for n = 2
# (Montgomery & Runger, Applied Statistics and Probability for Engineers, section 16-6).
D2_OF_TWO = 1.128
D4_OF_TWO = 3.267


@dataclass(frozen=True)
class Rate:
    """Events per so much exposure, with the exact interval of the count behind it."""

    events: int
    exposure: float
    per: float
    rate: float
    low: float
    high: float


def poisson_interval(events: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a Poisson mean from one count.

    Half the chi-squared quantiles with 2k and 2k+2 degrees of freedom (Garwood 1936), written with the
    inverse incomplete gamma function, which is the same thing. For no events the lower end is 0 and the
    upper end 3.689.

    Raises
    ------
    ValueError
        When `events` is negative or `confidence` is not between 0 and 1.
    """
    if events < 0 or not 0 < confidence < 1:
        raise ValueError(
            f"events must be 0 or more and confidence between 0 and 1, got {events} and {confidence}"
        )
    tail = (1 - confidence) / 2
    low = float(gammaincinv(events, tail)) if events else 0.0
    return low, float(gammaincinv(events + 1, 1 - tail))


def rate_per(events: int, exposure: float, per: float, confidence: float = 0.95) -> Rate | None:
    """Return the rate per `per` units of exposure with its exact interval; None without exposure."""
    if exposure <= 0:
        return None
    low, high = poisson_interval(events, confidence)
    scale = per / exposure
    return Rate(events, exposure, per, events * scale, low * scale, high * scale)


@dataclass(frozen=True)
class ControlLimits:
    """Centre and limits of a control chart, one value for each point, and which points lie outside."""

    centre: float
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    outside: NDArray[np.bool_]


def u_chart(counts: ArrayLike, exposures: ArrayLike) -> ControlLimits:
    """Limits for counts over unequal exposures: mean rate, plus and minus 3 sqrt(mean rate / exposure).

    A point on its limit is inside. A point without exposure has NaN limits and is never outside.
    """
    count, exposure = np.asarray(counts, dtype=float), np.asarray(exposures, dtype=float)
    exposed = exposure > 0
    centre = float(count[exposed].sum() / exposure[exposed].sum()) if exposed.any() else math.nan
    spread = np.full(len(count), np.nan)
    spread[exposed] = 3 * np.sqrt(centre / exposure[exposed])
    lower, upper = np.maximum(centre - spread, 0.0), centre + spread
    rate = np.divide(count, exposure, out=np.full(len(count), np.nan), where=exposed)
    return ControlLimits(centre, lower, upper, (rate > upper) | (rate < lower))


@dataclass(frozen=True)
class Individuals:
    """An individuals and moving-range (XmR) chart's figures; the lower natural limit is not cut at zero."""

    mean: float
    mean_moving_range: float
    lower: float
    upper: float
    moving_range_upper: float
    outside: NDArray[np.bool_]


def individuals_chart(values: ArrayLike) -> Individuals | None:
    """Mean plus and minus 3 mean moving ranges / 1.128 (Montgomery & Runger 16-6); None below two values."""
    value = np.asarray(values, dtype=float)
    if len(value) < 2:
        return None
    mean, moving = float(value.mean()), float(np.abs(np.diff(value)).mean())
    reach = 3 * moving / D2_OF_TWO
    outside = (value > mean + reach) | (value < mean - reach)
    return Individuals(mean, moving, mean - reach, mean + reach, D4_OF_TWO * moving, outside)


@dataclass(frozen=True)
class MannKendall:
    """The sign test for a steady rise or fall, with Sen's slope per step."""

    rising_pairs: int
    falling_pairs: int
    tied_pairs: int
    s: int
    variance: float
    z: float
    p_two_sided: float
    slope_per_step: float


def mann_kendall(values: ArrayLike) -> MannKendall | None:
    """Test for a monotonic trend (Mann 1945, Kendall 1975; normal approximation with ties); None below three.

    Steps without a value (NaN) drop out of the test; Sen's slope keeps their place in time.
    """
    value = np.asarray(values, dtype=float)
    step = np.arange(len(value), dtype=float)[np.isfinite(value)]
    value = value[np.isfinite(value)]
    n = len(value)
    if n < 3:
        return None
    earlier, later = np.triu_indices(n, k=1)
    difference = value[later] - value[earlier]
    rising, falling = int((difference > 0).sum()), int((difference < 0).sum())
    s = rising - falling
    _, ties = np.unique(value, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
    z = 0.0 if s == 0 or variance == 0 else (s - math.copysign(1, s)) / math.sqrt(variance)
    slope = float(np.median(difference / (step[later] - step[earlier])))
    tied = len(difference) - rising - falling
    return MannKendall(rising, falling, tied, s, variance, z, math.erfc(abs(z) / math.sqrt(2)), slope)


def withheld(counts: ArrayLike, smallest_shown: int) -> NDArray[np.bool_]:
    """Mark the counts that must not be shown: small ones, and one more when the total would give it away.

    Primary: 0 < count < `smallest_shown`. Secondary: when exactly one is withheld, the smallest other count
    above zero goes too, since total minus the rest would reveal it (rule of health departments' guides).
    """
    count = np.asarray(counts)
    hidden: NDArray[np.bool_] = (count > 0) & (count < smallest_shown)
    if hidden.sum() == 1:
        others = np.flatnonzero(~hidden & (count > 0))
        if len(others):
            hidden[others[np.argmin(count[others])]] = True
    return hidden
