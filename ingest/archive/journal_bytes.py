"""The bytes of a journal segment, some at a time: a file can be far longer than anything that we write."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

WINDOW_BYTES = 1 << 20


class BytesOfFile:
    """A segment in an open file, as long as it is now.

    `handle`: stays open, and stays the caller's.
    """

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self.length = os.fstat(handle).st_size
        self._window_at = 0
        self._window = b""

    def at(self, start: int, length: int) -> bytes:
        """Return bytes from `start` on; fewer at the end."""
        length = max(0, min(length, self.length - start))
        if length > WINDOW_BYTES:
            return self._read(start, length)
        offset = start - self._window_at
        if not 0 <= offset <= len(self._window) - length:
            self._window_at, offset = start, 0
            self._window = self._read(start, min(WINDOW_BYTES, self.length - start))
        return self._window[offset : offset + length]

    def find(self, wanted: bytes, start: int) -> int:
        """Return where `wanted` is, from `start` on; -1 when it is not there."""
        while start + len(wanted) <= self.length:
            window = self._read(start, min(WINDOW_BYTES, self.length - start))
            found = window.find(wanted)
            if found >= 0:
                return start + found
            if len(window) < len(wanted):
                break  # cut short meanwhile
            start += len(window) - len(wanted) + 1
        return -1

    def _read(self, start: int, length: int) -> bytes:
        pieces = []
        while length > 0 and (piece := os.pread(self._handle, length, start)):
            pieces.append(piece)
            start += len(piece)
            length -= len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)


@contextlib.contextmanager
def opened(segment: Path) -> Iterator[BytesOfFile]:
    """Give the bytes of a segment as it is now.

    Raises `FileNotFoundError` when it is sealed meanwhile.
    """
    handle = os.open(segment, os.O_RDONLY)
    try:
        yield BytesOfFile(handle)
    finally:
        os.close(handle)
