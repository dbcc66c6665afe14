"""The reconciled clock: maps each set's and desk's own time onto the listener's, one fit a power-up.

A message cannot be heard before it is sent: `time - received` is at most the offset of the speaker's
clock (set minus listener), and comes close to it for the messages that came through fastest. The offset
is therefore the upper edge of all `time - received`: among the straight lines that have every message on
or below them, the one nearest to the messages on average (a linear programme whose answer is the edge of
the upper convex hull over the mean time; Moon, Skelly and Towsley, "Estimation and removal of clock skew
from network delay measurements", INFOCOM 1999, from memory). The smallest delay itself cannot be known
from one-way messages; it stays in the offset (a few hundredths of a second on an ordinary link).

`uptime_s`, from a clock that never jumps, is used in place of `time` where every message has it. Else steps
are found in `seq` order: a step changes the level for good, stored and forwarded messages come back to it.
Retained messages are left out (they were heard long after they were said). Stored messages, sent later or
read out of a memory, move nothing; a power-up known from nothing else keeps its own time, and its spread
stays empty: its clock could not be checked. A clock that stands still or hardly runs
is none: its messages are placed where they were received.
"""

import itertools
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import polars as pl

from analysis.clocks.steps import (
    BACKWARD_S,
    BEAT_MESSAGES,
    FORWARD_S,
    agree_in_pace,
    find_steps,
    keeps_rhythm,
    no_clock,
    numbered_when_sent,
    own_break_s,
    quantum_s,
    stored,
    uptime_steps,
)
from analysis.compiled import compiled
from analysis.records import NUMBERS, Bools, Floats, Ints, Key, PowerUp, power_ups
from analysis.tables import table_of

MICRO = 1e-6
DRIFT_FROM_S = 900.0
"""A drift is fitted to a record at least so long; 0.05 s of radio jitter over it is 55 ppm. Our own rule."""
DRIFT_FROM_MESSAGES = 100
DRIFT_MOST_PPM = 300.0
"""Quartz clocks stay well below this; a steeper line comes from delays, not from a clock. Our own rule."""

HELD_BACK_S = 10.0
"""A delay that may hide behind a jump of a clock, or a new power-up, counts from here on. Our own rule."""
SAME_CLOCK_S = 60.0
"""A clock that lost no more than this, besides the delay, ran on over a new power-up. Our own rule."""
NEXT_WITHIN_US = 3600 * 1_000_000
LATEST = 5

MOST_UPTIME_S = 1e10
"""Three hundred years: a larger uptime is wrong, and microseconds must fit 64 bits. Our own rule."""


Line = tuple[float, float, float]
"""Where it is known best, its value there, its slope."""


@dataclass(frozen=True, slots=True)
class Step:
    """One jump of a speaker's clock: first message after it, the last before, and by how much."""

    before_seq: int
    after_seq: int
    at_us: int
    jump_s: float


@dataclass(frozen=True, slots=True)
class ClockFit:
    """How one power-up's times map onto the listener's clock."""

    by_uptime: bool  # whether `uptime_s` carries the map (then one line holds for the whole power-up)
    first_seq: Ints  # array of int, shape (segments,): first `seq` of each segment
    # `middle_us`, `offset_us`, `drift`: arrays, shape (segments,): offset of the segment at its middle, and
    # its slope (seconds a second)
    middle_us: Floats
    offset_us: Floats
    drift: Floats
    # `late_seq`, `late_part`: arrays of int: what got its number only when it was sent, and the segment in
    # which it was said
    late_seq: Ints
    late_part: Ints
    origin_us: int
    # `offset_s`, `offset_sd_s`, `drift_ppm`: of the clock that the set writes, over the segment with most
    # messages
    offset_s: float
    offset_sd_s: float | None
    drift_ppm: float
    steps: tuple[Step, ...]

    def at_us(self, seq: Ints, time_us: Ints, uptime_s: Floats) -> Ints:
        """Return the reconciled time of messages, microseconds since 1970 (UTC)."""
        own_us = uptime_s * 1e6 if self.by_uptime else (time_us - self.origin_us).astype(np.float64)
        part: Ints | int = 0
        if len(self.first_seq) > 1:
            part = np.clip(np.searchsorted(self.first_seq, seq, side="right") - 1, 0, None)
            if len(self.late_seq):
                place = np.clip(np.searchsorted(self.late_seq, seq), 0, len(self.late_seq) - 1)
                part = np.where(self.late_seq[place] == seq, self.late_part[place], part)
        shift = self.offset_us[part] + self.drift[part] * (own_us - self.middle_us[part])
        return np.rint(own_us - shift).astype(np.int64) + self.origin_us

    def at_us_of(self, seq: int, time_us: int, uptime_s: float) -> int:
        """Return the reconciled time of a new message, to the microsecond the same as `at_us`."""
        part = 0
        if self.by_uptime:
            own_us = uptime_s * 1e6
        else:
            own_us = float(time_us - self.origin_us)
            part = max(bisect_right(self.first_seq, seq) - 1, 0)
        shift = float(self.offset_us[part]) + float(self.drift[part]) * (own_us - float(self.middle_us[part]))
        return round(own_us - shift) + self.origin_us


