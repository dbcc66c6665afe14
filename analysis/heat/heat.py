"""Heat: the surroundings behind a sensor that lags, thermal classes, doses, and two triggers.

The set's reading is the measurement. The surroundings are an estimate from it: a sensor that follows with
one time constant, ds/dt = (T - s) / tau, and surroundings that wander (Kalman filter and
Rauch-Tung-Striebel smoother; figures in analysis/docs/method.md). The time constant is never known well, so
the estimate is made three times (0.7, 1 and 1.3 times the assumed one) and its range is handed on. Where the
readings change faster than such a sensor can, the lag is not removed at all. A broken sensor must neither
lengthen a forecast nor invent a fire: readings that cannot be do not count.

The laws of tenability and the thermal classes are of air temperature on people without fire kit, or of
equipment in test ovens. None of it is what a person in fire kit felt.
"""

from dataclasses import dataclass

import numpy as np

from analysis.compiled import compiled
from analysis.profile import DoseLaw, Profile
from analysis.records import Bools, Floats, Ints

LAG_RANGE = (0.7, 1.0, 1.3)
WANDER_K2_S = 30.0
"""Variance that the surroundings gain a second, K^2/s: some 40 K in a minute. Our own rule."""
READING_K2 = 0.12
"""Variance of a reading, K^2: noise of 0.3 K and steps of 0.5 K. Our own rule."""
SENSOR_RANGE_C = (-60.0, 1200.0)
"""What the message contract lets a heat sensor say."""
NO_LAG_S = 0.1
"""As good as none on a grid of 1 s."""
SILENT_S = 30.0
"""Further than this from any reading no class is given. Our own rule."""
COLDEST_C, HOTTEST_C = -40.0, 600.0
"""Nobody was in surroundings beyond this: 600 °C is a room in flashover (common practice, no source); a
sensor that breaks often reads the end of its range. Our own rule."""
COLDEST_FOR_AIR_C = -20.0
"""Cold explains a fall of the pressure without a breath: no colder than this does. Our own rule."""
SPIKE_K, SPIKE_S = 100.0, 10.0
"""One or two readings further off than this from both neighbours, which agree and are no further apart, are
a slip of the sensor. Our own rule; pressures have the like."""
CLASS_LIMITS_C = (100.0, 160.0, 260.0)
"""Upper limits of thermal classes I, II, III (NIST TN 1474, 2006, as NIST reported it)."""
TESTED_S = (1500.0, 900.0, 300.0, 60.0)
"""Seconds that equipment is tested in each class: 25, 15, 5 min (same); class IV under 1 min from memory."""


@dataclass(slots=True)
class HeatTrack:
    """Heat on a wear's 1 s grid, from the readings that count; NaN where nothing is known."""

    # `temperature_c`, `ambient_c`, `ambient_lo_c`, `ambient_hi_c`, `dose`: arrays, shape (n,)
    temperature_c: Floats
    ambient_c: Floats
    ambient_lo_c: Floats
    ambient_hi_c: Floats
    thermal_class: Ints  # array of int, shape (n,): 1 to 4, or 0 where none can be given
    dose: Floats
    # `doubtful_s`, `doubtful_c`: the readings that count for nothing (`credible`): seconds, °C
    doubtful_s: Floats
    doubtful_c: Floats
    # The surroundings that removing the lag would have asked for, where they are beyond belief: the lag is
    # not this sensor's, the estimate follows the reading, and the range covers both. None otherwise.
    disproved_c: float | None = None

    @property
    def measured(self) -> bool:
        """Whether any reading counts."""
        return bool(np.isfinite(self.temperature_c).any())

    @property
    def not_heard_s(self) -> int:
        """Seconds further than 30 s from any reading that counts: no class, and no dose, is given there."""
        return int(np.count_nonzero(self.thermal_class == 0))

    def most_dose(self, law: DoseLaw) -> float:
        """Return the dose if it was as hot, where nothing was heard, as just before or after it."""
        heard = self.thermal_class > 0
        where = np.flatnonzero(heard)
        if not len(where):
            return 0.0
        place = np.searchsorted(where, np.arange(len(heard)))
        before, after = where[np.maximum(place - 1, 0)], where[np.minimum(place, len(where) - 1)]
        warmest = np.maximum(self.ambient_c[before], self.ambient_c[after])
        return float(np.sum(dose_rate_s(np.where(heard, self.ambient_c, warmest), law)))


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


