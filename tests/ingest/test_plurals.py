from __future__ import annotations

import pytest

from ingest.plurals import counted


@pytest.mark.parametrize(
    ("number", "said"), [(0, "0 faults"), (1, "1 fault"), (2, "2 faults"), (1204, "1,204 faults")]
)
def test_one_fault_is_no_faults(number: int, said: str) -> None:
    assert counted(number, "fault") == said


def test_a_noun_with_a_plural_of_its_own() -> None:
    assert counted(1, "entry", "entries") == "1 entry"
    assert counted(2, "entry", "entries") == "2 entries"