class Stood(NamedTuple):
    """Where a clock stood still, or hardly ran."""

    time_us: int  # microseconds since 1970, as it said
    first_seq: int
    last_seq: int
    ran_s: float
    heard_s: float  # over so long, by the time of receipt


@dataclass(frozen=True)
class Clocks:
    """All fits, by the key of the power-up, and the table `clocks`; where in time each power-up begins."""

    fits: Mapping[Key, ClockFit]
    table: pl.DataFrame
    begins: Mapping[tuple[str, str, int], list[tuple[int, ClockFit]]]
    stood: Mapping[Key, Stood]

    def reconciled(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return a kind's frame with the column `at` added: its messages' reconciled time.

        A message without identity, or from a power-up known only by retained messages, keeps its time of
        receipt.
        """
        role = "set" if "boot" in frame.columns and "desk_id" not in frame.columns else "desk"
        name = "set_id" if role == "set" else "desk_id"
        at = frame["received"].to_physical().to_numpy().copy()
        groups = frame.select(name, "boot", "seq", "time", "uptime_s").with_row_index()
        groups = groups.filter(pl.col("seq").is_not_null() & pl.col("boot").is_not_null())
        for (speaker, boot), part in groups.group_by(name, "boot"):
            index = part["index"].to_numpy()
            for fit, mine in _fits_of(self.begins.get((role, str(speaker), int(boot)), []), at[index]):
                at[index[mine]] = fit.at_us(
                    part["seq"].to_numpy()[mine],
                    part["time"].to_physical().to_numpy()[mine],
                    part["uptime_s"].cast(pl.Float64).to_numpy()[mine],
                )
        return frame.with_columns(pl.Series("at", at).cast(pl.Datetime("us", "UTC")))


def _fits_of(
    begins: Sequence[tuple[int, ClockFit]], received_us: Ints
) -> Iterator[tuple[ClockFit, Bools | slice]]:
    """Yield each fit of one `boot` number, and which messages it is for: those received since it began."""
    if len(begins) == 1:
        yield begins[0][1], slice(None)
        return
    since = np.array([since_us for since_us, _ in begins], np.int64)
    number = np.clip(np.searchsorted(since, received_us, side="right") - 1, 0, None)
    for position, (_, fit) in enumerate(begins):
        yield fit, number == position


def fit_clocks(messages: Mapping[str, pl.DataFrame]) -> Clocks:
    """Fit every speaker's clock.

    `messages`: the archive's frames.
    """
    return reconcile(power_ups(messages))


def reconcile(records: list[PowerUp]) -> Clocks:
    """Fit every power-up's clock and write the reconciled time into its channels."""
    fits: dict[Key, ClockFit] = {}
    begins: dict[tuple[str, str, int], list[tuple[int, ClockFit]]] = {}
    stood: dict[Key, Stood] = {}
    before: dict[tuple[str, str], PowerUp] = {}
    for power_up in sorted(records, key=lambda one: (one.key[:2], one.first_received_us)):
        fit = fit_clock(power_up)
        earlier = before.get(power_up.key[:2])
        if fit is not None and earlier is not None:
            fit = in_the_same_queue(fit, power_up, fits.get(earlier.key), earlier)
        before[power_up.key[:2]] = power_up
        if fit is None:
            still = _stood(power_up)
            if still is not None:
                stood[power_up.key] = still
                for channel in power_up.channels.values():
                    channel.at_us = channel.received_us
                    channel.order_by_time()
            continue
        fits[power_up.key] = fit
        begins.setdefault(power_up.key[:3], []).append((power_up.first_received_us, fit))
        for channel in power_up.channels.values():
            channel.at_us = fit.at_us(channel.seq, channel.time_us, channel.uptime_s)
            channel.order_by_time()
    rows = [
        (name, boot, fit.offset_s, fit.offset_sd_s, fit.drift_ppm, len(fit.steps))
        for (role, name, boot, _), fit in fits.items()
        if role == "set"
    ]
    return Clocks(fits, table_of("clocks", rows), begins, stood)


def fit_clock(power_up: PowerUp) -> ClockFit | None:
    """Fit one power-up's clock; None when it is known by retained messages only, or its clock is none."""
    columns = power_up.joined("seq", "retained", "time_us", "received_us", "uptime_s")
    seq, retained, time_us, received_us, every_uptime_s = columns
    order = np.argsort(seq, kind="stable")
    if retained.any():
        order = order[~retained[order]]
    if not len(order):
        return None
    seq, time_us, received_us, uptime_s = (one[order] for one in (seq, time_us, received_us, every_uptime_s))
    origin_us = int(received_us[0])
    heard_s = (received_us - origin_us) * MICRO
    time_s = (time_us - origin_us) * MICRO
    if stored(time_s, heard_s) and (power_up.role == "set" or not heard_s.any()):
        return _unchecked(seq, origin_us, ahead_us=max(int((time_us - received_us).max()), 0))
    grain_s = quantum_s(time_us)
    # Every message must have it, retained ones too: one line then maps them all.
    possible = bool((np.abs(every_uptime_s) < MOST_UPTIME_S).all())
    late_seq, late_s = seq[:0], time_s[:0]
    if power_up.role == "set":  # a desk's clock that is set back would put an `in` before the `out`
        late = numbered_when_sent(time_s, heard_s, grain_s)
        if late.any():
            # If the uptime runs on, the clock jumped for readings; an alarm gives its own time.
            runs_on = late & (uptime_s >= np.maximum.accumulate(uptime_s) - BACKWARD_S)
            sizes = [len(one) for one in power_up.channels.values()]
            kinds = np.repeat([kind in NUMBERS for kind in power_up.channels], sizes)
            late &= ~(runs_on & kinds[order])
            possible &= not (runs_on & late).any()
            late_seq, late_s, seq = seq[late], time_s[late], seq[~late]
            time_s, heard_s, uptime_s = (one[~late] for one in (time_s, heard_s, uptime_s))
    by_uptime = possible and agree_in_pace(time_s, uptime_s, heard_s) and _steady(seq, uptime_s, heard_s)
    if by_uptime:
        jumps = uptime_steps(time_s, uptime_s, grain_s)
        line = _upper_line(uptime_s, uptime_s - heard_s)
        at_s = uptime_s - line[1] - line[2] * (uptime_s - line[0])
        lines = [line]
        bounds = np.array([0], np.int64)
    elif no_clock(time_us, received_us) is not None:
        return None
    else:
        known_s = np.where(np.abs(uptime_s) < MOST_UPTIME_S, uptime_s, np.nan)
        jumps = find_steps(seq, time_s, heard_s, known_s, grain_s)
        bounds = np.array([0, *jumps.tolist()], np.int64)
        lines = []
        at_s = np.empty_like(time_s)
        for first, last in zip(bounds.tolist(), [*jumps.tolist(), len(seq)], strict=True):
            span = slice(first, last)
            line = _upper_line(time_s[span], time_s[span] - heard_s[span])
            if lines:
                line = _held_back(line, lines[-1], seq, time_s, first)
            at_s[span] = time_s[span] - line[1] - line[2] * (time_s[span] - line[0])
            lines.append(line)
    offset_s, sd_s, drift = _written_clock(time_s, at_s, heard_s, jumps, grain_s)
    table = np.array(lines)
    return ClockFit(
        by_uptime=by_uptime,
        first_seq=seq[bounds],
        middle_us=table[:, 0] * 1e6,
        offset_us=table[:, 1] * 1e6,
        drift=table[:, 2],
        late_seq=late_seq,
        late_part=_said_in(late_s, late_seq, seq[bounds], at_s[bounds], lines),
        origin_us=origin_us,
        offset_s=offset_s,
        offset_sd_s=sd_s,
        drift_ppm=drift * 1e6,
        steps=_steps(seq, time_s, at_s, jumps, origin_us),
    )


def _said_in(late_s: Floats, late_seq: Ints, first_seq: Ints, begin_s: Floats, lines: Sequence[Line]) -> Ints:
    """Return the segment in which each late-numbered message was made; if in doubt, the earliest.

    - `begin_s`: when each segment begins on the reconciled clock.
    """
    if not late_seq.size:
        return late_seq
    part = np.searchsorted(first_seq, late_seq, side="right") - 1
    for number in reversed(range(len(lines))):
        middle_s, offset_s, drift = lines[number]
        at_s = late_s - offset_s - drift * (late_s - middle_s)
        until_s = begin_s[number + 1] if number + 1 < len(lines) else np.inf
        part = np.where(
            (number <= part) & (at_s >= begin_s[number] - FORWARD_S) & (at_s < until_s), number, part
        )
    return np.clip(part, 0, None)


def _held_back(line: Line, before: Line, seq: Ints, time_s: Floats, jump: int) -> Line:
    """Return the line after a step; where a lasting delay began with it, at the offset that the step gives.

    The set's own times show by how much its clock jumped. Where that is more than the level changed, the rest
    is delay, or the set paused: in doubt the older age counts.
    """
    if min(jump, len(seq) - jump) < BEAT_MESSAGES or not keeps_rhythm(seq[:jump], time_s[:jump]):
        return line
    was_s = before[1] + before[2] * (time_s[jump - 1] - before[0])
    is_s = line[1] + line[2] * (time_s[jump] - line[0])
    hidden_s = was_s + own_break_s(seq, time_s, jump) - is_s
    return (line[0], line[1] + hidden_s, line[2]) if hidden_s > HELD_BACK_S else line


def in_the_same_queue(
    fit: ClockFit, power_up: PowerUp, before: ClockFit | None, earlier: PowerUp
) -> ClockFit:
    """Return a power-up's fit if the one before ended in a backlog: its messages waited there, too.

    Alone, the first of them would seem fresh. Where its clock went on over the new power-up, the offset of
    the one before counts.
    """
    if before is None:
        return fit
    said, now = _ends(earlier, last=True), _ends(power_up, last=False)
    if said is None or now is None or not 0 <= int(now[2][0]) - int(said[2][-1]) <= NEXT_WITHIN_US:
        return fit
    at_us = before.at_us(said[0], said[1], said[3])
    late_s = float((said[2] - at_us).min()) * MICRO
    was_s = float(said[1][-1] - at_us[-1]) * MICRO
    hidden_s = was_s - float(np.max(now[1] - fit.at_us(now[0], now[1], now[3]))) * MICRO
    if late_s < HELD_BACK_S or not HELD_BACK_S < hidden_s <= late_s + SAME_CLOCK_S:
        return fit
    return replace(fit, offset_us=fit.offset_us + hidden_s * 1e6, offset_s=fit.offset_s + hidden_s)


def _ends(power_up: PowerUp, *, last: bool) -> tuple[Ints, Ints, Ints, Floats] | None:
    """Return seq, time, receipt and uptime of the first or last few live messages of a power-up."""
    ends = []
    for channel in power_up.channels.values():
        live = np.flatnonzero(~channel.retained)
        ends.append((channel, live[-LATEST:] if last else live[:LATEST]))
    seq, time_us, received_us = (
        np.concatenate([getattr(channel, name)[part] for channel, part in ends])
        for name in ("seq", "time_us", "received_us")
    )
    uptime_s = np.concatenate([channel.uptime_s[part] for channel, part in ends])
    order = np.argsort(seq, kind="stable")
    order = order[-LATEST:] if last else order[:LATEST]
    return (seq[order], time_us[order], received_us[order], uptime_s[order]) if len(order) else None


def _stood(power_up: PowerUp) -> Stood | None:
    """Return what `Clocks.stood` keeps of a power-up, None when its clock ran."""
    *columns, retained = power_up.joined("seq", "time_us", "received_us", "retained")
    order = np.argsort(columns[0], kind="stable")
    seq, time_us, received_us = (one[order[~retained[order]]] for one in columns)
    found = no_clock(time_us, received_us) if len(seq) else None
    if found is None:
        return None
    first, last = found
    ran_s, heard_s = (float(np.ptp(one[first : last + 1])) * MICRO for one in (time_us, received_us))
    return Stood(int(time_us[first]), int(seq[first]), int(seq[last]), ran_s, heard_s)


def _unchecked(seq: Ints, origin_us: int, ahead_us: int) -> ClockFit:
    """Return the fit that leaves every message at its own time, less `ahead_us`, with an unknown spread.

    `ahead_us`: how far ahead the clock is at least: nothing is heard before it is sent.
    """
    nothing = np.zeros(1)
    return ClockFit(
        by_uptime=False,
        first_seq=seq[:1],
        middle_us=nothing,
        offset_us=nothing + ahead_us,
        drift=nothing,
        late_seq=seq[:0],
        late_part=seq[:0],
        origin_us=origin_us,
        offset_s=ahead_us * MICRO,
        offset_sd_s=None,
        drift_ppm=0.0,
        steps=(),
    )


def _steady(seq: Ints, uptime_s: Floats, heard_s: Floats) -> bool:
    """Return whether an uptime keeps its promise never to jump; else it is no better than `time`."""
    if (uptime_s[1:] - uptime_s[:-1] < -1.0).any():
        return False
    level = uptime_s - heard_s
    highest = level.max()
    if highest - level.min() < 2.0 or highest - np.median(level[::16]) < 2.0:
        return True
    return not len(find_steps(seq, uptime_s, heard_s, np.full(len(seq), np.nan), 1.0))


def _steps(seq: Ints, time_s: Floats, at_s: Floats, jumps: Ints, origin_us: int) -> tuple[Step, ...]:
    if not len(jumps):
        return ()
    offset = time_s - at_s
    bounds = [0, *jumps.tolist(), len(seq)]
    levels = [float(np.median(offset[a:b])) for a, b in itertools.pairwise(bounds)]
    return tuple(
        Step(
            int(seq[jump - 1]),
            int(seq[jump]),
            int(at_s[jump] * 1e6) + origin_us,
            levels[number + 1] - levels[number],
        )
        for number, jump in enumerate(jumps.tolist())
    )


def _written_clock(
    time_s: Floats, at_s: Floats, heard_s: Floats, jumps: Ints, grain_s: float
) -> tuple[float, float | None, float]:
    """Offset, its spread and drift of the clock that wrote the messages, over its longest stretch."""
    bounds = [0, *jumps.tolist(), len(time_s)]
    span = slice(*max(itertools.pairwise(bounds), key=lambda ends: ends[1] - ends[0]))
    offset, at = time_s[span] - at_s[span], at_s[span]
    mean_s, drift = offset.mean(), 0.0
    if len(at) >= DRIFT_FROM_MESSAGES and at.max() - at.min() >= DRIFT_FROM_S:
        away = at - at.mean()
        # Not `@`: BLAS would split so many values over the cores, which takes ten times the processor time.
        drift = float((away * (offset - mean_s)).sum() / (away * away).sum())
    # How far the fastest tenth stays from the edge, with the grain of the written time: an honest spread.
    tenth = float(np.partition(heard_s[span] - at, len(at) // 10)[len(at) // 10])
    spread = float(np.hypot(tenth, grain_s / np.sqrt(12.0))) if len(at) >= 5 else None
    return float(mean_s), spread, drift


def _upper_line(x: Floats, y: Floats) -> Line:
    """Return (x0, y0, slope) of the line that has every point on or below it and is nearest on average."""
    if (x[1:] < x[:-1]).any():
        order: Ints = np.argsort(x, kind="stable")
        x, y = x[order], y[order]
    middle = float(x.mean())
    away, slope = x - middle, 0.0
    if len(x) >= DRIFT_FROM_MESSAGES and x[-1] - x[0] >= DRIFT_FROM_S:
        slope = float(_hull_edge_slope(away, y))
        if abs(slope) > DRIFT_MOST_PPM * 1e-6:
            slope = 0.0
    return middle, float((y - slope * away).max()), slope


@compiled
def _hull_edge_slope(x: Floats, y: Floats) -> float:
    """Slope of the upper hull's edge over x = 0; `x` ascending, centred on its mean."""
    hull_x, hull_y = np.empty(len(x)), np.empty(len(x))
    size = 0
    for i in range(len(x)):
        if size > 0 and x[i] == hull_x[size - 1]:
            if y[i] <= hull_y[size - 1]:
                continue
            size -= 1
        while size >= 2:
            ax, ay, bx, by = hull_x[size - 2], hull_y[size - 2], hull_x[size - 1], hull_y[size - 1]
            if (bx - ax) * (y[i] - ay) - (by - ay) * (x[i] - ax) < 0.0:
                break
            size -= 1
        hull_x[size], hull_y[size] = x[i], y[i]
        size += 1
    for k in range(1, size):
        if hull_x[k] >= 0.0:
            return float((hull_y[k] - hull_y[k - 1]) / (hull_x[k] - hull_x[k - 1]))
    return 0.0
