"""The limits beside the rows of the live page: teams, orders, roll calls, notes and who came out."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from analysis.live.came_out import with_rests
from analysis.live.rows import (
    AlarmLine,
    Interval,
    NoteLine,
    OrderLine,
    Out,
    RollCallLine,
    Team,
)
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.side_view import (
    evacuations,
    in_order,
    note_view,
    out_view,
    roll_view,
    team_view,
)
from tests.dashboard.test_live_view import NOW, ROW, SYSTEM, picture

PROFILE = Profile.default()
ALARM = AlarmLine(
    key="k", service="trial", set_id="S-1", wearer_id="W-1", team="Alder", alarm="evacuate",
    raised_at=NOW - 60,
)  # fmt: skip
NOTE = NoteLine("n", NOW, "x", "I-1", "D-2", None, None)
OUT = Out("I-1/W-1/1", "W-1", "S-1", "Alder", "I-1", NOW - 60, 80.0, 1260.0, NOW - 70, False, True, 1300.0)


class TestSide:
    @staticmethod
    def team(**change: Any) -> Team:
        given: dict[str, Any] = {
            "team": "Alder", "incident_id": "I-1", "members": 2, "under_air": 2, "silent": 0,
            "attention": "under_air",
            "lowest_set_id": "S-1", "lowest_wearer_id": "W-1", "lowest_bar": 150.0, "lowest_at": NOW,
            "turn_back": None, "turn_back_reached_at": None,
        }  # fmt: skip
        return Team(**(given | change))

    def test_the_soonest_turn_back_counts_silent_members_as_last_heard(self) -> None:
        ahead = Interval(10.0, 5.0, 15.0)

        def left(**change: Any) -> str:
            return str(team_view(self.team(**change), NOW, STANDARD)["left"])

        assert "in 10 min" in left(turn_back=ahead)
        assert "10:35" in left(turn_back=ahead, turn_back_by_at=NOW + 300.0)
        assert "in 10 min" in left(turn_back=ahead, turn_back_by_at=NOW + 301.0)
        assert "10:45" in left(turn_back_by_at=NOW + 900.0)
        assert left(turn_back=ahead, turn_back_reached_at=NOW - 65.0).endswith("1:05")
        unknown = team_view(self.team(), NOW, STANDARD)
        assert unknown["known"] is False
        assert unknown["left"] == left(turn_back_unknown=1)
        assert left(turn_back=ahead, turn_back_unknown=1) != left(turn_back=ahead)

    def test_two_sets_that_say_evacuate_are_one_line(self) -> None:
        assert evacuations([ALARM], NOW, STANDARD) == ([ALARM], [])
        other = replace(ALARM, set_id="S-2", wearer_id="W-2", seen_at=NOW - 5, acknowledged_at=NOW - 9)
        ended = replace(ALARM, set_id="S-3", ended_at=NOW)
        single, (both,) = evacuations([ALARM, other, ended], NOW, STANDARD)
        assert single == [ended]
        assert both["new"] is True
        assert both["several"] == [{"service": "trial", "set_id": "S-1"}]
        assert "1 of 2" in both["state"]
        _, (on, over) = evacuations([ALARM, other, ended, replace(ended, key="c")], NOW, STANDARD)
        assert over["key"] == f"{on['key']}/over"
        assert (on["ended"], over["ended"], len(over["several"])) == (False, True, 2)
        _, (seen,) = evacuations([replace(ALARM, seen_at=NOW), other], NOW, STANDARD)
        assert seen["new"] is False

    def test_unseen_then_still_on_then_gravest_then_oldest(self) -> None:
        def one(
            key: str, a: str = "distress", new: bool = True, ended: bool = False, raised: float = 1.0
        ) -> dict[str, Any]:
            return {"key": key, "a": a, "new": new, "ended": ended, "raised": raised}

        given = [
            one("seen", new=False), one("ended", ended=True), one("low", a="low_air", raised=0.0),
            one("later", raised=2.0), one("first"),
        ]  # fmt: skip
        assert [each["key"] for each in in_order(given)] == ["first", "later", "low", "ended", "seen"]

    @pytest.mark.parametrize(
        ("given_s", "waiting", "noted_s", "late", "new"),
        [
            (30.0, True, None, False, False),
            (30.1, True, None, True, True),
            (300.0, False, None, False, False),
            (100.0, True, 69.9, True, False),  # seen after it was late
            (100.0, True, 70.1, True, True),  # "seen" said before it was late
        ],
    )
    def test_an_order_unanswered_for_half_a_minute_sounds(
        self, given_s: float, waiting: bool, noted_s: float | None, late: bool, new: bool
    ) -> None:
        order = OrderLine(
            key="k", incident_id="I-1", order="evacuate", team=None, set_id=None, text=None,
            given_at=NOW - given_s,
            desk_id="D-1", meant=1, acknowledged=0, out=0, waiting=("trial/S-1",) if waiting else (),
        )  # fmt: skip
        notes = ()
        if noted_s is not None:
            notes = (replace(NOTE, at=NOW - noted_s, text="Seen: order unanswered"),)
        (line,) = picture(ROW, orders=(order,), notes=notes)["orders"]
        assert (line["late"], line["new"]) == (late, new)
        assert line["own"] is False
        other = tuple(replace(note, incident_id="I-2") for note in notes)
        (line,) = picture(ROW, orders=(order,), notes=other, system=replace(SYSTEM, desk_id="D-1"))["orders"]
        assert (line["new"], line["own"]) == (late, True)

    @pytest.mark.parametrize(("noted_s", "new"), [(300.0, False), (300.1, True), (1.0, False)])
    def test_losing_air_sounds_again_five_minutes_after_it_was_seen(self, noted_s: float, new: bool) -> None:
        losing = replace(ROW, losing_min=2.0)
        note = replace(NOTE, at=NOW - noted_s, text="Seen: losing air", set_id="S-1")
        (line,) = picture(losing, notes=(note,))["alarms"]
        assert line["new"] is new
        (line,) = picture(losing, notes=(replace(note, set_id="S-2", at=NOW),))["alarms"]
        assert line["new"] is True

    def test_missing_ones_come_first_at_a_roll_call(self) -> None:
        answers = (
            ("W-1", "S-1", "Alder", "answered"), ("W-2", "S-2", "Alder", "called"),
            ("W-3", "S-3", None, "missing"), ("W-4", "S-4", "Birch", "answered"),
        )  # fmt: skip
        shown = roll_view(RollCallLine("k", "I-1", "R-1", NOW - 90, answers, None), NOW, STANDARD)
        assert [one["key"] for one in shown["answers"]] == ["team Alder", "W-3", "W-2", "W-1", "W-4"]
        assert "2 of 4 answered, 1 missing" in shown["text"]
        assert shown["text"].endswith("1:30")
        done = roll_view(RollCallLine("k", "I-1", "R-1", NOW - 90, answers[:1], NOW - 30), NOW, STANDARD)
        assert (shown["complete"], done["complete"]) == (False, True)
        assert done["text"].endswith("1:00")

    def test_a_set_without_a_tally_is_called_and_has_nobody_to_tick(self) -> None:
        answers = (("W-1", "S-1", "Alder", "answered"), (None, "S-4", None, "no_tally"))
        first, _ = roll_view(RollCallLine("k", "I-1", "R-1", NOW, answers, None), NOW, STANDARD)["answers"]
        assert (first["key"], first["who"]) == ("set S-4", "Set S-4")
        assert (first["state"], first["what"]) == ("not tallied in", "")

    def test_who_came_out_with_what(self) -> None:
        text = out_view(OUT, STANDARD)["text"]
        assert "80 bar" in text
        assert "21 min" in text
        never = replace(OUT, pressure_bar=None, pressure_at=None, under_air_s=None, heard_at_exit=False)
        assert out_view(never, STANDARD)["text"].endswith(
            "never heard under air, 21 min inside, no rest rule applies"
        )
        unheard = replace(OUT, heard_at_exit=False, pressure_at=NOW - 660, under_air_s=600.0)
        text = out_view(unheard, STANDARD)["text"]
        assert "80 bar as last heard 10:19:00, heard under air for 10 of 21 min inside" in text
        assert "80 bar by voice 10:19:00" in out_view(replace(unheard, by_voice=True), STANDARD)["text"]
        rest = out_view(replace(OUT, rest_until_at=NOW + 600, rest_source="a rule"), STANDARD)["text"]
        assert "10:40" in rest
        assert "a rule" in rest

    def test_nobody_who_was_never_heard_nor_said_to_be_out_is_at_rest(self) -> None:
        """Of who is perhaps inside, "rest until 02:10" would say that somebody saw them come out."""
        unsaid = replace(OUT, ended_how="incident_closed", inside_s=6 * 3600.0, heard_at_exit=False)
        (heard,) = with_rests([unsaid], PROFILE.rest)
        assert heard.rest_until_at is not None  # its minutes under air are known to have been work
        (never,) = with_rests([replace(unsaid, under_air_s=None, pressure_bar=None)], PROFILE.rest)
        assert never.rest_until_at is None
        assert out_view(never, STANDARD)["text"].endswith("never heard under air, 360 min inside")

    @pytest.mark.parametrize(
        ("due_s", "said"),
        [
            (60.0, "next team ready by 10:31"),
            (0.0, "next team was due 0:00 ago"),
            (-125.0, "next team was due 2:05 ago"),
        ],
    )
    def test_a_next_team_that_is_overdue_says_for_how_long(self, due_s: float, said: str) -> None:
        shown = team_view(self.team(relief_at=NOW + due_s), NOW, STANDARD)
        assert shown["members"].endswith(f" · {said}")
        (row,) = picture(replace(ROW, relief_at=NOW + due_s))["rows"]
        assert row["soon"] == said
        (row,) = picture(replace(ROW, relief_at=None))["rows"]
        assert row["soon"] == ""

    def test_an_estimated_moment_says_so(self) -> None:
        assert note_view(NOTE, STANDARD)["at"] == "10:30:00"
        assert note_view(replace(NOTE, certainty="estimated"), STANDARD)["at"] != "10:30:00"
