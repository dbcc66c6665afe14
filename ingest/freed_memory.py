"""Give unused memory back to the system: a big incident needs much, but only for a moment."""

import ctypes
import functools
import gc
import os
import sys
from collections.abc import Callable
from typing import Any

M_ARENA_MAX, M_MMAP_THRESHOLD = -8, -3  # of glibc's malloc.h
LARGE_BYTES = 1_048_576


@functools.cache
def _of_glibc(function: str) -> Callable[..., Any]:
    """Return a function of glibc's (malloc_trim(3), mallopt(3)); elsewhere one that does nothing."""
    found: Callable[..., Any] = getattr(ctypes.CDLL(None), function, lambda *_: 0)
    return found


def give_back() -> None:
    """Give freed memory back; where that cannot be asked for, nothing happens."""
    _of_glibc("malloc_trim")(0)


def begin_short_command() -> None:
    """Spend less on memory in a command that ends soon; call it before polars is imported.

    Python looks for garbage in cycles 70 times less often: imports and rows make many objects and no such
    garbage. Polars' allocator keeps what was freed for 3 s in one place, for the next frame (jemalloc(3),
    "narenas", "dirty_decay_ms"; polars takes `_RJEM_MALLOC_CONF`). Measured on a report of 1.4 million
    messages: a tenth of the time each. One arena of glibc's for all threads, large arrays given back when
    freed, and no threads for linear algebra, of which there is next to none: 25 MB less.
    """
    gc.set_threshold(50_000)
    _of_glibc("mallopt")(M_ARENA_MAX, 1)
    _of_glibc("mallopt")(M_MMAP_THRESHOLD, LARGE_BYTES)
    if "numpy" not in sys.modules:
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if "polars" not in sys.modules:
        os.environ.setdefault("_RJEM_MALLOC_CONF", "narenas:1,dirty_decay_ms:3000,muzzy_decay_ms:0")


def end_short_command() -> None:
    """Leave what there is to the system: looking through all of it for garbage at the end takes 0.3 s."""
    gc.freeze()
