"""What each of several processes of tests begins with, and not what its tests start."""

from __future__ import annotations

import os

import polars as pl
import pytest

from tests.conftest import OF_WORKERS


@pytest.mark.skipif("PYTEST_XDIST_WORKER" not in os.environ, reason="one process runs all tests")
def test_a_worker_has_one_thread_and_passes_none_of_its_settings_on() -> None:
    assert pl.thread_pool_size() == 1
    # By value: a cluster that another test began may have left a setting of dask's by one of these names.
    assert not OF_WORKERS.items() & os.environ.items()
