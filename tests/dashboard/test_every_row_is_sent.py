"""What the board says can always be sent: one row that cannot takes no other row with it."""

from __future__ import annotations

import gzip
import json
from typing import Any

import pytest
from msgspec.structs import replace

from analysis.live.board import LiveBoard
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from dashboard.live import view
from dashboard.live.display import STANDARD
from dashboard.live.feed import Answer
from tests.analysis.conftest import WrittenLog
from tests.dashboard.test_live_view import HEARING, NOW, ROW, SYSTEM


def sent(snapshot: Snapshot, failed: list[tuple[str, Exception]]) -> dict[str, Any]:
    answer = Answer(lambda display: view.page(snapshot, SYSTEM, display, failed))
    picture: dict[str, Any] = json.loads(gzip.decompress(answer.packed()))
    return picture


def test_a_second_cylinder_after_hard_work_is_sent_like_any_other() -> None:
    """Its first seconds are planned with the rate of the first, which was above the planning rate."""
    log = WrittenLog()
    log.desk().say(1, "tally", action="in", incident_id="I-1", wearer_id="W-1", set_id="S-1")
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(5, 300, bar_s=0.25)
    one.breathe(340, 8, start_bar=290.0, closes=False)
    snapshot = log.seen_on(LiveBoard(Profile.default()))(347)
    (row,) = snapshot.rows
    assert row.planned
    failed: list[tuple[str, Exception]] = []
    (shown,) = sent(snapshot, failed)["rows"]
    assert not failed
    assert shown["strip"]["low_air"]


def test_a_row_that_cannot_be_sent_keeps_its_name_and_takes_no_other_with_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    painted = view.row_view

    def odd(row: Row, now: float, display: Any) -> dict[str, Any]:
        return painted(row, now, display) | ({"strip": object()} if row.set_id == "S-2" else {})

    monkeypatch.setattr(view, "row_view", odd)
    rows = (ROW, replace(ROW, key="other", set_id="S-2"))
    nothing: dict[str, Any] = dict.fromkeys(
        ("teams", "alarms", "prompts", "notes", "incidents", "desk_heard", "set_ids", "services"), ()
    )
    snapshot = Snapshot(at=NOW, window_from_at=NOW - 900, rows=rows, hearing=HEARING, **nothing)
    failed: list[tuple[str, Exception]] = []
    first, second = sent(snapshot, failed)["rows"]
    assert first["strip"] == painted(ROW, NOW, STANDARD)["strip"]
    assert second["strip"] is None
    assert second["who"]
    assert [name for name, _ in failed] == ["other"]
