"""A speaker's own clock on the listener's clock, message by message, without knowing the future.

The fit over a whole log is in `clocks`; this is its live sister. Both rest on the same fact: a message
cannot arrive before it was sent, so the fastest message bounds the difference of the two clocks from one
side.
"""

from __future__ import annotations

from collections import deque

# Our own choice: five minutes of one-a-second readings; older differences are forgotten, so drift is
# followed.
REMEMBERED_MESSAGES = 300
# A clock that goes back by more than this between two messages in order of `seq` was set back.
STEP_BACK_S = 2.0


class LiveClock:
    """One speaker's clock, each power-up by itself: a straggler of an earlier one disturbs nothing.

    Moments are seconds since 1970-01-01 UTC.
    """

    def __init__(self) -> None:
        self._power_ups: dict[int, _PowerUpClock] = {}

    def at(self, boot: int | None, seq: int | None, sent_s: float | None, received_s: float) -> float:
        """Return when a message was spoken, on the listener's clock; never later than it was received.

        Parameters
        ----------
        boot, seq : int or None
            The message's identity; None where a `link` has none.
        sent_s : float or None
            The speaker's own time; without it the time of receipt is all there is.
        received_s : float
            The listener's time.
        """
        if boot is None or seq is None or sent_s is None:
            return received_s
        return self._power_ups.setdefault(boot, _PowerUpClock()).at(seq, sent_s, received_s)


class _PowerUpClock:
    """Running upper envelope of (sent minus received) of one power-up."""

    def __init__(self) -> None:
        self._last_seq = -1
        self._last_sent_s = 0.0
        self._count = 0
        # (number of the message, sent minus received), differences strictly falling: the first is the
        # maximum.
        self._highest: deque[tuple[int, float]] = deque()

    def at(self, seq: int, sent_s: float, received_s: float) -> float:
        if seq > self._last_seq:
            if self._last_seq >= 0 and sent_s < self._last_sent_s - STEP_BACK_S:
                self._highest.clear()
            self._last_seq, self._last_sent_s = seq, sent_s
        difference_s = sent_s - received_s
        self._count += 1
        while self._highest and self._highest[-1][1] <= difference_s:
            self._highest.pop()
        self._highest.append((self._count, difference_s))
        if self._highest[0][0] <= self._count - REMEMBERED_MESSAGES:
            self._highest.popleft()
        return min(received_s, sent_s - self._highest[0][1])
