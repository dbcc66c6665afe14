"""Compiles the loops that the analysis runs for every reading, and keeps the result for the next call."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit


def compiled(loop: Callable[..., Any]) -> Any:
    """Return the loop compiled by numba when it is first called.

    The result is kept beside the module, else in the user's cache folder (``NUMBA_CACHE_DIR`` names another).
    Where nothing can be written (read-only installation, user without a home) each process compiles again.
    """
    try:
        return njit(cache=True, nogil=True)(loop)
    except RuntimeError as error:
        if "no locator available" not in str(error):
            raise
        return njit(nogil=True)(loop)
