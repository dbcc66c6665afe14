"""Which sets' retained messages the listener must ask for by their own topics.

Some brokers give retained messages to no wildcard subscription, and none gives them to a shared one. The
listener would then know no set's cylinder until the set is switched on again.
"""

from collections.abc import Iterable

from ingest.contract.kinds import RETAINED_KINDS

MOST_REMEMBERED = 100_000


class SetupsAsked:
    """Remembers the topics that were heard, and says which retained ones to subscribe to."""

    def __init__(self) -> None:
        self._heard: set[str] = set()
        self._speakers: set[str] = set()

    def to_ask(self, topics: Iterable[str]) -> list[str]:
        """Return the topics of retained messages of speakers that are heard for the first time.

        A speaker whose ``setup`` is among what came is not asked: its retained message came already.
        """
        fresh = set(topics) - self._heard
        if not fresh:
            return []
        if len(self._heard) > MOST_REMEMBERED:  # a flood of invented topics must not fill the memory
            self.forget()
        self._heard |= fresh
        speakers: dict[str, set[str]] = {}
        for topic in fresh:
            speaker, _, kind = topic.rpartition("/")
            if speaker.startswith("underair/v1/") and "/set/" in speaker and speaker.count("/") == 4:
                speakers.setdefault(speaker, set()).add(kind)
        unknown = {speaker: kinds for speaker, kinds in speakers.items() if speaker not in self._speakers}
        self._speakers |= unknown.keys()
        return [
            f"{speaker}/{kind}"
            for speaker, kinds in sorted(unknown.items())
            if "setup" not in kinds
            for kind in RETAINED_KINDS
            if kind != "order"
        ]

    def forget(self) -> None:
        """Start again: the broker has forgotten our subscriptions."""
        self._heard.clear()
        self._speakers.clear()
