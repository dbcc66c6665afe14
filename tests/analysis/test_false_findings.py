"""Ordinary wears must have (almost) no findings: the benchmark's figure is held here at a smaller number."""

from __future__ import annotations

from tests.benchmarks.false_findings import count_findings


def test_ordinary_wears_bring_hardly_a_finding() -> None:
    """42 wears, six of each kind of work; the benchmark with 350 says how many there are in the long run."""
    found, counts, said = count_findings(42, 7)
    assert found == 42
    # All of them work at once here, so that their pre-alarms may well come to a flood.
    counts.pop(("caution", "alarm_flood"), None)
    # True of them: nobody notes the turn, and they work on until 66 to 120 bar are left.
    counts.pop(("caution", "turned_back_late"), None)
    assert sum(counts.values()) <= 1, said
