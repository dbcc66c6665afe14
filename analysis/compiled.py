"""Compiles the loops that the analysis runs for every reading, and keeps the result for the next call."""

import sys
from collections.abc import Callable
from typing import Any

from numba import njit


def _start_without_linear_algebra() -> None:
    """Import what numba needs for its first loop, without scipy: our loops have no product of matrices.

    For that alone numba imports scipy.linalg, which takes 0.17 s and 16 MB of every verb. It works without
    (numba manual, "Installation": scipy is optional). None in `sys.modules` makes an import fail (Python
    reference, "The import system", 5.3.1).
    """
    if "scipy.linalg" in sys.modules:
        return
    sys.modules["scipy.linalg"] = None  # type: ignore[assignment]
    try:
        import numba.np.arraymath  # noqa: F401
    finally:
        del sys.modules["scipy.linalg"]


_start_without_linear_algebra()


def compiled(loop: Callable[..., Any]) -> Any:
    """Return the loop compiled by numba when it is first called.

    The result is kept beside the module, else in the user's cache folder (``NUMBA_CACHE_DIR`` names another).
    Where nothing can be written (read-only installation, user without a home) each process compiles again.
    Division by zero is as in numpy: to check each division takes a twentieth of the time.
    """
    try:
        return njit(cache=True, nogil=True, error_model="numpy")(loop)
    except RuntimeError as error:
        if "no locator available" not in str(error):
            raise
        return njit(nogil=True, error_model="numpy")(loop)
