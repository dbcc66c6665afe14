"""Steps in a speaker's clock, found in the order in which it spoke.

A message may be late, but its own time is not moved by that: in `seq` order, times that go backwards, or
run ahead of both the usual rhythm and the listener's clock, are a step. Messages that were stored and
forwarded come late and all at once, with times in their usual rhythm; they are no step. A later level in
receipt alone is delay, however long it lasts: without a break in the set's own times there is no step.
A message that got its number only when it was sent breaks the order, and not the clock: the next returns.
"""

import itertools

import numpy as np

from analysis.records import Bools, Floats, Ints, runs_of
from ingest.contract.times import SLOWEST, STANDS_MESSAGES, STANDS_S

BACKWARD_S = 0.75
"""Times of different kinds may overtake one another by this much in ordinary running. Our own rule."""
FORWARD_S = 2.0
LEVEL_S = 0.8
"""A change of level for good by so much is a step (0.5 s of error is allowed). Our own rule."""
FLAT_S = 0.4
STEADY_S = 0.2
"""A set whose intervals differ by less than this from their usual length keeps a beat. Our own rule."""
NEAR = 20
BEAT_MESSAGES = 30
RHYTHM_S = 1.0
"""So many messages of a set with a rhythm take the same time to within this. Our own rule."""
LEAST_STEP_S = 0.4
"""With `uptime_s`, a step is seen from here on. Our own rule."""
SENT_WITHIN_S = 3.0
"""On earlier times for so long, at the listener's pace: the clock was set. Less than a silence.
Our own rule."""
SENT_FASTER = 2.0
"""What was stored is sent at least so much faster than it was said. Our own rule."""
BLOCK_MESSAGES = 16
NEAR_BLOCKS = 4
FAR_BLOCKS = 24
MOST_STEPS = 64
PACE = 0.1
"""An uptime that runs a tenth faster or slower than `time` is in another unit, or no uptime. Our own rule."""
STORED_FROM_S = 60.0
STORED_FASTER = 1.5
STORED_AT_MOST_S = 1096 * 86_400.0
"""A power-up was stored if its times cover 60 s or more, it was received in at most two thirds of that time,
no part of it came at the pace of its own clock, and at most three years lie between. Its times of receipt
then show only how far, at least, that clock is ahead. Our own rule."""
LIVE_EVERY_S = 2.0
LIVE_TIMES = 3
"""A part has the pace of receipt if it keeps it this often in a row, or once at the end, checked every 2 s.
Our own rule."""
STANDING_STEP_US = 50_000
"""Besides its part of the time of receipt, one step of a clock that hardly runs, as messages may come all at
once: 1 ms or 17 ms for each second between them. Our own rule."""


