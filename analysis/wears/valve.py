"""When a set is under air: the valve's opening and closing, read from the pressure alone.

Hysteresis, our own rule: open when the pressure comes above 20 bar, closed below 5 bar.
Opened is a rise within 8 s, changed is a rise of more than 25 bar within a minute.
"""

import math

import numpy as np

from analysis.compiled import compiled
from analysis.records import Bools, Floats, Ints

OPEN_ABOVE_BAR = 20.0
CLOSED_BELOW_BAR = 5.0
RAMP_S = 8.0
"""An opening valve brings the pressure up within this: people turn it fully open at once. Our own rule."""
CHANGED_RISE_BAR, FILLED_S = 25.0, 60.0
"""A rise of more than this within a minute is another cylinder, or this one being filled: warming gas rises
more slowly. Our own rule."""
SLOW_OPENING_S = 20.0
"""A second rise so soon after the first belongs to one slow opening. Our own rule."""
OPENING_READINGS = 3
UNBREATHABLE_L_S = 10.0
"""600 L/min of nominal air: faster than anybody breathes or air flows freely. Our own rule."""
HOSE_FALLS_BAR_S = 10.0
CLOSING_S = 10.0
"""A closed valve leaves the air of the hose, some 17 mL (from memory): at 10 L/min it falls as fast.
A slower fall that is seen for longer is the cylinder's own, from a burst hose. Our own rule."""
SPIKE_BAR = 25.0
SPIKE_BACK_BAR = 10.0
SPIKE_BACK_S = 25.0
"""Nobody closes a valve, opens it and has the old pressure in so short a time. Our own rule."""
DROPPED_OUT_S = 60.0
"""If readings leap down and up again within this, the sensor dropped out. Our own rule."""

SWINGS, SWINGS_WITHIN_S, SLIP_READINGS = 2, 60.0, 2
"""So many falls of over 25 bar within a minute, faster than breathing, from which the gauge comes back: the
valve is not fully open or was shut, or the sensor is at fault. It is the same cylinder. Our own rule."""

SHUT_BELOW_BAR, STANDS_BAR, STANDS_S, OPENS_BAR = 60.0, 1.0, 20.0, 100.0
"""If a gauge first stands below this, without a fall, and then leaps up by so much, its valve was shut: the
sensor reads too high, or the line was still under pressure. Our own rule."""
SHUT_AGAIN_BAR = 3.0
STEP_BAR, LEAST_FALL_BAR = 2.0, 15.0
"""Steps of a gauge are no valve being shut. Our own rule."""

UNDECIDED_READINGS, UNDECIDED_S = 3, 30.0
"""A fall faster than breathing is decided after 8 s and three readings, or after so long. Our own rule."""

CLOSED, CHANGED, OPEN_AT_END = 0, 1, 2


def spikes(
    at_s: Floats, pressure_bar: Floats, until_s: float = math.inf, swung: Bools | None = None
) -> Bools:
    """Mark readings that jump and return within two readings: faults of the sensor, not events.

    A jump at the end that may still return by `until_s` (now) is marked too: nothing is decided by it.
    Source: the method: an outlier "back within two readings" is set aside; a jump that stays is an event.
    `swung`: the low readings of a gauge that swings; they are marked, too, and judge no jump.
    """
    if swung is None or not swung.any():
        marked: Bools = _spikes(at_s, pressure_bar, until_s)
        return marked
    both = swung.copy()
    both[~swung] = _spikes(at_s[~swung], pressure_bar[~swung], until_s)
    return both


def under_air(
    at_s: Floats, pressure_bar: Floats, spike: Bools, water_volume_l: float, until_s: float = math.inf
) -> list[tuple[int, int, int]]:
    """Return (first, last, how it ended) of every time under air.

    - `at_s`: array, shape (n,): seconds, ascending.
    - `pressure_bar`: array, shape (n,): gauge pressure, bar.
    - `spike`: array of bool, shape (n,): readings to leave out.
    - `water_volume_l`: water volume of all cylinders together, for what counts as faster than breathing.
    - `until_s`: now: what a later reading may still undo is left out. That is an opening of the last 8 s, and
      at the end a fall faster than breathing within them (a valve being closed). Infinite when nothing more
      comes.

    Returns a list of (int, int, int): indices of the first and the last reading, and `CLOSED`, `CHANGED` or
    `OPEN_AT_END`.
    """
    kept = np.flatnonzero(~spike)
    if not len(kept):
        return []
    limit_bar_s = UNBREATHABLE_L_S / water_volume_l
    # A leap at the end may be the return from a drop-out: wait for more readings.
    least = UNDECIDED_READINGS if not spike[-1] else len(at_s) + 1
    at_s, pressure_bar = at_s[kept], pressure_bar[kept]
    rows = _under_air(at_s, pressure_bar, limit_bar_s, until_s, least, shut_bar(at_s, pressure_bar))
    return [(int(kept[first]), int(kept[last]), int(how)) for first, last, how in rows.tolist()]


