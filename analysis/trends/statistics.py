"""Rates from small counts, control limits and trends, each with its published formula."""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaincinv, gammaincinv, stdtrit

NORMAL_95 = 1.959964
_TAIL = 0.025  # on each side of a 95 % interval
SMALL_SAMPLE = 8
LARGEST_OF_THE_EXACT_TABLE = 10
"""Up to so many values Mann-Kendall is taken exactly (Gilbert 1987, table A18, as cited by PAST's manual)."""


class Rate(NamedTuple):
    """Wears with an event per so many wears, with its exact 95 % interval."""

    rate: float
    low: float
    high: float


def poisson_interval(events: int) -> tuple[float, float]:
    """Return the exact 95 % interval of a Poisson mean from one count.

    Half the chi-squared quantiles with 2k and 2k+2 degrees of freedom (Garwood 1936), written with the
    inverse incomplete gamma function, which is the same thing. For no events the lower end is 0 and the
    upper end 3.689.
    """
    low = float(gammaincinv(events, _TAIL)) if events else 0.0
    return low, float(gammaincinv(events + 1, 1 - _TAIL))


def share_interval(count: float, of: float, tail: float = _TAIL) -> tuple[float, float]:
    """Return the exact interval of a share (Clopper and Pearson 1934), 95 %; counts may be fractions."""
    if of <= 0:
        return 0.0, 1.0
    low = float(betaincinv(count, of - count + 1, tail)) if count else 0.0
    high = float(betaincinv(count + 1, of - count, 1 - tail)) if count < of else 1.0
    return low, high


def binomial_rate(events: int, wears: int, per: float) -> Rate | None:
    """Return wears with an event per `per` wears, by `share_interval`; None without wears."""
    if wears <= 0:
        return None
    low, high = share_interval(events, wears)
    return Rate(per * events / wears, per * low, per * high)


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
    slope_low: float
    slope_high: float
    """95 % interval of the slope."""


def mann_kendall(values: ArrayLike, more: float = 1.0) -> MannKendall | None:
    """Test for a monotonic trend (Mann 1945, Kendall 1975; normal approximation with ties); None below three.

    Steps without a value (NaN) drop out of the test; Sen's slope keeps their place in time. `more` is by how
    much the variance grows because neighbours are alike.
    """
    value = np.asarray(values, dtype=float)
    known = value[np.isfinite(value)]
    found = seasonal_kendall(value, 1, more) if len(known) > 2 else None
    if found is None or found.tied_pairs or more > 1.0 or len(known) > LARGEST_OF_THE_EXACT_TABLE:
        return found
    from scipy.stats import kendalltau  # half a second to import: only when it is needed

    exact = kendalltau(np.arange(len(known)), known, method="exact")
    return replace(found, p_two_sided=float(exact.pvalue))


def _sen(slopes: NDArray[np.float64], variance: float) -> tuple[float, float, float]:
    """Return Sen's slope and its 95 % interval from the ranks of all pairs' slopes.

    Sen 1968, JASA 63:1379-1389, as `scipy.stats.theilslopes` takes the ranks; with a season the variance is
    the sum over the months (Gilbert 1987, section 17.3; from memory).
    """
    ordered, reach = np.sort(slopes), NORMAL_95 * math.sqrt(variance)
    low = max(round((len(ordered) - reach) / 2) - 1, 0)
    high = min(round((len(ordered) + reach) / 2), len(ordered) - 1)
    return float(np.median(ordered)), float(ordered[low]), float(ordered[high])