def quantum_s(time_us: Ints) -> float:
    """Return the grain of a clock's written times: 1, 0.1 or 0.01 s, or 0 when finer."""
    few_us = int(np.gcd.reduce(time_us[:64]))  # these decide most clocks at once
    for grain_us in (1_000_000, 100_000, 10_000):
        if few_us % grain_us == 0 and np.array_equal(time_us // grain_us * grain_us, time_us):
            return grain_us * 1e-6
    return 0.0


def stored(time_s: Floats, heard_s: Floats) -> bool:
    """Return whether a whole power-up was made long before it was sent.

    `time_s`, `heard_s`: arrays, shape (n,): in `seq` order, from the same moment.
    """
    behind_s = float((heard_s - time_s).min())
    if np.ptp(time_s) < max(STORED_FROM_S, STORED_FASTER * np.ptp(heard_s)) or behind_s > STORED_AT_MOST_S:
        return False
    order = np.argsort(heard_s, kind="stable")
    _, first = np.unique(heard_s[order] // LIVE_EVERY_S, return_index=True)
    heard, own = np.diff(heard_s[order][first]), np.diff(time_s[order][first])
    live = (own * STORED_FASTER > heard) & (own < STORED_FASTER * heard)
    return not (runs_of(live, shortest=LIVE_TIMES) or live[-1:].any())


def no_clock(time_us: Ints, received_us: Ints) -> tuple[int, int] | None:
    """Return first and last index of the longest stretch in which a clock hardly ran, None when it ran.

    - `time_us`, `received_us`: arrays, shape (n,): in `seq` order.

    A clock that is slow by less looks like a link that falls behind, and a fast one like stored messages that
    are sent at the rate of the link: what was stored is far the commoner, and its times are right.
    """
    heard_us = np.maximum(np.diff(received_us), 0)
    runs = np.abs(np.diff(time_us)) > STANDING_STEP_US + SLOWEST * heard_us
    bounds = np.r_[0, np.flatnonzero(runs) + 1, len(time_us)]
    counts = np.diff(bounds)
    for place in np.argsort(-counts, kind="stable")[: (counts >= STANDS_MESSAGES).sum()].tolist():
        first, last = int(bounds[place]), int(bounds[place + 1]) - 1
        over_us = np.ptp(received_us[first : last + 1])
        if over_us >= STANDS_S * 1e6 and np.ptp(time_us[first : last + 1]) <= SLOWEST * over_us:
            return first, last
    return None


def agree_in_pace(time_s: Floats, uptime_s: Floats, heard_s: Floats) -> bool:
    """Return whether `uptime_s` runs as `time` does; if not, whether it is nearer to the time of receipt.

    - `time_s`, `uptime_s`, `heard_s`: arrays, shape (n,): in `seq` order.
    """
    paces_s = np.abs(np.diff([one[::BEAT_MESSAGES] for one in (time_s, uptime_s, heard_s)]))
    if paces_s.shape[1] < 2:
        return True
    said_s, up_s, heard_in_s = np.maximum(np.median(paces_s, axis=1), 1e-6).tolist()
    off, of_time = abs(np.log(up_s / heard_in_s)), abs(np.log(said_s / heard_in_s))
    return abs(np.log(up_s / said_s)) < PACE or bool(off < of_time)


def numbered_when_sent(time_s: Floats, heard_s: Floats, grain_s: float) -> Bools:
    """Return which messages got their numbers only when they were sent, after newer ones.

    - `time_s`, `heard_s`: arrays, shape (n,): in `seq` order.
    - `grain_s`: grain of the written times.

    Their times go back, and after them the clock is where it was, or is set back once more. As long as
    nothing came after them, they are taken for old ones: in doubt the older age counts. After a clock was
    set back they may be ahead of it.
    """
    late = np.zeros(len(time_s), bool)
    back_s, slack_s = time_s[:-1] - time_s[1:], BACKWARD_S + grain_s
    back = (back_s > slack_s) & (np.abs(back_s + np.diff(heard_s)) > slack_s)
    if not back.any():
        return late
    level, earliest_s = time_s - heard_s, np.minimum.accumulate(time_s)
    highest_rest = np.append(np.maximum.accumulate(level[::-1])[::-1], -np.inf)
    latest_s, rise = np.maximum.accumulate(time_s), np.diff(level, prepend=level[0])
    highest, known, steps = -np.inf, 0, 0  # since the last step, as far as it is known
    starts = (np.flatnonzero(back) + 1).tolist()
    for start, following in itertools.pairwise([*starts, len(late)]):
        if late[start] or steps == MOST_STEPS:
            continue
        half_s = -0.5 * rise[start]
        since = max(start - BEAT_MESSAGES, 0)
        course = np.flatnonzero((time_s[since:start] <= time_s[start] + slack_s) & ~late[since:start])
        first = since + int(course[-1]) + 1 if len(course) else start
        if (
            since < first < start
            and heard_s[start - 1] - heard_s[first] < SENT_WITHIN_S
            and time_s[first:start].max() <= latest_s[first - 1] + slack_s
            and level[start] > level[first - 1] - half_s
        ):
            late[first:start] = True
            continue
        highest, known = max(highest, float(level[known:start].max())), start
        end, wide = start, BEAT_MESSAGES
        while end < len(late):
            part = slice(end, end + wide)
            leapt = (rise[part] > half_s) & (level[part] > level[start - 1] - 0.5 * half_s)
            returned = (time_s[part] >= time_s[start - 1] - slack_s) | leapt
            if returned.any():
                end += int(np.argmax(returned))
                break
            end, wide = min(end + wide, len(late)), 2 * wide
        if end == start:
            continue  # received so long before the one before it that nothing says that its time is old
        said_s, sent_s = np.ptp(time_s[start:end]), np.ptp(heard_s[start:end])
        if following < min(end, len(late)) and heard_s[following] - heard_s[start] < SENT_WITHIN_S:
            late[start:following] = True  # in a moment it is set back further, and stays so
        elif (
            (sent_s < SENT_WITHIN_S or said_s > SENT_FASTER * sent_s)
            and time_s[start:end].min() >= earliest_s[start - 1] - slack_s
            and (end == len(late) or highest_rest[end] > highest - half_s)
        ):
            late[start:end] = True
        else:
            highest, steps = -np.inf, steps + 1
    return late


def uptime_steps(time_s: Floats, uptime_s: Floats, grain_s: float) -> Ints:
    """Return the indices of the first message after each step, from a second clock that never jumps.

    - `time_s` and `uptime_s`: arrays, shape (n,): in `seq` order; both known everywhere.
    - `grain_s`: grain of the written times.
    """
    changes = np.abs(np.diff(time_s - uptime_s))
    if not (changes > LEAST_STEP_S + 1.2 * grain_s).any():
        return np.empty(0, np.int64)
    uptime_grain_s = quantum_s(np.rint(uptime_s * 1e6).astype(np.int64))
    jumps = changes > LEAST_STEP_S + 1.2 * (grain_s + uptime_grain_s)
    return np.flatnonzero(jumps).astype(np.int64) + 1


def find_steps(seq: Ints, time_s: Floats, heard_s: Floats, uptime_s: Floats, grain_s: float) -> Ints:
    """Return the indices of the first message after each step.

    - `seq`, `time_s`, `heard_s`, `uptime_s`: arrays, shape (n,): in `seq` order; `uptime_s` is NaN where it
      was not given.
    - `grain_s`: grain of the written times.
    """
    if len(seq) < 2:
        return np.empty(0, np.int64)
    moved, arrived, count = np.diff(time_s), np.diff(heard_s), np.diff(seq)
    forward_count = np.maximum(count, 1)
    # The usual time a message, over many messages at once: kinds come in bunches.
    apart = min(BEAT_MESSAGES, len(seq) - 1)
    counted = np.maximum(seq[apart:] - seq[:-apart], 1)
    rhythm = max(float(np.median((time_s[apart:] - time_s[:-apart]) / counted)), 0.0)
    longest = float(np.quantile(moved[moved < 3600.0], 0.99)) if np.any(moved < 3600.0) else 0.0
    expected = forward_count * rhythm + max(longest, 0.0)
    # What was numbered late goes back on both clocks alike: no step.
    back = (moved < -(BACKWARD_S + grain_s)) & (np.abs(moved - arrived) > BACKWARD_S + grain_s)
    ahead = (moved > expected + FORWARD_S + grain_s) & (
        moved - np.maximum(arrived, 0.0) > FORWARD_S + grain_s
    )
    level = time_s - heard_s
    # A clock set forward just as a lasting delay begins: a pause of the set looks the same, but of a set that
    # keeps its rhythm, without a number missing, it is the less likely, and would make readings younger.
    held = (moved > expected + FORWARD_S + grain_s) & (np.abs(moved - arrived) > FORWARD_S)
    steps = set((np.flatnonzero(back) + 1).tolist())
    for jump in reversed((np.flatnonzero(ahead) + 1).tolist()):
        size = float(moved[jump - 1] - forward_count[jump - 1] * rhythm)
        first = max((step for step in steps if step < jump), default=0)
        last = min((step for step in steps if step > jump), default=len(level))
        # Coming back from a store the level only returns to what it was; a step leads above it in the end.
        if level[jump:last].max() > level[first:jump].max() + 0.5 * size:
            steps.add(jump)
    if held.any() and keeps_rhythm(seq, time_s):
        for jump in (np.flatnonzero(held) + 1).tolist():
            first = max((step for step in steps if step < jump), default=0)
            last = min((step for step in steps if step > jump), default=len(level))
            if abs(level[jump:last].max() - level[first:jump].max()) > FORWARD_S:
                steps.add(jump)
    known = np.flatnonzero(np.isfinite(uptime_s))
    if len(known) >= 2:
        steps |= _between_uptimes(known, time_s, heard_s, uptime_s, grain_s, steps)
    steps |= _off_the_beat(level, moved - forward_count * rhythm, grain_s, sorted(steps))
    found = sorted(steps)
    bounds = [0, *found, len(seq)]
    for first, last in itertools.pairwise(bounds):
        found += _level_changes(level, seq, time_s, (first, last), grain_s)
    return np.array(sorted(set(found))[:MOST_STEPS], np.int64)


def _between_uptimes(
    known: Ints, time_s: Floats, heard_s: Floats, uptime_s: Floats, grain_s: float, already: set[int]
) -> set[int]:
    """Steps proved by two messages with `uptime_s`; between them, where time and arrival part most."""
    found = set()
    for jump in uptime_steps(time_s[known], uptime_s[known], grain_s).tolist():
        first, last = int(known[jump - 1]), int(known[jump])
        if not already & set(range(first + 1, last + 1)):
            parting = np.abs(np.diff(time_s[first : last + 1]) - np.diff(heard_s[first : last + 1]))
            found.add(first + 1 + int(np.argmax(parting)))
    return found


def _off_the_beat(level: Floats, off_s: Floats, grain_s: float, steps: list[int]) -> set[int]:
    """Small steps of a set with a steady beat: one interval is wrong, and the level changes for good.

    - `level`: array, shape (n,): time minus received, in `seq` order.
    - `off_s`: array, shape (n - 1,): each interval minus what the beat and the counted messages let expect.
    - `steps`: found already, ascending.
    """
    if float(np.median(np.abs(off_s))) > STEADY_S + grain_s:
        return set()
    found: set[int] = set()
    for jump in (np.flatnonzero(np.abs(off_s) > LEVEL_S + grain_s) + 1).tolist():
        size = float(off_s[jump - 1])
        first = max((step for step in (*steps, *found) if step <= jump), default=0)
        last = min((step for step in steps if step > jump), default=len(level))
        if first == jump:
            continue
        if size < 0.0:
            change = level[jump:last].max() - level[max(first, jump - NEAR) : jump].max()
        else:
            change = level[jump : min(last, jump + NEAR)].max() - level[first:jump].max()
        # A change of another size is delay, which happens to begin at an uneven beat.
        if abs(change - size) < 0.4 * abs(size) + grain_s:
            found.add(jump)
    return found


def _level_changes(
    level: Floats, seq: Ints, time_s: Floats, bounds: tuple[int, int], grain_s: float
) -> list[int]:
    """Small steps that neither turn time back nor run far ahead: the level changes and never returns."""
    first, last = bounds
    found: list[int] = []
    while last - first >= 2 * NEAR_BLOCKS * BLOCK_MESSAGES and len(found) < MOST_STEPS:
        span = slice(first, last)
        jump = _one_level_change(level[span], seq[span], time_s[span], grain_s)
        if jump is None:
            break
        first += jump
        found.append(first)
    return found


def keeps_rhythm(seq: Ints, time_s: Floats) -> bool:
    """Return whether a speaker's messages come at even times, however they are bunched."""
    apart = min(BEAT_MESSAGES, len(seq) - 1)
    moved, counted = time_s[apart:] - time_s[:-apart], np.maximum(seq[apart:] - seq[:-apart], 1)
    each = moved / counted
    return bool(np.median(np.abs(moved - counted * np.median(each))) < RHYTHM_S)


def own_break_s(seq: Ints, time_s: Floats, jump: int) -> float:
    """Return by how much a speaker's own times break with its own rhythm at a message.

    Means of equally many messages on both sides, so that neither bunches nor the grain of the clock matter,
    less what the rhythm of each side lets expect.
    """
    wide = min(BEAT_MESSAGES, jump // 2, (len(seq) - jump) // 2)
    parts = slice(jump - 2 * wide, jump + 2 * wide)
    times, numbers = (
        one[parts].reshape(4, wide).mean(axis=1) for one in (time_s - time_s[jump], (seq - seq[jump]) * 1.0)
    )
    moved, counted = np.diff(times), np.maximum(np.diff(numbers), 1.0)
    return float(moved[1] - 0.5 * (moved[0] / counted[0] + moved[2] / counted[2]) * counted[1])


def _one_level_change(level: Floats, seq: Ints, time_s: Floats, grain_s: float) -> int | None:
    threshold, flat_s = LEVEL_S + grain_s, FLAT_S + 0.6 * grain_s
    blocks = len(level) // BLOCK_MESSAGES
    tops = level[: blocks * BLOCK_MESSAGES].reshape(blocks, BLOCK_MESSAGES).max(axis=1)
    near, far = NEAR_BLOCKS, min(FAR_BLOCKS, blocks - NEAR_BLOCKS)
    if far < near:
        return None
    # Block k is the last before the change: the four blocks up to it, and up to 24 behind the next one.
    edge = np.arange(near - 1, blocks - near)
    padded = np.r_[tops, np.full(FAR_BLOCKS, -np.inf)]
    before = np.lib.stride_tricks.sliding_window_view(tops, near)[: len(edge)]
    after = np.lib.stride_tricks.sliding_window_view(padded, FAR_BLOCKS)[edge + 1][:, 1:]
    top_before, top_after = before.max(axis=1), after.max(axis=1)
    rest = np.maximum.accumulate(tops[::-1])[::-1]
    highest_rest = np.append(rest[1:], -np.inf)[edge + 1]
    earlier = np.maximum.accumulate(tops)[edge]
    drop = top_before - top_after
    rise = -drop
    # Level on both sides: a store that is being emptied climbs, and is no step.
    near_after = after[:, : near - 1]
    flat = (top_before - before.min(axis=1) < flat_s) & (
        near_after.max(axis=1) - near_after.min(axis=1) < flat_s
    )
    down = flat & (drop > threshold) & (highest_rest < top_before - 0.6 * drop)
    up = flat & (rise > threshold) & (earlier < top_after - 0.6 * rise)
    for hit in np.flatnonzero(down | up).tolist():
        start = (int(edge[hit]) - near + 1) * BLOCK_MESSAGES
        stop = min((int(edge[hit]) + 3) * BLOCK_MESSAGES, len(level))
        middle = 0.5 * (top_before[hit] + top_after[hit])
        if down[hit]:
            jump = start + int(np.flatnonzero(level[start:stop] > middle)[-1]) + 1
        else:
            jump = start + int(np.flatnonzero(level[start:] > middle)[0])
        change = float(top_after[hit] - top_before[hit])
        if abs(own_break_s(seq, time_s, jump) - change) < 0.5 * abs(change):
            return jump
    return None