def shut_bar(at_s: Floats, pressure_bar: Floats) -> float:
    """Return what a gauge reads with its valve shut, bar: where it stands before it first leaps up.

    NaN if it reads 0, does not leap, or stands too high, too briefly or while it falls.
    """
    if not len(pressure_bar) or not CLOSED_BELOW_BAR <= pressure_bar[0] < SHUT_BELOW_BAR + STANDS_BAR:
        return math.nan  # as nearly always: asked of each set once a second
    left = np.flatnonzero(np.abs(pressure_bar - pressure_bar[:1]) > STANDS_BAR)
    if not len(left) or left[0] < OPENING_READINGS or at_s[left[0] - 1] - at_s[0] < STANDS_S:
        return math.nan
    stands = pressure_bar[: left[0]]
    rising = slice(left[0], np.searchsorted(at_s, at_s[left[0]] + RAMP_S, side="right"))
    shut = float(np.median(stands))
    opens = pressure_bar[rising].max() - shut >= OPENS_BAR
    falls = stands[-1] < stands[0]
    return shut if opens and shut < SHUT_BELOW_BAR and not falls else math.nan


def swings(at_s: Floats, pressure_bar: Floats, water_volume_l: float, until_s: float = math.inf) -> Bools:
    """Mark the low readings of a gauge that swings: again and again it falls at once and comes back.

    Only its highest readings can show what the cylinder holds. Low readings at the end that may still come
    back by `until_s` (now) are marked, too. Parameters as for `under_air`.
    """
    marked = np.zeros(len(at_s), np.bool_)
    if len(at_s) > SWINGS and any(
        (pressure_bar[:-over] - pressure_bar[over:]).max() > SPIKE_BAR
        for over in {1, min(OPENING_READINGS, len(at_s) - 1)}
    ):
        rows = _swings(at_s, pressure_bar, UNBREATHABLE_L_S / water_volume_l, until_s)
        for before, after in rows.tolist():
            marked[before + 1 : after] = True
    return marked


@compiled
def _swings(at_s: Floats, bar: Floats, limit_bar_s: float, until_s: float) -> Ints:
    # The readings before and after each low time; at the end, the number of readings in place of "after".
    n = len(bar)
    found = np.empty((n, 3), np.int64)
    count = series = level = 0
    highest = bar[0]
    while level + 1 < n:
        i = level + 1
        highest = max(highest, bar[level])
        fall = bar[level] - bar[i]
        if fall < 0.0 and count > 0 and at_s[i] - at_s[found[count - 1, 1]] <= SWINGS_WITHIN_S:
            # All below this reading were low, back to the last that was about as high.
            back, one, falls = level, count, 0
            while back > found[series, 0] and bar[back] < bar[i] - SPIKE_BACK_BAR:
                if back == found[one - 1, 1]:
                    one -= 1
                    falls += found[one, 2]
                    back = found[one, 0]
                else:
                    back -= 1
            rise = bar[i] - bar[back:i].min()
            if bar[back] >= bar[i] - SPIKE_BACK_BAR and rise > SPIKE_BAR - SPIKE_BACK_BAR:
                fell = rise > SPIKE_BAR and i - back > SLIP_READINGS + 1
                found[one, 0], found[one, 1], found[one, 2] = back, i, max(falls, int(fell))
                count = one + 1
                level = i
                continue
        if fall < -SPIKE_BAR:
            if i + 1 < n and abs(bar[i + 1] - bar[level]) <= SPIKE_BACK_BAR:
                i += 1  # a slip upwards
            elif i + 2 < n and abs(bar[i + 2] - bar[level]) <= SPIKE_BACK_BAR:
                i += 2
            level = i
            continue
        # A valve that is half shut lets the gauge fall over some readings.
        while i + 1 < n and bar[i] - bar[i + 1] > max(STEP_BAR, limit_bar_s * (at_s[i + 1] - at_s[i])):
            i += 1
        fall = bar[level] - bar[i]
        if fall <= SPIKE_BAR or fall <= limit_bar_s * (at_s[i] - at_s[level]):
            level += 1
            continue
        # A full cylinder whose valve is shut and opened again is only tried.
        tried = highest - bar[level] <= CHANGED_RISE_BAR
        falls, top, back, shut = 1, -1, -1, bar[i] < OPEN_ABOVE_BAR
        while i + 1 < n and at_s[i + 1] - at_s[level] <= (SPIKE_BACK_S if shut else SWINGS_WITHIN_S):
            i += 1
            shut = shut or bar[i] < OPEN_ABOVE_BAR
            if bar[i] > bar[level] + SPIKE_BACK_BAR or (shut and tried):
                break
            if bar[i - 1] - bar[i] > SPIKE_BAR:
                falls += 1
            if bar[i] - bar[i - 1] > SPIKE_BAR and (top < 0 or bar[i] >= bar[top]):
                top = i
            if bar[i] >= bar[level] - SPIKE_BAR:
                back = i
                break
        if back < 0 and top >= 0 and not shut and falls >= SWINGS:
            # It swings without coming all the way back; at the end of the readings it still may.
            back = n if i + 1 == n and until_s - at_s[level] <= SWINGS_WITHIN_S else top
        if back < 0:
            level += 1
            continue
        if not count or at_s[level] - at_s[found[count - 1, 1]] > SWINGS_WITHIN_S:
            series = count
        # One or two low readings are a slip of the sensor, unless they are among swings.
        found[count, 0], found[count, 1] = level, back
        found[count, 2] = falls if back - level > SLIP_READINGS + 1 else 0
        count += 1
        level = back
    rows: Ints = _repeated(at_s, found[:count])
    return rows


