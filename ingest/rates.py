"""Find sets and desks whose messages come faster than any real one's.

Nothing is thrown away for it: what was acknowledged must not be lost, and a set that empties its store after
an hour without radio is no attack. It is named, in the status and on the live page; the broker can shut it
out.
"""

import threading
from collections import Counter

LONG_ENOUGH_S = 15.0
"""Messages stored for an hour are sent sooner; a longer excess is a fault or an attack. Our own rule."""
MOST_TOPICS = 25_000
LONGEST_TOPIC = 200
"""Of the contract; the listener counts longer ones together."""


class Rates:
    """Counts messages by speaker between two looks.

    `most_per_s`: messages a second of one speaker that are not yet too many.
    """

    def __init__(self, most_per_s: float) -> None:
        self._most_per_s = most_per_s
        self._counts: Counter[str] = Counter()
        self._since_s: dict[str, float] = {}
        self._looked_s: float | None = None
        self._lock = threading.Lock()

    def count(self, topics: list[str]) -> None:
        """Count a batch of messages by their topics; cheap, for it is done with every one."""
        with self._lock:
            if len(self._counts) < MOST_TOPICS:  # invented topics must not fill the memory
                self._counts.update(topics)

    def too_much(self, now_s: float) -> str:
        """Return a sentence on the speakers who have been too fast for too long, empty when there is none.

        `now_s`: a clock that never goes back; each look begins a new count.
        """
        with self._lock:
            counts, self._counts = self._counts, Counter()
        before_s, self._looked_s = self._looked_s, now_s
        if before_s is None or now_s <= before_s:
            return ""
        speakers: Counter[str] = Counter()
        for topic, count in counts.items():
            speakers[_speaker(topic)] += count
        rates = {who: count / (now_s - before_s) for who, count in speakers.items()}
        fast = [who for who, rate in rates.items() if rate > self._most_per_s]
        self._since_s = {who: self._since_s.get(who, before_s) for who in fast}
        lasting = [who for who in fast if now_s - self._since_s[who] >= LONG_ENOUGH_S]
        if not lasting:
            return ""
        worst = max(lasting, key=lambda who: rates[who])
        more = f", and {len(lasting) - 1} more" if len(lasting) > 1 else ""
        return (
            f"{worst} sends {rates[worst]:.0f} messages a second, {self._most_per_s:.0f} are expected "
            f"at most{more}; a fault or an attack: shut it out at the broker"
        )


def _speaker(topic: str) -> str:
    """Return who speaks on a topic, in a form that is safe to show: ``set S-014``."""
    levels = topic.split("/")
    if len(levels) != 6:
        return "somebody on topics outside the contract"
    return f"{levels[3]} {levels[4]}"[:60].encode("unicode_escape").decode("ascii")
