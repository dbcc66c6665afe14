"""Live and after the fact over random incidents: `python -m tests.benchmarks.parity 200 [first seed]`."""

from __future__ import annotations

import sys
import traceback

from tests.analysis.random_incidents import random_incident
from tests.analysis.test_parity import (
    assert_same,
    followed,
    reassured_by_loss,
    told_by_board,
    told_by_review,
    unexplained,
)


def main() -> None:
    """Print each seed that differs, and how many did."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    differing, taken_back, reassured = 0, 0, 0
    for seed in range(first, first + count):
        heard = random_incident(seed)
        try:
            assert_same(told_by_board(followed(heard)[0]), told_by_review(heard))
        except AssertionError as error:
            differing += 1
            print(f"seed {seed}: {str(error)[:400] or traceback.format_exc()[-400:]}", flush=True)
        told = unexplained(heard)
        taken_back += len(told)
        for line in told:
            print(f"seed {seed}: taken back: {line}", flush=True)
        better = reassured_by_loss(heard, seed)
        leaking = random_incident(seed, leaks=True)
        for thinned in (None, 5, 15):
            better += reassured_by_loss(leaking, seed, thinned=thinned)
        reassured += len(better)
        for line in better:
            print(f"seed {seed}: better for want of messages: {line}", flush=True)
    print(
        f"{count} incidents: {differing} differ, {taken_back} turn-backs taken back without a reason, "
        f"{reassured} figures better for want of messages"
    )


if __name__ == "__main__":
    main()