@compiled
def _repeated(at_s: Floats, found: Ints) -> Ints:
    # Those with enough falls within a minute.
    keep = np.zeros(len(found), np.bool_)
    for one in range(len(found)):
        falls = 0
        for other in range(one, len(found)):
            ends_s = at_s[min(found[other, 1], len(at_s) - 1)]
            if other > one and ends_s - at_s[found[one, 0]] > SWINGS_WITHIN_S:
                break
            falls += found[other, 2]
            if falls >= SWINGS:
                keep[one : other + 1] = True
    return found[keep, :2]


@compiled
def _spikes(at_s: Floats, bar: Floats, until_s: float) -> Bools:
    n = len(bar)
    marked = np.zeros(n, np.bool_)
    good = 0
    i = 1
    while i < n:
        if abs(bar[i] - bar[good]) > SPIKE_BAR:
            back = 0
            for j in range(i + 1, min(i + 3, n)):
                if abs(bar[j] - bar[good]) <= SPIKE_BACK_BAR and at_s[j] - at_s[good] <= SPIKE_BACK_S:
                    back = j
                    break
            if back > 0:
                marked[i:back] = True
                good = back
                i = back + 1
                continue
            if n - i < 3 and until_s - at_s[good] <= SPIKE_BACK_S:
                marked[i:n] = True
                break
        good = i
        i += 1
    return marked


@compiled
def _opened(at_s: Floats, bar: Floats, first: int) -> int:
    # The valve is open when the pressure is within one bar of the highest of the next 8 s (if few readings
    # are heard, of the next three): half-way up the entry pressure would be too low.
    top = bar[first]
    last = first
    while last + 1 < len(bar):
        after_s = at_s[last + 1] - at_s[first]
        if after_s > SLOW_OPENING_S or (after_s > RAMP_S and last - first >= OPENING_READINGS):
            break
        last += 1
        top = max(top, bar[last])
    j = first
    while bar[j] < top - 1.0:
        j += 1
    return j


@compiled
def _before_collapse(at_s: Floats, bar: Floats, start: int, last: int, limit_bar_s: float) -> int:
    k = last
    while k > start:
        fall = bar[k - 1] - bar[k]
        if fall <= STEP_BAR or fall <= limit_bar_s * (at_s[k] - at_s[k - 1]):
            break
        k -= 1
    return k


@compiled
def _end(at_s: Floats, bar: Floats, start: int, i: int, limit_bar_s: float) -> int:
    # The last reading of the open valve, if reading i is of a closed valve or an empty cylinder. A loss of
    # air is part of the wear.
    k = i
    while k > start and bar[k - 1] - bar[k] > HOSE_FALLS_BAR_S * (at_s[k] - at_s[k - 1]):
        k -= 1
    seen = min(k, i - 1)
    before: int = _before_collapse(at_s, bar, start, seen, limit_bar_s)
    if before < seen and at_s[seen] - at_s[before + 1] >= CLOSING_S:
        return k
    return before