def seasonal_kendall(values: ArrayLike, seasons: int = 12, more: float = 1.0) -> MannKendall | None:
    """Test for a steady rise or fall under a season that repeats every `seasons` steps.

    Each month is compared with the same month of other years only; S and its variance are summed over the
    months (Hirsch, Slack and Smith 1982, Water Resources Research 18:107-121; from memory). The slope is
    the median over the same pairs, per step. None when no month has two values. `more` as in `mann_kendall`.
    """
    value = np.asarray(values, dtype=float)
    slopes: list[NDArray[np.float64]] = []
    rising = falling = tied = 0
    variance = 0.0
    for first in range(seasons):
        same = value[first::seasons]
        year = np.arange(len(same), dtype=float)[np.isfinite(same)]
        same = same[np.isfinite(same)]
        n = len(same)
        if n < 2:
            continue
        earlier, later = np.triu_indices(n, k=1)
        difference = same[later] - same[earlier]
        up, down = int((difference > 0).sum()), int((difference < 0).sum())
        rising, falling, tied = rising + up, falling + down, tied + len(difference) - up - down
        _, ties = np.unique(same, return_counts=True)
        variance += (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
        slopes.append(difference / (seasons * (year[later] - year[earlier])))
    if not slopes:
        return None
    s, variance = rising - falling, more * variance
    z = 0.0 if s == 0 or variance == 0 else (s - math.copysign(1, s)) / math.sqrt(variance)
    sen = _sen(np.concatenate(slopes), variance)
    return MannKendall(rising, falling, tied, s, variance, z, math.erfc(abs(z) / math.sqrt(2)), *sen)


def chance_of_so_many(events: ArrayLike, of: ArrayLike, share: ArrayLike) -> NDArray[np.float64]:
    """Return the chance that `events` or more of `of` fall to a part whose share of the exposure is `share`.

    The binomial tail, which is how two Poisson counts are compared exactly (Przyborowski and Wilenski 1940;
    from memory), written with the incomplete beta function so that counts may be fractions.
    """
    count, total = np.asarray(events, dtype=float), np.asarray(of, dtype=float)
    tail = betainc(np.maximum(count, 1e-9), total - count + 1.0, np.asarray(share, dtype=float))
    return np.where(count <= 0, 1.0, tail)


def mann_whitney_of_groups(values: ArrayLike, group: ArrayLike, groups: int) -> NDArray[np.float64]:
    """Return for each group the chance that its values are so much greater than all others'.

    Mann and Whitney 1947: the normal approximation with the corrections for ties and continuity, all groups
    from one ranking; exact where one side has 8 values or fewer, as `scipy.stats.mannwhitneyu` does. NaN in
    `values` does not count; 1 for a group without values, or without others.
    """
    from scipy.stats import mannwhitneyu, norm, rankdata

    every, of = np.asarray(values, dtype=float), np.asarray(group)
    of, every = of[np.isfinite(every)], every[np.isfinite(every)]
    ranks, n = rankdata(every), float(len(every))
    _, ties = np.unique(every, return_counts=True)
    tied = float((ties.astype(float) ** 3 - ties).sum()) / max(n * (n - 1), 1.0)
    own = np.bincount(of, minlength=groups).astype(float)
    u = np.bincount(of, ranks, minlength=groups) - own * (own + 1) / 2
    spread = np.sqrt(own * (n - own) / 12 * (n + 1 - tied))
    z = np.divide(u - own * (n - own) / 2 - 0.5, spread, out=np.full(groups, -np.inf), where=spread > 0)
    chance = np.asarray(norm.sf(z), dtype=np.float64)
    for one in np.flatnonzero((np.minimum(own, n - own) <= SMALL_SAMPLE) & (own > 0) & (own < n)):
        chance[one] = mannwhitneyu(every[of == one], every[of != one], alternative="greater").pvalue
    return chance


def interval_of_a_mean(sums: ArrayLike, sizes: ArrayLike) -> tuple[float, float]:
    """Return the 95 % interval of a mean over things that come in lots, such as one person's wears.

    The lots are what was drawn, not the things in them: ratio of sums with the linearised variance over lots
    (Cochran, Sampling Techniques, 3rd edition 1977, section 2.11; from memory), Student's t with one degree
    of freedom less than lots. NaN below two lots.

    `sums` and `sizes`: array of one value a lot: sum over its things, and how many they are.
    """
    total, size = np.asarray(sums, dtype=float), np.asarray(sizes, dtype=float)
    lots = len(size)
    if lots < 2 or size.sum() <= 0:
        return math.nan, math.nan
    mean = total.sum() / size.sum()
    variance = lots / (lots - 1) * float(((total - mean * size) ** 2).sum()) / float(size.sum()) ** 2
    reach = float(stdtrit(lots - 1, 0.975)) * math.sqrt(variance)
    return mean - reach, mean + reach


def interval_of_a_rank_correlation(rho: float, pairs: int) -> tuple[float, float]:
    """Return the 95 % interval of Spearman's correlation (Bonett and Wright 2000; from memory)."""
    reach = NORMAL_95 * math.sqrt((1 + rho**2 / 2) / (pairs - 3))
    middle = math.atanh(max(-0.9999, min(0.9999, rho)))
    return math.tanh(middle - reach), math.tanh(middle + reach)


def false_discovery_rates(chances: ArrayLike) -> NDArray[np.float64]:
    """Return each p-value adjusted for how many there are (Benjamini and Hochberg 1995)."""
    from scipy.stats import false_discovery_control  # half a second to import: only when it is needed

    values = np.asarray(chances, dtype=float)
    return np.asarray(false_discovery_control(values, method="bh")) if len(values) else values
