"""A broker's line that a test holds in its hand."""

from __future__ import annotations


class HeldLine:
    """A broker's line that a test holds in its hand."""

    connected = True

    def __init__(self) -> None:
        self.sent: list[tuple[str, bytes, bool]] = []

    def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 60.0) -> None:
        self.sent.append((topic, payload, retain))

    def close(self) -> None:
        self.connected = False