def tenability_min(temperature_c: Floats, law: DoseLaw) -> Floats:
    """Return the minutes to a full dose in air at a temperature.

    - `temperature_c`: air temperature, °C; at and below 0 the time is infinite.
    - `law`: "iso13571_clothed": t = 4.1e8 T^-3.61, ISO 13571:2012 Eq. (9), fully clothed subjects (secondary
      source). "sfpe_unclothed": t = 5e7 T^-3.4, SFPE Handbook, 5th ed., Eq. 63.44 (secondary source). Both
      are laws of air temperature for people without fire kit.
    """
    warm = np.maximum(np.asarray(temperature_c, dtype=np.float64), 1e-3)
    factor, power = (4.1e8, -3.61) if law == "iso13571_clothed" else (5.0e7, -3.4)
    return np.asarray(factor * warm**power, dtype=np.float64)


def dose_rate_s(temperature_c: Floats, law: DoseLaw) -> Floats:
    """Return the dose taken each second; NaN, and air at or below 0 °C, count as nothing."""
    return np.where(temperature_c > 0.0, 1.0 / (60.0 * tenability_min(temperature_c, law)), 0.0)


def thermal_class(temperature_c: Floats) -> Ints:
    """Return the thermal class, 1 to 4; 0 for NaN.

    Source: NIST TN 1474 (2006): class I to 100 °C, II to 160 °C, III to 260 °C, IV above (IV from memory).
    """
    classes = 1 + np.searchsorted(np.array(CLASS_LIMITS_C), temperature_c, side="left").astype(np.int64)
    return np.where(np.isnan(temperature_c), 0, classes)


def seconds_in_classes(classes: Ints) -> Floats:
    """Return the seconds of a 1 s grid in classes 1 to 4, shape (4,)."""
    return np.bincount(classes, minlength=5)[1:5].astype(np.float64)


def surroundings(reading_c: Floats, lag_s: float) -> tuple[Floats, Floats]:
    """Estimate the surroundings of a sensor with one time constant, on the 1 s grid.

    - `reading_c`: array, shape (n,): the sensor's reading at each second, NaN where there is none.
    - `lag_s`: time constant of the sensor, s.

    Returns (ambient_c, sd_k): estimate and its standard deviation, shape (n,); NaN before the first reading.
    """
    estimate: tuple[Floats, Floats] = _smooth(reading_c, lag_s, WANDER_K2_S, READING_K2)
    return estimate


def on_grid(time_s: Floats, values: Floats, seconds: int) -> Floats:
    """Put readings on the 1 s grid, each at its second (of several the highest); NaN where none is."""
    grid = np.full(seconds, np.nan)
    inside = (time_s >= 0.0) & (time_s < seconds)
    np.fmax.at(grid, time_s[inside].astype(np.int64), values[inside])
    return grid


def track(time_s: Floats, temperature_c: Floats, seconds: int, profile: Profile) -> HeatTrack:
    """Return the heat of one wear.

    - `time_s` and `temperature_c`: arrays, shape (n,): the heat sensor's readings, seconds from the wear's
      start.
    - `seconds`: length of the 1 s grid.
    - `profile`: for the sensor's time constant and the dose law.
    """
    counts = credible(time_s, temperature_c)
    reading = on_grid(time_s[counts], temperature_c[counts], seconds)
    lag_s = profile.heat.sensor_lag_s
    runs = [surroundings(reading, lag_s * factor) for factor in LAG_RANGE]
    ambient = runs[1][0]
    low, high = _range(runs[0][0], runs[0][1], runs[1][0], runs[1][1], runs[2][0], runs[2][1])
    # By the shortest of the three: what the range covers anyway is not disproved.
    disproved_c = beyond_belief_c(reading, runs[0][0])
    if disproved_c is not None:
        lag_s = NO_LAG_S
        ambient, sd_k = surroundings(reading, lag_s)
        low = np.clip(np.minimum(low, ambient - 1.645 * sd_k), *SENSOR_RANGE_C)
        high = np.clip(np.maximum(high, ambient + 1.645 * sd_k), *SENSOR_RANGE_C)
    near = _near(reading, int(SILENT_S))
    classes = np.where(near, thermal_class(ambient), 0)
    _drop_short_stays(classes, max(int(lag_s / 2.0), 1))
    dose = np.cumsum(dose_rate_s(np.where(near, ambient, np.nan), profile.heat.dose_law))
    doubtful_s, doubtful_c = time_s[~counts], temperature_c[~counts]
    return HeatTrack(reading, ambient, low, high, classes, dose, doubtful_s, doubtful_c, disproved_c)


