"""Which nodes edges join: the pieces of an archive rest on it."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from analysis.pieces.pieces import joined


@pytest.mark.parametrize("seed", range(40))
def test_the_same_nodes_are_joined_as_the_reference_library_says_and_numbered_alike(seed: int) -> None:
    """Reference library: scipy.sparse.csgraph.connected_components."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    rng = np.random.default_rng(seed)
    nodes = int(rng.integers(1, 400))
    a, b = rng.integers(0, nodes, (2, int(rng.integers(0, nodes))))
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(nodes, nodes))  # type: ignore[no-untyped-call]
    expected = connected_components(graph, directed=False)[1]
    found = joined(nodes, a, b)
    assert np.array_equal(np.unique(found, return_inverse=True)[1], expected)
    assert np.all(found <= np.arange(nodes))


def test_a_long_chain_and_a_star_are_one_and_nothing_is_nothing() -> None:
    chain = np.random.default_rng(1).permutation(20_000)
    assert not joined(20_000, chain[:-1], chain[1:]).any()
    assert not joined(500, np.full(499, 499), np.arange(499)).any()
    nothing = np.empty(0, np.int64)
    assert joined(0, nothing, nothing).tolist() == []
    assert joined(3, nothing, nothing).tolist() == [0, 1, 2]


def test_reading_an_archive_does_not_import_scipy() -> None:
    modules = "sys, analysis.pieces.archive_pieces, dashboard.evidence.report"
    code = f"import {modules}; print('scipy.sparse' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
