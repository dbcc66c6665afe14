"""What each of several processes of tests begins with, and not what its tests start."""

from __future__ import annotations

import ctypes
import os
from pathlib import Path

import polars as pl
import pytest

from tests.conftest import PASSED_ON


@pytest.mark.skipif("PYTEST_XDIST_WORKER" not in os.environ, reason="one process runs all tests")
def test_a_worker_has_one_thread_and_passes_none_of_its_settings_on() -> None:
    import scipy.linalg  # noqa: F401

    assert pl.thread_pool_size() == 1
    maps = Path("/proc/self/maps").read_text(encoding="utf-8").splitlines()
    for library in {line.split()[-1] for line in maps if "scipy_openblas" in line}:  # of numpy and of scipy
        name = f"scipy_openblas_get_num_threads{'64_' if 'openblas64_' in library else ''}"
        assert getattr(ctypes.CDLL(library), name)() == 1, library
    assert not PASSED_ON