def beyond_belief_c(reading_c: Floats, ambient_c: Floats) -> float | None:
    """Return the estimate furthest beyond any possible surroundings; None when all are possible.

    A sensor with one time constant follows slowly: a reading that jumps implies surroundings of thousands of
    degrees, for a moment. Then it is the time constant that is wrong.

    `reading_c` and `ambient_c`: arrays, shape (n,): readings, NaN where there is none, and the estimate with
    the lag removed.
    """
    known = reading_c[np.isfinite(reading_c)]
    estimate = ambient_c[np.isfinite(ambient_c)]
    if not len(known) or not len(estimate):
        return None
    hottest, coldest = float(estimate.max()), float(estimate.min())
    over, under = hottest - HOTTEST_C, SENSOR_RANGE_C[0] - coldest
    if max(over, under) <= 0.0:
        return None
    return hottest if over >= under else coldest


def rapid_rise(ambient_c: Floats, sure: Bools, profile: Profile) -> tuple[int, int, float] | None:
    """Return (from, to, K/min) in seconds of the grid of the first rapid rise; None without one.

    A rise of `rise_over_k` within the time that `rise_k_min` allows for it, ending above the limit of
    class I (our own rule: coming in from the cold is no rapid rise).
    """
    window = max(round(60.0 * profile.heat.rise_over_k / profile.heat.rise_k_min), 1)
    if len(ambient_c) <= window:
        return None
    rise = ambient_c[window:] - ambient_c[:-window]
    hit = (rise >= profile.heat.rise_over_k) & (ambient_c[window:] > CLASS_LIMITS_C[0])
    hit &= sure[window:] & sure[:-window]
    where = np.flatnonzero(hit)
    if not len(where):
        return None
    # The steepest moment of the first run of hits says how fast it was.
    breaks = np.flatnonzero(np.diff(where) > 1)
    run = where[: breaks[0] + 1] if len(breaks) else where
    steepest = float(rise[run].max()) * 60.0 / window
    return int(run[0]), int(run[-1]) + window, steepest


