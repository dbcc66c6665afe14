"""Memory that is not used any more goes back to the system: a big incident needs much only for a moment."""

from __future__ import annotations

import ctypes
import ctypes.util
import functools
from collections.abc import Callable
from typing import Any


@functools.cache
def _trim() -> Callable[[int], Any] | None:
    """Return glibc's `malloc_trim` (malloc_trim(3)); None where the C library has none."""
    name = ctypes.util.find_library("c")
    try:
        return ctypes.CDLL(name).malloc_trim if name else None
    except (OSError, AttributeError):
        return None


def give_back() -> None:
    """Give freed memory back; where that cannot be asked for, nothing happens."""
    trim = _trim()
    if trim is not None:
        trim(0)
