"""Listening to the live page: which calls its audio graph has started, each a list of tones."""

from __future__ import annotations

from typing import Any

# The lowest and the highest tone of each call in hertz, and how many there are: no two calls share these.
TONES = {
    "distress": (523, 784, 6),
    "no_motion": (523, 784, 3),
    "not_accounted": (440, 659, 3),
    "losing_air": (587, 880, 8),
    "low_air": (392, 392, 2),
    "order": (587, 587, 2),
}
# A call is repeated after 2.6 s; here after a tenth of that, so that a test need not wait for it.
PAUSE_MS = 260
LISTEN = """() => {
    window.calls = [];
    const every = window.setInterval;
    window.setInterval = (step, pause, ...more) => every(step, pause === 2600 ? 260 : pause, ...more);
    const Before = window.OscillatorNode;
    let tones = [], at = 0;
    window.OscillatorNode = class extends Before {
        start(when) {
            if (this.context.currentTime - at > 0.05 || !tones.length) window.calls.push((tones = []));
            at = this.context.currentTime;
            tones.push(this.frequency.value);
            super.start(when);
        }
    };
}"""


def heard(page: Any, call: str, since: int = 0) -> None:
    """Wait until a call sounds that was not among the first `since`."""
    low, high, count = TONES[call]
    page.wait_for_function(
        """([low, high, count, since]) => window.calls.slice(since).some((tones) => tones.length === count
            && Math.round(Math.min(...tones)) === low && Math.round(Math.max(...tones)) === high)""",
        arg=[low, high, count, since],
    )


def rhythm(tones: list[float]) -> tuple[int, int, int]:
    """Return the lowest and the highest tone of a call, and how many there are."""
    return round(min(tones)), round(max(tones)), len(tones)


def calls(page: Any) -> int:
    """Return how many calls have sounded."""
    return int(page.evaluate("window.calls.length"))


def nothing_sounds(page: Any) -> None:
    """Say that no call comes in several times the pause between two."""
    last = calls(page)
    page.wait_for_timeout(5 * PAUSE_MS)
    assert calls(page) == last