@compiled
def _smooth(reading: Floats, lag_s: float, wander: float, noise: float) -> tuple[Floats, Floats]:
    """Kalman filter and RTS smoother of (sensor, surroundings); `reading` is NaN where there is none."""
    n = len(reading)
    k = 1.0 - np.exp(-1.0 / lag_s)
    ambient = np.full(n, np.nan)
    sd = np.full(n, np.nan)
    first = -1
    for i in range(n):
        if not np.isnan(reading[i]):
            first = i
            break
    if first < 0:
        return ambient, sd
    # Filtered and predicted means and covariances (a: sensor, b: surroundings).
    fm = np.empty((n, 2))
    fp = np.empty((n, 3))
    pm = np.empty((n, 2))
    pp = np.empty((n, 3))
    a, b = reading[first], reading[first]
    paa, pab, pbb = noise, 0.0, 900.0  # the surroundings may differ from the first reading by 30 K
    for i in range(first, n):
        if i > first:
            a, b = a + k * (b - a), b
            naa = (1 - k) * (1 - k) * paa + 2 * k * (1 - k) * pab + k * k * pbb
            nab = (1 - k) * pab + k * pbb
            paa, pab, pbb = naa + 1e-6, nab, pbb + wander
        pm[i, 0], pm[i, 1] = a, b
        pp[i, 0], pp[i, 1], pp[i, 2] = paa, pab, pbb
        if not np.isnan(reading[i]) and i > first:
            s = paa + noise
            ga, gb = paa / s, pab / s
            e = reading[i] - a
            a, b = a + ga * e, b + gb * e
            pbb = pbb - gb * pab
            pab = (1 - ga) * pab
            paa = (1 - ga) * paa
        fm[i, 0], fm[i, 1] = a, b
        fp[i, 0], fp[i, 1], fp[i, 2] = paa, pab, pbb
    ma, mb = fm[n - 1, 0], fm[n - 1, 1]
    qaa, qab, qbb = fp[n - 1, 0], fp[n - 1, 1], fp[n - 1, 2]
    ambient[n - 1], sd[n - 1] = mb, np.sqrt(qbb)
    for i in range(n - 2, first - 1, -1):
        # Gain C = P F' inv(P_pred), F = [[1-k, k], [0, 1]].
        uaa = fp[i, 0] * (1 - k) + fp[i, 1] * k
        uab = fp[i, 1]
        uba = fp[i, 1] * (1 - k) + fp[i, 2] * k
        ubb = fp[i, 2]
        det = pp[i + 1, 0] * pp[i + 1, 2] - pp[i + 1, 1] * pp[i + 1, 1]
        iaa, iab, ibb = pp[i + 1, 2] / det, -pp[i + 1, 1] / det, pp[i + 1, 0] / det
        caa, cab = uaa * iaa + uab * iab, uaa * iab + uab * ibb
        cba, cbb = uba * iaa + ubb * iab, uba * iab + ubb * ibb
        da, db = ma - pm[i + 1, 0], mb - pm[i + 1, 1]
        ea, eb, ec = qaa - pp[i + 1, 0], qab - pp[i + 1, 1], qbb - pp[i + 1, 2]
        ma, mb = fm[i, 0] + caa * da + cab * db, fm[i, 1] + cba * da + cbb * db
        haa, hab = caa * ea + cab * eb, caa * eb + cab * ec
        hba, hbb = cba * ea + cbb * eb, cba * eb + cbb * ec
        qaa = fp[i, 0] + haa * caa + hab * cab
        qab = fp[i, 1] + haa * cba + hab * cbb
        qbb = fp[i, 2] + hba * cba + hbb * cbb
        ambient[i], sd[i] = mb, np.sqrt(max(qbb, 0.0))
    return ambient, sd


@compiled
def _range(a: Floats, asd: Floats, b: Floats, bsd: Floats, c: Floats, csd: Floats) -> tuple[Floats, Floats]:
    low = np.empty(len(a))
    high = np.empty(len(a))
    for i in range(len(a)):
        low[i] = min(a[i] - 1.645 * asd[i], b[i] - 1.645 * bsd[i], c[i] - 1.645 * csd[i])
        high[i] = max(a[i] + 1.645 * asd[i], b[i] + 1.645 * bsd[i], c[i] + 1.645 * csd[i])
    return low, high


@compiled
def _near(reading: Floats, reach: int) -> Bools:
    n = len(reading)
    near = np.zeros(n, np.bool_)
    filled = 0  # everything before is decided
    for i in range(n):
        if not np.isnan(reading[i]):
            last = min(n, i + reach + 1)
            near[max(filled, i - reach) : last] = True
            filled = last
    return near


@compiled
def _drop_short_stays(classes: Ints, shortest: int) -> None:
    """A class is not given for a stay shorter than about half the lag: it would be noise. Our own rule.

    A peak that is too short takes the higher class of its two neighbours.
    """
    n = len(classes)
    for level in range(4, 1, -1):
        i = 0
        while i < n:
            if classes[i] < level:
                i += 1
                continue
            j = i
            while j < n and classes[j] >= level:
                j += 1
            if j - i < shortest and (i > 0 or j < n):
                left = classes[i - 1] if i > 0 else 1
                right = classes[j] if j < n else 1
                for m in range(i, j):
                    classes[m] = max(left, right, 1)
            i = j
