"""What `underair listen` shows of its counts while it works."""

from __future__ import annotations

import pytest

from ingest.archive.folder import Counts
from ingest.archive.writing import Health
from ingest.talk import Telling

SENTENCE = "received 1,300 (10/s): kept 1,190, duplicates 6, refused 4, 100 in the journal until sealed"


def test_counts_are_told_once_a_minute(capsys: pytest.CaptureFixture[str]) -> None:
    telling = Telling(now_s=0.0)
    telling.look(Health(journalled=600), 59.0)
    assert capsys.readouterr().err == ""
    telling.look(Health(journalled=700), 60.0)
    telling.look(Health(journalled=1300, sealed=Counts(1200, 1190, 6, 4)), 120.0)
    assert capsys.readouterr().err.splitlines()[1] == f"underair: {SENTENCE}"
