"""Which note of a desk is about whom: names, sets, teams and the time. Our own rules."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.wears.turn_back import TurnBackNote, note_about
from tests.analysis.wears_by_hand import us


class TestNotes:
    @staticmethod
    def about(text: str, *, set_id: str | None = "S-1", at_s: float = 5, of_team: bool = False) -> bool:
        note = TurnBackNote(us(at_s), "I-1", set_id, text, "D-1/1/1")
        asked: Any = ([note], {"S-1"}, ("I-1", "North"), us(5), us(9), "turning back")
        return note_about(*asked, of_team=of_team) == note

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("turning back", True), ("Turning back now", True), ("turning backwards", False),
            ("not turning back", False), ("W-1 turning back", True), ("team North turning back", True),
            ("hot here, turning back", True), ("North W-1 turning back", True), ("South turning back", False),
        ],
    )  # fmt: skip
    def test_a_part_of_the_note_begins_with_the_words_or_with_whom_they_are_about(
        self, text: str, says: bool
    ) -> None:
        assert self.about(text) == says

    def test_it_is_about_the_set_or_names_the_team_within_the_time(self) -> None:
        assert [self.about("turning back", at_s=at) for at in (4.9, 5, 9, 9.1)] == [False, True, True, False]
        assert not self.about("turning back", set_id="S-2")
        assert not self.about("turning back", set_id=None)
        assert self.about("North turning back", set_id=None)
        assert not self.about("North turning back", set_id="S-2")
        assert self.about("North turning back", set_id="S-2", of_team=True)
