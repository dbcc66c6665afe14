"""The table `tallies`: all that desks said about who was in, also what was corrected or refused."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.incident import analyse
from analysis.profile import Profile

ME = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}


def tallies(log: Any, incident_id: str | None = None) -> pl.DataFrame:
    return analyse(log.frames(), Profile.default(), incident_id)["tallies"]


def test_every_tally_has_a_row_with_its_times_and_what_stands_in_whose_place(log: Any) -> None:
    desk = log.talker("D-1", role="desk", delay=lambda at_s: 40.0 if at_s < 50 else 0.05)
    desk.say(10, "tally", action="in", team="Larch", task="search", **(ME | {"set_id": "S-2"}))
    desk.say(300, "tally", action="in", corrects={"desk_id": "D-1", "boot": 1, "seq": 0}, **ME)
    desk.say(900, "tally", action="out", **ME)
    desk.say(950, "tally", action="in", **(ME | {"incident_id": "I-2", "wearer_id": "W-2"}))
    first, second, third, fourth = tallies(log).to_dicts()
    assert [one["message"] for one in (first, second, third, fourth)] == [f"D-1/1/{seq}" for seq in range(4)]
    assert [one["action"] for one in (first, second, third)] == ["in", "in", "out"]
    assert (first["set_id"], first["team"], first["task"], first["desk_id"]) == (
        "S-2",
        "Larch",
        "search",
        "D-1",
    )
    assert (first["corrected_by"], first["counts_from"], first["corrects"]) == ("D-1/1/1", None, None)
    assert (second["corrects"], second["corrected_by"], second["team"]) == ("D-1/1/0", None, None)
    assert second["counts_from"] == first["said"] < second["said"]
    assert (first["heard"] - first["said"]).total_seconds() > 39.0
    assert third["counts_from"] == third["said"]
    assert tallies(log, "I-1")["message"].to_list() == ["D-1/1/0", "D-1/1/1", "D-1/1/2"]
    assert tallies(log, "I-2")["wearer_id"].to_list() == ["W-2"]


def test_a_correction_of_what_was_never_heard_names_it_and_counts_from_its_own_time(log: Any) -> None:
    desk = log.desk()
    desk.say(10, "tally", action="in", corrects={"desk_id": "D-9", "boot": 3, "seq": 7}, **ME)
    (row,) = tallies(log).to_dicts()
    assert (row["corrects"], row["counts_from"]) == ("D-9/3/7", row["said"])


def test_a_refused_tally_has_a_row_as_its_payload_says_with_the_reason(log: Any) -> None:
    desk = log.desk()
    desk.say(10, "tally", action="in", **ME)
    desk.say(
        20, "tally", action="in", team="Red Team", **(ME | {"wearer_id": "W-7"})
    )  # a space is not allowed
    desk.say(30, "tally", action="in", **(ME | {"wearer_id": 7}))
    for incident_id in (None, "I-1"):
        counted, spaced, number = tallies(log, incident_id).to_dicts()
        assert counted["refused"] is None
        assert (spaced["message"], spaced["said"], spaced["counts_from"]) == (None, None, None)
        assert (spaced["wearer_id"], spaced["team"], spaced["desk_id"]) == ("W-7", "Red Team", "D-1")
        assert spaced["heard"] is not None
        assert "team" in spaced["refused"]
        assert number["wearer_id"] is None
        assert "wearer_id" in number["refused"]


def test_without_a_tally_the_table_is_there_and_empty(log: Any) -> None:
    log.talker("S-1").breathe(20, 60, only_pressure=True)
    assert tallies(log).height == 0