@compiled
def _settled(at_s: Floats, bar: Floats, start: int, i: int) -> int:
    # The reading from which on it has hardly moved until reading i, of those shortly before.
    k = i
    while k > start and abs(bar[k - 1] - bar[k]) <= STEP_BAR and at_s[i] - at_s[k - 1] <= CLOSING_S:
        k -= 1
    return k


@compiled
def _stands(at_s: Floats, bar: Floats, i: int, until_s: float) -> bool:
    # For longer than a drop-out lasts, or to the end of the record.
    j = i
    while j + 1 < len(bar) and abs(bar[j + 1] - bar[i]) <= STANDS_BAR:
        j += 1
    over = j + 1 == len(bar) and until_s == math.inf and j - i + 1 >= OPENING_READINGS
    return over or at_s[j] - at_s[i] > DROPPED_OUT_S


@compiled
def _before_drop_out(at_s: Floats, bar: Floats, start: int, low: int, limit_bar_s: float) -> int:
    # Readings after a leap that nobody breathes are not the wearer's pressure.
    k = low
    while k > start and at_s[low] - at_s[k - 1] <= DROPPED_OUT_S:
        if abs(bar[k - 1] - bar[low]) > SPIKE_BACK_BAR:
            break
        k -= 1
    leap = bar[k - 1] - bar[k] if k > start else 0.0
    dropped = leap > SPIKE_BAR and leap > limit_bar_s * (at_s[k] - at_s[k - 1])
    last: int = _before_collapse(at_s, bar, start, k if dropped else low, limit_bar_s)
    return last


@compiled
def _under_air(
    at_s: Floats, bar: Floats, limit_bar_s: float, until_s: float, least: int, shut_at_bar: float
) -> Ints:
    n = len(bar)
    out = np.empty((n // 2 + 1, 3), np.int64)
    count = 0
    start = -1
    i = 0
    while i < n:
        if start < 0:
            # These comparisons are false for NaN.
            if bar[i] > OPEN_ABOVE_BAR and not abs(bar[i] - shut_at_bar) <= SHUT_AGAIN_BAR:
                if until_s - at_s[i] < RAMP_S:
                    break
                start = _opened(at_s, bar, i)
                i = start
            i += 1
            continue
        shut = bar[i] < OPEN_ABOVE_BAR or abs(bar[i] - shut_at_bar) <= SHUT_AGAIN_BAR
        if shut or bar[i] < SHUT_BELOW_BAR:
            low = _settled(at_s, bar, start, i)
            fell_bar = bar[_before_collapse(at_s, bar, start, low, limit_bar_s)] - bar[low]
            closes = fell_bar > LEAST_FALL_BAR and (
                shut or (fell_bar > SPIKE_BAR and _stands(at_s, bar, i, until_s))
            )
            end = _end(at_s, bar, start, low if closes else i, limit_bar_s)
            if bar[i] < CLOSED_BELOW_BAR or (closes and end < low):
                if bar[i] > OPEN_ABOVE_BAR:
                    shut_at_bar = bar[i]
                out[count, 0] = start
                out[count, 1] = end
                out[count, 2] = CLOSED
                count += 1
                start = -1
                i += 1
                continue
        low = i - 1
        k = i - 1
        while k > start and bar[i] > bar[i - 1] and at_s[i] - at_s[k - 1] <= FILLED_S:
            k -= 1
            if bar[k] < bar[low]:
                low = k
        if bar[i] - bar[low] > CHANGED_RISE_BAR:
            if at_s[low] - at_s[start] >= SLOW_OPENING_S:
                out[count, 0] = start
                out[count, 1] = _before_drop_out(at_s, bar, start, low, limit_bar_s)
                out[count, 2] = CHANGED
                count += 1
            if until_s - at_s[i] < RAMP_S:
                start = -1
                break
            start = _opened(at_s, bar, i)
            i = start + 1
            continue
        i += 1
    if start >= 0:
        last = n - 1
        k = last
        while k > start:
            age_s = until_s - at_s[k]
            if age_s >= RAMP_S and (n - k >= least or age_s >= UNDECIDED_S):
                break
            fall = bar[k - 1] - bar[k]
            if fall > STEP_BAR and fall > limit_bar_s * (at_s[k] - at_s[k - 1]):
                last = k - 1
            k -= 1
        out[count, 0] = start
        out[count, 1] = last
        out[count, 2] = OPEN_AT_END
        count += 1
    return out[:count]
